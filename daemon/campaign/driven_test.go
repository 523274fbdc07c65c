package campaign

import (
	"context"
	"sync"
	"time"

	"facetd.example/bus"
)

// executed is one segment that was handed to the bus, and what came of it.
type executed struct {
	start bus.Time
	given bus.Time // when it was handed over
	job   bus.Job
	index int // of the segment within it
	table int // of the ledger's plans, which was active then
	*bus.Program
	values []int // of its slots
	res    bus.Result
	err    error
}

// filled are its operations with the values of its slots.
func (e *executed) filled() []bus.Op {
	if e.values == nil {
		return e.Ops
	}
	return bus.Fill(nil, e.Ops, e.Slots, e.values)
}

// driven is the bus as the dispatcher has it: what is nearest to the host. It notes what was handed over and what came
// of it, and has the faults of the host.
type driven struct {
	bus.BusCloser
	faulty *faultyBus
	ledger *ledger
	remote bool
	// active says that something was handed over since the lines were released.
	active bool
	flight []executed // in flight

	mu  sync.Mutex
	log []executed
}

// Submit hands a segment over.
func (d *driven) Submit(start bus.Time, s *bus.Segment) error {
	d.starve(true)
	err := d.BusCloser.Submit(start, s)
	if err == nil {
		d.active = true
		d.flight = append(d.flight, executed{start: start, given: d.Now(), job: *s.Job, index: s.Index,
			table:   d.ledger.table(),
			Program: s.Program, values: s.Values})
	}
	return err
}

// Release makes the lines inactive.
func (d *driven) Release(ctx context.Context) (bus.Stop, error) {
	d.active = false
	return d.BusCloser.Release(ctx)
}

// Next takes a result, and notes it.
func (d *driven) Next(ctx context.Context) (bus.Result, error) {
	res, err := d.BusCloser.Next(ctx)
	if err == nil {
		e := d.flight[0]
		d.flight = d.flight[1:]
		e.res, e.err = res, res.Err
		d.mu.Lock()
		d.log = append(d.log, e)
		d.mu.Unlock()
	}
	if d.remote {
		d.stall()
	}
	if !res.Refused() {
		d.starve(false)
	}
	return res, err
}

// WaitUntil waits, and goes on waiting while the process stands still.
func (d *driven) WaitUntil(ctx context.Context, at bus.Time) error {
	err := d.BusCloser.WaitUntil(ctx, at)
	if err == nil {
		d.stall()
	}
	return err
}

// stall stands still where a fault says so.
func (d *driven) stall() {
	now := d.Now()
	if f := d.faulty.match(now, nil, hostStall); f != nil {
		d.faulty.struck(f, now, now.Add(f.delay))
		time.Sleep(f.delay)
	}
}

// HostTime is that of the bus, on a clock that may have been set.
func (d *driven) HostTime(at bus.Time) (time.Time, time.Duration) {
	host, off := d.BusCloser.HostTime(at)
	for i := range d.faulty.faults {
		if f := &d.faulty.faults[i]; f.kind == clockStep && at >= f.at {
			host, off = host.Add(f.delay), off+f.delay.Abs()
		}
	}
	return host, off
}
