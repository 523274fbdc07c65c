package bustest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
)

// Fault is what goes wrong with the segments that it matches.
type Fault struct {
	// When selects the segments; nil selects every one.
	When func(start bus.Time, s *bus.Segment) bool
	// Skip is how many matching segments are left alone first.
	Skip int
	// Times is how many are hit; 0 is all.
	Times int
	// Delay moves the start later by this much bus time.
	Delay time.Duration
	// Err becomes the result in place of running the segment, or, with After, after having run it. A
	// *bus.RefusedError says that nothing was executed, any other error that the segment broke off.
	Err   error
	After bool
	// HalfWay, with Err, is how many operations of the segment are run before it fails; 0 is none. The captures
	// made until then come with the error.
	HalfWay int
}

// Faulty is a bus that passes everything on to another and injects faults. The
// first fault that matches a segment counts.
type Faulty struct {
	bus.BusCloser
	faults   []Fault
	programs []*bus.Program
	flights  []faultyFlight

	mu   sync.Mutex
	hits []int
}

// faultyFlight is a segment in flight: below, or one that fails by itself.
type faultyFlight struct {
	below bool
	fault *Fault
	start bus.Time
	err   error // of one that fails by itself
}

// NewFaulty returns b with faults.
func NewFaulty(b bus.BusCloser, faults ...Fault) *Faulty {
	return &Faulty{BusCloser: b, faults: slices.Clone(faults), hits: make([]int, len(faults))}
}

// Prepare prepares the bus below.
func (f *Faulty) Prepare(ctx context.Context, programs []*bus.Program) error {
	err := f.BusCloser.Prepare(ctx, programs)
	if err == nil {
		f.programs = slices.Clone(programs)
	}
	return err
}

// Submit submits the segment, whole, in part or not at all.
func (f *Faulty) Submit(start bus.Time, s *bus.Segment) error {
	if len(f.flights) >= f.Limits().Queue {
		return bus.ErrQueueFull
	}
	flight := faultyFlight{below: true, fault: f.match(start, s), start: start}
	if flight.fault != nil {
		flight.start = start.Add(flight.fault.Delay)
		switch {
		case flight.fault.Err != nil && flight.fault.HalfWay > 0:
			half := *s
			half.Program = &bus.Program{Ops: s.Ops[:min(flight.fault.HalfWay, len(s.Ops))], Slots: s.Slots}
			if err := f.BusCloser.Prepare(context.Background(),
				append(slices.Clip(f.programs), half.Program)); err != nil {
				return err
			}
			s = &half
		case flight.fault.Err != nil && !flight.fault.After:
			flight.below, flight.err = false, flight.fault.Err
		}
	}
	if flight.below {
		if err := f.BusCloser.Submit(flight.start, s); err != nil {
			return err
		}
	}
	f.flights = append(f.flights, flight)
	return nil
}

// Next returns the next result, with the error of its fault.
func (f *Faulty) Next(ctx context.Context) (bus.Result, error) {
	if len(f.flights) == 0 {
		return f.BusCloser.Next(ctx)
	}
	flight := &f.flights[0]
	var res bus.Result
	switch {
	case flight.below:
		var err error
		if res, err = f.BusCloser.Next(ctx); err != nil {
			return res, err
		}
		if flight.fault != nil && flight.fault.Err != nil && !res.Refused() {
			if res.Err != nil {
				res.Err = errors.Join(flight.fault.Err, res.Err)
			} else {
				res.Err = flight.fault.Err
			}
		}
	default:
		if err := f.WaitUntil(ctx, flight.start); err != nil {
			return res, err
		}
		res = bus.Result{Start: flight.start, End: flight.start, Slack: bus.NoSlack, Err: flight.err}
	}
	f.flights = slices.Delete(f.flights, 0, 1)
	if res.Err != nil {
		return res, f.Cancel(bustime.Never)
	}
	return res, nil
}

// Cancel recalls what has not begun, what fails by itself included.
func (f *Faulty) Cancel(after bus.Time) error {
	f.recall(after)
	return f.BusCloser.Cancel(after)
}

func (f *Faulty) recall(after bus.Time) {
	for i := range f.flights {
		if flight := &f.flights[i]; !flight.below && flight.start > after {
			flight.err = &bus.RefusedError{Cause: bus.Recalled, Planned: flight.start, Device: f.Now()}
		}
	}
}

// Release releases the lines below, and recalls what fails by itself.
func (f *Faulty) Release(ctx context.Context) (bus.Stop, error) {
	f.recall(bustime.Never)
	return f.BusCloser.Release(ctx)
}

// match returns the fault that hits a segment, or nil, and counts it.
func (f *Faulty) match(start bus.Time, s *bus.Segment) *Fault {
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range f.faults {
		fault := &f.faults[i]
		if fault.When != nil && !fault.When(start, s) {
			continue
		}
		f.hits[i]++
		if n := f.hits[i] - fault.Skip; n > 0 && (fault.Times == 0 || n <= fault.Times) {
			return fault
		}
	}
	return nil
}

// Hits returns how many segments each fault has matched, those left alone included.
func (f *Faulty) Hits() []int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return slices.Clone(f.hits)
}
