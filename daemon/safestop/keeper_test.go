package safestop

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

// fakeBus is a latch without a bus.
type fakeBus struct {
	mu    sync.Mutex
	stop  *dispatch.SafeStop
	lines dispatch.LineRelease // of the next stop
	fails error                // of the next resume
}

func (b *fakeBus) SafeStop(_ context.Context, r dispatch.StopReason) dispatch.SafeStop {
	b.mu.Lock()
	defer b.mu.Unlock()
	next := dispatch.SafeStop{Revision: 1}
	if b.stop != nil {
		next = *b.stop
		for _, is := range next.Reasons {
			if is.By == r.By && is.Reason == r.Reason {
				return next
			}
		}
	}
	next.Reasons, next.Requests, next.Revision = append(next.Reasons[:len(next.Reasons):len(next.Reasons)], r),
		next.Requests+1, next.Revision+1
	next.Lines = b.lines
	b.stop = &next
	return next
}

func (b *fakeBus) Stopped() *dispatch.SafeStop {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.stop
}

func (b *fakeBus) Resume(context.Context, uint64) (bus.Time, dispatch.SafeStop, error) {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.stop == nil || b.fails != nil {
		return 0, dispatch.SafeStop{}, errors.Join(b.fails, &failure.Precondition{Kind: failure.NotStopped})
	}
	s := *b.stop
	b.stop = nil
	return 7, s, nil
}

// rig is a keeper with a fake bus.
type rig struct {
	*Keeper
	bus     *fakeBus
	events  []*facetdv1.Event
	suspend error
	path    string
	refuse  atomic.Bool
	mu      sync.Mutex // guards events: time alone orders nothing for the race detector
}

func (r *rig) Suspend(why error) { r.suspend = why }
func (r *rig) Restore()          { r.suspend = nil }

func newRig(t *testing.T, path string) *rig {
	t.Helper()
	r := &rig{path: path, bus: &fakeBus{lines: dispatch.LineRelease{
		State: facetdv1.LineState_LINE_STATE_CONFIRMED, At: 5}}}
	k, err := Open(Config{Path: path, Streams: r, Events: r.hear,
		store: func(path string, data []byte, m fileio.Modes) error {
			if r.refuse.Load() {
				return errors.New("the disk is full")
			}
			return store(path, data, m)
		}})
	if err != nil {
		t.Fatal(err)
	}
	r.Keeper, r.bus.stop = k, k.AtStart()
	k.Drive(r.bus)
	return r
}

func (r *rig) hear(e *facetdv1.Event) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.events = append(r.events, e)
}

// said are the texts of the events so far.
func (r *rig) said() string {
	r.mu.Lock()
	defer r.mu.Unlock()
	text := ""
	for _, e := range r.events {
		text += e.GetText() + "\n"
	}
	return text
}

// TestAStopIsKept: it is on the disk before it is answered, with everybody who asked, and is found again whole; a
// resume removes it.
func TestAStopIsKept(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stop", "stop.json")
	r := newRig(t, path)
	if r.AtStart() != nil || r.Message() != nil || r.suspend != nil {
		t.Fatalf("nothing was stopped: %v", r.AtStart())
	}
	for _, reason := range []string{"smoke", "", "a cable: \"loose\" — ünïcode"} {
		m, err := r.Stop(t.Context(), "ada", reason)
		if err != nil || !m.GetStored() || m.GetNotStoredReason() != "" {
			t.Fatalf("%v, %v", m, err)
		}
	}
	if !failure.IsPrecondition(r.suspend, failure.SafeStop) {
		t.Errorf("the streams ended with %v", r.suspend)
	}
	if st := r.Stats(); st != (Stats{Stops: 3}) {
		t.Errorf("stats %+v", st)
	}
	again := newRig(t, path)
	s := again.AtStart()
	if s == nil || s.Requests != 3 || s.Revision != r.bus.stop.Revision || len(s.Reasons) != 3 ||
		s.Reasons[2].Reason != "a cable: \"loose\" — ünïcode" || !s.Reasons[0].At.Equal(r.bus.stop.Reasons[0].At) {
		t.Fatalf("what was read is %+v", s)
	}
	if again.suspend == nil || !strings.Contains(again.said(), `stopped by ada ("smoke") since `) ||
		!strings.Contains(again.said(), "facetctl resume") {
		t.Errorf("at the start: streams %v, events %s", again.suspend, again.said())
	}
	if _, over, err := again.Resume(t.Context(), "bob", 0); err != nil || over.GetStored() || again.suspend != nil {
		t.Errorf("resume: %v, %v, streams %v", over, err, again.suspend)
	}
	if newRig(t, path).AtStart() != nil {
		t.Error("the stop came back")
	}
}

// TestADiskThatRefuses: the stop stands, says that it is not stored, and is stored once the disk takes it; a file that
// cannot be removed is told.
func TestADiskThatRefuses(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stop", "stop.json")
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, path)
		r.refuse.Store(true)
		m, err := r.Stop(t.Context(), "ada", "")
		if err != nil || m.GetStored() || m.GetNotStoredReason() != "the disk is full" || !r.Stats().Unstored {
			t.Errorf("%v, %v, %+v", m, err, r.Stats())
		}
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan struct{})
		go func() { defer close(ended); r.Keep(ctx) }()
		time.Sleep(3 * retryPeriod)
		if n := strings.Count(r.said(), "the disk is full"); n != 1 {
			t.Errorf("told %d times: %s", n, r.said())
		}
		r.refuse.Store(false)
		time.Sleep(retryPeriod)
		synctest.Wait()
		if !r.Message().GetStored() || newRig(t, path).AtStart() == nil {
			t.Error("it was not tried again")
		}
		r.refuse.Store(true)
		_, over, err := r.Resume(t.Context(), "bob", 0)
		if err != nil || !over.GetStored() || !strings.Contains(r.said(), "cannot be removed") {
			t.Errorf("%v, %v: %s", over, err, r.said())
		}
		r.refuse.Store(false)
		time.Sleep(retryPeriod)
		cancel()
		<-ended
		if newRig(t, path).AtStart() != nil {
			t.Error("the file was not removed")
		}
	})
}

// TestAFileThatSomebodyRemovesOrPuts: the disk is brought back to what the bus has.
func TestAFileThatSomebodyRemovesOrPuts(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "stop")
	path := filepath.Join(dir, "stop.json")
	r := newRig(t, path)
	if _, err := r.Stop(t.Context(), "ada", ""); err != nil {
		t.Fatal(err)
	}
	data, err := os.ReadFile(path)
	if err == nil {
		err = os.RemoveAll(dir)
	}
	if err != nil {
		t.Fatal(err)
	}
	r.sync()
	if newRig(t, path).AtStart() == nil {
		t.Error("a file that was removed was not written again")
	}
	if _, _, err := r.Resume(t.Context(), "bob", 0); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o600); err != nil {
		t.Fatal(err)
	}
	r.sync()
	if newRig(t, path).AtStart() != nil {
		t.Error("a file that somebody put there was not removed")
	}
}

// TestAFileThatCannotBeUnderstood is a stop all the same; one that cannot be read ends the start.
func TestAFileThatCannotBeUnderstood(t *testing.T) {
	for name, text := range map[string]string{
		"empty": "", "torn": `{"format":"facetd safe stop","version":1,"revi`, "other": `{"format":"x"}`,
		"future":  `{"format":"facetd safe stop","version":2,"revision":1,"requests":1,"reasons":[{"by":"a"}]}`,
		"nobody":  `{"format":"facetd safe stop","version":1,"revision":1,"requests":1,"reasons":[]}`,
		"control": `{"format":"facetd safe stop","version":1,"revision":1,"requests":1,"reasons":[{"by":"a\u001b[2J"}]}`,
		"more":    `{"format":"facetd safe stop","version":1,"revision":1,"requests":1,"reasons":[{"by":"a"}]} {}`,
		"end":     `{"format":"facetd safe stop","version":1,"revision":18446744073709551615,"requests":1,"reasons":[{"by":"a"}]}`,
		"large":   strings.Repeat(" ", maxBytes) + "{}",
	} {
		path := filepath.Join(t.TempDir(), "stop.json")
		if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		r := newRig(t, path)
		s := r.AtStart()
		if s == nil || !strings.Contains(s.Text(), "cannot be read") || checkReason(s.Reasons[0].Reason) != "" {
			t.Errorf("%s: %+v", name, s)
			continue
		}
		if next := newRig(t, path).AtStart(); next == nil || next.Revision != s.Revision {
			t.Errorf("%s: at the next start %+v", name, next)
		}
		if _, _, err := r.Resume(t.Context(), "ada", 0); err != nil || newRig(t, path).AtStart() != nil {
			t.Errorf("%s: after the resume: %v", name, err)
		}
	}
	dir := filepath.Join(t.TempDir(), "stop.json")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := Open(Config{Path: dir}); err == nil {
		t.Error("a folder in the place of the file is no error")
	}
}

// FuzzDecode: what is accepted is written as it was read.
func FuzzDecode(f *testing.F) {
	whole, err := encode(&dispatch.SafeStop{Requests: 2, Revision: 9, Reasons: []dispatch.StopReason{
		{By: "ada", Reason: "smoke", At: time.Unix(1, 0)}, {By: "bob", At: time.Unix(2, 0)}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(whole)
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := decode(data)
		if err != nil {
			return
		}
		text, err := encode(s)
		if err != nil {
			t.Fatal(err)
		}
		again, err := decode(text)
		if err != nil || again.Text() != s.Text() || again.Revision != s.Revision || again.Requests != s.Requests {
			t.Errorf("%+v became %+v, %v", s, again, err)
		}
	})
}

// TestReasons: what would not show as what it is, or fill a page, is refused with what to do; then nothing is stopped.
func TestReasons(t *testing.T) {
	r := newRig(t, "")
	for reason, good := range map[string]bool{
		"": true, "smoke": true, "Rauch an Ring 3, Ä ß 漢字 🙂": true, strings.Repeat("ü", MaxReason): true,
		strings.Repeat("x", MaxReason+1): false, "two\nlines": false, "tab\there": false, "\x1b[2J": false,
		"right\u202eleft": false, "zero\u200bwidth": false, "no\u00a0break": false, "line\u2028end": false,
		"\xff": false,
	} {
		if bad := checkReason(reason); (bad == "") != good {
			t.Errorf("%q: %q", reason, bad)
		}
		if shown := clean(reason); checkReason(shown) != "" {
			t.Errorf("%q is cleaned to %q", reason, shown)
		}
	}
	var wrong invalid.Errors
	if _, err := r.Stop(t.Context(), "ada", "two\nlines"); !errors.As(err, &wrong) || wrong[0].Path != "reason" ||
		r.bus.Stopped() != nil {
		t.Errorf("a reason of two lines: %v", err)
	}
}

// TestWithoutAFolder: the stop stands, and says that it is in memory alone.
func TestWithoutAFolder(t *testing.T) {
	r := newRig(t, "")
	m, err := r.Stop(t.Context(), "ada\x00", "smoke")
	if err != nil || m.GetStored() || m.GetNotStoredReason() != noFolder || m.GetReasons()[0].GetBy() != "ada " {
		t.Errorf("%v, %v", m, err)
	}
	if _, over, err := r.Resume(t.Context(), "bob", 0); err != nil || over.GetStored() {
		t.Errorf("%v, %v", over, err)
	}
	if r.bus.fails = errors.New("no"); r.Message() != nil {
		t.Errorf("it is still %v", r.Message())
	}
}

// TestLinesThatAreNotConfirmed are told as such, by whoever knows it first.
func TestLinesThatAreNotConfirmed(t *testing.T) {
	r := newRig(t, "")
	r.bus.lines = dispatch.LineRelease{}
	if _, err := r.Stop(t.Context(), "ada", ""); err != nil || !r.Stats().Unconfirmed {
		t.Errorf("%v, %+v", err, r.Stats())
	}
	if !strings.Contains(r.said(), "has not answered within 1s; take the lines for active") {
		t.Errorf("the events are %s", r.said())
	}
	r.bus.stop.Lines = dispatch.LineRelease{State: facetdv1.LineState_LINE_STATE_NOT_CONFIRMED,
		Why: "no acknowledgement"}
	r.Halted()
	last := r.events[len(r.events)-1]
	if last.GetSeverity() != facetdv1.Severity_SEVERITY_ERROR ||
		!strings.Contains(last.GetText(), "no acknowledgement") ||
		!r.Stats().Unconfirmed {
		t.Errorf("the event is %v", last)
	}
	r.bus.stop.Lines = dispatch.LineRelease{State: facetdv1.LineState_LINE_STATE_CONFIRMED}
	if r.Halted(); r.Stats().Unconfirmed || !strings.Contains(r.said(), "every line is inactive") {
		t.Errorf("in the end: %s", r.said())
	}
}

// TestModes: nobody else can read who stopped the array and why.
func TestModes(t *testing.T) {
	path := filepath.Join(t.TempDir(), "stop", "stop.json")
	r := newRig(t, path)
	if _, err := r.Stop(t.Context(), "ada", ""); err != nil {
		t.Fatal(err)
	}
	for name, want := range map[string]fs.FileMode{path: 0o600, filepath.Dir(path): 0o700} {
		if info, err := os.Stat(name); err != nil || info.Mode().Perm() != want {
			t.Errorf("%s: %v, %v", name, info.Mode(), err)
		}
	}
}
