package record

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"testing/synctest"
	"time"

	"golang.org/x/sys/unix"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// disk stands for one that has space for so many bytes and whose syncs fail from one on.
// A refused sync takes what was written since the last good one along, as the system may.
type disk struct {
	free      int
	goodSyncs int
	refuses   error // what a refused sync says; nil: none is refused
	forgets   bool
}

func (d *disk) create(path string) (file, error) {
	f, err := createExclusive(path, fileio.Modes{})
	if err != nil {
		return nil, err
	}
	return &diskFile{file: f, disk: d, path: path}, nil
}

type diskFile struct {
	file
	disk   *disk
	path   string
	size   int64
	synced int64
}

func (f *diskFile) Write(p []byte) (int, error) {
	n, _ := f.file.Write(p[:min(len(p), f.disk.free)])
	f.disk.free -= n
	f.size += int64(n)
	if n < len(p) {
		return n, syscall.ENOSPC
	}
	return n, nil
}

func (f *diskFile) Sync() error {
	if f.disk.refuses != nil {
		if f.disk.goodSyncs == 0 {
			if f.disk.forgets {
				_ = os.Truncate(f.path, f.synced)
			}
			return f.disk.refuses
		}
		f.disk.goodSyncs--
	}
	f.synced = f.size
	return f.file.Sync()
}

// A recording that fails counts the frame sets that its files hold, and every other one
// that it was given as lost, whenever the disk fails: in the list, in the event and in the
// metrics.
func TestWhatAFailedDiskHoldsIsCounted(t *testing.T) {
	t.Parallel()
	const sent = 95
	disks := map[string]disk{
		"no sync":             {free: 1 << 30, refuses: syscall.EIO},
		"no sync, all gone":   {free: 1 << 30, refuses: syscall.EIO, forgets: true},
		"second sync refused": {free: 1 << 30, refuses: syscall.EIO, goodSyncs: 1, forgets: true},
	}
	for free := 1000; free < 800<<10; free += 41_777 {
		disks[fmt.Sprintf("space for %d", free)] = disk{free: free}
	}
	for name, d := range disks {
		t.Run(name, func(t *testing.T) {
			g := newGate()
			m, n, dir := manager(t, func(c *Config) { c.Array, c.create = tiny, g.before(d.create) })
			record(t, m, g, &facetdv1.RecordingOptions{PartBytes: 256 << 10}, sent)
			checkFailed(t, m, n, dir, sent)
		})
	}
}

// before puts the gate before files.
func (g *gate) before(create func(string) (file, error)) func(string) (file, error) {
	return func(path string) (file, error) {
		f, err := create(path)
		g.file = f
		return g, err
	}
}

// record gives recording f so many frame sets before its disk does anything, and returns once
// it has ended.
func record(t *testing.T, m *Manager, g *gate, o *facetdv1.RecordingOptions, sets int) {
	t.Helper()
	start(t, m, "f", o)
	r := m.find("f")
	g.shut()
	src := newSource(5)
	for range sets {
		m.JobEnded(src.next("wall", 64))
	}
	r.stop("the test ends it")
	g.open()
	<-r.done
}

// checkFailed compares everything that is said about recording f, which failed, with what
// its files hold.
func checkFailed(t *testing.T, m *Manager, n *notes, dir string, sent int) (held int) {
	t.Helper()
	rec, err := m.Get("f")
	if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED {
		t.Fatalf("%v %v", rec, err)
	}
	var messages int
	for _, p := range rec.GetParts() {
		path := filepath.Join(dir, p.GetFile())
		if !p.GetClosed() {
			done, err := Recover(path)
			if err != nil {
				t.Fatal(err)
			}
			path = done.Path
		}
		entries := read(t, path)
		messages += len(entries)
		held += len(frameSets(entries))
	}
	if int(rec.GetFrameSets()) != held || int(rec.GetLostFrameSets()) != sent-held ||
		int(rec.GetMessages()) != messages {
		t.Errorf("of %d frame sets the files hold %d, with %d messages; told: %v", sent, held, messages, rec)
	}
	s := m.Stats()
	if s.FrameSets != uint64(held) || s.LostFrameSets != uint64(sent-held) || s.Messages != uint64(messages) ||
		s.Lost != rec.GetLost() || s.Lost < s.LostFrameSets {
		t.Errorf("the files hold %d frame sets and %d messages; counted: %+v", held, messages, s)
	}
	alarms := n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED)
	if len(alarms) != 1 || alarms[0].GetFields()["frame_sets"].GetInteger() != int64(held) ||
		alarms[0].GetFields()["lost_frame_sets"].GetInteger() != int64(sent-held) {
		t.Errorf("held %d; told: %v", held, alarms)
	}
	return held
}

// A disk that fills up just where the next file begins ends the recording like any other.
func TestADiskFullWhereAFileBegins(t *testing.T) {
	const sent = 40
	d := &disk{free: 1 << 30}
	begun := 0
	g := newGate()
	m, n, dir := manager(t, func(c *Config) {
		c.Array = tiny
		c.create = g.before(func(path string) (file, error) {
			if begun++; begun == 2 {
				d.free = 10
			}
			return d.create(path)
		})
	})
	record(t, m, g, &facetdv1.RecordingOptions{PartBytes: 128 << 10}, sent)
	if held := checkFailed(t, m, n, dir, sent); held == 0 || held == sent {
		t.Errorf("%d of %d frame sets are held: the disk did not fail between two files", held, sent)
	}
	if got := names(t, dir); len(got) != 1 {
		t.Errorf("files %v: the one that could not begin is left", got)
	}
}

// A recording that cannot begin leaves no file.
func TestARecordingThatCannotBegin(t *testing.T) {
	d := &disk{free: 10}
	m, _, dir := manager(t, func(c *Config) { c.create = d.create })
	if _, err := m.Start("f", nil); !errors.Is(err, syscall.ENOSPC) {
		t.Errorf("it began: %v", err)
	}
	if got := names(t, dir); len(got) != 0 {
		t.Errorf("files %v", got)
	}
}

// The same on a real file system that is full.
func TestAFullFileSystem(t *testing.T) {
	const sent = 95
	for ballast := 100_000; ballast < 1000<<10; ballast += 203_000 {
		mounted := t.TempDir()
		if err := unix.Mount("none", mounted, "tmpfs", 0, "size=1m"); err != nil {
			t.Skipf("a small file system cannot be mounted here: %v", err)
		}
		t.Cleanup(func() { _ = unix.Unmount(mounted, unix.MNT_DETACH) })
		filler := filepath.Join(mounted, "filler")
		if err := os.WriteFile(filler, make([]byte, ballast), 0o600); err != nil {
			t.Fatal(err)
		}
		g := newGate()
		m, n, dir := manager(t, func(c *Config) {
			c.Dir, c.Array, c.free, c.KeepFree = filepath.Join(mounted, "recordings"), tiny, nil, 1
			c.create = g.before(func(path string) (file, error) { return createExclusive(path, fileio.Modes{}) })
		})
		record(t, m, g, nil, sent)
		if err := os.Remove(filler); err != nil { // space for what a recovery writes
			t.Fatal(err)
		}
		held := checkFailed(t, m, n, dir, sent)
		t.Logf("of %d frame sets %d are held beside %d bytes", sent, held, ballast)
	}
}

// A recording whose file or folder somebody removes ends within a second, and counts what it
// held as lost: it does not go on writing what nobody can read.
func TestARecordingThatIsRemoved(t *testing.T) {
	for name, remove := range map[string]func(dir string) error{
		"folder": os.RemoveAll,
		"file":   func(dir string) error { return os.Remove(filepath.Join(dir, "f-001.mcap.partial")) },
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				const sent = 20
				m, n, dir := manager(t, func(c *Config) {
					c.Array = tiny
					c.Status = func() *facetdv1.Status { return &facetdv1.Status{} }
				})
				start(t, m, "f", nil)
				r := m.find("f")
				src := newSource(5)
				for range sent {
					m.JobEnded(src.next("wall", 16))
				}
				time.Sleep(1100 * time.Millisecond)
				synctest.Wait()
				if rec := m.known("f").message(); rec.GetFrameSets() != sent {
					t.Fatalf("before: %v", rec)
				}
				if err := remove(dir); err != nil {
					t.Fatal(err)
				}
				time.Sleep(time.Second)
				<-r.done
				rec := m.known("f").message()
				if rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED || rec.GetFrameSets() != 0 ||
					rec.GetLostFrameSets() != sent {
					t.Errorf("afterwards: %v", rec)
				}
				if s := m.Stats(); s.FrameSets != 0 || s.LostFrameSets != sent || s.Failed != 1 {
					t.Errorf("counted %+v", s)
				}
				if alarms := n.of(facetdv1.EventKind_EVENT_KIND_RECORDING_FAILED); len(alarms) != 1 {
					t.Errorf("alarms %v", alarms)
				}
			})
		})
	}
}
