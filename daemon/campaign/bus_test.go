package campaign

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
)

// errInjected is the cause of every failure that a fault brings about.
var errInjected = errors.New("injected fault")

// strike is a fault that took effect, and over which bus time.
type strike struct {
	fault    *fault
	at, till bus.Time
}

// faultyBus is the virtual bus with the faults of a scenario. Like any bus it is owned by one goroutine.
type faultyBus struct {
	*bustest.Intercepted
	virtual *virtual.Bus
	array   *chipmodel.Array
	faults  []fault
	hits    []int
	wired   int  // which fault of the wiring is there now, or -1
	remote  bool // it is at the far end of a link
	reboots uint64
	// repaired is called once a fault of the wiring has gone.
	repaired func()

	mu      sync.Mutex
	strikes []strike
}

var _ bus.Bus = (*faultyBus)(nil)

func newFaultyBus(v *virtual.Bus, a *chipmodel.Array, faults []fault) *faultyBus {
	b := &faultyBus{virtual: v, array: a, faults: faults, hits: make([]int, len(faults)), wired: -1}
	b.Intercepted = bustest.Intercept(v, b.run)
	return b
}

// match returns the next fault of some kinds that strikes a segment at a bus time, and counts it; nil when there is
// none.
func (b *faultyBus) match(at bus.Time, s *bus.Segment, kinds ...faultKind) *fault {
	for i := range b.faults {
		f := &b.faults[i]
		struck := slices.Contains(kinds, f.kind) && f.at <= at && at < f.until && b.hits[i] < f.times
		if struck && (!f.demands || s.Job.Task == "") {
			b.hits[i]++
			return f
		}
	}
	return nil
}

// struckSoFar are the faults that have taken effect.
func (b *faultyBus) struckSoFar() []strike {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.strikes)
}

func (b *faultyBus) struck(f *fault, at, till bus.Time) {
	b.mu.Lock()
	b.strikes = append(b.strikes, strike{f, at, till})
	b.mu.Unlock()
}

// struckOnce notes the first time that a fault of the link takes effect.
func (b *faultyBus) struckOnce(f *fault) {
	if !slices.ContainsFunc(b.struckSoFar(), func(s strike) bool { return s.fault == f }) {
		b.struck(f, f.at, f.until)
	}
}

// run runs a segment, or does with it what the faults say.
func (b *faultyBus) run(ctx context.Context, start bus.Time, s *bus.Segment, run bustest.RunFunc) (bus.Result, error) {
	if f := b.match(start, s, driverPanic); f != nil {
		b.struck(f, start, start)
		panic(errInjected)
	}
	b.rewire(start)
	program, at := s.Program, start
	// Segments that were handed over ahead do not wait for each other.
	if f := b.match(start, s, slowBus); f != nil && !b.remote {
		at = at.Add(f.delay)
		program = &bus.Program{Slots: s.Slots, Ops: append(slices.Clip(s.Ops), bus.Op{Kind: bus.OpWait,
			Hold: f.delay / 2, Phase: facetdv1.Phase_PHASE_SETTLE})}
		b.struck(f, start, at.Add(bus.CostOf(b.array, program.Ops).Total()))
	}
	f := b.match(start, s, failBefore, failHalfway, failAfter, scramble)
	if f == nil {
		segment := *s
		segment.Program = program
		res, err := run(ctx, at, &segment)
		if err == nil && len(res.Captures) > 0 && s.Job.Task != "" && b.match(start, s, liar) != nil {
			res.Captures[0].Codes[0] ^= 1
		}
		return res, err
	}
	res, err := b.fail(ctx, f, at, s, program, run)
	b.struck(f, start, res.End)
	return res, err
}

// fail runs as much of a segment as a fault leaves of it.
func (b *faultyBus) fail(ctx context.Context, f *fault, at bus.Time, s *bus.Segment,
	program *bus.Program, run bustest.RunFunc) (bus.Result, error) {
	n := len(program.Ops)
	switch f.kind {
	case failBefore:
		n = 0
	case failHalfway, scramble:
		n = int(f.part * float64(n))
	}
	res := bus.Result{Start: at, End: at}
	err := b.WaitUntil(ctx, at)
	ops := slices.Clip(program.Ops[:n])
	if f.kind == scramble {
		ops = append(ops, b.garbage(rand.New(rand.NewPCG(f.seed, 0)), s.Job.Chips)...)
	}
	if len(ops) > 0 && err == nil {
		ops = append(ops, bus.SelectOp(0)) // what breaks off leaves every line inactive
		segment := *s
		segment.Program = &bus.Program{Ops: ops, Slots: s.Slots}
		res, err = run(ctx, at, &segment)
	}
	return res, errors.Join(fmt.Errorf("%w: %v", errInjected, f.kind), err)
}

// garbage writes anything into the registers of chips, but none of them drives its lane.
func (b *faultyBus) garbage(r *rand.Rand, chips []int) []bus.Op {
	var ops []bus.Op
	command := 1 << 20 // beyond those of the segment
	for _, c := range chips {
		ops = append(ops, bus.SelectOp(b.array.Chips[c].Wires))
		for _, reg := range []facetdv1.Register{
			chipmodel.ColumnPattern, chipmodel.RowPattern, chipmodel.PixelBias, chipmodel.OutputBias, chipmodel.Gain,
			chipmodel.Offset,
		} {
			if b.array.Chips[c].Class.HasRegister(reg) {
				command++
				value := uint16(r.IntN(256))
				if reg == chipmodel.Gain {
					value = uint16(r.IntN(3))
				}
				ops = append(ops, bustest.Write(command, reg, value, c))
			}
		}
	}
	return append(ops, bus.SelectOp(0))
}

// rewire brings about the fault of the wiring that is due at a bus time.
func (b *faultyBus) rewire(at bus.Time) {
	due := slices.IndexFunc(b.faults, func(f fault) bool { return f.kind == wiring && f.at <= at && at < f.until })
	if due == b.wired {
		return
	}
	var lines []*facetdv1.Fault
	if due >= 0 {
		lines = b.faults[due].lines
		b.struck(&b.faults[due], at, b.faults[due].until)
	}
	if err := b.virtual.SetFaults(lines); err != nil {
		panic(err) // of the scenario
	}
	if b.wired = due; due < 0 {
		b.repaired()
	}
}

// rebooted has the registers of every chip hold anything.
func (b *faultyBus) rebooted() {
	v, at := b.virtual, b.array.UpTime(b.virtual.Now())
	job := &bus.Job{Task: "reboot", Number: b.reboots, Release: at, Deadline: at.Add(time.Hour), Segments: 1,
		Chips: b.array.All()}
	b.reboots++
	_, err := bustest.Run(context.Background(), v, at,
		&bus.Segment{Job: job, Program: &bus.Program{Ops: b.garbage(rand.New(rand.NewPCG(b.reboots, 0)), job.Chips)}})
	if err != nil {
		panic(err) // of the scenario
	}
	v.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
	_, _ = v.Release(context.Background()) // it is open
}
