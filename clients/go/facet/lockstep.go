package facet

import (
	"context"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Lockstep is a participant that lets the time of a virtual bus at pace lockstep on. It is for one goroutine.
type Lockstep struct {
	client *Client
	name   string
	// Now is the bus time that has been reached.
	Now   time.Duration
	ended map[string]uint64
}

// JoinLockstep makes the caller a participant by a name: from then on bus time goes no further than it lets it. One of
// the same name takes its place again. Errors are *Error: at any other pace FailedPrecondition.
func (c *Client) JoinLockstep(ctx context.Context, participant string) (*Lockstep, error) {
	r, err := call(ctx, c, c.lockstep.JoinLockstep, &facetdv1.JoinLockstepRequest{Participant: participant})
	if err != nil {
		return nil, err
	}
	return &Lockstep{client: c, name: participant, Now: time.Duration(r.GetLimitBusNs())}, nil
}

// Advance lets bus time on to until and returns once it has come there: all that was due has been executed, and
// streams have been sent what was read for. It may be repeated after an error.
func (l *Lockstep) Advance(ctx context.Context, until time.Duration) error {
	r, err := call(ctx, l.client, l.client.lockstep.AdvanceTime, &facetdv1.AdvanceTimeRequest{Participant: l.name,
		UntilBusNs: until.Nanoseconds()})
	if err != nil {
		return err
	}
	l.Now, l.ended = time.Duration(r.GetBusNs()), map[string]uint64{}
	for _, t := range r.GetTasks() {
		l.ended[t.GetTask()] = t.GetJobsEnded()
	}
	return nil
}

// Ended is how many jobs of a task have ended by Now: a stream that has read fewer has another frame set to read.
func (l *Lockstep) Ended(task string) uint64 { return l.ended[task] }

// Leave ends the participation: bus time does not wait for it any more.
func (l *Lockstep) Leave(ctx context.Context) error {
	_, err := call(ctx, l.client, l.client.lockstep.LeaveLockstep, &facetdv1.LeaveLockstepRequest{Participant: l.name})
	return err
}

// SetPose moves what carries a virtual array at exactly a bus time, and returns where it is then. A nil pose is where
// it has come to by itself; with a nil velocity it stands still from then on.
func (c *Client) SetPose(ctx context.Context, pose *facetdv1.Pose, velocity *facetdv1.Velocity,
	at time.Duration) (*facetdv1.Pose, error) {
	ns := at.Nanoseconds()
	r, err := call(ctx, c, c.scenes.SetPose, &facetdv1.SetPoseRequest{Pose: pose, Velocity: velocity, AtBusNs: &ns})
	return r.GetPose(), err
}
