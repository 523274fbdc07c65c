package record

import (
	"bytes"
	"context"
	"encoding/binary"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/demo"
)

// epoch is the host time of bus time 0 in tests.
var epoch = time.Date(2031, 5, 6, 7, 8, 9, 123456789, time.UTC)

func hostTime(at bus.Time) (time.Time, time.Duration) {
	return epoch.Add(at.Elapsed()), 3 * time.Microsecond
}

// notes keeps what a manager told.
type notes struct {
	mu   sync.Mutex
	list []*facetdv1.Event
}

func (n *notes) add(e *facetdv1.Event) {
	n.mu.Lock()
	n.list = append(n.list, e)
	n.mu.Unlock()
}

func (n *notes) of(kind facetdv1.EventKind) []*facetdv1.Event {
	n.mu.Lock()
	defer n.mu.Unlock()
	var out []*facetdv1.Event
	for _, e := range n.list {
		if e.GetKind() == kind {
			out = append(out, e)
		}
	}
	return out
}

// manager makes one whose disk is always roomy, in a folder of the test.
func manager(t testing.TB, change func(*Config)) (*Manager, *notes, string) {
	t.Helper()
	a, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	n := &notes{}
	cfg := Config{
		Dir: filepath.Join(t.TempDir(), "recordings"), Array: a, HostTime: hostTime,
		Now:    func() bus.Time { return 1000 },
		Events: n.add, Labels: map[string]string{"version": "test", "seed": "7"},
		free: func(string) (uint64, error) { return 1 << 50, nil },
	}
	if change != nil {
		change(&cfg)
	}
	m, err := NewManager(cfg)
	if err != nil {
		t.Fatal(err)
	}
	// The context of a test ends before its cleanups: with it, Close would wait for nothing.
	t.Cleanup(func() { _ = m.Close(context.WithoutCancel(t.Context())) })
	return m, n, cfg.Dir
}

// source makes frame sets of invented tasks, the same ones for the same seed.
type source struct {
	rng *rand.Rand
	job map[string]uint64
	at  int64
}

func newSource(seed uint64) *source {
	return &source{rng: rand.New(rand.NewPCG(seed, 1)), job: map[string]uint64{}, at: 2000}
}

// next is a frame set of a task; size is rows and columns of its two frames.
func (s *source) next(task string, size int) *facetdv1.FrameSet {
	release := s.at
	s.at += 1_000_000 + s.rng.Int64N(1000)
	fs := &facetdv1.FrameSet{
		Task: task, Job: s.job[task], ReleaseBusNs: release, StartBusNs: release + 10, DeadlineBusNs: release + 900_000,
		FinishBusNs: s.at - 5, SkewNs: s.rng.Int64N(99), Late: s.rng.IntN(9) == 0,
	}
	s.job[task]++
	for i := range 2 {
		host, off := hostTime(bus.Time(release + 20))
		f := &facetdv1.Frame{
			Chip: fmt.Sprintf("c%d", i), View: "plain", Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE,
			Rows: uint32(size), Columns: uint32(size), PixelFormat: "Mono16", SignificantBits: 10,
			Data: make([]byte, 2*size*size), FirstSampleBusNs: release + 20, LightBusNs: release + 11,
			LastConvertedBusNs: s.at - 9, FirstSampleTime: timestamppb.New(host), TimeUncertaintyNs: int64(off),
		}
		for p := range size * size {
			binary.LittleEndian.PutUint16(f.Data[2*p:], uint16(400+s.rng.IntN(64)))
		}
		fs.Frames = append(fs.Frames, f)
	}
	return fs
}

func plan(tasks ...string) *facetdv1.Plan {
	p := &facetdv1.Plan{Array: "demo", Timetable: &facetdv1.Timetable{HyperperiodNs: 1e9}, Utilization: 0.25}
	for _, t := range tasks {
		p.Tasks = append(p.Tasks, &facetdv1.Task{Name: t, RateHz: 10})
		p.Predictions = append(p.Predictions, &facetdv1.Prediction{Task: t, PlannedRateHz: 10})
	}
	return p
}

func start(t testing.TB, m *Manager, name string, o *facetdv1.RecordingOptions) {
	t.Helper()
	if _, err := m.Start(name, o); err != nil {
		t.Fatal(err)
	}
}

func stop(t testing.TB, m *Manager, name string) *facetdv1.Recording {
	t.Helper()
	rec, err := m.Stop(t.Context(), name)
	if err != nil {
		t.Fatal(err)
	}
	return rec
}

// read returns everything of a file.
func read(t testing.TB, path string) []Entry {
	t.Helper()
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var out []Entry
	for e, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, e)
	}
	return out
}

func frameSets(entries []Entry) []*facetdv1.FrameSet {
	var out []*facetdv1.FrameSet
	for _, e := range entries {
		if e.Frames != nil {
			out = append(out, e.Frames)
		}
	}
	return out
}

func names(t testing.TB, dir string) []string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func demoArray() (*chipmodel.Array, error) { return demo.Array() }

// unzstd unpacks a chunk.
func unzstd(t testing.TB, packed []byte) io.Reader {
	t.Helper()
	d, err := zstd.NewReader(nil)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	out, err := d.DecodeAll(packed, nil)
	if err != nil {
		t.Fatal(err)
	}
	return bytes.NewReader(out)
}

// tiny stands for an array whose description is short.
var tiny = &chipmodel.Array{Name: "tiny", Digest: "00", Message: &facetdv1.Array{Name: "tiny"}}
