package record

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/peertest"
)

// brittle is a disk of which one operation fails, by its number; those after it succeed.
type brittle struct {
	at, done int
	failed   string // what the operation was
}

func (b *brittle) do(what string) error {
	if b.done++; b.done-1 == b.at {
		b.failed = what
		return errDisk
	}
	return nil
}

func (b *brittle) create(path string) (file, error) {
	if err := b.do("create"); err != nil {
		return nil, err
	}
	f, err := createExclusive(path, fileio.Modes{})
	if err != nil {
		return nil, err
	}
	return &brittleFile{f, b}, nil
}

type brittleFile struct {
	file
	disk *brittle
}

func (f *brittleFile) Write(p []byte) (int, error) {
	if err := f.disk.do("write"); err != nil {
		return 0, err
	}
	return f.file.Write(p)
}

func (f *brittleFile) Sync() error {
	if err := f.disk.do("sync"); err != nil {
		return err
	}
	return f.file.Sync()
}

func (f *brittleFile) Close() error {
	err := f.file.Close() // the system closes it all the same
	if failed := f.disk.do("close"); failed != nil {
		return failed
	}
	return err
}

// TestEveryOperationOfTheDisk: whichever single operation of the disk fails, be it only once, the recording cannot
// begin
// or ends as failed with that cause, and every frame set is in its files or counted as lost; where none fails it is
// closed and holds them all.
func TestEveryOperationOfTheDisk(t *testing.T) {
	failed := map[string]int{}
	step := peertest.Cases(2, 1)
	for first, images := range []bool{false, true} {
		for at := first % step; ; at += step {
			d := &brittle{at: at}
			synctest.Test(t, func(t *testing.T) { d.record(t, images) })
			if t.Failed() {
				t.Fatalf("operation %d, a %s", at, d.failed)
			}
			if d.failed == "" {
				break
			}
			failed[d.failed]++
		}
	}
	if failed["create"] < 2 || failed["write"] < 10 || failed["sync"] < 2 || failed["close"] < 2 {
		t.Errorf("failed: %v; the test needs more", failed)
	}
}

// record makes a recording of several files in which all that there is happens: statuses, another timetable, an event.
func (d *brittle) record(t *testing.T, images bool) {
	m, n, dir := manager(t, func(c *Config) {
		c.Array, c.create = tiny, d.create
		c.Status = func() *facetdv1.Status { return &facetdv1.Status{BusNs: 5} }
	})
	m.PlanChanged(plan("wall"), 5, 5)
	_, err := m.Start("f", &facetdv1.RecordingOptions{PartBytes: MinPartBytes, Images: images})
	if err != nil {
		if !errors.Is(err, errDisk) || d.failed == "" || len(names(t, dir)) > 0 {
			t.Errorf("it did not begin: %v; there are %v", err, names(t, dir))
		}
		return
	}
	src, sent := newSource(5), 0
	for i := range 16 {
		if i == 8 {
			m.PlanChanged(plan("wall", "bed"), 9, 9)
		}
		synctest.Wait() // what has failed has ended
		if m.find("f") != nil {
			sent++
		}
		m.JobEnded(src.next("wall", 48))
		time.Sleep(400 * time.Millisecond)
		synctest.Wait()
	}
	if r := m.find("f"); r != nil {
		stop(t, m, "f")
	}
	if d.failed != "" {
		if !images { // which are no entries
			checkFailed(t, m, n, dir, sent)
		}
		rec, err := m.Get("f")
		if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_FAILED ||
			!strings.Contains(rec.GetReason(), errDisk.Error()) ||
			int(rec.GetFrameSets()+rec.GetLostFrameSets()) != sent {
			t.Errorf("of %d frame sets: %v, %v", sent, rec, err)
		}
		return
	}
	rec, err := m.Get("f")
	held := 0
	for _, p := range rec.GetParts() {
		held += len(frameSets(read(t, filepath.Join(dir, p.GetFile()))))
	}
	if err != nil || rec.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED || held != sent ||
		int(rec.GetFrameSets()) != sent || rec.GetLost() != 0 || len(rec.GetParts()) < 2 {
		t.Errorf("where nothing fails: %d of %d, %v, %v", held, sent, rec, err)
	}
}
