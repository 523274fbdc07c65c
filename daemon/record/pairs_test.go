package record

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/foxglove/mcap/go/mcap"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestImagesOfAPairHaveTimesOfTheirOwn: the two images of a pair are of one topic, and as far apart in the log as their
// light; one that has no other is logged with its frame set.
func TestImagesOfAPairHaveTimesOfTheirOwn(t *testing.T) {
	m, _, dir := manager(t, nil)
	chips := m.cfg.Array.Chips
	frame := func(chip int, light int64, second bool) *facetdv1.Frame {
		return &facetdv1.Frame{Chip: chips[chip].Name, View: "v", PixelFormat: "Mono16", Rows: 1, Columns: 2,
			Data: make([]byte, 4), Window: &facetdv1.Window{Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 1},
			LightBusNs: light, SecondOfPair: second}
	}
	start(t, m, "p", &facetdv1.RecordingOptions{Images: true})
	const apart = 3_000_000
	for job := range int64(3) {
		at := 50_000_000 * (job + 1)
		m.JobEnded(&facetdv1.FrameSet{Task: "pairs", Job: uint64(job), FinishBusNs: at, Frames: []*facetdv1.Frame{
			frame(0, at-9_000_000, false), frame(1, at-8_500_000, false), frame(0, at-9_000_000+apart, true)}})
	}
	if _, err := m.Stop(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open(filepath.Join(dir, "p-001.mcap"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := mcap.NewReader(f)
	if err != nil {
		t.Fatal(err)
	}
	it, err := r.Messages(mcap.InOrder(mcap.LogTimeOrder))
	if err != nil {
		t.Fatal(err)
	}
	times := map[string][]uint64{}
	for {
		_, ch, msg, err := it.NextInto(nil)
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		times[ch.Topic] = append(times[ch.Topic], msg.LogTime)
	}
	sets := times[TopicFrames+"pairs"]
	pairs, single := times[TopicImages+"pairs/"+chips[0].Name+"/v"], times[TopicImages+"pairs/"+chips[1].Name+"/v"]
	if len(sets) != 3 || len(pairs) != 6 || len(single) != 3 {
		t.Fatalf("%d frame sets, %d images of pairs and %d others: %v", len(sets), len(pairs), len(single), times)
	}
	for job, at := range sets {
		if pairs[2*job] != at-apart || pairs[2*job+1] != at || single[job] != at {
			t.Errorf("job %d at %d: pair at %d and %d, another at %d", job, at, pairs[2*job], pairs[2*job+1],
				single[job])
		}
	}
	for topic := range times {
		if strings.HasPrefix(topic, TopicCameras) && strings.Contains(topic, chips[0].Name) &&
			times[topic][0] > sets[0]-apart {
			t.Errorf("the calibration %s is logged after its first image", topic)
		}
	}
}
