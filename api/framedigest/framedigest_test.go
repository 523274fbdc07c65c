package framedigest

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
)

func set() *facetdv1.FrameSet {
	return &facetdv1.FrameSet{
		Task: "look", Job: 3, ReleaseBusNs: 10, DeadlineBusNs: 20, StartBusNs: 11, FinishBusNs: 19,
		Frames: []*facetdv1.Frame{
			{Chip: "m0", View: "v", LightBusNs: 12, FirstSampleBusNs: 13, LastConvertedBusNs: 18,
				Data: []byte{1, 2, 3, 4}},
			{Chip: "m1", Data: []byte{5, 6}},
		},
	}
}

// The bytes are written out by hand here and summed up at once, as the package's
// comment says.
func TestDigestIsOverTheBytesDescribed(t *testing.T) {
	var b bytes.Buffer
	word := func(v ...uint64) {
		for _, n := range v {
			_ = binary.Write(&b, binary.LittleEndian, n)
		}
	}
	word(4)
	b.WriteString("look")
	word(3, 10, 20, 11, 19, 2)
	word(2)
	b.WriteString("m0")
	word(1)
	b.WriteString("v")
	word(12, 13, 18, 4)
	b.Write([]byte{1, 2, 3, 4})
	word(2)
	b.WriteString("m1")
	word(0)
	word(0, 0, 0, 2)
	b.Write([]byte{5, 6})
	d := New()
	d.Add(set())
	if want := fmt.Sprintf("%x", sha256.Sum256(b.Bytes())); d.Sum() != want || d.Sets() != 1 {
		t.Errorf("digest %s of %d sets, want %s of 1", d.Sum(), d.Sets(), want)
	}
}

func TestEveryCodeAndTimeCountsAndHostTimeDoesNot(t *testing.T) {
	sum := func(change func(*facetdv1.FrameSet)) string {
		fs := proto.CloneOf(set())
		change(fs)
		d := New()
		d.Add(fs)
		return d.Sum()
	}
	plain := sum(func(*facetdv1.FrameSet) {})
	for name, change := range map[string]func(*facetdv1.FrameSet){
		"a code":       func(fs *facetdv1.FrameSet) { fs.Frames[1].Data[1]++ },
		"light time":   func(fs *facetdv1.FrameSet) { fs.Frames[0].LightBusNs++ },
		"finish":       func(fs *facetdv1.FrameSet) { fs.FinishBusNs++ },
		"job":          func(fs *facetdv1.FrameSet) { fs.Job++ },
		"chip":         func(fs *facetdv1.FrameSet) { fs.Frames[0].Chip = "m2" },
		"frames gone":  func(fs *facetdv1.FrameSet) { fs.Frames = fs.Frames[:1] },
		"name moved":   func(fs *facetdv1.FrameSet) { fs.Frames[0].Chip, fs.Frames[0].View = "m0v", "" },
		"order turned": func(fs *facetdv1.FrameSet) { fs.Frames[0], fs.Frames[1] = fs.Frames[1], fs.Frames[0] },
	} {
		if sum(change) == plain {
			t.Errorf("the digest does not change with: %s", name)
		}
	}
	if sum(func(fs *facetdv1.FrameSet) { fs.Frames[0].FirstSampleTime = timestamppb.Now() }) != plain {
		t.Error("the digest changes with host time, which differs between equal runs")
	}
}
