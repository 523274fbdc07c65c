// Package virtual is the simulated bus: an array of simulated dies under a scene,
// driven by segments of operations in virtual time.
//
// It is an executor with lead 0 and a queue of one, unless it is given other limits, and segments run within Next, on
// the goroutine of the owner. A segment runs at exactly its planned bus time, whatever the host does, and light, noise
// and droop are functions of
// bus time and the seed alone. Hence one program gives the same captures to the byte in both paces and on any machine.
// Of a segment whose pixels nobody is known to want (bus.Segment.Later) the simulation is put off: dies and lanes note
// what was done with them, and do it for whoever looks, to the bit as if at once. What nobody looks at costs a
// twentieth.
// In realtime pace a readout is simulated while its bus time runs, and counts once that has come: a stop, and whatever
// else is set before, undoes it.
//
// In realtime pace bus time is the time since the bus was made, by the host's monotonic clock; in free pace it moves
// only when a segment runs or somebody waits, and in lockstep only as far as the Leash lets it, from operation to
// operation. How far the host's clock was off shows in the uncertainty of HostTime,
// never in the captures.
//
// An inspector judges every operation by the bus rules. It cannot be turned off: what runs here is what will run on
// hardware.
package virtual

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/bus/wake"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/fault"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

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
	// Leash is what holds bus time in lockstep.
	Leash Leash
	// Epoch is what host time bus time 0 stands for, with no uncertainty, in free pace and in lockstep: equal runs then
	// have equal host times. The zero value is when the bus was made.
	Epoch time.Time
	// Seed makes mismatch and noise repeatable.
	Seed uint64
	// GroundTruth is how the array really is, where that differs; nil is as described.
	GroundTruth *groundtruth.Set
	// Defects are pixels that do not work as they should.
	Defects []Defect
	// Ideal makes dies without mismatch, noise, lag and leakage, on lanes that settle fully, in the place of such as
	// there are: what a readout gives then follows from the light and from what was done with the chip alone, which is
	// how two runs that differ in length are compared.
	Ideal bool
	// Sleeper is what realtime pace waits with; the bus closes it. Nil waits by timers of the Go runtime, as tests in
	// testing/synctest must.
	Sleeper wake.Sleeper
	// MaxLag is how far the host may be behind in realtime pace: the bus works off what is handed over late up to that,
	// at its planned bus time, and refuses what comes later. How far the host is behind at the first segment, as it was
	// still coming up, does not count until it has caught up. 0 refuses nothing.
	MaxLag time.Duration
	// Limits are those of another executor, for comparisons with it. What is 0 is as of this bus: lead 0, a queue of
	// one, any number of programs, the array's release limit, no lease as it cannot outlive its host. The grain is
	// the array's.
	Limits bus.Limits
}

// Leash holds bus time.
type Leash interface {
	// Await blocks until bus time may reach at, or ctx ends, with its error. While it blocks it has bus time moved up
	// to where it may go, by reach.
	Await(ctx context.Context, at bus.Time, reach func(bus.Time)) error
}

// Bus is a simulated bus. One goroutine owns it; Now, HostTime, Limits and Lost may be called from any.
type Bus struct {
	cfg         Config
	limits      bus.Limits
	array       *chipmodel.Array
	inspector   *rules.Inspector
	chips       []simulatedChip
	lanes       []simulatedLane
	looking     sync.Mutex // guards dies, lanes and light: those who look later are on other goroutines
	reach       map[chipmodel.LineSet][]int
	volts       []float64 // of one row
	faults      faults
	groundTruth *groundtruth.Set // nil: as described
	real        *chipmodel.Array // what dies and lanes are made of

	word       chipmodel.LineSet
	selectedAt bus.Time // when the word became active, or no line any more
	listening  []int

	programs   map[*bus.Program]*prepared
	generation uint64        // of the programs prepared last
	queue      []flight      // in flight, in order; only the first may have begun
	captures   []bus.Capture // room for those to come

	free    bool          // free, or in lockstep
	leash   Leash         // in lockstep
	epoch   time.Time     // host time of bus time 0
	ahead   time.Duration // realtime: how far simulation may run ahead
	early   early         // realtime: the readout that was simulated before its time has come
	late    bool          // tests: nothing is simulated early
	sleeper wake.Sleeper
	closed  bool

	lights lights
	inputs inputs

	reached bustime.Clock // bus time that has been reached, at least
	lag     atomic.Int64  // realtime: how late the host was lately, in nanoseconds
	behind  allowance     // realtime: what may be handed over late
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
	case cfg.Pace < 0 || cfg.Pace > facetdv1.Pace_PACE_LOCKSTEP:
		return nil, fmt.Errorf("there is no pace %d", cfg.Pace)
	case (cfg.Pace == facetdv1.Pace_PACE_LOCKSTEP) != (cfg.Leash != nil):
		return nil, errors.New("bus time is held in lockstep, and only there")
	}
	if cfg.GroundTruth != nil {
		if err := cfg.GroundTruth.Check(cfg.Array); err != nil {
			return nil, err
		}
	}
	b := &Bus{
		cfg:         cfg,
		limits:      limitsOf(&cfg),
		programs:    map[*bus.Program]*prepared{},
		array:       cfg.Array,
		groundTruth: cfg.GroundTruth,
		faults:      faults{Set: new(fault.Set)},
		real:        cfg.GroundTruth.Real(cfg.Array),
		inspector:   rules.NewInspector(cfg.Array),
		reach:       map[chipmodel.LineSet][]int{},
		free:        cfg.Pace >= facetdv1.Pace_PACE_FREE,
		leash:       cfg.Leash,
		ahead:       min(maxAhead, cfg.Array.Timing.ReleaseLimit),
		lights:      newLights(cfg.Scene),
		sleeper:     cfg.Sleeper,
	}
	if b.sleeper == nil {
		b.sleeper = &wake.Timer{}
	}
	b.makeDies(m)
	if err := b.setDefects(); err != nil {
		return nil, err
	}
	b.deferDies()
	b.epoch = cfg.Epoch
	if cfg.Epoch.IsZero() {
		b.epoch = time.Now()
	}
	return b, nil
}

// limitsOf are the limits of a bus, with those that are not given filled in.
func limitsOf(cfg *Config) bus.Limits {
	l := cfg.Limits
	l.Grain = cfg.Array.Grain()
	l.Queue = max(l.Queue, 1)
	if l.Release == 0 {
		l.Release = cfg.Array.Timing.ReleaseLimit
	}
	return l
}

// Inspector returns the inspector that judges the bus. It belongs to the goroutine
// that owns the bus.
func (b *Bus) Inspector() *rules.Inspector { return b.inspector }

// Now returns the bus time. It may be called while Next runs.
func (b *Bus) Now() bus.Time {
	reached := b.reached.Now()
	if b.free {
		return reached
	}
	return max(reached, b.hostNow())
}

// hostNow is the bus time by the host's clock.
func (b *Bus) hostNow() bus.Time { return bus.Time(time.Since(b.epoch)) }

// HostTime maps bus time to host time, which has the monotonic reading of this process's clock wherever that has one:
// its wall clock is as it was when the bus began. In realtime pace the uncertainty is how late the host was lately; in
// free pace and in lockstep it is how far bus time and the host's clock are apart now, but for a fixed Config.Epoch.
func (b *Bus) HostTime(at bus.Time) (time.Time, time.Duration) {
	host := b.epoch.Add(at.Elapsed()) // UTC() would take its monotonic reading away
	switch {
	case !b.cfg.Epoch.IsZero():
		return host, 0
	case b.free:
		return host, (time.Since(b.epoch) - b.reached.Now().Elapsed()).Abs()
	}
	return host, time.Duration(b.lag.Load())
}

// WaitUntil blocks until bus time at or until ctx ends.
func (b *Bus) WaitUntil(ctx context.Context, at bus.Time) error {
	if b.closed {
		return bus.ErrClosed
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if !b.free {
		return b.sleep(ctx, at)
	}
	if b.leash != nil {
		if err := b.leash.Await(ctx, at, b.reached.Reach); err != nil {
			return err
		}
	}
	b.reached.Reach(at)
	return nil
}

// sleep blocks until the host's clock has reached bus time at.
func (b *Bus) sleep(ctx context.Context, at bus.Time) error {
	if at.Elapsed() <= time.Since(b.epoch) {
		return ctx.Err()
	}
	return b.sleeper.Sleep(ctx, b.epoch.Add(at.Elapsed()))
}

// inactive makes every line inactive at bus time at.
func (b *Bus) inactive(at bus.Time) {
	b.word, b.selectedAt, b.listening = 0, at, b.reachOf(0)
	b.contend(at)
	b.inspector.Released(at, at)
	b.reached.Reach(at)
}

// Close releases every line and ends the bus.
func (b *Bus) Close() error {
	if b.closed {
		return bus.ErrClosed
	}
	b.release()
	b.closed = true
	return b.sleeper.Close()
}
