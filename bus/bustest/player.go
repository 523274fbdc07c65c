package bustest

import (
	"context"
	"fmt"
	"reflect"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
)

// MismatchError is the error of a player that was asked for something other than what was recorded. The test should
// fail with it.
type MismatchError struct {
	Index int // of the record
	What  string
}

func (e *MismatchError) Error() string {
	return fmt.Sprintf("segment %d differs from the record: %s", e.Index, e.What)
}

// Player is a bus that answers from a record: every segment must be submitted at the time
// and with the operations that were recorded. Time is virtual and moves at once.
type Player struct {
	records []Record
	epoch   time.Time
	next    int
	flights []bus.Result
	failed  error
	now     bustime.Clock
}

var _ bus.BusCloser = (*Player)(nil)

// NewPlayer returns a player of a record; epoch is the host time of bus time 0.
func NewPlayer(records []Record, epoch time.Time) *Player {
	return &Player{records: records, epoch: epoch}
}

// Now returns the bus time.
func (p *Player) Now() bus.Time { return p.now.Now() }

// Limits are those of the simulated bus.
func (p *Player) Limits() bus.Limits { return bus.Limits{Grain: 1, Queue: 1} }

// Lost returns nil: a record cannot be lost.
func (p *Player) Lost() <-chan error { return nil }

// Prepare does nothing: what is run is held against the record.
func (p *Player) Prepare(ctx context.Context, _ []*bus.Program) error { return ctx.Err() }

// WaitUntil moves the bus time.
func (p *Player) WaitUntil(ctx context.Context, at bus.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	p.now.Reach(at)
	return nil
}

// Submit holds the segment against the record. A *MismatchError is its result, and is kept for Close as well.
func (p *Player) Submit(start bus.Time, s *bus.Segment) error {
	if len(p.flights) >= p.Limits().Queue {
		return bus.ErrQueueFull
	}
	if what := p.differs(start, s); what != "" {
		err := &MismatchError{p.next, what}
		if p.failed == nil {
			p.failed = err
		}
		p.flights = append(p.flights, bus.Result{Start: start, End: start, Slack: bus.NoSlack, Err: err})
		return nil
	}
	p.flights = append(p.flights, p.records[p.next].Result)
	p.next++
	return nil
}

// Next returns what was recorded.
func (p *Player) Next(ctx context.Context) (bus.Result, error) {
	if err := ctx.Err(); err != nil {
		return bus.Result{}, err
	}
	if len(p.flights) == 0 {
		return bus.Result{}, bus.ErrIdle
	}
	res := p.flights[0]
	p.flights = p.flights[1:]
	p.now.Reach(res.End)
	return res, nil
}

// Cancel takes nothing back: what was submitted was recorded.
func (p *Player) Cancel(bus.Time) error { return nil }

// differs says how a segment differs from the one due, or "".
func (p *Player) differs(start bus.Time, s *bus.Segment) string {
	if p.next == len(p.records) {
		return "nothing more was recorded"
	}
	want := &p.records[p.next]
	switch {
	case start != want.Start:
		return fmt.Sprintf("it starts at %d ns, recorded %d ns", start, want.Start)
	case !reflect.DeepEqual(s.Job, want.Segment.Job):
		return fmt.Sprintf("it belongs to %+v, recorded %+v", s.Job, want.Segment.Job)
	case s.Index != want.Segment.Index:
		return fmt.Sprintf("it is segment %d of its job, recorded %d", s.Index, want.Segment.Index)
	case len(s.Ops) != len(want.Segment.Ops):
		return fmt.Sprintf("it has %d operations, recorded %d", len(s.Ops), len(want.Segment.Ops))
	}
	if !slices.Equal(s.Slots, want.Segment.Slots) || !slices.Equal(s.Values, want.Segment.Values) {
		return fmt.Sprintf("the values of its slots are %v, recorded %v", s.Values, want.Segment.Values)
	}
	for i := range s.Ops {
		if !reflect.DeepEqual(s.Ops[i], want.Segment.Ops[i]) {
			return fmt.Sprintf("operation %d is %+v, recorded %+v", i, s.Ops[i], want.Segment.Ops[i])
		}
	}
	return ""
}

// Release only returns the bus time: the record has no lines.
func (p *Player) Release(context.Context) (bus.Stop, error) {
	return bus.Stop{Received: p.Now(), Inactive: p.Now(), Confirmed: true}, nil
}

// HostTime counts from the epoch, without uncertainty.
func (p *Player) HostTime(at bus.Time) (time.Time, time.Duration) {
	return p.epoch.Add(at.Elapsed()), 0
}

// Close reports the first mismatch, or how much of the record was not run.
func (p *Player) Close() error {
	if p.failed != nil {
		return p.failed
	}
	if left := len(p.records) - p.next; left > 0 {
		return fmt.Errorf("%d of %d recorded segments were not run", left, len(p.records))
	}
	return nil
}
