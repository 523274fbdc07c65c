package dispatch

import (
	"context"
	"slices"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/scheduler/autoexposure"
	"facetd.example/scheduler/program"
)

const (
	// stopGrace is how long the running segment may go on after a stop is asked
	// for; then it is given up between two operations.
	stopGrace = 300 * time.Millisecond
	// faultAfter is how many segments may fail one after another before the bus
	// counts as faulty and is not driven any more.
	faultAfter = 5
)

// runner drives the bus. All its state belongs to the goroutine that calls run, so it has no lock: what callers want
// is in the mailbox, what they see on the board.
type runner struct {
	cfg    Config
	log    *zap.Logger
	box    *mailbox
	board  *board
	report reporter
	robot  *robot

	limits  bus.Limits
	flights []*flight  // submitted, with results to come, in order
	spare   []flight   // for the next of the table
	again   []*flight  // of the table, recalled by the bus: to be submitted again before the rest of it
	jobs    []*openJob // of the table, begun and not ended, in order
	// unstopped ends with the runner's hard stop, or with breakOff at a safe stop.
	unstopped context.Context
	breakOff  context.CancelFunc
	idle      wakeable

	away   *bus.LostError // the bus is lost; nil when it is not
	watch  *lossWatch
	ending bool // what is in flight is taken back, and its jobs are accounted for by abandon

	tab *table
	// standing is what a resync brings back: the active timetable or, while its initialization still fails, the
	// first one. It has no one to answer.
	standing  change
	last      bus.Time   // end of the last segment that has ended
	dealt     bus.Time   // what was released before it and has ended is of the table that was active then
	wanted    bus.Time   // since when a change or a restoration of all chips waits; 0 where none does
	passedUp  bus.Time   // since when it waits because the host is behind; 0 where it does not
	waiting   *change    // that waited when that was looked at last
	taken     bus.Time   // end of the last that was submitted, as planned
	handed    []bus.Time // ends of those that were submitted last, as planned, as many as have places; see queue.go
	regs      registers
	recalled  bus.Time // what starts before it could not be handed over, as something else was recalled
	failures  int      // segments failed one after another
	resync    bool     // the registers of all chips are to be brought back
	asked     bool     // by a caller, who knows of none what it holds
	onDemands uint64   // on-demand jobs begun
	// The bus is ready for the programs of the active table, where nothing is known that speaks against it, and, where
	// they are not nil, for these.
	ready       bool
	restoring   []*restoration // the last ones made, in order
	preparedFor *programs      // of a change
	readyOn     *bus.Program   // of an on-demand job
	lag         lagWatch
	halt        halt
	meter       autoexposure.Meter // of what is set automatically
	owed        []*debt            // answers to those who wait for what is under way
}

func newRunner(cfg Config, first change, box *mailbox, b *board, p *parameters, t *triggers) *runner {
	r := &runner{
		cfg: cfg, log: cfg.Logger, box: box, board: b,
		report: reporter{array: cfg.Array, observer: cfg.Observer, inspector: cfg.Inspector, log: cfg.Logger,
			board: b, reach: map[chipmodel.LineSet]int{}},
		limits:   cfg.Bus.Limits(),
		standing: first, tab: newTable(first.unplanned(), placement{}, nil),
		regs: registers{array: cfg.Array, board: b},
	}
	r.tab.parameters, r.tab.triggers, r.tab.pausedAt = p, t, b.pausedAt
	p.setTable(first.plan, r.tab.tasks)
	r.regs.set(program.PowerOn(cfg.Array), nil)
	r.lag.seen.LeastSlack = bus.NoSlack
	b.setLag(r.lag.seen)
	return r
}

// run is Dispatcher.Run.
func (r *runner) run(ctx context.Context) (err error) {
	defer func() {
		if v := recover(); v != nil {
			err = r.panicked(v)
		}
	}()
	err = r.loop(ctx)
	r.box.end(&StoppedError{Reason: "the daemon stopped"}, r.release("the daemon stopped"))
	return err
}

// loop takes step after step until the end.
func (r *runner) loop(ctx context.Context) error {
	hard, cancel := context.WithCancel(context.WithoutCancel(ctx))
	defer cancel()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(stopGrace, cancel) })
	defer stop()

	defer r.watchLoss(hard, cancel)()
	r.board.setState(facetdv1.State_STATE_RUNNING, "")
	if r.box.stopped() != nil { // since before the daemon started
		r.board.setTable(&r.standing, placement{epoch: firstStart, from: firstStart, begin: firstStart})
	} else if err := r.activate(hard, &r.standing, r.cfg.Array.UpTime(firstStart)); err != nil {
		return err
	}
	for ctx.Err() == nil && !r.stopsHere() {
		if err := r.step(ctx, hard); err != nil {
			r.giveUp(err)
			<-ctx.Done()
			return err
		}
	}
	r.board.setState(facetdv1.State_STATE_STOPPING, "")
	r.takeBack(hard)
	return nil
}

// stopsHere reports whether the stop that was configured has come, with no job open.
func (r *runner) stopsHere() bool {
	return r.cfg.StopAt > 0 && len(r.flights)+len(r.again) == 0 && r.tab.reaches(r.cfg.StopAt, r.last)
}

// takeBack takes back what is in flight, and lets what runs come to its end.
func (r *runner) takeBack(hard context.Context) {
	if len(r.flights) == 0 || r.cfg.Bus.Cancel(bustime.Never) != nil {
		return
	}
	r.ending = true
	for len(r.flights) > 0 && hard.Err() == nil && r.next(hard) == nil {
	}
	r.ending = false
}

// giveUp stops driving a bus that failed for good. The daemon may stay up for long: whoever waits is answered, and
// the lines are released, now.
func (r *runner) giveUp(cause error) {
	lines := r.release("the bus failed: " + cause.Error())
	r.board.setState(facetdv1.State_STATE_FAULT, cause.Error())
	r.log.Error("bus given up, every line inactive", zap.Error(cause))
	r.box.end(&StoppedError{Reason: cause.Error()}, lines)
}

// release makes every line inactive, and fails every open job with a cause.
func (r *runner) release(cause string) LineRelease {
	r.tab.triggers.end(&StoppedError{Reason: cause})
	lines, stop := r.releaseLines()
	r.drain()
	r.abandon(cause)
	r.report.released(stop, r.limits)
	return lines
}

// step does the next thing: a change, an on-demand job, a wait, or a segment; or what a safe stop leaves to do.
func (r *runner) step(ctx, hard context.Context) error {
	if r.away != nil {
		r.lossUntilNow() // of which it is known
	}
	resync, lost := r.box.stepBegins()
	if resync {
		r.resync, r.asked = true, true
	}
	if lost != nil {
		r.lose(&bus.LostError{Cause: lost})
		return nil
	}
	if s := r.box.stopped(); s != nil {
		return r.halted(ctx, hard, s)
	}
	if r.away != nil {
		return r.stepAway(ctx, hard)
	}
	if len(r.flights) >= r.limits.Queue ||
		len(r.flights) > 0 && len(r.again) == 0 && r.cfg.StopAt > 0 && r.tab.reaches(r.cfg.StopAt, r.taken) {
		return r.await(ctx, hard, bustime.Forever)
	}
	if r.resync {
		r.refuseHopeless()
	}
	now := r.now()
	quiescentAt, quiescent := r.quiescent(now)
	cause := r.waitsInVain(now, quiescent)
	if cause != "" {
		if len(r.flights) > 0 {
			return r.await(ctx, hard, bustime.Forever)
		}
		quiescentAt, quiescent = r.makeRoom(max(r.soonest(now), r.taken), cause), true
	}
	if quiescent && (r.resync || r.box.hasChange()) && !r.behind(quiescentAt) && (cause != "" || r.suits(quiescentAt)) {
		if c := r.box.takeChange(); c != nil {
			return r.activate(hard, c, quiescentAt)
		}
		if r.tab.plan != r.standing.plan { // the first initialization has failed
			return r.activate(hard, &r.standing, quiescentAt)
		}
		if r.resync {
			return r.restore(hard, quiescentAt)
		}
	}
	if r.tab.idle() {
		begin := r.following(now)
		if one := r.pick(begin, bustime.Forever); one != nil {
			return r.runOnDemand(hard, one, begin, bustime.Forever)
		}
		if len(r.flights) > 0 {
			return r.await(ctx, hard, bustime.Forever)
		}
		return r.waitIdle(ctx)
	}
	return r.stepTable(ctx, hard, now)
}

// quiescent is the next bus time at which a change or a restoration of all chips loses nothing, if there is one before
// the next segment.
func (r *runner) quiescent(now bus.Time) (bus.Time, bool) {
	if len(r.again) > 0 {
		return 0, false
	}
	// Jobs that were given up ahead of time were told: the next table does not have them once more.
	soonest := max(r.soonest(now), r.taken, r.cfg.Array.UpTime(r.dealt))
	at, quiescent := r.tab.quiescent(max(r.taken, r.dealt), soonest)
	if came, waits := r.tab.triggers.earliest(); waits && came < at && r.answersFirst(at) {
		at, quiescent = came, quiescent && came >= r.taken
	}
	if r.remote() && at < soonest { // what was released before still waits
		return 0, false
	}
	return at, quiescent
}

// answersFirst reports whether triggers that wait are answered before a change is made. Those that came before it was
// asked for always are. Others come while it waits, and might hold it up for ever, there being an instant at which none
// waits only by chance: after a while they are answered by the next table.
func (r *runner) answersFirst(at bus.Time) bool {
	c := r.box.nextChange()
	return c == nil || at.Sub(c.asked) < max(suitsWithin, r.tab.triggers.longest())
}

// stepTable does the next thing while there is a table.
func (r *runner) stepTable(ctx, hard context.Context, now bus.Time) error {
	if len(r.again) > 0 {
		begin := max(r.soonest(now), r.taken)
		if p := r.restorationBefore(r.again[0], begin); p != nil {
			return r.restoreChips(hard, p, begin)
		}
		return r.submitAgain(ctx, hard, now)
	}
	r.passOver(r.recalled, noTime)
	entry, at := r.tab.entry()
	begin := r.following(now)
	if !r.remote() {
		begin = now
		if at < now {
			// The host lags: the bus works off its table without waiting, and the gap is
			// still there in bus time.
			begin = r.last
			if r.cfg.MaxLag > 0 { // what begins earlier comes too late for the bus
				begin = max(begin, r.cfg.Array.UpTime(now.Add(-r.cfg.MaxLag/2)))
			}
		}
	}
	if r.resync && r.tab.initializable(begin, r.untilNext()) {
		return r.restore(hard, begin)
	}
	if p := r.restorationAt(begin); p != nil {
		return r.restoreChips(hard, p, begin)
	}
	if !r.resync { // what registers hold is not known before
		until := at
		if r.tab.skipped[entry.Task] {
			_, until = r.tab.upcoming()
		}
		if r.box.hasJobs() {
			until = r.notAfter(until)
		}
		if one := r.pick(begin, until); one != nil {
			return r.runOnDemand(hard, one, begin, until)
		}
	}
	if r.tab.skipped[entry.Task] {
		r.skip(entry, at)
		return nil
	}
	// What was in flight when a bus far away was lost is dealt with until when it was to end, which may still come.
	if due := r.handOver(at); due > now || r.remote() && due > r.cfg.Bus.Now() {
		if len(r.flights) > 0 {
			return r.await(ctx, hard, due)
		}
		if woken, err := r.wait(ctx, due); woken || err != nil {
			return err
		}
	}
	if r.decide(entry, at); r.tab.skipped[entry.Task] { // what is not used is free from now on
		r.skip(entry, at)
		return nil
	}
	if entry.Segment == 0 && r.regs.doubted(r.tab.plan.Tasks[entry.Task].Task.Touches) {
		r.refuse(entry, at)
		return nil
	}
	// Later than planned on a bus that is slower than it says, and while the table catches up behind something else.
	return r.runEntry(hard, entry, max(at, r.taken, placeFrom(r.tab.plan.Queue, r.handed)))
}

// debt is an answer that somebody waits for.
type debt struct{ answer func(error) }

// owe notes an answer to be given: should the runner panic, it is given all the same.
func (r *runner) owe(answer func(error)) *debt {
	d := &debt{answer}
	r.owed = append(r.owed, d)
	return d
}

// paid notes that an answer is given.
func (r *runner) paid(d *debt) {
	r.owed = slices.DeleteFunc(r.owed, func(o *debt) bool { return o == d })
}

// wait blocks until bus time at. It reports true when something else is to be
// looked at first: a request, or the end.
func (r *runner) wait(ctx context.Context, at bus.Time) (bool, error) {
	waitCtx, cancel := r.idle.under(ctx)
	if !r.box.armWake(cancel) {
		return true, nil
	}
	err := r.cfg.Bus.WaitUntil(waitCtx, at)
	r.box.disarmWake()
	if err == nil {
		return false, nil
	}
	if waitCtx.Err() != nil {
		return true, nil
	}
	return true, err
}

// wakeable is the context of waits that are broken off when something comes in. One serves until that happens: most
// waits come to their end, and making one for each costs more than the wait.
type wakeable struct {
	parent, ctx context.Context
	cancel      context.CancelFunc
}

func (w *wakeable) under(parent context.Context) (context.Context, context.CancelFunc) {
	if w.ctx == nil || w.ctx.Err() != nil || w.parent != parent {
		if w.cancel != nil {
			w.cancel()
		}
		w.parent = parent
		w.ctx, w.cancel = context.WithCancel(parent)
	}
	return w.ctx, w.cancel
}

// waitIdle blocks while there is no table: bus time runs on only to a stop that
// was asked for.
func (r *runner) waitIdle(ctx context.Context) error {
	if r.cfg.Held && r.cfg.StopAt == 0 {
		_, err := r.wait(ctx, bustime.Forever)
		return err
	}
	if r.cfg.StopAt > 0 {
		woken, err := r.wait(ctx, r.cfg.StopAt)
		if err == nil && !woken {
			r.used(r.cfg.StopAt, bus.Phases{})
		}
		return err
	}
	waitCtx, cancel := r.idle.under(ctx)
	if r.box.armWake(cancel) {
		<-waitCtx.Done()
		r.box.disarmWake()
	}
	return nil
}

// now is the bus time at which something could begin: the next of the bus's steps, after all that was dealt with.
func (r *runner) now() bus.Time { return max(r.cfg.Array.UpTime(r.cfg.Bus.Now()), r.last) }

// used moves the end of what has been dealt with to at, of which busy was used. What was broken off may have ended
// between two steps of the bus's clock; nothing begins there.
func (r *runner) used(at bus.Time, busy bus.Phases) {
	r.last = max(r.last, r.cfg.Array.UpTime(at))
	r.board.used(r.last, busy)
}
