package watch

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/health"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// desk is a service without a bus, whose time, faults and journal are the test's.
type desk struct {
	*Service
	t      *testing.T
	now    time.Time
	snap   dispatch.Snapshot
	events []*facetdv1.Event
	api    *server
}

func newDesk(t *testing.T) *desk {
	d := &desk{t: t, now: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)}
	d.snap.State = facetdv1.State_STATE_RUNNING
	d.Service = New(Config{
		Array: bustest.MustArray(), Snapshot: func() dispatch.Snapshot { return d.snap },
		HostTime: func(at bus.Time) (time.Time, time.Duration) { return d.now.Add(at.Elapsed()), 0 },
		Patterns: func(string, *facetdv1.Frame) health.Patterns { return health.Patterns{} },
		Maps:     func() []*facetdv1.CorrectionMap { return nil }, MaxAge: time.Hour,
		Faults: func() (int, int) { return 0, 0 }, Recordings: func() []string { return nil },
		Events: func(e *facetdv1.Event) { d.events = append(d.events, e) }, Clock: func() time.Time { return d.now },
	})
	d.api = &server{s: d.Service}
	return d
}

// behind lets the host be behind, or catch up, some seconds later.
func (d *desk) behind(is bool, after time.Duration) *facetdv1.Health {
	d.snap.Now = d.snap.Now.Add(after)
	d.Behind(dispatch.Behind{At: d.snap.Now, By: time.Second, CaughtUp: !is})
	return d.Health(d.t.Context())
}

// told are the texts of the events since the last call.
func (d *desk) told() string {
	var out []string
	for _, e := range d.events {
		out = append(out, e.GetText())
	}
	d.events = nil
	return strings.Join(out, "\n")
}

const behind = "host/behind"

// TestTheJournalOfFindings: what begins and ends is told, with what to do; what comes and goes is told once a minute,
// with how often.
func TestTheJournalOfFindings(t *testing.T) {
	d := newDesk(t)
	d.behind(true, time.Second)
	if got := d.told(); !strings.Contains(got, "behind the timetable; by 1 s") ||
		!strings.Contains(got, "See what else runs") {
		t.Errorf("told %q", got)
	}
	d.Health(t.Context())
	if got := d.told(); got != "" {
		t.Errorf("what goes on is told again: %q", got)
	}
	d.behind(false, 2*time.Second)
	if got := d.told(); !strings.Contains(got, "no longer so, after 2s") {
		t.Errorf("told %q", got)
	}
	for range 5 {
		d.behind(true, time.Second)
		d.behind(false, time.Second)
	}
	if got := d.told(); got != "" {
		t.Errorf("what comes and goes is told: %q", got)
	}
	d.behind(true, time.Second)
	if got := d.told(); got != "" {
		t.Errorf("told %q", got)
	}
	d.snap.Now = d.snap.Now.Add(time.Minute)
	d.Health(t.Context())
	if len(d.events) != 1 || d.events[0].GetCount() != 6 {
		t.Errorf("after a minute %v", d.events)
	}
	d.behind(false, time.Second)
	d.behind(true, time.Second)
	d.behind(false, time.Second)
	d.told()
	d.snap.Now = d.snap.Now.Add(time.Minute)
	d.Health(t.Context())
	if got := d.told(); got != "came and went again: "+behind {
		t.Errorf("told %q", got)
	}
}

// TestTheJournalOfAReplay: what is found after a jump back is told as before.
func TestTheJournalOfAReplay(t *testing.T) {
	d := newDesk(t)
	d.behind(true, time.Hour)
	d.behind(false, time.Second)
	d.told()
	d.behind(true, -30*time.Minute)
	if got := d.told(); !strings.Contains(got, "behind the timetable") {
		t.Errorf("told %q", got)
	}
}

func TestAcknowledged(t *testing.T) {
	d := newDesk(t)
	ctx := t.Context()
	ask := func(id string) error {
		_, err := d.api.AcknowledgeFinding(ctx,
			&facetdv1.AcknowledgeFindingRequest{Id: id, By: "ada", Note: "on my way"})
		return err
	}
	if err := ask(behind); !errors.As(err, new(*failure.NotFound)) {
		t.Errorf("of what does not hold: %v", err)
	}
	d.behind(true, time.Second)
	d.told()
	if err := ask(behind); err != nil {
		t.Fatal(err)
	}
	if got := d.told(); !strings.Contains(got, "acknowledged by ada: on my way") {
		t.Errorf("told %q", got)
	}
	ack := d.Health(ctx).GetFindings()[0].GetAcknowledgement()
	if ack.GetBy() != "ada" || !ack.GetTime().AsTime().Equal(d.now) {
		t.Errorf("%v", ack)
	}
	d.behind(false, time.Second)
	if h := d.behind(true, time.Second); h.GetFindings()[0].GetAcknowledgement() != nil {
		t.Error("a finding that went and came again is acknowledged")
	}
	_, err := d.api.AcknowledgeFinding(ctx, &facetdv1.AcknowledgeFindingRequest{Id: behind, By: "a\nb",
		Note: strings.Repeat("x", 501)})
	if wrong, is := errors.AsType[invalid.Errors](err); !is || len(wrong) != 2 {
		t.Errorf("%v", err)
	}
}

// TestShelved: a finding that is shelved is in the list and no alarm, until the time is over, whether it comes and goes
// meanwhile or not.
func TestShelved(t *testing.T) {
	d := newDesk(t)
	ctx := t.Context()
	shelve := func(by time.Duration, note string) error {
		_, err := d.api.ShelveFinding(ctx, &facetdv1.ShelveFindingRequest{Id: behind, Duration: durationpb.New(by),
			Note: note})
		return err
	}
	if err := shelve(time.Hour, "a test"); !errors.As(err, new(*failure.NotFound)) {
		t.Errorf("of what does not hold: %v", err)
	}
	if h := d.behind(true, time.Second); h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD {
		t.Fatalf("%v", h)
	}
	for _, wrong := range []time.Duration{-1, 24*time.Hour + 1} {
		if err := shelve(wrong, "a test"); !errors.As(err, new(invalid.Errors)) {
			t.Errorf("for %v: %v", wrong, err)
		}
	}
	if err := shelve(time.Hour, " "); !errors.As(err, new(invalid.Errors)) {
		t.Errorf("without a reason: %v", err)
	}
	if err := shelve(time.Hour, "a test"); err != nil {
		t.Fatal(err)
	}
	d.behind(false, time.Second)
	h := d.behind(true, time.Second)
	if len(h.GetFindings()) != 1 || h.GetFindings()[0].GetShelving().GetNote() != "a test" ||
		h.GetState() == facetdv1.HealthState_HEALTH_STATE_BAD {
		t.Errorf("shelved: %v", h)
	}
	if st := d.Stats(); st.Shelved != 1 || len(st.Findings) != 0 {
		t.Errorf("%+v", st)
	}
	d.now = d.now.Add(time.Hour)
	d.told()
	if h := d.Health(ctx); h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD ||
		h.GetFindings()[0].GetShelving() != nil {
		t.Errorf("after the time: %v", h)
	}
	if got := d.told(); !strings.Contains(got, "shelving of "+behind+" ended") {
		t.Errorf("told %q", got)
	}
	if err := errors.Join(shelve(time.Hour, "again"), shelve(0, "")); err != nil {
		t.Fatal(err)
	}
	if h := d.Health(ctx); h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD {
		t.Errorf("unshelved: %v", h)
	}
}

// TestLooksAtWhatWaits: a health that is asked for waits for the frames that ended before, and not once nobody looks
// any more.
func TestLooksAtWhatWaits(t *testing.T) {
	d := newDesk(t)
	task := &facetdv1.Task{Name: "t", RateHz: 10, Views: []*facetdv1.View{{Name: "v"}},
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}}}
	d.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{task}}, 0, 0)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		d.Run(ctx)
	}()
	frame := func(k int64) {
		d.JobEnded(&facetdv1.FrameSet{Task: "t", Job: uint64(k), FinishBusNs: k * 2e9,
			Frames: []*facetdv1.Frame{{Chip: "m0", View: "v", Rows: 2, Columns: 2, Data: make([]byte, 8)}}})
	}
	for k := range int64(20) {
		frame(k)
		if h := d.Health(t.Context()); h.GetSamples() != uint64(k+1) {
			t.Fatalf("%d frames ended, %d were looked at", k+1, h.GetSamples())
		}
	}
	cancel()
	<-ended
	frame(20)
	if h := d.Health(t.Context()); h.GetSamples() != 20 {
		t.Errorf("%d frames were looked at by nobody", h.GetSamples())
	}
}

// TestReportsAreTheCallers: a health that was handed out stays as it is, whatever frames and callers bring meanwhile:
// it is on its way to a client by then.
func TestReportsAreTheCallers(t *testing.T) {
	d := newDesk(t)
	task := &facetdv1.Task{Name: "t", RateHz: 10, Views: []*facetdv1.View{{Name: "v"}},
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}}}
	d.PlanChanged(&facetdv1.Plan{Tasks: []*facetdv1.Task{task}}, 0, 0)
	ended := func(k int64) {
		d.JobEnded(&facetdv1.FrameSet{Task: "t", FinishBusNs: k, Late: true,
			Frames: []*facetdv1.Frame{{Chip: "m0", View: "w"}}})
	}
	ended(1)
	d.behind(true, time.Second)
	h := d.Health(t.Context())
	was := proto.CloneOf(h)
	ended(1e12)
	ended(2e12)
	if _, err := d.acknowledge(&facetdv1.AcknowledgeFindingRequest{Id: behind}, 1); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(h, was) {
		t.Errorf("it became %v, and was %v", h, was)
	}
}
