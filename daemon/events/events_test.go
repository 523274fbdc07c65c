package events

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

func open(t testing.TB, c Config) *Journal {
	t.Helper()
	j, err := Open(c)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = j.Close("end of test") })
	return j
}

func event(text string, s facetdv1.Severity) *facetdv1.Event {
	return &facetdv1.Event{Text: text, Severity: s, Kind: facetdv1.EventKind_EVENT_KIND_REPLAY}
}

func texts(list []*facetdv1.Event) string {
	var out []string
	for _, e := range list {
		out = append(out, e.GetText())
	}
	return strings.Join(out, " ")
}

func list(t *testing.T, j *Journal, q Query) Listed {
	t.Helper()
	l, err := j.List(q)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

// What was written is there after the journal was opened again, with its numbers going
// on; events that are no longer in memory are read from the disk.
func TestAJournalGoesOnWhereItEnded(t *testing.T) {
	c := Config{Dir: filepath.Join(t.TempDir(), "j"), Ring: 4, FileBytes: 600, TotalBytes: 1 << 20}
	var want []*facetdv1.Event
	for range 3 {
		j := open(t, c)
		for range 10 {
			e := event(fmt.Sprint("e", len(want)+1), facetdv1.Severity_SEVERITY_INFO)
			e.Fields = Fields{"n": Text("ü\n\"x\"")}
			want = append(want, e)
			if n := j.Append(e); n != uint64(len(want)) {
				t.Fatalf("event %d has number %d", len(want), n)
			}
		}
		if err := j.Close("over"); err != nil {
			t.Fatal(err)
		}
		if n := j.Append(event("late", 1)); n != 0 {
			t.Errorf("a closed journal took an event as %d", n)
		}
	}
	j := open(t, c)
	got := list(t, j, Query{Limit: MaxList})
	if len(got.Events) != 30 || got.First != 1 || got.Last != 30 {
		t.Fatalf("%d events from %d to %d", len(got.Events), got.First, got.Last)
	}
	for i, e := range got.Events {
		if !proto.Equal(e, want[i]) {
			t.Errorf("event %d is %v, was %v", i+1, e, want[i])
		}
	}
	after := uint64(8)
	if l := list(t, j, Query{After: &after, Limit: 3}); texts(l.Events) != "e9 e10 e11" {
		t.Errorf("after 8: %s", texts(l.Events))
	}
	if l := list(t, j, Query{Limit: 3}); texts(l.Events) != "e28 e29 e30" {
		t.Errorf("the newest: %s", texts(l.Events))
	}
	after = 28
	if l := list(t, j, Query{After: &after}); texts(l.Events) != "e29 e30" {
		t.Errorf("after 28: %s", texts(l.Events))
	}
	after = 99
	if l := list(t, j, Query{After: &after}); len(l.Events) != 0 {
		t.Errorf("after 99: %s", texts(l.Events))
	}
}

// On the disk the journal never passes its bound by more than the file being written,
// and what goes is the oldest.
func TestTheDiskIsBounded(t *testing.T) {
	c := Config{Dir: t.TempDir(), Ring: 2, FileBytes: 2000, TotalBytes: 10000}
	j := open(t, c)
	for i := range 500 {
		j.Append(event(fmt.Sprintf("event %d %s", i, strings.Repeat("x", i%90)), facetdv1.Severity_SEVERITY_INFO))
		if i%50 == 0 {
			time.Sleep(time.Millisecond) // the queue to the disk is not what is tested
		}
	}
	if err := j.Close("over"); err != nil {
		t.Fatal(err)
	}
	var total int64
	files, err := os.ReadDir(c.Dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		info, _ := f.Info()
		total += info.Size()
		if info.Size() > c.FileBytes {
			t.Errorf("%s has %d bytes", f.Name(), info.Size())
		}
	}
	if total > c.TotalBytes || total < c.TotalBytes/2 {
		t.Errorf("%d bytes on the disk, bound %d", total, c.TotalBytes)
	}
	again := open(t, c)
	got := list(t, again, Query{Limit: MaxList})
	if got.Last != 500 || got.First < 300 || len(got.Events) != int(got.Last-got.First)+1 {
		t.Errorf("%d events from %d to %d", len(got.Events), got.First, got.Last)
	}
}

// Cut anywhere, as by a crash, the journal opens and holds every whole line; a number is
// never given twice.
func TestTornLinesArePassedOver(t *testing.T) {
	c := Config{Dir: t.TempDir()}
	j := open(t, c)
	for i := range 5 {
		j.Append(event(fmt.Sprint("e", i), facetdv1.Severity_SEVERITY_INFO))
	}
	if err := j.Close("over"); err != nil {
		t.Fatal(err)
	}
	name := "events-00000000000000000001.jsonl"
	data, err := os.ReadFile(filepath.Join(c.Dir, name))
	if err != nil {
		t.Fatal(err)
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 30 {
		cut := rng.IntN(len(data) + 1)
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, name), data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		whole := strings.Count(string(data[:cut]), "\n")
		j := open(t, Config{Dir: dir})
		if got := list(t, j, Query{}); len(got.Events) != whole {
			t.Errorf("cut at %d: %d events of %d", cut, len(got.Events), whole)
		}
		n := j.Append(event("next", facetdv1.Severity_SEVERITY_INFO))
		if n <= uint64(whole) {
			t.Errorf("cut at %d: the next event has number %d", cut, n)
		}
		if err := j.Close("over"); err != nil {
			t.Fatal(err)
		}
		if got := list(t, open(t, Config{Dir: dir}), Query{}); len(got.Events) != whole+1 || got.Last != n {
			t.Errorf("cut at %d: %d events afterwards", cut, len(got.Events))
		}
	}
}

// Lines that another version wrote are left out, and that they are is told.
func TestLinesOfAnotherVersionAreCounted(t *testing.T) {
	dir := t.TempDir()
	lines := `{"sequence":"1","text":"read"}` + "\n" + `{"sequence":"2","fields":{"recording":"bend"}}` + "\n" +
		`{"sequence":"3","colour":"red"}` + "\n" + `{"sequence":"4","text":"torn`
	if err := os.WriteFile(filepath.Join(dir, "events-00000000000000000001.jsonl"), []byte(lines), 0o600); err != nil {
		t.Fatal(err)
	}
	j := open(t, Config{Dir: dir})
	j.TellUnreadable()
	got := list(t, j, Query{}).Events
	if len(got) != 2 || got[0].GetText() != "read" || got[1].GetCount() != 2 ||
		got[1].GetFields()["unreadable"].GetInteger() != 2 ||
		got[1].GetKind() != facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST {
		t.Errorf("%v", got)
	}
	whole := open(t, Config{Dir: t.TempDir()})
	whole.TellUnreadable()
	if got := list(t, whole, Query{}).Events; len(got) != 0 {
		t.Error(texts(got))
	}
}

// A disk that refuses costs lines, not events in memory; it is reported once it works again.
func TestADiskThatRefuses(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data") // not the journal's, so it is not made anew
	dir := filepath.Join(data, "j")
	j := open(t, Config{Dir: dir})
	if err := os.RemoveAll(data); err != nil {
		t.Fatal(err)
	}
	for range 3 {
		j.Append(event("lost", facetdv1.Severity_SEVERITY_INFO))
	}
	wait(t, func() bool { return j.Unwritten() == 3 && j.DiskError() != nil })
	if s := j.Stats(); s.DiskRefused != 3 || s.QueueFull != 0 {
		t.Errorf("counts %+v", s)
	}
	if err := os.Mkdir(data, 0o755); err != nil {
		t.Fatal(err)
	}
	j.Append(event("kept", facetdv1.Severity_SEVERITY_INFO))
	wait(t, func() bool {
		l, _ := j.List(Query{Filter: Filter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_JOURNAL_LOST}}})
		return len(l.Events) == 1 && l.Events[0].GetCount() == 3
	})
	if err := j.Close("over"); err != nil {
		t.Fatal(err)
	}
	if got := list(t, open(t, Config{Dir: dir}), Query{}); !strings.HasPrefix(texts(got.Events),
		"kept 3 events before") {
		t.Errorf("on the disk: %s", texts(got.Events))
	}
}

func wait(t *testing.T, ok func() bool) {
	t.Helper()
	for deadline := time.Now().Add(time.Minute); !ok(); time.Sleep(time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatal("it did not happen within a minute")
		}
	}
}

// Every event that a subscriber wants is read or counted as dropped.
func TestSubscribersLoseTheOldestAndAreTold(t *testing.T) {
	j := open(t, Config{})
	slow, err := j.Subscribe(nil, Filter{MinSeverity: facetdv1.Severity_SEVERITY_WARNING})
	if err != nil {
		t.Fatal(err)
	}
	const wanted = SubscriberQueue + 40
	for i := range 2 * wanted {
		j.Append(event(fmt.Sprint(i), facetdv1.Severity(1+i%2))) // every second is a warning
	}
	e, dropped, err := slow.Next(t.Context())
	if err != nil || dropped != 40 || e.GetText() != fmt.Sprint(2*40+1) {
		t.Errorf("got %v after %d, %v", e, dropped, err)
	}
	for i := 41; i < wanted; i++ {
		if e, dropped, err = slow.Next(t.Context()); err != nil || dropped != 0 || e.GetText() != fmt.Sprint(2*i+1) {
			t.Fatalf("got %v after %d, %v", e, dropped, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, _, err := slow.Next(ctx); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	slow.Close()
	slow.Close()
	left, err := j.Subscribe(nil, Filter{})
	if err != nil {
		t.Fatal(err)
	}
	for range SubscriberQueue + 1 {
		j.Append(event("more", facetdv1.Severity_SEVERITY_ERROR))
	}
	open := j.Stats()
	left.Close()
	want := Stats{Appended: [4]uint64{1: wanted, 2: wanted, 3: SubscriberQueue + 1}, Streams: 1, Dropped: 40 + 1}
	if open != want {
		t.Errorf("counts %+v, want %+v", open, want)
	}
	want.Streams, want.Abandoned = 0, SubscriberQueue
	if got := j.Stats(); got != want {
		t.Errorf("counts %+v, want %+v", got, want)
	}
	if _, _, err := slow.Next(t.Context()); err != ErrLeft {
		t.Error(err)
	}
	after := uint64(2*wanted + SubscriberQueue + 1 - 3)
	back, err := j.Subscribe(&after, Filter{})
	if err != nil {
		t.Fatal(err)
	}
	j.Append(event("new", facetdv1.Severity_SEVERITY_INFO))
	_ = j.Close("going down")
	var got []string
	for {
		e, _, err := back.Next(t.Context())
		if err != nil {
			var closed *failure.Unavailable
			if !errors.As(err, &closed) || closed.Reason != "going down" {
				t.Error(err)
			}
			break
		}
		got = append(got, e.GetText())
	}
	if want := []string{"more", "more", "more", "new"}; !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if _, err := j.Subscribe(nil, Filter{}); !errors.As(err, new(*failure.Unavailable)) {
		t.Error(err)
	}
}

func TestEventsAreBounded(t *testing.T) {
	j := open(t, Config{})
	e := &facetdv1.Event{Text: strings.Repeat("é", 5000) + "\xff", Fields: Fields{}}
	for i := range 100 {
		e.Fields[fmt.Sprint("k", i)] = Text(strings.Repeat("v", 9999))
		e.Chips = append(e.Chips, fmt.Sprint("chip", i))
	}
	j.Append(e)
	line, err := protojson.Marshal(e)
	if err != nil || len(line) > maxLineBytes/2 || len(e.GetFields()) > maxFields || len(e.GetChips()) != maxChips ||
		e.GetChips()[maxChips-1] != "and 37 more" {
		t.Errorf("%d bytes, %d fields, %d chips, %v", len(line), len(e.GetFields()), len(e.GetChips()), err)
	}
	for _, c := range []Config{{Ring: -1}, {FileBytes: 100, TotalBytes: 50}, {Dir: "/dev/null/x"}} {
		if _, err := Open(c); err == nil {
			t.Errorf("%+v was taken", c)
		}
	}
}

func host(ns bus.Time) (time.Time, time.Duration) { return time.Unix(1000, ns.NS()).UTC(), 0 }

const second = int64(time.Second)

func late(task string, job uint64, atNS int64) *facetdv1.FrameSet {
	return &facetdv1.FrameSet{Task: task, Job: job, FinishBusNs: atNS, DeadlineBusNs: atNS - 500, Late: true}
}

// Tasks that come, change and go; misses told at once, repetitions once a second with
// their number: none is lost in the counting.
func TestTheBusAsEvents(t *testing.T) {
	j := open(t, Config{})
	o := NewObserver(j, host)
	task := func(name string, hz float64) *facetdv1.Task { return &facetdv1.Task{Name: name, RateHz: hz} }
	o.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{task("a", 1), task("b", 2)}}, 10, 10)
	// the same: nothing to tell
	o.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{task("a", 1), task("b", 2)}}, 15, 15)
	o.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{task("b", 3), task("c", 4)}}, 20, 20)
	o.PlanChanged(nil, 30, 30)
	if got, want := texts(list(t, j, Query{}).Events),
		"task a added at 1 Hz task b added at 2 Hz task b changed, now at 3 Hz task c added at 4 Hz task a removed "+
			"task b removed task c removed"; got != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
	from := list(t, j, Query{}).Last
	// 100 misses a second for 3.5 s of one task, one of another, ends on time between.
	var missed uint64
	for i := range 350 {
		at := second + int64(i)*10_000_000
		o.JobEnded(late("a", uint64(i), at))
		o.JobEnded(&facetdv1.FrameSet{Task: "b", FinishBusNs: at + 1})
		missed++
	}
	o.JobEnded(late("b", 7, 5*second))
	o.JobEnded(&facetdv1.FrameSet{Task: "a", Job: 9, FinishBusNs: 5*second + 1, Failure: "no answer"})
	o.JobEnded(&facetdv1.FrameSet{FinishBusNs: 5*second + 2, Failure: "no answer"})
	o.Violated(rules.Violation{Rule: 4, At: bus.Time(5*second + 3), Message: "too soon", Chips: []string{"x"}})
	o.Violated(rules.Violation{Rule: 4, At: bus.Time(5*second + 4), Message: "too soon again", Chips: []string{"y"}})
	o.Violated(rules.Violation{Rule: 1, At: bus.Time(5*second + 5), Message: "two drive"})
	o.Flush()
	o.Flush()
	counts := map[string]uint64{}
	var lines []string
	got := list(t, j, Query{After: &from, Limit: MaxList}).Events
	for _, e := range got {
		counts[e.GetKind().String()+" "+e.GetTask()] += e.GetCount()
		lines = append(lines, e.GetText())
		if want, _ := host(bus.Time(e.GetBusNs())); !e.GetTime().AsTime().Equal(want) {
			t.Errorf("%v: time", e)
		}
	}
	for key, want := range map[string]uint64{
		"EVENT_KIND_DEADLINE_MISSED a": missed, "EVENT_KIND_DEADLINE_MISSED b": 1,
		"EVENT_KIND_JOB_FAILED a": 1, "EVENT_KIND_JOB_FAILED ": 1, "EVENT_KIND_RULE_VIOLATION ": 3,
	} {
		if counts[key] != want {
			t.Errorf("%s: %d, want %d", key, counts[key], want)
		}
	}
	if len(got) > 12 || lines[0] != "job 0 of task a ended 500ns after its deadline" {
		t.Errorf("%d events:\n%s", len(got), strings.Join(lines, "\n"))
	}
}

// Of repetitions that are told together the worst is told: how long the host stood still is not hidden by a moment
// that followed.
func TestTheWorstOfRepetitionsIsTold(t *testing.T) {
	j := open(t, Config{})
	o := NewObserver(j, host)
	for i, by := range []time.Duration{20, 3000, 15} {
		for _, caughtUp := range []bool{false, true} {
			at := bus.Time(second + int64(i)*50_000_000)
			o.Behind(dispatch.Behind{At: at, By: by * time.Millisecond, CaughtUp: caughtUp})
		}
	}
	o.Flush()
	var got []string
	for _, e := range list(t, j, Query{}).Events {
		got = append(got, fmt.Sprint(e.GetSeverity(), " ", e.GetFields()["lag_ns"].GetInteger(), " ", e.GetCount()))
	}
	slices.Sort(got)
	if want := []string{"SEVERITY_INFO 20000000 1", "SEVERITY_INFO 3000000000 2", "SEVERITY_WARNING 20000000 1",
		"SEVERITY_WARNING 3000000000 2"}; !slices.Equal(got, want) {
		t.Errorf("told are %q, want %q", got, want)
	}
}

// A bus that is given up is reported once, and repetitions come out while nothing happens.
func TestWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		j := open(t, Config{})
		o := NewObserver(j, host)
		snap := make(chan dispatch.Snapshot, 1)
		now := dispatch.Snapshot{Now: 1}
		snap <- now
		ctx, cancel := context.WithCancel(t.Context())
		go o.Watch(ctx, func() dispatch.Snapshot {
			s := <-snap
			snap <- s
			return s
		})
		set := func(s dispatch.Snapshot) {
			<-snap
			snap <- s
			time.Sleep(3 * watchPeriod)
			synctest.Wait()
		}
		o.JobEnded(late("a", 1, 1))
		o.JobEnded(late("a", 2, 2))
		set(dispatch.Snapshot{Now: 3})
		if n := list(t, j, Query{}).Last; n != 1 {
			t.Errorf("%d events", n)
		}
		set(dispatch.Snapshot{Now: bus.Time(2 * second)})
		set(dispatch.Snapshot{Now: bus.Time(2 * second), State: facetdv1.State_STATE_FAULT, Fault: "no power"})
		set(dispatch.Snapshot{Now: bus.Time(2 * second), State: facetdv1.State_STATE_FAULT, Fault: "no power"})
		got := list(t, j, Query{}).Events
		if len(got) != 3 || got[2].GetKind() != facetdv1.EventKind_EVENT_KIND_BUS_FAULT ||
			!strings.Contains(got[2].GetText(), "no power") {
			t.Errorf("events: %s", texts(got))
		}
		cancel()
		synctest.Wait()
	})
}

// Whatever the files hold, the journal opens, lists and goes on.
func FuzzJournalFile(f *testing.F) {
	f.Add([]byte(`{"sequence":"1","text":"a"}` + "\n" + `{"sequence":"2"}` + "\n"))
	f.Add([]byte(`{"sequence":"18446744073709551615"}` + "\n{}\n\n[1]\n{\"sequence\":3"))
	f.Fuzz(func(t *testing.T, data []byte) {
		var last uint64
		if _, err := scanLines(strings.NewReader(string(data)), func(e *facetdv1.Event) bool {
			last = max(last, e.GetSequence())
			return true
		}, func() {}); err != nil {
			t.Error(err)
		}
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "events-00000000000000000001.jsonl"), data, 0o600); err != nil {
			t.Fatal(err)
		}
		j := open(t, Config{Dir: dir, Ring: 3})
		if n := j.Append(event("next", 1)); n <= last {
			t.Errorf("number %d after %d", n, last)
		}
		l := list(t, j, Query{})
		if len(l.Events) == 0 || l.Events[len(l.Events)-1].GetText() != "next" {
			t.Errorf("listed %s", texts(l.Events))
		}
	})
}

func BenchmarkAppend(b *testing.B) {
	for _, c := range []struct {
		name string
		cfg  Config
	}{{"memory", Config{}}, {"disk", Config{Dir: b.TempDir()}}} {
		b.Run(c.name, func(b *testing.B) {
			j := open(b, c.cfg)
			b.ReportAllocs()
			for b.Loop() {
				j.Append(&facetdv1.Event{Text: "job 7 of task wall ended 3ms after its deadline",
					Kind: facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED})
			}
		})
	}
}
