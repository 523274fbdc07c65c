package events

import (
	"errors"
	"os"
	"sync"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// synced is a file that notes how much of it the disk holds, and refuses while it is told so.
type synced struct {
	file
	of *syncing
}

type syncing struct {
	mu               sync.Mutex
	written, durable int // bytes
	files, refusals  int
	refuse           bool
}

func (f *synced) Write(p []byte) (int, error) {
	n, err := f.file.Write(p)
	f.of.mu.Lock()
	defer f.of.mu.Unlock()
	f.of.written += n
	return n, err
}

func (f *synced) Sync() error {
	f.of.mu.Lock()
	defer f.of.mu.Unlock()
	if f.of.refuse {
		f.of.refusals++
		return errors.New("the disk does not answer")
	}
	f.of.durable = f.of.written
	return f.file.Sync()
}

func (s *syncing) state() (written, durable, files int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.written, s.durable, s.files
}

func syncedJournal(t *testing.T) (*Journal, *syncing) {
	t.Helper()
	s := &syncing{}
	j := open(t, Config{Dir: t.TempDir(), create: func(path string) (file, error) {
		f, err := fileio.Modes{}.Create(path, os.O_APPEND)
		if err != nil {
			return nil, err
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		s.files++
		return &synced{f, s}, nil
	}})
	return j, s
}

// TestWhatIsSynced: every kind but those that come by the dozen is on the disk once it is written, with all before it;
// those are with the next of the others, and at the end.
func TestWhatIsSynced(t *testing.T) {
	often := map[facetdv1.EventKind]bool{
		facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED: true, facetdv1.EventKind_EVENT_KIND_JOB_FAILED: true,
		facetdv1.EventKind_EVENT_KIND_HOST_BEHIND: true, facetdv1.EventKind_EVENT_KIND_REPLAY: true,
	}
	j, s := syncedJournal(t)
	for n := range facetdv1.EventKind_name {
		kind := facetdv1.EventKind(n)
		if kind == facetdv1.EventKind_EVENT_KIND_UNSPECIFIED {
			continue
		}
		before, _, _ := s.state()
		j.Append(Info(kind, "something"))
		wait(t, func() bool { return j.idle() })
		written, durable, _ := s.state()
		if written == before || (written == durable) == often[kind] {
			t.Errorf("%v: %d bytes written, %d on the disk", kind, written, durable)
		}
	}
	j.Append(Info(facetdv1.EventKind_EVENT_KIND_JOB_FAILED, "the last"))
	if err := j.Close("done"); err != nil {
		t.Error(err)
	}
	if written, durable, _ := s.state(); written != durable {
		t.Errorf("at the end %d bytes are written, %d on the disk", written, durable)
	}
}

// TestADiskThatDoesNotSync: what it may have lost is counted and told, and what follows goes to another file.
func TestADiskThatDoesNotSync(t *testing.T) {
	j, s := syncedJournal(t)
	s.refuse = true
	j.Append(Info(facetdv1.EventKind_EVENT_KIND_SAFE_STOP, "a stop"))
	wait(t, func() bool { return j.idle() })
	if st := j.Stats(); st.DiskRefused != 1 || j.DiskError() == nil {
		t.Errorf("counted %+v, the error is %v", st, j.DiskError())
	}
	s.mu.Lock()
	s.refuse = false
	s.mu.Unlock()
	j.Append(Info(facetdv1.EventKind_EVENT_KIND_RESUMED, "a resume"))
	wait(t, func() bool { return j.idle() && j.Unwritten() == 0 })
	if written, durable, files := s.state(); written != durable || files != 2 || j.DiskError() != nil {
		t.Errorf("%d bytes written, %d on the disk, in %d files; %v", written, durable, files, j.DiskError())
	}
	if err := j.Close("done"); err != nil {
		t.Error(err)
	}
}
