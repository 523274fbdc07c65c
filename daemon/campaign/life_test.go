package campaign

import (
	"context"
	"errors"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge/linetest"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
	"facetd.example/daemon/retry"
	"facetd.example/daemon/stream"
)

// life is the daemon's parts from a start to an end. A run has two of them where the first ends in a panic or with
// the bus given up: the second stands for the process that a supervisor starts again.
type life struct {
	s         *scenario
	tasks     []*facetdv1.Task // from the start
	faults    []fault          // of it
	bus       *faultyBus       // nearest to the dies; of a device it says only which faults there are
	line      *linetest.Line   // to a device; nil where there is none
	driven    *driven          // nearest to the host
	disk      *disk
	inspector *rules.Inspector
	hub       *stream.Hub
	ledger    *ledger
	journal   *events.Journal
	noted     *events.Observer
	manager   *record.Manager
	maps      *calibration.Service
	disp      *dispatch.Dispatcher
	dir       string

	born  time.Time
	stop  context.CancelFunc
	ctx   context.Context // of callers
	leave context.CancelFunc
	ended chan error // of the dispatcher
	calls sync.WaitGroup
	// changing is held by whoever asks for a change.
	changing chan struct{}
	asking   atomic.Int64 // changes that are not answered

	mu       sync.Mutex
	readers  []*reader
	recorded []*recorded
	demanded []demanded
	changed  []answeredChange
	sets     []*set
	stops    []*stopped
	triggers []*triggered
	once     retry.Book // of requests that are sent again
	made     []*made
	captured atomic.Int64 // for correction maps
	// Counted as they are judged.
	sharedPaused, hidden int

	// Once it has ended.
	cause  error
	final  dispatch.Snapshot
	stats  stream.Stats
	events []*facetdv1.Event
	// finish is the bus time at which the dispatcher was asked to stop.
	finish bus.Time
}

// demanded is what became of a demand.
type demanded struct {
	demand *demand
	set    *facetdv1.FrameSet
	err    error
}

// light is what the array looks at: it differs from place to place and, where it does not stand still, from time to
// time.
type light struct{ still bool }

// light of a scenario stands still where a board begins anew: its chips know the time by its clock alone, which then
// does, and not by the bus time that goes on.
func (s *scenario) light() light {
	return light{s.boarded && slices.ContainsFunc(s.faults, func(f fault) bool { return f.kind == reboot })}
}

func (light) Name() string { return "spots" }

func (l light) Row(dst []float64, v *scene.View, row int, at bustime.Time) {
	key := uint64(at)/50_000 + uint64(row)*0x9e3779b97f4a7c15 + look(v)<<20
	if l.still {
		key = uint64(row)*0x9e3779b97f4a7c15 + look(v)<<20
	}
	for i := range dst {
		key = key*0xd1342543de82ef95 + 0x2545f4914f6cdd1d
		dst[i] = float64(10 + key>>55)
	}
}

// look is a number for where a chip looks.
func look(v *scene.View) uint64 {
	ray := v.Camera().Pixel(0, 0).Ray
	return uint64(1e6 * (2 + ray[0] + 0.4*ray[1]))
}

// maxLag is how far the host may be behind, as by default.
const maxLag = 100 * time.Millisecond

// newBus is the bus of a scenario, switched on now.
func (s *scenario) newBus(pace facetdv1.Pace) *virtual.Bus {
	b, err := virtual.New(virtual.Config{Array: s.array, Scene: s.light(), Pace: pace, Seed: s.seed, Ideal: true,
		MaxLag: maxLag})
	if err != nil {
		panic(err) // of the scenario
	}
	return b
}

// newLife starts the parts, with their folder in dir. latched is a safe stop from the life before.
func newLife(s *scenario, dir string, tasks []*facetdv1.Task, faults []fault, latched *dispatch.SafeStop) (*life,
	error) {
	l := &life{s: s, tasks: tasks, faults: faults, dir: dir, hub: stream.NewHub(), ledger: &ledger{}, born: time.Now(),
		ended: make(chan error, 1), changing: make(chan struct{}, 1)}
	inspector, err := l.connect()
	if err != nil {
		return nil, err
	}
	l.inspector = inspector
	l.disk = newDisk(l.driven.Now, faults)
	if l.journal, err = events.Open(events.Config{Dir: filepath.Join(dir, "events"), FileBytes: 4000,
		Events: func(e *facetdv1.Event) { l.events = append(l.events, e) }, // under the journal's lock
		Disk:   func(f events.File) events.File { return journalFile{f, l.disk} }}); err != nil {
		return nil, err
	}
	l.noted = events.NewObserver(l.journal, l.driven.HostTime)
	if l.manager, err = record.NewManager(record.Config{
		Dir: filepath.Join(dir, "recordings"), Array: s.array, HostTime: l.driven.HostTime, Now: l.driven.Now,
		KeepFree: 1,
		Events:   l.journal.Sink(), QueueLength: 8, Logger: zap.NewNop(),
		Disk: func(f record.File) record.File { return &recordingFile{File: f, disk: l.disk} },
	}); err != nil {
		return nil, errors.Join(err, l.journal.Close("it did not start"))
	}
	if l.disp, err = dispatch.New(dispatch.Config{
		Array: s.array, Bus: l.driven, Inspector: inspector, Logger: zap.NewNop(), Tasks: tasks,
		Observer: observers{l.ledger, streams{l.hub}, l.noted, l.manager}, MaxLag: maxLag, Stopped: latched,
		Behind: func(b dispatch.Behind) { l.ledger.Behind(b); l.noted.Behind(b) },
	}); err != nil {
		l.disconnect()
		return nil, errors.Join(err, l.manager.Close(context.Background()), l.journal.Close("it did not start"))
	}
	if err = l.openMaps(); err != nil {
		return nil, errors.Join(err, l.manager.Close(context.Background()), l.journal.Close("it did not start"))
	}
	l.bus.repaired, l.ledger.snapshot = l.disp.Resync, l.disp.Snapshot
	var ctx context.Context
	ctx, l.stop = context.WithCancel(context.Background())
	l.ctx, l.leave = context.WithCancel(context.Background())
	go func() { l.ended <- l.disp.Run(ctx) }()
	return l, nil
}

// connect makes the bus, in this process or at the far end of a link.
func (l *life) connect() (*rules.Inspector, error) {
	s := l.s
	if s.remote == nil {
		v := s.newBus(facetdv1.Pace_PACE_REALTIME)
		l.bus = newFaultyBus(v, s.array, l.faults)
		l.driven = &driven{BusCloser: l.bus, faulty: l.bus, ledger: l.ledger}
		return v.Inspector(), nil
	}
	v := s.newBus(facetdv1.Pace_PACE_FREE)
	l.bus = newFaultyBus(v, s.array, l.faults)
	l.bus.remote = true
	if s.device != nil {
		return l.connectDevice()
	}
	cfg := *s.remote
	cfg.Array, cfg.Dies, cfg.Rebooted = s.array, l.bus, l.bus.rebooted
	cfg.Link, cfg.Reboots = l.linkFaults()
	l.driven = &driven{BusCloser: bustest.NewRemote(cfg), faulty: l.bus, ledger: l.ledger, remote: true}
	return v.Inspector(), nil
}

// linkFaults are those of the link to what is far away, and when it begins anew. They are counted from now on.
func (l *life) linkFaults() (out []bustest.LinkFault, reboots []time.Duration) {
	for i := range l.faults {
		f := &l.faults[i]
		from, until := f.at.Elapsed(), f.until.Elapsed()
		struck := func() { l.bus.struckOnce(f) }
		switch f.kind {
		case linkLoses:
			out = append(out, bustest.LinkFault{From: from, Until: until, Lose: 0.1 + 0.6*f.part, Struck: struck})
		case linkDoubles:
			out = append(out, bustest.LinkFault{From: from, Until: until, Double: 0.1 + 0.8*f.part, Struck: struck})
		case linkDelays:
			out = append(out, bustest.LinkFault{From: from, Until: until, Delay: f.delay, Struck: struck})
		case linkCut:
			out = append(out, bustest.LinkFault{From: from, Until: until, Lose: 1, Struck: struck})
		case reboot:
			reboots = append(reboots, from)
			time.AfterFunc(from, struck)
		}
	}
	return out, reboots
}

// streams publishes every frame set.
type streams struct{ hub *stream.Hub }

func (streams) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (s streams) JobEnded(fs *facetdv1.FrameSet)                   { s.hub.Publish(fs) }
func (streams) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time)     {}

// callers starts everybody who wants something of it.
func (l *life) callers() {
	for i := range l.s.changes {
		c := &l.s.changes[i]
		l.call(c.at, func() { l.change(c) })
	}
	for i := range l.s.crowds {
		c := &l.s.crowds[i]
		for k := range c.changes {
			x := &c.changes[k]
			l.call(c.at+x.at, func() {
				ctx, cancel := x.within(l.ctx)
				defer cancel()
				l.changeAmongOthers(ctx, x)
			})
		}
	}
	for i := range l.s.demands {
		d := &l.s.demands[i]
		l.call(d.at, func() {
			set, err := d.do(l.ctx, l.disp)
			l.mu.Lock()
			l.demanded = append(l.demanded, demanded{d, set, err})
			l.mu.Unlock()
		})
	}
	for i := range l.s.settings {
		x := &l.s.settings[i]
		l.call(x.at, func() { l.set(x) })
	}
	l.triggerAll()
	l.call(0, l.calibrate)
	for i := range l.s.stops {
		x := &l.s.stops[i]
		l.call(x.at, func() { l.halt(x, i) })
	}
	for i := range l.s.subscribers {
		sub := &l.s.subscribers[i]
		l.call(sub.from, func() { l.read(sub) })
	}
	for i := range l.s.recordings {
		rec := &l.s.recordings[i]
		l.call(rec.from, func() { l.record(rec, i) })
	}
}

// call runs f some time after the start, unless callers have left by then.
func (l *life) call(at time.Duration, f func()) {
	l.calls.Go(func() {
		if l.wait(at - time.Since(l.born)) {
			f()
		}
	})
}

// wait waits, and reports false when callers are to leave.
func (l *life) wait(d time.Duration) bool {
	select {
	case <-time.After(d):
		return true
	case <-l.ctx.Done():
		return false
	}
}

// end takes it down in the daemon's order, and keeps what is known then.
func (l *life) end() {
	l.finish = l.driven.Now()
	l.stop()
	if l.cause == nil {
		l.cause = <-l.ended
	}
	_ = l.manager.Close(context.Background()) // its context does not end
	l.noted.Flush()
	_ = l.journal.Close("the run ended") // what the disk refused is counted
	l.hub.Close("the run ended")
	time.Sleep(breath) // whoever was answered has the answer
	l.leave()
	l.calls.Wait()
	l.once.Close()
	l.final, l.stats = l.disp.Snapshot(), l.hub.Stats()
	l.disconnect()
}

// disconnect ends the bus.
func (l *life) disconnect() {
	_ = l.driven.Close() // it was open
	if l.line != nil {
		l.line.Close()
	}
}

// given reports whether the dispatcher has ended by itself, or given the bus up.
func (l *life) over() bool {
	select {
	case err := <-l.ended:
		l.cause = errors.Join(err, errors.New("it ended by itself"))
		return true
	default:
	}
	return l.disp.Snapshot().State == facetdv1.State_STATE_FAULT
}
