package virtual

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// prepared is what the bus keeps of a program.
type prepared struct {
	captures   int    // that a run of it makes
	generation uint64 // of the last set of programs that it was in
}

// flight is a segment that was submitted and whose result was not taken.
type flight struct {
	segment *bus.Segment
	ops     []bus.Op // with the values of the segment
	start   bus.Time
	begun   bool
	done    bool // res is complete
	broken  uint64
	late    time.Duration // how long after its start it was handed over
	res     bus.Result
	later   []laterRead // room for captures that are put off
}

// Limits returns what the bus can do.
func (b *Bus) Limits() bus.Limits { return b.limits }

// Lost returns nil: the bus cannot be lost.
func (b *Bus) Lost() <-chan error { return nil }

// Prepare checks the programs. What could never run is an error, of everything that is wrong, and then all is as
// before.
func (b *Bus) Prepare(ctx context.Context, programs []*bus.Program) error {
	if b.closed {
		return bus.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	var errs []error
	for i, p := range programs {
		if b.programs[p] != nil {
			continue
		}
		if err := bus.CheckProgram(b.array, p); err != nil {
			errs = append(errs, fmt.Errorf("program %d cannot run: %w", i, err))
		}
	}
	if len(errs) > 0 {
		return errors.Join(errs...)
	}
	b.generation++
	for _, p := range programs {
		known := b.programs[p]
		if known == nil {
			known = &prepared{captures: captures(p.Ops)}
			b.programs[p] = known
		}
		known.generation = b.generation
	}
	for _, f := range b.queue {
		if known := b.programs[f.segment.Program]; known != nil {
			known.generation = b.generation
		}
	}
	for p, known := range b.programs {
		if known.generation != b.generation {
			delete(b.programs, p)
		}
	}
	return nil
}

// captures is how many captures a program makes.
func captures(ops []bus.Op) int {
	n := 0
	for i := range ops {
		if ops[i].Scan != nil {
			n += len(ops[i].Scan.Chips)
		}
	}
	return n
}

// Submit puts a segment into the queue, or refuses it when it comes later than the least lead before its start.
func (b *Bus) Submit(start bus.Time, s *bus.Segment) error {
	switch {
	case b.closed:
		return bus.ErrClosed
	case len(b.queue) >= b.limits.Queue:
		return bus.ErrQueueFull
	case b.programs[s.Program] == nil:
		return bus.ErrNotPrepared
	}
	if err := bus.CheckValues(s.Slots, s.Values); err != nil {
		return err
	}
	ops := s.Ops
	if s.Values != nil {
		ops = bus.Fill(nil, s.Ops, s.Slots, s.Values)
	}
	b.queue = append(b.queue, flight{segment: s, ops: ops, start: start, res: bus.Result{Start: start, End: start,
		Slack: bus.NoSlack}})
	f := &b.queue[len(b.queue)-1]
	now := b.Now()
	f.late = now.Sub(start)
	switch {
	case b.limits.LeastLead > 0:
		f.res.Slack = start.Sub(now) - b.limits.LeastLead
	case !b.free && b.cfg.MaxLag > 0:
		f.res.Slack = b.cfg.MaxLag - b.behind.by(now, start)
	}
	if f.res.Slack < 0 {
		f.refuse(bus.HostStall, now)
		return nil
	}
	b.showScene(start)
	return nil
}

// allowance is the lag from before the first segment, as far as it was not caught up since: the bus runs from when it
// is made, while its host still comes up.
type allowance struct {
	begun bool
	grace time.Duration
}

// by is how far a segment that is handed over now comes after its start, but for the allowance.
func (a *allowance) by(now, start bus.Time) time.Duration {
	by := max(now.Sub(start), 0)
	if !a.begun {
		a.begun, a.grace = true, by
	}
	a.grace = min(a.grace, by)
	return by - a.grace
}

// refuse ends a segment that has not begun, at bus time now.
func (f *flight) refuse(cause bus.Cause, now bus.Time) {
	e := &bus.RefusedError{Cause: cause, Planned: f.start, Device: now}
	if cause != bus.Recalled {
		e.Late = -f.res.Slack
	}
	f.res.Err, f.done = e, true
}

// Cancel recalls what starts after a bus time and has not begun.
func (b *Bus) Cancel(after bus.Time) error {
	if b.closed {
		return bus.ErrClosed
	}
	b.recall(after)
	return nil
}

func (b *Bus) recall(after bus.Time) {
	for i := range b.queue {
		if f := &b.queue[i]; !f.begun && !f.done && f.start > after {
			f.refuse(bus.Recalled, b.Now())
		}
	}
}

// Next runs the first segment of the queue, at exactly its planned bus time, and returns its result. In realtime pace
// that is when the host's clock has reached the segment's end. When ctx ends before, the segment goes on with the next
// call.
//
// A rule violation breaks the segment off after the operation that caused it, whose captures are left out; every line
// is then inactive.
func (b *Bus) Next(ctx context.Context) (bus.Result, error) {
	switch {
	case b.closed:
		return bus.Result{}, bus.ErrClosed
	case len(b.queue) == 0:
		return bus.Result{}, bus.ErrIdle
	}
	f := &b.queue[0]
	if !f.done {
		if err := b.execute(ctx, f); err != nil {
			return bus.Result{}, err
		}
	}
	res := f.res
	b.queue = slices.Delete(b.queue, 0, 1)
	if res.Err != nil {
		b.recall(bustime.Never)
	}
	return res, nil
}

// execute runs a segment to its end. An error is ctx's, and means that there is more to run.
func (b *Bus) execute(ctx context.Context, f *flight) error {
	if !f.begun {
		if err := b.WaitUntil(ctx, f.start); err != nil {
			return err
		}
		f.begun, f.broken = true, b.inspector.Broken()
		b.inspector.BeginSegment(f.segment, f.start, f.start)
		if b.inspector.Broken() != f.broken {
			b.violated(f, max(f.start, b.Now()))
			return nil
		}
		f.res.Captures = b.capturesRoom(b.programs[f.segment.Program].captures)
	}
	res := &f.res
	for res.Ran < len(f.ops) {
		op := &f.ops[res.Ran]
		cost := bus.Cost(b.array, op)
		end := res.End.Add(cost.Total())
		if err := b.pace(ctx, op, end, res); err != nil {
			return err
		}
		n := len(res.Captures)
		if b.early.is {
			n = b.keep()
		} else {
			b.do(op, res.End, res)
		}
		b.inspector.Op(op, res.End, end, res.Captures[n:])
		res.End = end
		res.Busy.Add(cost)
		if b.inspector.Broken() != f.broken {
			leaveOut(res, n)
			b.violated(f, end)
			return nil
		}
		res.Ran++
	}
	b.ended(f)
	return nil
}

// capturesAtOnce is for how many captures room is made at once: those of several segments.
const capturesAtOnce = 16

// capturesRoom is room for so many captures, which nobody else has or gets.
func (b *Bus) capturesRoom(n int) []bus.Capture {
	if len(b.captures) < n {
		b.captures = make([]bus.Capture, max(n, capturesAtOnce))
	}
	room := b.captures[:0:n]
	b.captures = b.captures[n:]
	return room
}

// ended ends a segment that ran whole.
func (b *Bus) ended(f *flight) {
	end := f.res.End
	b.inspector.EndSegment(end)
	b.reached.Reach(end)
	if b.inspector.Broken() != f.broken {
		b.violated(f, end)
		return
	}
	f.done = true
	b.catchUp(end, f.late)
	if b.free {
		// In free pace this goroutine never waits. On a single processor all others would run only when the Go
		// scheduler preempts it, every 10 ms, and an answer to a client takes several turns.
		runtime.Gosched()
	}
}

// pace lets the host's clock follow before an operation that ends at bus time end counts. A readout is simulated while
// that is waited for. An error means that ctx has ended.
func (b *Bus) pace(ctx context.Context, op *bus.Op, end bus.Time, res *bus.Result) error {
	if b.leash != nil {
		return b.leash.Await(ctx, end, b.reached.Reach)
	}
	if b.free || end.Elapsed()-time.Since(b.epoch) <= b.ahead {
		return ctx.Err()
	}
	if op.Scan != nil && !b.early.is && !b.late {
		b.simulateEarly(op, res)
	}
	return b.sleep(ctx, end)
}

// catchUp waits until the host's clock has reached the end of a segment, and notes how late it was: as late as before,
// when the segment was handed over, should it have caught up meanwhile. The wait cannot be broken off, as the segment
// is already done; it is at most the time that the simulation may run ahead.
func (b *Bus) catchUp(end bus.Time, before time.Duration) {
	if b.free {
		return
	}
	_ = b.sleep(context.Background(), end)
	late := int64(max(b.hostNow().Sub(end), before))
	old := b.lag.Load()
	b.lag.Store(max(late, old-old/8))
}

// violated breaks a segment off, with every line inactive at bus time at, and says which rules were violated.
func (b *Bus) violated(f *flight, at bus.Time) {
	b.inspector.GiveUp(nil, f.res.End)
	b.inactive(at)
	f.res.Err = &rules.ViolationError{Violations: slices.Clip(b.inspector.Take())}
	f.done = true
}

// Release makes every select line inactive at once. The operation that runs is given up: it has no effect, except that
// a chip which was being loaded or reset must be loaded or reset again.
func (b *Bus) Release(context.Context) (bus.Stop, error) {
	now := b.Now()
	if b.closed {
		return bus.Stop{Received: now, Inactive: now}, bus.ErrClosed
	}
	return bus.Stop{Received: now, Inactive: b.release(), Confirmed: true}, nil
}

func (b *Bus) release() bus.Time {
	at := b.array.UpTime(b.Now())
	if len(b.queue) > 0 && b.queue[0].begun && !b.queue[0].done {
		at = b.breakOff(&b.queue[0])
	}
	b.inactive(at)
	b.recall(bustime.Never)
	return at
}

// breakOff gives up the segment that runs and returns the bus time of it, which is in the middle of an operation when
// it lies after its start.
func (b *Bus) breakOff(f *flight) bus.Time {
	b.undo()
	res := &f.res
	var op *bus.Op
	at := res.End
	if res.Ran < len(f.ops) {
		op = &f.ops[res.Ran]
		cost := bus.Cost(b.array, op)
		at = min(max(at, b.Now()), at.Add(cost.Total()))
		left := at.Sub(res.End)
		for phase, d := range cost {
			d = min(d, left)
			res.Busy[phase] += d
			left -= d
		}
	}
	if at == res.End {
		op = nil
	}
	if op != nil && op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load {
		for _, c := range b.listening {
			b.chips[c].loaded = false
		}
	}
	b.inspector.GiveUp(op, at)
	res.End, res.Err, f.done = at, bus.ErrReleased, true
	return at
}
