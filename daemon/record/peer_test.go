package record

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
)

// An independent reader (JavaScript: @mcap/core, fzstd, protobufjs) finds the same
// counts, times and pixels, in a recording that was closed and in one that was torn.
func TestAnIndependentReaderAgrees(t *testing.T) {
	t.Parallel()
	m, _, dir := manager(t,
		func(c *Config) { c.Status = func() *facetdv1.Status { return &facetdv1.Status{BusNs: 1} } })
	m.PlanChanged(plan("wall", "bed"), 5, 5)
	start(t, m, "p", &facetdv1.RecordingOptions{Images: true, PartBytes: 4 << 20})
	src := newSource(21)
	var want []*facetdv1.FrameSet
	for i := range 40 {
		fs := src.next([]string{"wall", "bed", ""}[i%3], 100)
		want = append(want, fs)
		m.JobEnded(fs)
	}
	stop(t, m, "p")
	whole := filepath.Join(dir, "p-001.mcap")
	compare(t, whole, want, true)

	data, err := os.ReadFile(whole)
	if err != nil {
		t.Fatal(err)
	}
	torn := filepath.Join(t.TempDir(), "q-001.mcap.partial")
	if err := os.WriteFile(torn, data[:len(data)*7/10], 0o600); err != nil {
		t.Fatal(err)
	}
	rec, err := Recover(torn)
	if err != nil {
		t.Fatal(err)
	}
	compare(t, rec.Path, want, false)
}

// seenElsewhere is what the independent reader finds in a file, in the order of log times.
type seenElsewhere struct {
	Profile    string
	Statistics uint64
	Topics     map[string]struct{ Count, Sequence uint64 }
	Sets       []struct {
		Task, Job, Finish, Log, Publish, Pixels string
		Late                                    bool
	}
	Images []struct {
		Topic, Log, Encoding, Frame, Pixels string
		Width, Height, Step                 uint32
	}
}

func readElsewhere(t *testing.T, path string) (got seenElsewhere) {
	t.Helper()
	cmd := peertest.Node(t, []string{"@mcap/core@2.2.2", "fzstd@0.1.1", "protobufjs@7.6.6"}, "testdata/read.cjs", path)
	cmd.Stderr = os.Stderr
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

func compare(t *testing.T, path string, want []*facetdv1.FrameSet, all bool) {
	t.Helper()
	got := readElsewhere(t, path)
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var sum uint64
	for topic, n := range r.Counts() {
		sum += n
		if c := got.Topics[topic]; c.Count != n || c.Sequence != n {
			t.Errorf("%s: %d messages up to number %d, here %d", topic, c.Count, c.Sequence, n)
		}
	}
	if got.Profile != Profile || got.Statistics != sum || sum != r.Messages() {
		t.Errorf("profile %q, %d messages, here %d", got.Profile, got.Statistics, sum)
	}
	if all && len(got.Sets) != len(want) || len(got.Sets) == 0 || len(got.Sets) > len(want) {
		t.Fatalf("%d frame sets of %d", len(got.Sets), len(want))
	}
	for i, s := range got.Sets {
		w := want[i]
		at := strconv.FormatInt(epoch.Add(time.Duration(w.GetFinishBusNs())).UnixNano(), 10)
		if s.Task != w.GetTask() || s.Job != strconv.FormatUint(w.GetJob(), 10) ||
			s.Finish != strconv.FormatInt(w.GetFinishBusNs(), 10) ||
			s.Late != w.GetLate() || s.Log != at || s.Publish != at || s.Pixels != pixels(w) {
			t.Errorf("frame set %d is %+v", i, s)
		}
	}
	if all && len(got.Images) != 2*len(want) {
		t.Errorf("%d images of %d", len(got.Images), 2*len(want))
	}
	for i, img := range got.Images {
		f := want[i/2].GetFrames()[i%2]
		sum := sha256.Sum256(f.GetData())
		if img.Pixels != hex.EncodeToString(sum[:]) || img.Width != 100 || img.Height != 100 || img.Step != 200 ||
			img.Encoding != "mono16" || img.Frame != f.GetChip() {
			t.Errorf("image %d is %+v", i, img)
		}
	}
}

func pixels(fs *facetdv1.FrameSet) string {
	h := sha256.New()
	for _, f := range fs.GetFrames() {
		h.Write(f.GetData())
	}
	return hex.EncodeToString(h.Sum(nil))
}
