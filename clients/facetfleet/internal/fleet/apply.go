package fleet

import (
	"context"
	"crypto/rand"
	"errors"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
)

const (
	// together is how many robots are asked at a time.
	together = 64
	// again is after how long something is tried again that the hub did not do.
	again = time.Second
	// undoWithin is for how long robots that do not answer are asked to take a change back: a hub that was started anew
	// has its robots back within seconds.
	undoWithin = 30 * time.Second
)

// Fate is what became of a change of one robot's tasks.
type Fate struct {
	Robot string
	// State is the last that the robot said; unspecified where it is not known.
	State fleetv1.ChangeState
	// Message says why.
	Message string
	// Change is the last answer; nil where there was none.
	Change *fleetv1.Change
}

// Word is the state in a word: prepared, refused, committed, unchanged, stuck or unknown. A robot that is silent is
// unknown and never unchanged.
func (f *Fate) Word() string {
	switch f.State {
	case fleetv1.ChangeState_CHANGE_STATE_PREPARED:
		return "prepared"
	case fleetv1.ChangeState_CHANGE_STATE_REFUSED:
		return "refused"
	case fleetv1.ChangeState_CHANGE_STATE_COMMITTED:
		return "committed"
	case fleetv1.ChangeState_CHANGE_STATE_UNDONE:
		return "unchanged"
	case fleetv1.ChangeState_CHANGE_STATE_STUCK:
		return "stuck"
	}
	return "unknown"
}

// ApplyOptions describe a change of many robots.
type ApplyOptions struct {
	// Robots by name.
	Robots []string
	// Tasks as they are to be.
	Tasks *fleetv1.DesiredTasks
	// Preview prepares and makes nothing.
	Preview bool
	// WithoutAbsent goes on without robots that do not answer; otherwise nothing is changed then.
	WithoutAbsent bool
	// By whom.
	By string
}

// Apply changes the tasks of robots, of all that answer or of none: each plans the change and notes how to undo it;
// where all of them can, each makes it, if its tasks are still the same; where one does not, those that did take it
// back. The fates are in the order of the robots; done says whether all of them were changed.
func Apply(ctx context.Context, c *hub.Conn, o ApplyOptions) (fates []*Fate, done bool) {
	a := &application{ctx: ctx, hub: c, o: o, id: rand.Text()}
	for _, robot := range o.Robots {
		a.fates = append(a.fates, &Fate{Robot: robot})
	}
	a.step(a.fates, func(*Fate) *fleetv1.Command {
		return &fleetv1.Command{What: &fleetv1.Command_Prepare{Prepare: &fleetv1.PrepareChange{ChangeId: a.id,
			Tasks: o.Tasks}}}
	})
	ready := a.in(fleetv1.ChangeState_CHANGE_STATE_PREPARED)
	lacking := len(a.in(fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED))
	fits := len(ready)+lacking == len(a.fates) && (lacking == 0 || o.WithoutAbsent) && len(ready) > 0
	if o.Preview || !fits {
		a.undo(ready)
		if o.Preview {
			for _, f := range ready {
				f.State = fleetv1.ChangeState_CHANGE_STATE_PREPARED
			}
		}
		return a.fates, false
	}
	commit := func(*Fate) *fleetv1.Command {
		return &fleetv1.Command{What: &fleetv1.Command_Commit{Commit: &fleetv1.CommitChange{ChangeId: a.id}}}
	}
	a.step(ready, commit)
	// Whoever did not answer is asked again: it is made once.
	a.step(among(ready, fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED), commit)
	if len(among(ready, fleetv1.ChangeState_CHANGE_STATE_COMMITTED)) == len(ready) {
		return a.fates, len(ready) == len(a.fates)
	}
	a.undo(append(among(ready, fleetv1.ChangeState_CHANGE_STATE_COMMITTED),
		among(ready, fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED)...))
	return a.fates, false
}

type application struct {
	ctx   context.Context
	hub   *hub.Conn
	o     ApplyOptions
	id    string
	fates []*Fate
}

func (a *application) in(s fleetv1.ChangeState) []*Fate { return among(a.fates, s) }

func among(fates []*Fate, s fleetv1.ChangeState) (found []*Fate) {
	for _, f := range fates {
		if f.State == s {
			found = append(found, f)
		}
	}
	return found
}

// undo asks robots to take the change back or to drop it, also where the change was interrupted. Those that do not
// answer are asked again for a while, as after the loss of the hub.
func (a *application) undo(fates []*Fate) {
	command := func(*Fate) *fleetv1.Command {
		return &fleetv1.Command{What: &fleetv1.Command_Undo{Undo: &fleetv1.UndoChange{ChangeId: a.id}}}
	}
	a.ctx = context.WithoutCancel(a.ctx)
	for end := time.Now().Add(undoWithin); ; time.Sleep(again) {
		a.step(fates, command)
		fates = among(fates, fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED)
		if len(fates) == 0 || time.Now().After(end) {
			return
		}
	}
}

// step sends a command to robots, many at a time, and notes what each says.
func (a *application) step(fates []*Fate, command func(*Fate) *fleetv1.Command) {
	var all sync.WaitGroup
	free := make(chan struct{}, together)
	for _, f := range slices.Clone(fates) {
		free <- struct{}{}
		all.Go(func() {
			defer func() { <-free }()
			m := command(f)
			m.By = a.o.By
			answer, err := Order(a.ctx, a.hub, f.Robot, m)
			f.note(answer.GetChange(), err)
		})
	}
	all.Wait()
}

// note takes what a robot answered, or that it did not.
func (f *Fate) note(c *fleetv1.Change, err error) {
	var refused *RefusedError
	switch {
	case err == nil:
		f.State, f.Message, f.Change = c.GetState(), c.GetMessage(), c
	case errors.As(err, &refused) && f.State == fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED && f.Change == nil:
		// It was not even prepared.
		f.State, f.Message = fleetv1.ChangeState_CHANGE_STATE_REFUSED, refused.Failure.GetMessage()
	default:
		f.State, f.Message = fleetv1.ChangeState_CHANGE_STATE_UNSPECIFIED, err.Error()
	}
}

// WaveOptions describe a change by desired states.
type WaveOptions struct {
	ApplyOptions
	// Sizes of the waves in robots; the last one is repeated.
	Sizes []int
	// MostFailures is how many robots may refuse before no further wave begins.
	MostFailures int
	// Patience is how long the robots of a wave may take.
	Patience time.Duration
	// Expire is until when a robot that was away makes the change.
	Expire time.Time
}

// outcomes follows what becomes of a change by the statuses of robots.
type outcomes struct {
	mu      sync.Mutex
	by      map[string]*fleetv1.Outcome
	changed chan struct{}
}

func (o *outcomes) take(r *Robot, id string) {
	if r.GetOutcome().GetChangeId() != id {
		return
	}
	o.mu.Lock()
	defer o.mu.Unlock()
	o.by[r.GetName()] = proto.CloneOf(r.GetOutcome())
	select {
	case o.changed <- struct{}{}:
	default:
	}
}

func (o *outcomes) of(robot string) *fleetv1.Outcome {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.by[robot]
}
