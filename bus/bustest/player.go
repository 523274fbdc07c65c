package bustest

import (
	"context"
	"fmt"
	"reflect"
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

// Player is a bus that answers from a record: every segment must be run at the time
// and with the operations that were recorded. Time is virtual and moves at once.
type Player struct {
	records []Record
	epoch   time.Time
	next    int
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

// WaitUntil moves the bus time.
func (p *Player) WaitUntil(ctx context.Context, at bus.Time) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	p.now.Reach(at)
	return nil
}

// Run returns what was recorded. A *MismatchError is kept for Close as well.
func (p *Player) Run(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error) {
	if err := ctx.Err(); err != nil {
		return bus.Result{}, err
	}
	if what := p.differs(start, s); what != "" {
		err := &MismatchError{p.next, what}
		if p.failed == nil {
			p.failed = err
		}
		return bus.Result{}, err
	}
	r := &p.records[p.next]
	p.next++
	p.now.Reach(r.Result.End)
	return r.Result, r.Err
}

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
	for i := range s.Ops {
		if !reflect.DeepEqual(s.Ops[i], want.Segment.Ops[i]) {
			return fmt.Sprintf("operation %d is %+v, recorded %+v", i, s.Ops[i], want.Segment.Ops[i])
		}
	}
	return ""
}

// Release only returns the bus time: the record has no lines.
func (p *Player) Release() bus.Time { return p.Now() }

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
