package bustest

import (
	"context"
	"errors"

	"facetd.example/bus"
)

// Run prepares the program of a segment and runs it on a bus on which nothing is in flight. The error is that of the
// result, or why there is none. When ctx ends before, the lines are released, and the result is that of the segment
// broken off.
func Run(ctx context.Context, b bus.Bus, start bus.Time, s *bus.Segment) (bus.Result, error) {
	if err := b.Prepare(ctx, []*bus.Program{s.Program}); err != nil {
		return bus.Result{}, err
	}
	if err := b.Submit(start, s); err != nil {
		return bus.Result{}, err
	}
	res, err := b.Next(ctx)
	if err == nil {
		return res, res.Err
	}
	if ctx.Err() != nil {
		last := context.WithoutCancel(ctx)
		_, released := b.Release(last)
		res, next := b.Next(last)
		return res, errors.Join(err, released, next)
	}
	return res, err
}

// RunFunc runs a segment and waits for its end.
type RunFunc func(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error)

// Intercepted is a bus whose segments are run by a function of a test, one at a time and within Next. It is for buses
// with lead 0, as what is below is handed a segment only then.
type Intercepted struct {
	bus.BusCloser
	run      func(ctx context.Context, start bus.Time, s *bus.Segment, run RunFunc) (bus.Result, error)
	programs []*bus.Program
	segment  *bus.Segment // in flight
	start    bus.Time
	below    bool // it is in flight below
	recalled *bus.RefusedError
}

// Intercept returns b with its segments run by a function, which may have b run them by the function that it is given.
// The error that it returns is that of the segment.
func Intercept(b bus.BusCloser,
	run func(ctx context.Context, start bus.Time, s *bus.Segment, run RunFunc) (bus.Result, error)) *Intercepted {
	return &Intercepted{BusCloser: b, run: run}
}

// Limits are those of the bus below, with a queue of one.
func (i *Intercepted) Limits() bus.Limits {
	l := i.BusCloser.Limits()
	l.Queue = 1
	return l
}

// Prepare prepares the bus below.
func (i *Intercepted) Prepare(ctx context.Context, programs []*bus.Program) error {
	i.programs = programs
	return i.BusCloser.Prepare(ctx, programs)
}

// Submit keeps the segment for Next.
func (i *Intercepted) Submit(start bus.Time, s *bus.Segment) error {
	if i.segment != nil {
		return bus.ErrQueueFull
	}
	i.segment, i.start, i.recalled = s, start, nil
	return nil
}

// Cancel recalls the segment where it has not begun.
func (i *Intercepted) Cancel(after bus.Time) error {
	if i.below {
		return i.BusCloser.Cancel(after)
	}
	if i.segment != nil && i.start > after {
		i.recalled = &bus.RefusedError{Cause: bus.Recalled, Planned: i.start, Device: i.Now()}
	}
	return nil
}

// Release releases the lines below, and recalls the segment where it has not begun.
func (i *Intercepted) Release(ctx context.Context) (bus.Stop, error) {
	if i.segment != nil && !i.below {
		i.recalled = &bus.RefusedError{Cause: bus.Recalled, Planned: i.start, Device: i.Now()}
	}
	return i.BusCloser.Release(ctx)
}

// Next has the segment run.
func (i *Intercepted) Next(ctx context.Context) (res bus.Result, err error) {
	switch {
	case i.segment == nil:
		return res, bus.ErrIdle
	case i.recalled != nil:
		i.segment = nil
		return bus.Result{Start: i.start, End: i.start, Slack: bus.NoSlack, Err: i.recalled}, nil
	case i.below:
		res, err = i.runBelow(ctx)
	default:
		res, err = i.run(ctx, i.start, i.segment, func(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result,
			error) {
			if err := i.submitBelow(ctx, start, s); err != nil {
				return bus.Result{}, err
			}
			return i.runBelow(ctx)
		})
	}
	if i.below { // there is no result yet
		return bus.Result{}, err
	}
	res.Ran = min(res.Ran, len(i.segment.Ops)) // the function may have had more run
	res.Err = err
	i.segment = nil
	return res, nil
}

func (i *Intercepted) submitBelow(ctx context.Context, start bus.Time, s *bus.Segment) error {
	err := i.BusCloser.Submit(start, s)
	if errors.Is(err, bus.ErrNotPrepared) { // the function has made a program of its own
		if err := i.BusCloser.Prepare(ctx, append(i.programs[:len(i.programs):len(i.programs)],
			s.Program)); err != nil {
			return err
		}
		err = i.BusCloser.Submit(start, s)
	}
	i.below = err == nil
	return err
}

func (i *Intercepted) runBelow(ctx context.Context) (bus.Result, error) {
	res, err := i.BusCloser.Next(ctx)
	if err != nil {
		return res, err
	}
	i.below = false
	return res, res.Err
}
