package record

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/foxglove/mcap/go/mcap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// TestImagesOfAPairHaveTimesOfTheirOwn: the two images of a pair are of one topic, and as far apart in the log as their
// light; one that has no other is logged with its frame set.
func TestImagesOfAPairHaveTimesOfTheirOwn(t *testing.T) {
	m, _, dir := manager(t, nil)
	chips := m.cfg.Array.Chips
	frame := func(chip int, light int64, second bool) *facetdv1.Frame {
		return imageOfPair(chips[chip].Name, light, second)
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
	times := logTimes(t, filepath.Join(dir, "p-001.mcap"))
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

// TestAnIndependentReaderSeesBothImagesOfAPair: of two tasks with pairs, whose jobs end while the other's are read, the
// reader finds every image of each topic in the order of its light, with a time of its own.
func TestAnIndependentReaderSeesBothImagesOfAPair(t *testing.T) {
	t.Parallel()
	m, _, dir := manager(t, nil)
	chip := m.cfg.Array.Chips[0].Name
	start(t, m, "p", &facetdv1.RecordingOptions{Images: true})
	type seen struct{ log, pixels string }
	want := map[string][]seen{}
	for job := range int64(8) {
		for k, task := range []string{"one", "two"} {
			at := 50_000_000*(job+1) + 2_000_000*int64(k)
			fs := &facetdv1.FrameSet{Task: task, Job: uint64(job), ReleaseBusNs: at - 20_000_000, FinishBusNs: at}
			for i, log := range []int64{at - 5_000_000, at} {
				f := imageOfPair(chip, log-1_000_000, i == 1)
				f.Data[0], f.Data[1], f.Data[2] = byte(job), byte(k), byte(i)
				fs.Frames = append(fs.Frames, f)
				sum, topic := sha256.Sum256(f.GetData()), TopicImages+task+"/"+chip+"/v"
				want[topic] = append(want[topic], seen{strconv.FormatInt(epoch.UnixNano()+log, 10),
					hex.EncodeToString(sum[:])})
			}
			m.JobEnded(fs)
		}
	}
	if _, err := m.Stop(t.Context(), "p"); err != nil {
		t.Fatal(err)
	}
	got := map[string][]seen{}
	for _, img := range readElsewhere(t, filepath.Join(dir, "p-001.mcap")).Images {
		got[img.Topic] = append(got[img.Topic], seen{img.Log, img.Pixels})
	}
	if len(want) != 2 || !reflect.DeepEqual(got, want) {
		t.Errorf("the reader finds %v, not %v", got, want)
	}
}

// TestUnreadImagesOfPairsAreNotLoggedLongAgo: of a job that failed an image that was never read has no light, by which
// the other was logged as long ago as the bus runs, or before all time where the host's clock begins in 1970.
func TestUnreadImagesOfPairsAreNotLoggedLongAgo(t *testing.T) {
	const at, lasts = int64(3_600_000_000_000), int64(20_000_000)
	for _, c := range []struct {
		name          string
		begins        time.Time
		first, second int64
		before        uint64
	}{
		{"both read", epoch, at - 9_000_000, at - 6_000_000, 3_000_000},
		{"the first not read", epoch, 0, at - 6_000_000, 1},
		{"the second not read", epoch, at - 9_000_000, 0, 1},
		{"none read", epoch, 0, 0, 1},
		{"a clock before 1970", time.Unix(-7200, 0), at - 9_000_000, at - 6_000_000, 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			m, _, dir := manager(t, func(cfg *Config) {
				cfg.HostTime = func(at bus.Time) (time.Time, time.Duration) { return c.begins.Add(at.Elapsed()), 0 }
			})
			chip := m.cfg.Array.Chips[0].Name
			start(t, m, "p", &facetdv1.RecordingOptions{Images: true})
			m.JobEnded(&facetdv1.FrameSet{Task: "pairs", ReleaseBusNs: at - lasts, FinishBusNs: at, Failure: "cut",
				Frames: []*facetdv1.Frame{imageOfPair(chip, c.first, false), imageOfPair(chip, c.second, true)}})
			if _, err := m.Stop(t.Context(), "p"); err != nil {
				t.Fatal(err)
			}
			times := logTimes(t, filepath.Join(dir, "p-001.mcap"))
			set, pair := times[TopicFrames+"pairs"], times[TopicImages+"pairs/"+chip+"/v"]
			if len(set) != 1 || len(pair) != 2 || pair[0] != set[0]-c.before || pair[1] != set[0] {
				t.Errorf("the set is at %d, its images at %d", set, pair)
			}
		})
	}
}

// imageOfPair is a small frame.
func imageOfPair(chip string, light int64, second bool) *facetdv1.Frame {
	return &facetdv1.Frame{Chip: chip, View: "v", PixelFormat: "Mono16", Rows: 1, Columns: 2,
		Data: make([]byte, 4), Window: &facetdv1.Window{Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 1},
		LightBusNs: light, SecondOfPair: second}
}

// logTimes are those of all messages of a file by topic, in their order, as the library of the format reads them.
func logTimes(t *testing.T, path string) map[string][]uint64 {
	t.Helper()
	f, err := os.Open(path)
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
	return times
}
