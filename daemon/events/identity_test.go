package events

import (
	"errors"
	"os"
	"path/filepath"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
)

// copied is a folder with what another holds now: what a crash would leave of it.
func copied(t *testing.T, dir string) string {
	t.Helper()
	to := t.TempDir()
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

// TestJournalIdentity: a journal on disk stays the same over restarts; one that a crash left, whose last events may be
// gone, is another, and so is one in memory, after any end.
func TestJournalIdentity(t *testing.T) {
	dir := t.TempDir()
	j := open(t, Config{Dir: dir, ID: "first"})
	j.Append(event("a", facetdv1.Severity_SEVERITY_INFO))
	if err := j.Close("end"); err != nil || j.ID() != "first" {
		t.Fatal(j.ID(), err)
	}
	again := open(t, Config{Dir: dir, ID: "second"})
	if again.ID() != "first" {
		t.Errorf("after a restart it is %s", again.ID())
	}
	again.Append(event("b", facetdv1.Severity_SEVERITY_INFO))
	wait(t, func() bool { return again.Unwritten() == 0 })
	crashed := open(t, Config{Dir: copied(t, dir), ID: "third"})
	if crashed.ID() != "third" {
		t.Errorf("after a crash it is %s", crashed.ID())
	}
	_ = j.Close("again") // somebody else has it open
	if err := again.Close("end"); err != nil {
		t.Fatal(err)
	}
	older := copied(t, dir)
	for _, text := range []string{"first 1\n", "first 99\n", "nonsense"} { // of another state of the folder
		if err := os.WriteFile(filepath.Join(older, closedFile), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		j := open(t, Config{Dir: copied(t, older), ID: "fourth"})
		if j.ID() != "fourth" {
			t.Errorf("where the folder says %q it is %s", text, j.ID())
		}
	}
	if last := open(t, Config{Dir: dir, ID: "fifth"}); last.ID() != "first" {
		t.Errorf("at the end it is %s", last.ID())
	}
	if a, b := open(t, Config{}), open(t, Config{}); a.ID() == b.ID() || a.ID() == "" {
		t.Errorf("two journals in memory are %q and %q", a.ID(), b.ID())
	}
}

// TestPositions: a number of another journal, or one that is still to come, is no position.
func TestPositions(t *testing.T) {
	j := open(t, Config{ID: "here", Ring: 4})
	for range 10 {
		j.Append(event("a", facetdv1.Severity_SEVERITY_INFO))
	}
	at := func(n uint64) *uint64 { return &n }
	for _, c := range []struct {
		id    string
		after *uint64
		want  string
	}{
		{"", nil, ""}, {"", at(0), ""}, {"here", at(0), ""}, {"here", at(10), ""}, {"here", at(3), ""},
		{"other", nil, ""},
		{"", at(3), "invalid"}, {"other", at(3), "range"}, {"other", at(0), "range"}, {"here", at(11), "range"},
	} {
		err := j.checkPosition(c.id, c.after)
		var bad invalid.Errors
		var out *failure.OutOfRange
		got := ""
		switch {
		case errors.As(err, &bad):
			got = "invalid"
		case errors.As(err, &out):
			got = "range"
		case err != nil:
			got = err.Error()
		}
		if got != c.want {
			t.Errorf("journal %q, after %v: %v", c.id, c.after, err)
		}
	}
	for after, want := range map[uint64]uint64{0: 6, 5: 1, 6: 0, 10: 0} { // 7 to 10 are in memory
		s, err := j.Subscribe(&after, Filter{})
		if err != nil {
			t.Fatal(err)
		}
		if s.Missed() != want {
			t.Errorf("after %d: %d missed, want %d", after, s.Missed(), want)
		}
		s.Close()
	}
}
