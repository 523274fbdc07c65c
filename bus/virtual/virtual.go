// Package virtual is the simulated bus: an array of simulated dies under a scene,
// driven by segments of operations in virtual time.
//
// A segment runs at exactly its planned bus time, whatever the host does, and light, noise and droop are functions of
// bus time and the seed alone. Hence one program gives the same captures to the byte in both paces and on any machine.
// In realtime pace bus time is the time since the bus was made, by the host's monotonic clock; in free pace it moves
// only when a segment runs or somebody waits. How far the host's clock was off shows in the uncertainty of HostTime,
// never in the captures.
//
// An inspector judges every operation by the bus rules. It cannot be turned off: what runs here is what will run on
// hardware.
package virtual

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync/atomic"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// ErrClosed is the error of a bus that was closed. There is nothing to retry.
var ErrClosed = errors.New("the bus is closed")

// maxAhead is how far the simulation of a segment may run ahead of the host's clock in realtime pace: waking up for
// every operation would cost more than simulating it. It is at most the release limit, within which a stop must take
// effect.
const maxAhead = time.Millisecond

// Config is what a virtual bus needs.
type Config struct {
	// Array to simulate; it must have classes and lanes.
	Array *chipmodel.Array
	// Scene is the light around the array.
	Scene scene.Scene
	// Pace of bus time; unset is realtime.
	Pace facetdv1.Pace
	// Seed makes mismatch and noise repeatable.
	Seed uint64
	// GroundTruth is how the array really is, where that differs; nil is as described.
	GroundTruth *GroundTruth
	// Defects are pixels that do not work as they should.
	Defects []Defect
	// Ideal makes dies without mismatch, noise, lag and leakage, on lanes that settle fully, in the place of such as
	// there are: what a readout gives then follows from the light and from what was done with the chip alone, which is
	// how two runs that differ in length are compared.
	Ideal bool
}

// Bus is a simulated bus. One goroutine owns it; Now and HostTime may be called
// from any.
type Bus struct {
	cfg         Config
	array       *chipmodel.Array
	inspector   *rules.Inspector
	chips       []simulatedChip
	lanes       []simulatedLane
	reach       map[chipmodel.LineSet][]int
	volts       []float64 // of one row
	faults      faults
	groundTruth *GroundTruth     // nil: as described
	real        *chipmodel.Array // what dies and lanes are made of

	word      chipmodel.LineSet
	listening []int

	free   bool
	epoch  time.Time     // host time of bus time 0
	ahead  time.Duration // realtime: how far simulation may run ahead
	timer  *time.Timer
	closed bool

	reached bustime.Clock // bus time that has been reached, at least
	lag     atomic.Int64  // realtime: how late the host was lately, in nanoseconds
}

var _ bus.BusCloser = (*Bus)(nil)

// New switches an array on: every register at its power-on value, every line inactive, bus time 0 now. Errors say what
// is missing or cannot be simulated.
func New(cfg Config) (*Bus, error) {
	if cfg.Ideal {
		return newBus(cfg, ideal)
	}
	return newBus(cfg, simulated)
}

func newBus(cfg Config, m makers) (*Bus, error) {
	switch {
	case cfg.Array == nil || cfg.Array.WiringOnly:
		return nil, errors.New("a virtual bus needs an array with classes and lanes")
	case cfg.Scene == nil:
		return nil, errors.New("a virtual bus needs a scene")
	case cfg.Pace != facetdv1.Pace_PACE_UNSPECIFIED && cfg.Pace != facetdv1.Pace_PACE_REALTIME &&
		cfg.Pace != facetdv1.Pace_PACE_FREE:
		return nil, fmt.Errorf("there is no pace %d", cfg.Pace)
	}
	if cfg.GroundTruth != nil {
		if err := cfg.GroundTruth.check(cfg.Array); err != nil {
			return nil, err
		}
	}
	b := &Bus{
		cfg:         cfg,
		array:       cfg.Array,
		groundTruth: cfg.GroundTruth,
		real:        cfg.GroundTruth.array(cfg.Array),
		inspector:   rules.NewInspector(cfg.Array),
		reach:       map[chipmodel.LineSet][]int{},
		free:        cfg.Pace == facetdv1.Pace_PACE_FREE,
		ahead:       min(maxAhead, cfg.Array.Timing.ReleaseLimit),
	}
	if err := b.makeDies(m); err != nil {
		return nil, err
	}
	if err := b.setDefects(); err != nil {
		return nil, err
	}
	b.epoch = time.Now()
	return b, nil
}

// SetScene replaces the light from now on. Like Run it may be called only on the goroutine that owns the bus.
func (b *Bus) SetScene(s scene.Scene) { b.cfg.Scene = s }

// SetTemperatureOffset makes every die warmer than its class says by some kelvin, from now on. Like Run it is for the
// goroutine that owns the bus. Errors: invalid.Errors when a die would leave 150 to 500 K, and then nothing has
// changed.
func (b *Bus) SetTemperatureOffset(kelvin float64) error {
	var m invalid.Errors
	for i := range b.real.Chips {
		class := b.real.Chips[i].Class
		if k := class.Spec.GetTemperatureK() + kelvin; !(k >= 150 && k <= 500) {
			m.Add("temperature_offset_k", fmt.Sprintf("chips of class %s would have %g K", class.Name, k),
				"dies are simulated from 150 to 500 K")
			break
		}
	}
	if len(m) > 0 {
		return m
	}
	for i := range b.chips {
		b.chips[i].die.SetKelvin(b.real.Chips[i].Class.Spec.GetTemperatureK() + kelvin)
	}
	return nil
}

// Inspector returns the inspector that judges the bus. It belongs to the goroutine
// that owns the bus.
func (b *Bus) Inspector() *rules.Inspector { return b.inspector }

// Now returns the bus time. It may be called while Run runs.
func (b *Bus) Now() bus.Time {
	reached := b.reached.Now()
	if b.free {
		return reached
	}
	return max(reached, b.hostNow())
}

// hostNow is the bus time by the host's clock.
func (b *Bus) hostNow() bus.Time { return bus.Time(time.Since(b.epoch)) }

// HostTime maps bus time to host time. In realtime pace the uncertainty is how late
// the host was lately, and by how much its clock was set since the bus began; in
// free pace it is how far bus time and the host's clock are apart now.
func (b *Bus) HostTime(at bus.Time) (time.Time, time.Duration) {
	host := b.epoch.Add(at.Elapsed()).UTC()
	now := time.Now()
	elapsed := now.Sub(b.epoch)
	if b.free {
		return host, (elapsed - b.reached.Now().Elapsed()).Abs()
	}
	stepped := now.Round(0).Sub(b.epoch.Round(0)) - elapsed
	return host, time.Duration(b.lag.Load()) + stepped.Abs()
}

// WaitUntil blocks until bus time at or until ctx ends.
func (b *Bus) WaitUntil(ctx context.Context, at bus.Time) error {
	if b.closed {
		return ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if !b.free {
		return b.sleep(ctx, at)
	}
	b.reached.Reach(at)
	return nil
}

// sleep blocks until the host's clock has reached bus time at.
func (b *Bus) sleep(ctx context.Context, at bus.Time) error {
	wait := at.Elapsed() - time.Since(b.epoch)
	if wait <= 0 {
		return ctx.Err()
	}
	if b.timer == nil {
		b.timer = time.NewTimer(wait)
	} else {
		b.timer.Reset(wait)
	}
	select {
	case <-b.timer.C:
		return nil
	case <-ctx.Done():
		b.timer.Stop()
		return ctx.Err()
	}
}

// Release makes every select line inactive at once.
func (b *Bus) Release() bus.Time {
	at := b.array.UpTime(b.Now())
	b.inactive(at)
	return at
}

// inactive makes every line inactive at bus time at.
func (b *Bus) inactive(at bus.Time) {
	b.word, b.listening = 0, b.reachOf(0)
	b.contend(at)
	b.inspector.Released(at, at)
	b.reached.Reach(at)
}

// Close releases every line and ends the bus.
func (b *Bus) Close() error {
	if b.closed {
		return ErrClosed
	}
	b.Release()
	b.closed = true
	return nil
}

// Run executes one segment at exactly bus time start. In realtime pace it returns
// when the host's clock has reached the segment's end.
//
// A rule violation ends the segment after the operation that caused it, whose captures are left out; every line is then
// inactive. When ctx ends, the operation that runs is given up: it has no effect, except that a chip which was being
// loaded or reset must be loaded or reset again. Operations that could never run are an error before anything has
// happened.
func (b *Bus) Run(ctx context.Context, start bus.Time, s *bus.Segment) (bus.Result, error) {
	if b.closed {
		return bus.Result{}, ErrClosed
	}
	if err := bus.CheckOps(b.array, s.Ops); err != nil {
		return bus.Result{}, fmt.Errorf("segment %d cannot run: %w", s.Index, err)
	}
	if err := b.WaitUntil(ctx, start); err != nil {
		return bus.Result{}, err
	}
	before := b.inspector.Broken()
	b.inspector.BeginSegment(s, start, start)
	res := bus.Result{Start: start, End: start}
	if b.inspector.Broken() != before {
		return res, b.violated(&res, max(start, b.Now()))
	}
	res.Captures = make([]bus.Capture, 0, captures(s.Ops))
	for i := range s.Ops {
		op := &s.Ops[i]
		cost := bus.Cost(b.array, op)
		end := res.End.Add(cost.Total())
		if at, err := b.pace(ctx, res.End, end); err != nil {
			return res, b.giveUp(&res, op, cost, at, err)
		}
		n := len(res.Captures)
		b.do(op, res.End, &res)
		b.inspector.Op(op, res.End, end, res.Captures[n:])
		res.End = end
		res.Busy.Add(cost)
		if b.inspector.Broken() != before {
			res.Captures = res.Captures[:n]
			return res, b.violated(&res, end)
		}
	}
	b.inspector.EndSegment(res.End)
	b.reached.Reach(res.End)
	if b.inspector.Broken() != before {
		return res, b.violated(&res, res.End)
	}
	b.catchUp(res.End)
	if b.free {
		// In free pace this goroutine never waits. On a single processor all others would run only when the Go
		// scheduler preempts it, every 10 ms, and an answer to a client takes several turns.
		runtime.Gosched()
	}
	return res, nil
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

// pace lets the host's clock follow before an operation that runs from from to end
// is simulated. An error means that ctx has ended, at bus time at.
func (b *Bus) pace(ctx context.Context, from, end bus.Time) (at bus.Time, err error) {
	if b.free || end.Elapsed()-time.Since(b.epoch) <= b.ahead {
		return from, ctx.Err()
	}
	if err := b.sleep(ctx, end); err != nil {
		return min(max(from, b.hostNow()), end), err
	}
	return end, nil
}

// catchUp waits until the host's clock has reached the end of a segment, and notes how late it was. The wait cannot be
// broken off, as the segment is already done; it is at most the time that the simulation may run ahead.
func (b *Bus) catchUp(end bus.Time) {
	if b.free {
		return
	}
	_ = b.sleep(context.Background(), end)
	late := int64(b.hostNow().Sub(end))
	old := b.lag.Load()
	b.lag.Store(max(late, old-old/8))
}

// giveUp ends a segment at bus time at, which is in the middle of the operation when it lies after its start.
func (b *Bus) giveUp(res *bus.Result, op *bus.Op, cost bus.Phases, at bus.Time, cause error) error {
	if at == res.End {
		op = nil
	}
	left := at.Sub(res.End)
	for phase, d := range cost {
		d = min(d, left)
		res.Busy[phase] += d
		left -= d
	}
	res.End = at
	if op != nil && op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load {
		for _, c := range b.listening {
			b.chips[c].loaded = false
		}
	}
	b.inspector.GiveUp(op, at)
	b.inactive(at)
	return cause
}

// violated releases every line at bus time at and says which rules were violated.
func (b *Bus) violated(res *bus.Result, at bus.Time) error {
	b.inspector.GiveUp(nil, res.End)
	b.inactive(at)
	return &rules.ViolationError{Violations: slices.Clip(b.inspector.Take())}
}
