package dispatch

import (
	"context"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// lostBehindUnplanned is a bus that is found lost when something that is not of the timetable is handed over while
// other such segments are in flight: those have failed with it.
type lostBehindUnplanned struct {
	bus.BusCloser
	flight []*bus.Segment
	times  int // that it was lost
	lost   bool
}

func (l *lostBehindUnplanned) Submit(start bus.Time, s *bus.Segment) error {
	if l.lost {
		return &bus.LostError{Cause: errBeganAnew}
	}
	if s.Job.Task == "" {
		for _, before := range l.flight {
			if before.Job.Task == "" {
				l.lost = true
				l.times++
				return &bus.LostError{Cause: errBeganAnew}
			}
		}
	}
	err := l.BusCloser.Submit(start, s)
	if err == nil {
		l.flight = append(l.flight, s)
	}
	return err
}

func (l *lostBehindUnplanned) Next(ctx context.Context) (bus.Result, error) {
	res, err := l.BusCloser.Next(ctx)
	if err == nil {
		l.flight = l.flight[1:]
		if l.lost {
			res = bus.Result{Start: res.Start, End: res.Start, Err: &bus.LostError{Cause: errBeganAnew}}
		}
	}
	return res, err
}

func (l *lostBehindUnplanned) Prepare(ctx context.Context, programs []*bus.Program) error {
	l.lost = false
	return l.BusCloser.Prepare(ctx, programs)
}

// TestWhatIsNotOfTheTimetableEndsInItsOrder: where the bus is found lost as an initialization, a restoration or an
// on-demand job is handed over, those that were handed over before it are accounted for before it.
func TestWhatIsNotOfTheTimetableEndsInItsOrder(t *testing.T) {
	write := &facetdv1.Command{Target: list("h0"), Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{
		Register: chipmodel.OutputEnable}}}
	behind := map[string]func(r *rig){
		"a command":   func(r *rig) { _, _ = r.Send(context.Background(), write) }, // it is lost with the bus
		"a resync":    func(r *rig) { r.Resync() },
		"a timetable": func(r *rig) { _, _ = r.AddTask(context.Background(), countTask(25)) },
	}
	for name, ask := range behind {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				l := &lostBehindUnplanned{}
				r, _ := farRig(t, realtime, 0, bus.Limits{LeastLead: 20 * time.Millisecond, Queue: 100},
					func(b bus.BusCloser) bus.BusCloser {
						l.BusCloser = b
						return l
					}, memTask(100))
				end := r.begin(t)
				for range 10 {
					time.Sleep(200 * time.Millisecond)
					go func() { _, _ = r.Send(context.Background(), write) }()
					go ask(r)
				}
				time.Sleep(200 * time.Millisecond)
				if err := end(); err != nil {
					t.Fatal(err)
				}
				if l.times == 0 {
					t.Error("the bus was never lost behind something that is not of the timetable")
				}
				for _, v := range r.watch.violations { // the bus has run what it says is lost: other rules are broken
					if strings.Contains(v.Message, "accounted for after") {
						t.Error(v)
					}
				}
			})
		})
	}
}
