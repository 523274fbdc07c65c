package bridge

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/go/facet"
)

// keepChanges is how long a change is known after it was last heard of.
const keepChanges = 10 * time.Minute

// change is a change of the tasks that was prepared here, with what undoes it.
type change struct {
	busy    chan struct{} // holds a token while nobody is at it
	changes *facetdv1.TaskChanges
	inverse *facetdv1.TaskChanges
	state   *fleetv1.Change
	touched time.Time
	asked   bool // the daemon was asked to make it
}

// prepare plans a change, notes the tasks as they are, and changes nothing.
func (b *Bridge) prepare(ctx context.Context, r *fleetv1.PrepareChange) (*fleetv1.Change, error) {
	if r.GetChangeId() == "" || len(r.GetChangeId()) > 100 {
		return nil, invalidf("a change needs an id of 1 to 100 bytes")
	}
	tasks, err := b.tasks.ListTasks(ctx, &facetdv1.ListTasksRequest{PageSize: 1000})
	if err != nil {
		return nil, err
	}
	if tasks.GetNextPageToken() != "" {
		return nil, exhaustedf("more than 1000 tasks are not changed this way")
	}
	c := &change{busy: make(chan struct{}, 1), changes: changesTo(r.GetTasks(), tasks.GetTasks()), touched: time.Now(),
		state: &fleetv1.Change{ChangeId: r.GetChangeId(), BaseRevision: tasks.GetRevision()}}
	c.changes.ExpectedRevision = proto.Uint64(tasks.GetRevision())
	if r.ExpectedRevision != nil && r.GetExpectedRevision() != tasks.GetRevision() {
		c.state.State = refusedState
		c.state.Message = fmt.Sprintf("the revision of the tasks is %d by now, not %d", tasks.GetRevision(),
			r.GetExpectedRevision())
		return c.state, nil
	}
	c.inverse = inverse(c.changes, tasks.GetTasks())
	if err := b.plan(ctx, c); err != nil || c.state.GetState() == refusedState {
		return c.state, err
	}
	c.busy <- struct{}{}
	b.mu.Lock()
	defer b.mu.Unlock()
	for id, old := range b.changes {
		if time.Since(old.touched) > keepChanges {
			delete(b.changes, id)
		}
	}
	if _, twice := b.changes[r.GetChangeId()]; twice {
		return nil, &facet.Error{Code: codes.AlreadyExists, Message: "a change of this id was prepared already"}
	}
	b.changes[r.GetChangeId()] = c
	return proto.CloneOf(c.state), nil
}

// plan asks the daemon whether a change fits.
func (b *Bridge) plan(ctx context.Context, c *change) error {
	if nothing(c.changes) { // it is so already
		c.state.State = fleetv1.ChangeState_CHANGE_STATE_PREPARED
		return nil
	}
	plan, err := b.cfg.Daemon.Preview(ctx, c.changes)
	switch refused := asRefusal(err); {
	case refused != nil:
		c.state.State, c.state.Message, c.state.Refusal = refusedState, refused.Error(), refused.Refusal
	case err != nil:
		return err
	case plan.GetRefusal() != nil:
		c.state.State, c.state.Message, c.state.Refusal = refusedState, plan.GetRefusal().GetMessage(),
			plan.GetRefusal()
	default:
		c.state.State, c.state.PlannedUtilization = fleetv1.ChangeState_CHANGE_STATE_PREPARED, plan.GetUtilization()
	}
	return nil
}

// changesTo are the changes by which tasks come to be as they are wanted.
func changesTo(wanted *fleetv1.DesiredTasks, running []*facetdv1.RunningTask) *facetdv1.TaskChanges {
	now := map[string]*facetdv1.Task{}
	for _, t := range running {
		now[t.GetTask().GetName()] = t.GetTask()
	}
	c := &facetdv1.TaskChanges{}
	for _, t := range wanted.GetTasks() {
		switch is := now[t.GetName()]; {
		case is == nil:
			c.Add = append(c.Add, t)
		case !proto.Equal(is, t):
			c.Update = append(c.Update, &facetdv1.TaskUpdate{Task: t})
		}
	}
	for _, name := range wanted.GetAbsent() {
		if now[name] != nil {
			c.Remove = append(c.Remove, &facetdv1.TaskRemoval{Name: name})
		}
	}
	return c
}

// nothing reports whether changes change nothing.
func nothing(c *facetdv1.TaskChanges) bool {
	return len(c.GetAdd())+len(c.GetUpdate())+len(c.GetRemove()) == 0
}

const refusedState = fleetv1.ChangeState_CHANGE_STATE_REFUSED

// stale is the code of a change whose tasks were changed by somebody else.
const stale = codes.Aborted

// errUnsure is of a change whose answer was lost, of tasks that have changed since: the daemon makes a change once
// however often it is asked, but has forgotten which it made after it was started anew.
var errUnsure = &facet.Error{Code: codes.Unknown, Message: "the tasks have changed since this change was asked for " +
	"the first time; whether by it or by somebody else is not known"}

// asRefusal is an error by which the daemon refuses a change for good, rather than one of the way to it.
func asRefusal(err error) *facet.Error {
	var daemon *facet.Error
	if !errors.As(err, &daemon) || !slices.Contains(final, daemon.Code) {
		return nil
	}
	return &facet.Error{Code: daemon.Code, Message: err.Error(), Refusal: daemon.Refusal}
}

// final are the codes by which a daemon says that it has made nothing, and will not.
var final = []codes.Code{codes.FailedPrecondition, codes.InvalidArgument, codes.NotFound, codes.AlreadyExists,
	codes.Aborted, codes.PermissionDenied}

// inverse is what takes changes back to tasks as they were.
func inverse(c *facetdv1.TaskChanges, before []*facetdv1.RunningTask) *facetdv1.TaskChanges {
	was := map[string]*facetdv1.Task{}
	for _, t := range before {
		was[t.GetTask().GetName()] = t.GetTask()
	}
	back := &facetdv1.TaskChanges{}
	for _, t := range c.GetAdd() {
		back.Remove = append(back.Remove, &facetdv1.TaskRemoval{Name: t.GetName()})
	}
	for _, u := range c.GetUpdate() {
		if t := was[u.GetTask().GetName()]; t != nil {
			back.Update = append(back.Update, &facetdv1.TaskUpdate{Task: t})
		}
	}
	for _, r := range c.GetRemove() {
		if t := was[r.GetName()]; t != nil {
			back.Add = append(back.Add, t)
		}
	}
	return back
}

// take waits until nobody else is at a change, and returns it.
func (b *Bridge) take(ctx context.Context, id string) (*change, func(), error) {
	b.mu.Lock()
	c := b.changes[id]
	if c != nil {
		c.touched = time.Now()
	}
	b.mu.Unlock()
	if c == nil {
		return nil, nil, &facet.Error{Code: codes.NotFound,
			Message: "no change of this id was prepared, or the bridge was started anew since"}
	}
	select {
	case <-c.busy:
		return c, func() { c.busy <- struct{}{} }, nil
	case <-ctx.Done():
		return nil, nil, ctx.Err()
	}
}

// commit makes a change that was prepared, where the tasks are still those that it was prepared for. The id by which
// the daemon is asked is that of the change: asking again makes it once.
func (b *Bridge) commit(ctx context.Context, id string) (*fleetv1.Change, error) {
	c, done, err := b.take(ctx, id)
	if err != nil {
		return nil, err
	}
	defer done()
	if c.state.GetState() != fleetv1.ChangeState_CHANGE_STATE_PREPARED {
		return proto.CloneOf(c.state), nil
	}
	if nothing(c.changes) { // it is so already
		c.state.State, c.state.Revision = fleetv1.ChangeState_CHANGE_STATE_COMMITTED, c.state.GetBaseRevision()
		return proto.CloneOf(c.state), nil
	}
	before := c.asked
	c.asked = true
	r, err := b.cfg.Daemon.ApplyTasks(ctx, c.changes, "fleet-"+id)
	if before && daemonSays(err, stale) {
		return nil, errUnsure
	}
	if refused := asRefusal(err); refused != nil {
		c.state.State, c.state.Message, c.state.Refusal = refusedState, refused.Message, refused.Refusal
		return proto.CloneOf(c.state), nil
	}
	if err != nil { // it may have been made: who asks again finds out
		return nil, err
	}
	c.state.State, c.state.Revision = fleetv1.ChangeState_CHANGE_STATE_COMMITTED, r.GetRevision()
	return proto.CloneOf(c.state), nil
}

// undo takes a change back, where nobody has changed the tasks since.
func (b *Bridge) undo(ctx context.Context, id string) (*fleetv1.Change, error) {
	c, done, err := b.take(ctx, id)
	if err != nil {
		return nil, err
	}
	defer done()
	switch c.state.GetState() {
	case fleetv1.ChangeState_CHANGE_STATE_PREPARED:
		if !c.asked {
			c.state.State = fleetv1.ChangeState_CHANGE_STATE_UNDONE
			return proto.CloneOf(c.state), nil
		}
		// A commit whose answer was lost may have been made: asking again with its id tells, and makes it where it was
		// not, which is then taken back like any other.
		r, err := b.cfg.Daemon.ApplyTasks(ctx, c.changes, "fleet-"+id)
		if daemonSays(err, stale) {
			return nil, errUnsure
		}
		if asRefusal(err) != nil {
			c.state.State = fleetv1.ChangeState_CHANGE_STATE_UNDONE
			return proto.CloneOf(c.state), nil
		}
		if err != nil {
			return nil, err
		}
		c.state.Revision = r.GetRevision()
	case fleetv1.ChangeState_CHANGE_STATE_COMMITTED, fleetv1.ChangeState_CHANGE_STATE_STUCK:
	default:
		return proto.CloneOf(c.state), nil
	}
	if nothing(c.changes) {
		c.state.State = fleetv1.ChangeState_CHANGE_STATE_UNDONE
		return proto.CloneOf(c.state), nil
	}
	back := proto.CloneOf(c.inverse)
	back.ExpectedRevision = proto.Uint64(c.state.GetRevision())
	r, err := b.cfg.Daemon.ApplyTasks(ctx, back, "fleet-undo-"+id)
	if refused := asRefusal(err); refused != nil {
		c.state.State, c.state.Message = fleetv1.ChangeState_CHANGE_STATE_STUCK, refused.Message
		return proto.CloneOf(c.state), nil
	}
	if err != nil {
		return nil, err
	}
	c.state.State, c.state.Revision = fleetv1.ChangeState_CHANGE_STATE_UNDONE, r.GetRevision()
	return proto.CloneOf(c.state), nil
}
