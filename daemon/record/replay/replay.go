// Package replay plays a recording back so that the daemon's clients cannot tell the difference:
// the same frame sets, plans and rule violations go to the same observers, and so through the same
// streams, metrics and journal.
//
// It stands in the dispatcher's place and not in the bus's. A recording holds what came
// of the bus, frame sets and timetables, and not the operations: a bus that pretended
// to run the operations would have to invent their times and captures, the planner
// would judge something that never was, and corrections would be made twice. Here
// nothing is invented.
//
// What is missing in a replay: segments (Observer.SegmentRun is not called, so counts
// of select words stay at zero; the fractions of bus time come from the recorded status),
// and everything that acts on the array: it is refused.
package replay

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/record"
)

const (
	// MaxSpeed limits how much faster than it happened a recording is played.
	MaxSpeed = 1000
	// MaxSteps limits how many frame sets one call of Step plays.
	MaxSteps = 100_000
)

// possible reports whether a recording can be played at a speed; NaN is not one.
func possible(speed float64) bool { return speed >= 0 && speed <= MaxSpeed }

func speedError(speed float64) error {
	return fmt.Errorf("a speed of %v is not possible; use 0 (as fast as possible) to %d", speed, MaxSpeed)
}

// Config of a player.
type Config struct {
	// Files are the parts of one recording, in order.
	Files []string
	// Observer is notified of what the recording holds, on the goroutine of Run.
	Observer dispatch.Observer
	// Events, where set, is given those recorded events that an observer does not make
	// again of what it is told (not tasks, misses, failures, rules), and those of the
	// replay itself (EVENT_KIND_REPLAY), on the goroutine of Run.
	Events events.Sink
	// Speed is 1 for the pace at which it happened, more for faster, up to MaxSpeed; 0
	// plays as fast as the machine can.
	Speed float64
	// Loop starts over at the end. Bus times, host times and job numbers go on rising from turn to
	// turn.
	Loop bool
	// Stepped waits for Step from the start.
	Stepped bool
	Logger  *zap.Logger
}

// RefusedError says that something cannot be done because a recording is played. The
// caller must go to a daemon with an array.
type RefusedError struct{ What string }

func (e *RefusedError) Error() string {
	return e.What + " is not possible: this daemon plays a recording, and there is no array behind it"
}

func (e *RefusedError) Unwrap() error {
	return &failure.Precondition{Kind: failure.Replay, Subject: "recording"}
}

// Player plays a recording. Run drives it; its other methods may be called from any
// goroutine.
type Player struct {
	cfg   Config
	tape  *tape
	log   *zap.Logger
	array *facetdv1.Array

	wake chan struct{} // holds one token when Run should look at the controls

	mu sync.Mutex
	controls
	state state
}

// controls are the requests to Run.
type controls struct {
	speed   float64
	stepped bool
	steps   int   // frame sets still to be played while stepped
	seek    int64 // bus time to jump to; -1 is none
	waiting []chan struct{}
	ended   bool            // whether everything was played
	over    bool            // whether Run has returned
	watch   []chan struct{} // closed when Run looks at the controls
}

var _ dispatch.Service = (*Player)(nil)

// New opens the files. Close it when done. Errors: those of record.Open, *GapError when
// the files are not the parts of one recording, ErrEmpty when there is nothing to play.
func New(cfg Config) (*Player, error) {
	if !possible(cfg.Speed) {
		return nil, speedError(cfg.Speed)
	}
	if cfg.Logger == nil {
		cfg.Logger = zap.NewNop()
	}
	t, err := openTape(cfg.Files)
	if err != nil {
		return nil, err
	}
	if cfg.Loop && len(t.jobs) == 0 {
		return nil, errors.Join(ErrEmpty, t.close())
	}
	p := &Player{cfg: cfg, tape: t, log: cfg.Logger, array: t.array, wake: make(chan struct{}, 1)}
	p.controls = controls{speed: cfg.Speed, stepped: cfg.Stepped, seek: -1}
	p.state = state{phase: facetdv1.State_STATE_STARTING, now: bus.Time(t.firstNS)}
	return p, nil
}

// Array is the array that was recorded.
func (p *Player) Array() *facetdv1.Array { return p.array }

// Span is the bus time of the first and last thing recorded, in nanoseconds.
func (p *Player) Span() (firstNS, lastNS int64) { return p.tape.firstNS, p.tape.lastNS }

// Close releases the files. Run must have ended.
func (p *Player) Close() error { return p.tape.close() }

// Run plays until the end, or for ever with Loop, or until ctx ends; it returns nil
// then, and otherwise what is wrong with a file. After the end it waits for ctx, and
// for a Seek, with the last state kept.
func (p *Player) Run(ctx context.Context) error {
	p.update(func(s *state) { s.phase = facetdv1.State_STATE_RUNNING })
	defer p.end()
	turn, turns := turn{}, turnCount{told: time.Now()}
	from := p.tape.firstNS
	p.note("the replay begins", from, 1)
	for {
		p.announce(from, turn)
		err := p.play(ctx, from, turn)
		var jump *jumpError
		switch {
		case errors.As(err, &jump):
			from = jump.toNS
			p.note("the replay jumps", from+turn.shiftNS, 1)
			continue
		case ctx.Err() != nil:
			return nil
		case err != nil:
			return p.fault(err)
		}
		if p.cfg.Loop {
			turn = p.nextTurn(turn)
			from = p.tape.firstNS
			if n := turns.another(); n > 0 {
				p.note("the replay starts over", from+turn.shiftNS, n)
			}
			continue
		}
		p.note("the replay has reached its end", p.Now().NS(), 1)
		to, ok := p.waitAtEnd(ctx)
		if !ok {
			return nil
		}
		from = to
		p.note("the replay jumps", from+turn.shiftNS, 1)
	}
}

// turnCount counts turns, of which some are told: a short recording that is played as
// fast as the machine can must not fill the journal.
type turnCount struct {
	told time.Time
	more uint64
}

// another counts a turn, and returns how many are to be told of now, at most once a
// second.
func (c *turnCount) another() uint64 {
	c.more++
	if time.Since(c.told) < time.Second {
		return 0
	}
	n := c.more
	c.told, c.more = time.Now(), 0
	return n
}

// note tells of the replay itself.
func (p *Player) note(text string, busNS int64, count uint64) {
	p.log.Info(text, zap.Int64("bus_ns", busNS), zap.Uint64("times", count))
	p.cfg.Events.Send(&facetdv1.Event{
		Kind: facetdv1.EventKind_EVENT_KIND_REPLAY, Severity: facetdv1.Severity_SEVERITY_INFO,
		Time: timestamppb.Now(), BusNs: &busNS, Text: text, Count: count,
	})
}

// jumpError ends a turn because of SeekTo.
type jumpError struct{ toNS int64 }

func (*jumpError) Error() string { return "a jump" }

// announce tells about the active timetable at a bus time, as a dispatcher does when
// it comes up.
func (p *Player) announce(atNS int64, t turn) {
	p.update(func(s *state) { s.now, s.shift = bus.Time(atNS+t.shiftNS), time.Duration(t.shiftNS) })
	if change := p.tape.planAt(atNS); change != nil {
		p.planChanged(change, t.shiftNS, true)
	}
}

func (p *Player) planChanged(change *facetdv1.PlanChange, shiftNS int64, anew bool) {
	at, epoch := bus.Time(change.GetEffectiveBusNs()+shiftNS), bus.Time(change.GetEpochBusNs()+shiftNS)
	p.update(func(s *state) { s.planChanged(change.GetPlan(), at, epoch, anew) })
	p.cfg.Observer.PlanChanged(change.GetPlan(), at, epoch)
}

// play plays one turn from a bus time on.
func (p *Player) play(ctx context.Context, fromNS int64, t turn) error {
	pacing := newPacer(fromNS)
	for e, err := range p.tape.from(fromNS) {
		if err != nil {
			return err
		}
		at, is := busTime(&e)
		if !is || at < fromNS {
			continue
		}
		// The timetable at the start has been announced; parts repeat it.
		if e.Plan != nil && !p.isNew(e.Plan, t) {
			continue
		}
		// Frame sets and timetables set the pace. A status may be some milliseconds
		// ahead of what the recorder had still to write when it was asked for.
		if e.Frames != nil || e.Plan != nil {
			if err := p.wait(ctx, pacing, at, e.Frames != nil); err != nil {
				return err
			}
			p.update(func(s *state) { s.now = max(s.now, bus.Time(at+t.shiftNS)) })
		}
		p.deliver(&e, t)
	}
	return nil
}

// isNew reports whether a recorded plan is another than the active one.
func (p *Player) isNew(c *facetdv1.PlanChange, t turn) bool {
	p.mu.Lock()
	defer p.mu.Unlock()
	return !p.state.announced || p.state.effective < bus.Time(c.GetEffectiveBusNs()+t.shiftNS)
}

func (p *Player) deliver(e *record.Entry, t turn) {
	switch {
	case e.Frames != nil:
		fs := t.shift(e.Frames)
		p.update(func(s *state) { fs = s.jobEnded(fs) })
		p.cfg.Observer.JobEnded(fs)
	case e.Plan != nil:
		p.planChanged(e.Plan, t.shiftNS, false)
	case e.Event != nil:
		if v, is := violation(e.Event, t.shiftNS); is {
			p.update(func(s *state) { s.violated(v) })
			p.cfg.Observer.Violated(v)
		} else if !derived(e.Event.GetKind()) {
			p.cfg.Events.Send(t.shiftEvent(e.Event))
		}
	case e.Status != nil:
		p.update(func(s *state) { s.status = e.Status })
	}
}

// wait blocks until it is time for something of a bus time, or the controls say
// otherwise. A frame set takes a step.
func (p *Player) wait(ctx context.Context, pacing *pacer, at int64, frames bool) error {
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		p.mu.Lock()
		p.answerWatchers()
		seek := p.seek
		p.seek = -1
		speed, held := p.speed, p.stepped && p.steps == 0 && frames
		if p.stepped && p.steps > 0 && frames && seek < 0 {
			p.steps--
			speed = 0
		} else if p.stepped {
			speed = 0 // between the steps time does not count
		}
		if held && seek < 0 {
			p.release()
		}
		p.mu.Unlock()
		if seek >= 0 {
			return &jumpError{seek}
		}
		if held {
			select {
			case <-p.wake:
			case <-ctx.Done():
			}
			pacing.hold(at)
			continue
		}
		delay := pacing.until(at, speed)
		if delay <= 0 {
			return nil
		}
		timer := time.NewTimer(delay)
		select {
		case <-timer.C:
			return nil
		case <-p.wake:
		case <-ctx.Done():
		}
		timer.Stop()
	}
}

// release answers those who wait for their steps. The caller holds mu.
func (c *controls) release() {
	for _, done := range c.waiting {
		close(done)
	}
	c.waiting = nil
}

func (p *Player) waitAtEnd(ctx context.Context) (int64, bool) {
	for {
		p.mu.Lock()
		p.answerWatchers()
		seek := p.seek
		p.seek = -1
		p.ended = seek < 0
		p.steps = 0
		p.release()
		p.mu.Unlock()
		if seek >= 0 {
			return seek, true
		}
		select {
		case <-p.wake:
		case <-ctx.Done():
			return 0, false
		}
	}
}

// SeekTo jumps to a bus time of the recording, which is brought within its span: what was
// recorded from then on is played next. Listeners see a new timetable, as after a change.
func (p *Player) SeekTo(busNS int64) {
	p.control(func(c *controls) { c.seek = min(max(busNS, p.tape.firstNS), p.tape.lastNS) })
}

// SetSpeed changes the pace, as Config.Speed, and plays on after Pause; steps that were
// still to come are given up.
func (p *Player) SetSpeed(speed float64) error {
	if !possible(speed) {
		return speedError(speed)
	}
	p.control(func(c *controls) {
		c.speed = speed
		c.resume()
	})
	return nil
}

// Resume plays on at the pace before Pause.
func (p *Player) Resume() { p.control((*controls).resume) }

func (c *controls) resume() {
	c.stepped, c.steps = false, 0
	c.release()
}

// Pause stops before the next frame set. Resume and SetSpeed play on.
func (p *Player) Pause() { p.control(func(c *controls) { c.stepped = true }) }

// Step plays n frame sets and pauses, and returns once they have been handed out, the
// recording has ended, or somebody made it play on. Errors: ctx's, and for n below 1 or
// above MaxSteps.
func (p *Player) Step(ctx context.Context, n int) error {
	if n < 1 || n > MaxSteps {
		return fmt.Errorf("%d steps are not possible; use 1 to %d", n, MaxSteps)
	}
	done := make(chan struct{})
	p.control(func(c *controls) {
		if c.over {
			close(done)
			return
		}
		c.stepped = true
		c.steps += n
		c.waiting = append(c.waiting, done)
	})
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Alive returns nil once the goroutine of Run has looked at its controls after the
// call: proof that it goes on, for a watchdog. Errors: ctx's when that took too long,
// *dispatch.StoppedError when Run has ended.
func (p *Player) Alive(ctx context.Context) error {
	looked := make(chan struct{})
	p.control(func(c *controls) {
		c.watch = append(c.watch, looked)
		if c.over {
			c.answerWatchers()
		}
	})
	select {
	case <-looked:
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.over {
			return &dispatch.StoppedError{Reason: cmp.Or(p.state.fault, "the replay has ended")}
		}
		return nil
	case <-ctx.Done():
		p.mu.Lock()
		defer p.mu.Unlock()
		p.watch = slices.DeleteFunc(p.watch, func(c chan struct{}) bool { return c == looked })
		return ctx.Err()
	}
}

// answerWatchers answers Alive. The caller holds mu.
func (c *controls) answerWatchers() {
	for _, looked := range c.watch {
		close(looked)
	}
	c.watch = nil
}

func (p *Player) control(change func(*controls)) {
	p.mu.Lock()
	change(&p.controls)
	p.mu.Unlock()
	select {
	case p.wake <- struct{}{}:
	default: // a token is there already
	}
}

func (p *Player) update(change func(*state)) {
	p.mu.Lock()
	change(&p.state)
	p.mu.Unlock()
}

func (p *Player) fault(err error) error {
	p.update(func(s *state) { s.phase, s.fault = facetdv1.State_STATE_FAULT, err.Error() })
	return err
}

func (p *Player) end() {
	p.update(func(s *state) {
		if s.phase != facetdv1.State_STATE_FAULT {
			s.phase = facetdv1.State_STATE_STOPPING
		}
	})
	p.mu.Lock()
	p.over = true
	p.release()
	p.answerWatchers()
	p.mu.Unlock()
}

// Replay is where the replay is. A jump that was asked for counts as made.
func (p *Player) Replay() *facetdv1.Replay {
	out := &facetdv1.Replay{FirstBusNs: p.tape.firstNS, LastBusNs: p.tape.lastNS, Loop: p.cfg.Loop}
	for _, name := range p.cfg.Files {
		out.Files = append(out.Files, filepath.Base(name))
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	out.BusNs, out.Speed, out.Paused, out.Ended = p.state.now.NS(), p.speed, p.stepped, p.ended
	if p.seek >= 0 {
		out.BusNs, out.Ended = p.seek+int64(p.state.shift), false
	}
	out.RecordedBusNs = min(max(out.BusNs-int64(p.state.shift), p.tape.firstNS), p.tape.lastNS)
	return out
}

// Now is the bus time that the replay has reached.
func (p *Player) Now() bus.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state.now
}

// HostTime maps bus time to the host time that was recorded.
func (p *Player) HostTime(at bus.Time) (time.Time, time.Duration) {
	return time.Unix(0, p.tape.hostOffsetNS+at.NS()).UTC(), 0
}

// Apply is refused, as are all that change the array or ask it for something.
func (p *Player) Apply(context.Context, *facetdv1.TaskChanges) (dispatch.Change, error) {
	return dispatch.Change{}, &RefusedError{"changing the tasks"}
}

// Preview is refused: it would say what could run beside tasks that do not run.
func (p *Player) Preview(context.Context, *facetdv1.TaskChanges, bool) (*facetdv1.Plan, error) {
	return nil, &RefusedError{"previewing a plan"}
}

// Capture is refused.
func (p *Player) Capture(context.Context, *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
	return dispatch.Done{}, &RefusedError{"a capture"}
}

// SetParameters is refused.
func (p *Player) SetParameters(context.Context, *facetdv1.SetTaskParametersRequest) (
	*facetdv1.SetTaskParametersResponse, error) {
	return nil, &RefusedError{"setting parameters of a task"}
}

// PreviewCapture is refused.
func (p *Player) PreviewCapture(context.Context, *facetdv1.PreviewCaptureRequest) (
	*facetdv1.PreviewCaptureResponse, error) {
	return nil, &RefusedError{"a capture"}
}

// Trigger is refused.
func (p *Player) Trigger(context.Context, string) (*facetdv1.TriggerTaskResponse, error) {
	return nil, &RefusedError{"triggering a task"}
}

// Send is refused.
func (p *Player) Send(context.Context, *facetdv1.Command) (dispatch.Done, error) {
	return dispatch.Done{}, &RefusedError{"a command"}
}

// Snapshot is the replay at this instant, as a dispatcher would show it.
func (p *Player) Snapshot() dispatch.Snapshot {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state.snapshot()
}

// derived reports whether observers make such events of what the replay tells them.
func derived(k facetdv1.EventKind) bool {
	switch k {
	case facetdv1.EventKind_EVENT_KIND_TASK_ADDED, facetdv1.EventKind_EVENT_KIND_TASK_CHANGED,
		facetdv1.EventKind_EVENT_KIND_TASK_REMOVED,
		facetdv1.EventKind_EVENT_KIND_DEADLINE_MISSED, facetdv1.EventKind_EVENT_KIND_JOB_FAILED,
		facetdv1.EventKind_EVENT_KIND_RULE_VIOLATION:
		return true
	}
	return false
}

// violation makes a rule violation of a recorded event.
func violation(e *facetdv1.Event, shiftNS int64) (rules.Violation, bool) {
	rule := int(e.GetFields()["rule"].GetInteger())
	if e.GetKind() != facetdv1.EventKind_EVENT_KIND_RULE_VIOLATION || rule == 0 {
		return rules.Violation{}, false
	}
	text := strings.TrimPrefix(e.GetText(), fmt.Sprintf("bus rule %d violated: ", rule))
	return rules.Violation{Rule: rule, At: bus.Time(e.GetBusNs() + shiftNS), Message: text,
		Chips: slices.Clone(e.GetChips())}, true
}
