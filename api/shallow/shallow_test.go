package shallow

import (
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestWithout(t *testing.T) {
	frame := &facetdv1.Frame{Chip: "c", Data: []byte{1}, RowOffsetNs: []int64{3, 4}}
	from := &facetdv1.FrameSet{Task: "t", Job: 7, Frames: []*facetdv1.Frame{frame}}
	if got := Without(from, "frames"); !proto.Equal(got, &facetdv1.FrameSet{Task: "t", Job: 7}) ||
		len(from.GetFrames()) != 1 {
		t.Errorf("%v of %v", got, from)
	}
	got := Without(frame, "data")
	if got.GetChip() != "c" || got.GetData() != nil || &got.GetRowOffsetNs()[0] != &frame.GetRowOffsetNs()[0] {
		t.Errorf("%v of %v", got, frame)
	}
}
