package dispatch

import (
	"context"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// onDemand is a capture or command that waits for an idle gap.
type onDemand struct {
	// compile makes its program for the registers and the active table.
	compile func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error)
	asked   bus.Time          // bus time of the request
	done    chan onDemandDone // holds the one answer
	raw     bool              // its captures go back as they are
	do      func() error      // only this is to be run; there is no program

	// Of the runner.
	program *program.OnDemandPlan
	run     *bus.Program // of its operations
	forPlan *scheduler.Plan
	forRegs uint64 // onDemands count when it was compiled
}

type onDemandDone struct {
	Done
	captures []bus.Capture // of raw programs
	err      error
}

// Capture reads a target once in an idle gap.
func (d *Dispatcher) Capture(ctx context.Context, r *facetdv1.CaptureFramesRequest) (Done, error) {
	return d.submit(ctx, func(state program.Registers, _ *scheduler.Plan) (*program.OnDemandPlan, error) {
		return scheduler.OnDemand(d.array, r.GetTarget(), r.GetViews(), state)
	})
}

// PreviewCapture says how long a capture may wait in the active timetable, and captures nothing. Errors are those of
// Capture.
func (d *Dispatcher) PreviewCapture(_ context.Context, r *facetdv1.PreviewCaptureRequest) (
	*facetdv1.PreviewCaptureResponse, error) {
	if s := d.box.stopped(); s != nil {
		return nil, &SafeStopError{*s}
	}
	state, plan := d.board.basis()
	o, err := scheduler.OnDemand(d.array, r.GetTarget(), r.GetViews(), state)
	if err != nil {
		return nil, err
	}
	if plan != nil {
		if longest := longestGap(plan, plan.Idle(), o.Chips); o.Time > longest {
			return nil, noGap(o.Time, longest)
		}
	}
	limits := d.bus.Limits()
	lead, margin := leadOf(limits), triggerLead(limits)
	out := &facetdv1.PreviewCaptureResponse{JobNs: int64(o.Time), Exact: margin == 0}
	if w := plan.Wait(o, lead, margin); w.Bounded {
		out.WorstStartNs, out.WorstFirstSampleNs = proto.Int64(int64(w.Start)), proto.Int64(int64(w.FirstSample))
		out.WorstEndNs = proto.Int64(int64(w.End))
	}
	var adds time.Duration
	known := true
	waiting, running, until := d.box.ahead()
	// Each has a place in the queue, too: after its end for as long as its result and what is handed over then take.
	place := time.Duration(queueOf(d.array, limits).Ahead)
	if out.Waiting = uint32(running); until > 0 {
		adds = max(until.Add(place).Sub(d.bus.Now()), 0)
	}
	for _, one := range waiting {
		if one.do != nil {
			continue // it takes no bus time
		}
		out.Waiting++
		other, err := one.compile(state, plan)
		if err != nil {
			continue // it will be refused
		}
		w := plan.Wait(other, lead, margin)
		known = known && w.Bounded
		adds += w.End + place
	}
	if known {
		out.WaitingAddsNs = proto.Int64(int64(adds))
	}
	return out, nil
}

// Send sends one command in an idle gap.
func (d *Dispatcher) Send(ctx context.Context, c *facetdv1.Command) (Done, error) {
	return d.submit(ctx, func(state program.Registers, p *scheduler.Plan) (*program.OnDemandPlan, error) {
		return scheduler.CompileCommand(d.array, c, state, p)
	})
}

// Program runs operations on all chips in an idle gap in which no job is open, and
// returns what they captured, as the bus gave it. It is for bring-up: unlike a
// capture it claims nothing of frames. The operations must leave no output enabled
// and begin with every line inactive; call Resync when done. Errors as of
// Service.Send, *rules.ViolationError among them. One that the bus refuses, mostly as it came too late, was not begun:
// it is queued again, a few times.
func (d *Dispatcher) Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error) {
	plan := &program.OnDemandPlan{Chips: d.array.All(), Ops: ops, Time: bus.CostOf(d.array, ops).Total()}
	for tries := 1; ; tries++ {
		done, err := d.queue(ctx, &onDemand{
			raw:     true,
			compile: func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error) { return plan, nil },
		})
		if tries == programTries || !errors.As(err, new(*bus.RefusedError)) {
			return done.captures, err
		}
	}
}

// programTries is how often what is wanted on demand and is refused is handed over, before its caller hears of it: a
// host or a link that stands still so often in a row is not to be measured with.
const programTries = 5

// Do runs f on the goroutine that owns the bus, between two segments. f must not
// block; its error is returned.
func (d *Dispatcher) Do(ctx context.Context, f func() error) error {
	_, err := d.queue(ctx, &onDemand{do: f})
	return err
}

// submit checks an on-demand job by compiling it once, queues it, and waits. One that the bus refuses was not begun: it
// is queued again, a few times.
func (d *Dispatcher) submit(ctx context.Context,
	compile func(program.Registers, *scheduler.Plan) (*program.OnDemandPlan, error)) (Done, error) {
	if _, err := compile(d.board.basis()); err != nil {
		return Done{}, err
	}
	for tries := 1; ; tries++ {
		done, err := d.queue(ctx, &onDemand{compile: compile})
		if tries == programTries || !errors.As(err, new(*bus.RefusedError)) {
			return done.Done, err
		}
	}
}

// queue waits until the runner has served an on-demand job.
func (d *Dispatcher) queue(ctx context.Context, one *onDemand) (onDemandDone, error) {
	one.done = make(chan onDemandDone, 1)
	one.asked = d.bus.Now()
	if err := d.box.putJob(one); err != nil {
		return onDemandDone{}, err
	}
	if one.do == nil {
		d.waiting.Add(1)
		defer d.waiting.Add(-1)
	}
	select {
	case done := <-one.done:
		return done, done.err
	case <-ctx.Done():
		d.box.takeJob(one) // it may be running already
		return onDemandDone{}, ctx.Err()
	}
}
