package events

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"golang.org/x/sys/unix"
	"google.golang.org/protobuf/encoding/protojson"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
)

// full is a file of a disk that has so much free space left.
type full struct {
	file
	free *atomic.Int64
}

// Sync takes no time, which a disk that others are busy with takes for each of many events.
func (f *full) Sync() error { return nil }

func (f *full) Write(p []byte) (int, error) {
	n, _ := f.file.Write(p[:min(int64(len(p)), f.free.Load())])
	f.free.Add(int64(-n))
	if n < len(p) {
		return n, syscall.ENOSPC
	}
	return n, nil
}

// onDisk reads the files as they are: the events that they hold, what is neither an event nor
// a line, and the files without an event.
func onDisk(t *testing.T, dir string) (sequences []uint64, torn, empty int) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(dir, e.Name()))
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.SplitAfter(string(data), "\n")
		before := len(sequences)
		for _, line := range lines[:len(lines)-1] {
			var e facetdv1.Event
			if protojson.Unmarshal([]byte(line), &e) != nil {
				torn++
				continue
			}
			sequences = append(sequences, e.GetSequence())
		}
		if lines[len(lines)-1] != "" {
			torn++
		}
		if len(sequences) == before {
			empty++
		}
	}
	return sequences, torn, empty
}

// fill appends events one after another, each once the disk has answered for the one before,
// and compares what is counted with what the files hold.
func fill(t *testing.T, j *Journal, dir string, n int) (kept int) {
	t.Helper()
	for i := range n {
		j.Append(event(fmt.Sprintf("event %d of a disk that fills up", i), facetdv1.Severity_SEVERITY_INFO))
		wait(t, func() bool { return j.idle() })
	}
	sequences, torn, empty := onDisk(t, dir)
	if torn+empty > 0 {
		t.Errorf("%d torn lines and %d empty files", torn, empty)
	}
	if s := j.Stats(); len(sequences)+int(s.DiskRefused) != n || s.QueueFull != 0 {
		t.Errorf("%d events, %d on the disk, counted %+v", n, len(sequences), s)
	}
	return len(sequences)
}

// idle reports whether the writer has dealt with every event.
func (j *Journal) idle() bool {
	j.mu.Lock()
	defer j.mu.Unlock()
	return len(j.unwritten) == 0 && !j.writing
}

// A full disk leaves neither empty files nor torn lines, every event that it refused is
// counted, and it goes on in the same file once there is free space.
func TestAFullDisk(t *testing.T) {
	for free := int64(0); free < 2000; free += 333 {
		dir := t.TempDir()
		var left atomic.Int64
		left.Store(free)
		j := open(t, Config{Dir: dir, FileBytes: 1000, create: func(path string) (file, error) {
			f, err := fileio.Modes{}.Create(path, os.O_APPEND)
			return &full{f, &left}, err
		}})
		kept := fill(t, j, dir, 60)
		if (kept == 0) != (free == 0) || kept > 20 {
			t.Errorf("%d events in %d bytes", kept, free)
		}
		left.Store(1 << 20)
		j.Append(event("space again", facetdv1.Severity_SEVERITY_INFO))
		wait(t, func() bool { return j.Unwritten() == 0 && j.idle() })
		if err := j.Close("over"); err != nil {
			t.Fatal(err)
		}
		got := list(t, open(t, Config{Dir: dir}), Query{Limit: MaxList}).Events
		last := got[len(got)-1]
		if len(got) != kept+2 || last.GetKind() != facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST ||
			last.GetCount() != uint64(60-kept) {
			t.Errorf("%d kept, then %s", kept, texts(got))
		}
	}
}

// The same on a real file system.
func TestAFullFileSystem(t *testing.T) {
	mounted := t.TempDir()
	if err := unix.Mount("none", mounted, "tmpfs", 0, "size=16k"); err != nil {
		t.Skipf("a small file system cannot be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = unix.Unmount(mounted, unix.MNT_DETACH) })
	dir := filepath.Join(mounted, "events")
	kept := fill(t, open(t, Config{Dir: dir, FileBytes: 4000}), dir, 300)
	if kept < 10 || kept == 300 {
		t.Errorf("%d events in 16 KiB", kept)
	}
}

// Without its folder a journal lists what memory holds; what comes goes into a new folder,
// and what was removed is reported.
func TestItsFolderIsGone(t *testing.T) {
	for name, gone := range map[string]func(dir string) error{
		"folder": os.RemoveAll,
		"file": func(dir string) error {
			return os.Remove(filepath.Join(dir, "events-00000000000000000001.jsonl"))
		},
		"moved": func(dir string) error { return os.Rename(dir, dir+"-old") },
		"unreadable": func(dir string) error {
			if err := os.Rename(dir, dir+"-old"); err != nil {
				return err
			}
			return os.WriteFile(dir, nil, 0o600)
		},
	} {
		t.Run(name, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "events")
			j := open(t, Config{Dir: dir})
			for range 3 {
				j.Append(event("before", facetdv1.Severity_SEVERITY_INFO))
			}
			wait(t, j.idle)
			if err := gone(dir); err != nil {
				t.Fatal(err)
			}
			var all uint64
			for _, q := range []Query{{}, {After: &all}} {
				if got := list(t, j, q); texts(got.Events) != "before before before" || got.First != 1 ||
					got.Last != 3 {
					t.Errorf("listed %s, %d to %d", texts(got.Events), got.First, got.Last)
				}
			}
			if name == "unreadable" {
				if err := os.Remove(dir); err != nil {
					t.Fatal(err)
				}
			}
			j.Append(event("after", facetdv1.Severity_SEVERITY_INFO))
			wait(t, func() bool { return j.idle() && j.Unwritten() == 0 })
			if s := j.Stats(); s.Removed != 3 || s.DiskRefused != 0 {
				t.Errorf("counts %+v", s)
			}
			if err := j.Close("over"); err != nil {
				t.Fatal(err)
			}
			got := list(t, open(t, Config{Dir: dir}), Query{}).Events
			if len(got) != 2 || got[0].GetText() != "after" ||
				got[1].GetKind() != facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST || got[1].GetCount() != 3 {
				t.Errorf("on the disk: %v", got)
			}
		})
	}
}
