package record

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// recordings are the recordings that are there, sorted.
func recordings(t *testing.T, m *Manager) string {
	t.Helper()
	list, _, err := m.List("", 100)
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	for _, r := range list {
		out = append(out, r.GetName())
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

// put makes a closed file of a recording of an earlier process.
func put(t *testing.T, dir, name string, size int, made time.Time) {
	t.Helper()
	path := filepath.Join(dir, name+"-001.mcap")
	if err := os.WriteFile(path, make([]byte, size), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, made, made); err != nil {
		t.Fatal(err)
	}
}

// TestKeptByAge: what ended too long ago goes, by the monotonic clock where this process saw the end; what was written
// under a clock that was not set yet, or that was set back since, has the age of this process.
func TestKeptByAge(t *testing.T) {
	now := time.Now()
	m, told, dir := manager(t, func(c *Config) {
		c.Keep = Keeping{For: time.Hour}
		c.clock = func() time.Time { return now }
	})
	put(t, dir, "old", 10, now.Add(-61*time.Minute))
	put(t, dir, "young", 10, now.Add(-59*time.Minute))
	put(t, dir, "unset", 10, time.Unix(1000, 0))
	put(t, dir, "future", 10, now.Add(99*time.Hour))
	if _, err := m.Start("here", nil); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Stop(t.Context(), "here"); err != nil {
		t.Fatal(err)
	}
	if _, err := m.Start("now", nil); err != nil {
		t.Fatal(err)
	}
	defer m.Close(context.Background())
	tidy := func(want string) {
		t.Helper()
		if err := m.tidy(); err != nil {
			t.Error(err)
		}
		if got := recordings(t, m); got != want {
			t.Errorf("there are %s, want %s", got, want)
		}
	}
	tidy("future here now unset young")
	e := told.of(facetdv1.EventKind_EVENT_KIND_RECORDING_DELETED)
	if len(e) != 1 || e[0].GetFields()["recording"].GetText() != "old" ||
		e[0].GetFields()["reason"].GetText() != "age" ||
		e[0].GetFields()["bytes"].GetInteger() != 10 {
		t.Error(e)
	}
	put(t, dir, "here", 10, time.Unix(2e9, 0)) // somebody set the clock: what this process saw counts
	now = now.Add(61 * time.Minute)
	tidy("now")
	if s := m.Stats().Deleted; s != (Deleted{Age: 5}) {
		t.Error(s)
	}
}

// TestKeptBySize: the oldest go until the others fit beside what is being written, which never goes, and of which all
// counts.
func TestKeptBySize(t *testing.T) {
	now := time.Now()
	m, told, dir := manager(t, func(c *Config) { c.Keep = Keeping{Bytes: 1 << 20} })
	for i, name := range []string{"a", "b", "c", "d"} {
		put(t, dir, name, 300<<10, now.Add(time.Duration(i-10)*time.Minute))
	}
	if err := os.WriteFile(filepath.Join(dir, "a-002.mcap.partial.rest"), make([]byte, 100<<10), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "notes.txt"), make([]byte, 1<<20), 0o600); err != nil {
		t.Fatal(err) // of somebody else, and does not count
	}
	if _, err := m.Start("now", nil); err != nil {
		t.Fatal(err)
	}
	defer m.Close(context.Background())
	if err := m.tidy(); err != nil {
		t.Fatal(err)
	}
	left, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var files []string
	for _, e := range left {
		files = append(files, e.Name())
	}
	if got := strings.Join(files, " "); got != "b-001.mcap c-001.mcap d-001.mcap notes.txt now-001.mcap.partial" {
		t.Error(got)
	}
	if e := told.of(facetdv1.EventKind_EVENT_KIND_RECORDING_DELETED); len(e) != 1 ||
		e[0].GetFields()["files"].GetInteger() != 2 || e[0].GetFields()["bytes"].GetInteger() != 400<<10 ||
		e[0].GetFields()["reason"].GetText() != "size" {
		t.Error(e)
	}
	m.cfg.Keep.Bytes = 1 // even so
	if err := m.tidy(); err != nil {
		t.Fatal(err)
	}
	if got := recordings(t, m); got != "now" {
		t.Error(got)
	}
}

// TestKeptBySizeWhereTheClockWasSetBack: what this process recorded is newer than whatever was there before it.
func TestKeptBySizeWhereTheClockWasSetBack(t *testing.T) {
	now := time.Now()
	m, _, dir := manager(t, func(c *Config) {
		c.Keep = Keeping{Bytes: 1 << 20}
		c.clock = func() time.Time { return now }
	})
	put(t, dir, "lastyear", 2<<20, now.AddDate(1, 0, 0)) // when the clock was a year ahead
	now = now.Add(time.Minute)
	start(t, m, "here", nil)
	stop(t, m, "here")
	now = now.Add(time.Minute)
	if err := m.tidy(); err != nil {
		t.Fatal(err)
	}
	if got := recordings(t, m); got != "here" {
		t.Errorf("there is %s", got)
	}
}

// TestAFileThatIsRecoveredIsNotDeleted, and neither is one that another process writes.
func TestAFileThatIsRecoveredIsNotDeleted(t *testing.T) {
	m, _, dir := manager(t, nil)
	path := filepath.Join(dir, "torn-001.mcap.partial")
	f, err := createExclusive(path, m.cfg.Modes)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := m.Delete("torn"); err == nil || !strings.Contains(err.Error(), "retry when that has ended") {
		t.Errorf("a locked file: %v", err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	was, err := m.Delete("torn")
	if err != nil || was.GetState() != facetdv1.RecordingState_RECORDING_STATE_TORN || recordings(t, m) != "" {
		t.Error(was, err, recordings(t, m))
	}
	if s := m.Stats().Deleted; s != (Deleted{Request: 1}) {
		t.Error(s)
	}
}

// TestNamesThatLookLikeWhatRecoveryPutsAside: each recording has its own files, whatever it is called.
func TestNamesThatLookLikeWhatRecoveryPutsAside(t *testing.T) {
	m, _, dir := manager(t, nil)
	all := []string{"a", "a-001.mcap.rest", "a-001.mcap.restless", "the.rest"}
	for _, name := range all {
		start(t, m, name, nil)
		stop(t, m, name)
	}
	if err := os.WriteFile(filepath.Join(dir, "a-001.mcap.rest2"), []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	for i, name := range all {
		if _, err := m.Delete(name); err != nil {
			t.Error(name, err)
		}
		if got, want := recordings(t, m), strings.Join(all[i+1:], " "); got != want {
			t.Errorf("with %s gone there are %q, want %q", name, got, want)
		}
	}
	if left := names(t, dir); len(left) != 0 {
		t.Error(left)
	}
}
