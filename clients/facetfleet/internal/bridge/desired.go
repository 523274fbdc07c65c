package bridge

import (
	"context"
	"errors"
	"math/rand/v2"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// runDesired makes the tasks what the hub's bucket of desired states says, once for each change that it names; what
// came of it stands in the status from then on.
func (b *Bridge) runDesired(ctx context.Context) error {
	select {
	case <-b.known: // what became of the last one before this run of the bridge
	case <-ctx.Done():
		return nil
	}
	for ctx.Err() == nil {
		changed := b.cfg.Hub.Changed()
		d, err := b.desired(ctx)
		switch {
		case err != nil:
			b.cfg.Log("the desired state: " + err.Error())
		case d != nil:
			if o := b.reconcile(ctx, d); o != nil {
				b.mu.Lock()
				b.outcome = o
				b.mu.Unlock()
			}
		}
		timer := time.NewTimer(b.cfg.Desired/2 + rand.N(b.cfg.Desired))
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-changed:
		}
		timer.Stop()
	}
	return nil
}

// desired is the state that is asked for and was not dealt with yet; nil where there is none.
func (b *Bridge) desired(ctx context.Context) (*fleetv1.Desired, error) {
	ctx, cancel := context.WithTimeout(ctx, askHub)
	defer cancel()
	m, err := b.cfg.Hub.Newest(ctx, subject.Newest(subject.BucketStream(subject.Desired),
		subject.InBucket(subject.Desired, subject.Key(b.cfg.Robot))))
	if errors.Is(err, hub.ErrNone) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	d := &fleetv1.Desired{}
	if err := proto.Unmarshal(m.Data, d); err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if d.GetChangeId() == "" || d.GetChangeId() == b.outcome.GetChangeId() {
		return nil, nil
	}
	return d, nil
}

// reconcile makes a desired state so. It returns nil where that is to be tried again.
func (b *Bridge) reconcile(ctx context.Context, d *fleetv1.Desired) *fleetv1.Outcome {
	ctx, cancel := context.WithTimeout(ctx, answer)
	defer cancel()
	o := &fleetv1.Outcome{ChangeId: d.GetChangeId(), State: refusedState, Time: timestamppb.Now()}
	if d.GetExpireTime() != nil && time.Now().After(d.GetExpireTime().AsTime()) {
		o.Message = "it came to the robot after its time"
		return o
	}
	tasks, err := b.tasks.ListTasks(ctx, &facetdv1.ListTasksRequest{PageSize: 1000})
	if err != nil {
		b.cfg.Log("the desired state: " + err.Error())
		return nil
	}
	changes := changesTo(d.GetTasks(), tasks.GetTasks())
	changes.ExpectedRevision = proto.Uint64(tasks.GetRevision())
	o.Revision = tasks.GetRevision()
	if nothing(changes) {
		o.State = fleetv1.ChangeState_CHANGE_STATE_COMMITTED
		return o
	}
	// No id: asked again after an answer that was lost, the tasks are already so, or are compared anew.
	r, err := b.cfg.Daemon.ApplyTasks(ctx, changes, "")
	switch refused := asRefusal(err); {
	case err == nil:
		o.State, o.Revision = fleetv1.ChangeState_CHANGE_STATE_COMMITTED, r.GetRevision()
		return o
	case refused != nil && !daemonSays(err, stale):
		o.Message = refused.Message
		return o
	}
	b.cfg.Log("the desired state: " + err.Error())
	return nil
}
