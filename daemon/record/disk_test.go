package record

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/bus"
	"facetd.example/daemon/failure"
)

// gate is a file whose writes wait while it is shut.
type gate struct {
	file
	mu     sync.Mutex
	opened chan struct{}
	waits  chan struct{} // a token for each write that finds it shut
}

func newGate() *gate { return &gate{waits: make(chan struct{}, 100)} }

func (g *gate) shut() {
	g.mu.Lock()
	g.opened = make(chan struct{})
	g.mu.Unlock()
}

func (g *gate) open() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.opened != nil {
		close(g.opened)
		g.opened = nil
	}
}

func (g *gate) Write(p []byte) (int, error) {
	g.mu.Lock()
	opened := g.opened
	g.mu.Unlock()
	if opened != nil {
		g.waits <- struct{}{}
		<-opened
	}
	return g.file.Write(p)
}

// A disk that stands still costs messages, which are counted, and marked in the file
// where they are missing; whoever observes never waits.
func TestOverflowIsCountedAndMarked(t *testing.T) {
	g := newGate()
	m, n, dir := manager(t, func(c *Config) {
		c.QueueLength = 8
		c.create = func(path string) (file, error) {
			f, err := createExclusive(path, fileio.Modes{})
			g.file = f
			return g, err
		}
	})
	t.Cleanup(g.open) // where the test ends before: else closing would wait for ever
	start(t, m, "o", &facetdv1.RecordingOptions{PartBytes: 900 << 10})
	r := m.find("o")
	src := newSource(4)
	// Let the first ones through, then hold the disk.
	var sent []*facetdv1.FrameSet
	send := func(k int) {
		for range k {
			fs := src.next("wall", 256) // 256 KiB of pixels: one fills a chunk
			sent = append(sent, fs)
			m.JobEnded(fs)
		}
	}
	send(4)
	waitFor(t, func() bool { // the first file is closed and the next begun: nothing more is written by itself
		o := m.known("o").message()
		return o.GetFrameSets() == 4 && len(o.GetParts()) == 2
	})
	g.shut()
	send(1)
	<-g.waits // the writer stands in the disk
	send(20)  // 8 wait, 12 are lost
	if lost := r.queue.lostTotal(); lost.messages != 12 || lost.frameSets != 12 {
		t.Fatalf("%+v lost, want 12", lost)
	}
	g.open()
	waitFor(t, func() bool { return m.known("o").message().GetFrameSets() == 13 })
	send(3)
	if s := m.Stats(); s.Running != 1 || s.Lost != 12 || s.Closed != 0 || s.Bytes == 0 {
		t.Errorf("counts while it runs: %+v", s)
	}
	rec := stop(t, m, "o")
	if s := m.Stats(); s != (Stats{Closed: 1, Messages: rec.GetMessages(), FrameSets: rec.GetFrameSets(),
		Bytes: rec.GetBytes(), Lost: 12, LostFrameSets: 12}) {
		t.Errorf("counts at the end: %+v of %v", s, rec)
	}
	if rec.GetLost() != 12 || rec.GetFrameSets() != uint64(len(sent))-12 {
		t.Errorf("lost %d, recorded %d of %d", rec.GetLost(), rec.GetFrameSets(), len(sent))
	}
	var marks []*facetdv1.Event
	jobs := map[uint64]bool{}
	var before uint64
	for _, p := range rec.GetParts() {
		for _, e := range read(t, filepath.Join(dir, p.GetFile())) {
			if e.Frames != nil {
				jobs[e.Frames.GetJob()] = true
				before = e.Frames.GetJob()
			}
			if e.Event.GetKind() == facetdv1.EventKind_EVENT_KIND_RECORDING_LOST {
				marks = append(marks, e.Event)
				if before != 12 {
					t.Errorf("the mark stands after job %d", before)
				}
			}
		}
	}
	if len(marks) != 1 || marks[0].GetCount() != 12 || marks[0].GetFields()["frame_sets"].GetInteger() != 12 ||
		marks[0].GetBusNs() != sent[13].GetFinishBusNs() {
		t.Errorf("marks %v", marks)
	}
	for i := range sent {
		if want := i < 13 || i >= 25; jobs[uint64(i)] != want {
			t.Errorf("job %d recorded: %v", i, jobs[uint64(i)])
		}
	}
	var told uint64
	for _, e := range n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_LOST) {
		told += e.GetCount()
	}
	if told != 12 {
		t.Errorf("%d losses told", told)
	}
}

func waitFor(t *testing.T, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(2 * time.Minute); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("it did not happen within two minutes")
		}
	}
}

// full is a file on a disk that fills up.
type full struct {
	file
	free int
}

var errNoSpace = errors.New("no space left on device")

func (f *full) Write(p []byte) (int, error) {
	n, _ := f.file.Write(p[:min(len(p), f.free)])
	f.free -= n
	if n < len(p) {
		return n, errNoSpace
	}
	return n, nil
}

// A full disk ends the recording with an error and an alert, and nothing else; what
// was written whole can be read.
func TestAFullDiskEndsTheRecordingAlone(t *testing.T) {
	m, n, dir := manager(t, func(c *Config) {
		c.create = func(path string) (file, error) {
			f, err := createExclusive(path, fileio.Modes{})
			return &full{file: f, free: 300 << 10}, err
		}
	})
	start(t, m, "f", &facetdv1.RecordingOptions{PartBytes: 1 << 20})
	r := m.find("f")
	src := newSource(5)
	for range 200 {
		m.JobEnded(src.next("wall", 64))
	}
	<-r.done
	for range 50 { // the bus goes on
		m.JobEnded(src.next("wall", 64))
	}
	waitFor(t, func() bool { return m.find("f") == nil })
	rec, err := m.Get("f")
	if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED ||
		!strings.Contains(rec.GetReason(), "no space left") {
		t.Fatalf("%v %v", rec, err)
	}
	alarms := n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED)
	if len(alarms) != 1 || alarms[0].GetSeverity() != facetdv1.Severity_SEVERITY_ERROR {
		t.Errorf("alarms %v", alarms)
	}
	// What waited when the disk failed is lost as well, the one being written included.
	if s := m.Stats(); s.Failed != 1 || s.Running != 0 || s.Lost == 0 || s.Lost != rec.GetLost() || s.HasFreeSpace {
		t.Errorf("counts %+v of %v", s, rec)
	}
	got := frameSets(read(t, filepath.Join(dir, "f-001.mcap")))
	again := newSource(5)
	for i, fs := range got {
		if want := again.next("wall", 64); !proto.Equal(fs, want) {
			t.Errorf("frame set %d differs", i)
		}
	}
	if len(got) == 0 {
		t.Error("nothing was kept")
	}
	if _, err := m.Stop(t.Context(), "f"); !errors.As(err, new(*failure.NotFound)) {
		t.Errorf("stopping it again: %v", err)
	}
}

// A disk that runs low ends the recording before it is full, properly closed.
func TestARecordingEndsBeforeTheDiskIsFull(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var free atomic.Uint64
		free.Store(1 << 40)
		m, _, dir := manager(t, func(c *Config) {
			c.free = func(string) (uint64, error) { return free.Load(), nil }
			c.KeepFree = 1000
		})
		start(t, m, "low", nil)
		m.JobEnded(newSource(6).next("wall", 8))
		time.Sleep(1100 * time.Millisecond)
		synctest.Wait()
		if s := m.Stats(); !s.HasFreeSpace || s.FreeSpace != 1<<40-1000 {
			t.Errorf("counts %+v", s)
		}
		free.Store(999)
		time.Sleep(1100 * time.Millisecond)
		synctest.Wait()
		rec, err := m.Get("low")
		if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED ||
			!strings.Contains(rec.GetReason(), "kept free") {
			t.Errorf("%v %v", rec, err)
		}
		if got := frameSets(read(t, filepath.Join(dir, "low-001.mcap"))); len(got) != 1 {
			t.Errorf("%d frame sets kept", len(got))
		}
		var low *NoFreeSpaceError
		if _, err := m.Start("next", nil); !errors.As(err, &low) || low.Free != 999 {
			t.Errorf("another one began: %v", err)
		}
	})
}

// An array without tasks ends its recording by bus time all the same.
func TestTimePassesWithoutFrames(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begin := time.Now()
		m, _, _ := manager(t, func(c *Config) { c.Now = func() bus.Time { return bus.Time(time.Since(begin)) } })
		start(t, m, "idle", &facetdv1.RecordingOptions{MaxDuration: durationpb.New(5 * time.Second)})
		time.Sleep(10 * time.Second)
		synctest.Wait()
		rec, err := m.Get("idle")
		if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED ||
			!strings.Contains(rec.GetReason(), "5s") {
			t.Errorf("%v %v", rec, err)
		}
	})
}

// While little happens, what there is reaches the file within a second all the same.
func TestAChunkAtLeastEverySecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		m, _, dir := manager(t,
			func(c *Config) { c.Status = func() *facetdv1.Status { return &facetdv1.Status{BusNs: 9} } })
		start(t, m, "slow", nil)
		path := filepath.Join(dir, "slow-001.mcap.partial")
		src := newSource(7)
		var last int64
		for i := range 5 {
			m.JobEnded(src.next("wall", 8))
			time.Sleep(1001 * time.Millisecond)
			synctest.Wait()
			info, err := os.Stat(path)
			if err != nil || info.Size() <= last {
				t.Errorf("second %d: %v bytes after %d, %v", i, info, last, err)
			}
			last = info.Size()
		}
		stop(t, m, "slow")
	})
}

func TestStopWaitsNoLongerThanItsCaller(t *testing.T) {
	g := newGate()
	m, _, _ := manager(t, func(c *Config) {
		c.create = func(path string) (file, error) {
			f, err := createExclusive(path, fileio.Modes{})
			g.file = f
			return g, err
		}
	})
	start(t, m, "s", nil)
	m.JobEnded(newSource(1).next("wall", 8))
	g.shut() // whatever is not written yet, at least the end of the file is not
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	r := m.find("s")
	if _, err := m.Stop(ctx, "s"); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	g.open()
	<-r.done
	if rec, err := m.Get("s"); err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED {
		t.Error(fmt.Sprint(rec), err)
	}
}
