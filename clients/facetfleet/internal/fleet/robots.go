// Package fleet is the side of the hub that people and programs for people are on: it reads what robots publish, and
// sends them commands. What it reads has an age, and is never newer than the hub has it.
package fleet

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// SilentAfter is after how long without a status a robot counts as silent.
const SilentAfter = 15 * time.Second

// Robot is a robot with when the hub took its status.
type Robot struct {
	*fleetv1.Robot
	// Forgotten is set where somebody has made the hub forget the robot; nothing else is known of it then.
	Forgotten bool
	// Stored is when the hub stored the status, by the clock of the hub.
	Stored time.Time
}

// Age is how long ago the hub took the status, by a clock that should agree with the hub's; never below 0.
func (r *Robot) Age(now time.Time) time.Duration { return max(0, now.Sub(r.Stored)) }

// Silent reports whether nothing was heard of the robot lately: what its status says was so, and may be so no longer.
func (r *Robot) Silent(now time.Time) bool { return r.Age(now) > SilentAfter }

// Rank is how urgently somebody should look, the greater the more.
func (r *Robot) Rank(now time.Time) int {
	switch {
	case r.GetState() == facetdv1.State_STATE_FAULT:
		return 8
	case r.GetHealth() == facetdv1.HealthState_HEALTH_STATE_BAD:
		return 7
	case r.Silent(now):
		return 6
	case !r.GetDaemonAnswers():
		return 5
	case r.GetHealth() == facetdv1.HealthState_HEALTH_STATE_DEGRADED:
		return 4
	case r.GetState() == facetdv1.State_STATE_SAFE_STOP:
		return 3
	case r.GetHealth() != facetdv1.HealthState_HEALTH_STATE_GOOD:
		return 2
	}
	return 1
}

// Word is that in a word for people.
func (r *Robot) Word(now time.Time) string {
	return map[int]string{8: "fault", 7: "bad", 6: "silent", 5: "no daemon", 4: "degraded", 3: "stopped",
		2: "not judged", 1: "good"}[r.Rank(now)]
}

// What is the most important thing to say of a robot.
func (r *Robot) What() string {
	switch {
	case r.GetState() == facetdv1.State_STATE_FAULT, r.GetState() == facetdv1.State_STATE_SAFE_STOP:
		return r.GetReason()
	case !r.GetDaemonAnswers():
		return r.GetTrouble()
	case r.GetHealth() == facetdv1.HealthState_HEALTH_STATE_GOOD && r.GetUploads().GetTrouble() != "":
		return "recordings: " + r.GetUploads().GetTrouble()
	}
	return r.GetSummary()
}

// Behind is how many events of the robot's journal the hub does not have.
func (r *Robot) Behind() uint64 {
	b := r.GetBacklog()
	if b.GetPublishedJournalId() != b.GetJournalId() {
		return b.GetLastSequence()
	}
	return b.GetLastSequence() - min(b.GetLastSequence(), b.GetPublishedSequence())
}

// Sort puts the worst first; those that are as bad go by unacknowledged findings and then by name.
func Sort(robots []*Robot, now time.Time) {
	slices.SortFunc(robots, func(a, b *Robot) int {
		return cmp.Or(cmp.Compare(b.Rank(now), a.Rank(now)), cmp.Compare(b.GetAlarms(), a.GetAlarms()),
			cmp.Compare(a.GetName(), b.GetName()))
	})
}

// Robots are all robots that the hub knows, the worst first.
func Robots(ctx context.Context, c *hub.Conn) ([]*Robot, error) {
	var l list
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if err := Watch(ctx, c, l.take); !errors.Is(err, errComplete) {
		return nil, err
	}
	robots := slices.Collect(maps.Values(l.robots))
	Sort(robots, time.Now())
	return robots, nil
}

// list is the robots that were read so far, by name: a robot comes again where the connection is made anew meanwhile.
type list struct{ robots map[string]*Robot }

// take takes what Watch gives, up to its end.
func (l *list) take(r *Robot) error {
	switch {
	case r == nil:
		return errComplete
	case r.Forgotten:
		delete(l.robots, r.GetName())
	case l.robots == nil:
		l.robots = map[string]*Robot{}
		fallthrough
	default:
		l.robots[r.GetName()] = r
	}
	return nil
}

var errComplete = errors.New("all were read")

// Watch calls f with the status of every robot, with nil once all that the hub has were read, and then with every new
// status, until ctx ends or f returns an error. A robot that the hub forgets comes once more, as forgotten. Where the
// connection was made anew all of it comes again: the list at the hub is then that of another connection.
func Watch(ctx context.Context, c *hub.Conn, f func(*Robot) error) error {
	for first := true; ; first = false {
		changed := c.Changed()
		err := watchOnce(ctx, c, changed, f)
		switch {
		case errors.Is(err, errStuck):
		case !first && ctx.Err() == nil && away(c, err):
			select {
			case <-ctx.Done():
			case <-changed:
			case <-time.After(again):
			}
		default:
			return err
		}
	}
}

// watchOnce is Watch up to a new connection, which it returns as errStuck.
func watchOnce(ctx context.Context, c *hub.Conn, changed <-chan struct{}, f func(*Robot) error) error {
	bucket, err := c.JS.KeyValue(ctx, subject.Status)
	if err != nil {
		return explain(err)
	}
	w, err := bucket.WatchAll(ctx)
	if err != nil {
		return explain(err)
	}
	defer w.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-changed:
			return errStuck
		case entry, open := <-w.Updates():
			if !open {
				return errors.New("the hub ended the list of robots")
			}
			if err := takeStatus(entry, f); err != nil {
				return &takenError{err}
			}
		}
	}
}

// takeStatus hands on what a watcher gives.
func takeStatus(entry jetstream.KeyValueEntry, f func(*Robot) error) error {
	if entry == nil {
		return f(nil)
	}
	r := &Robot{Robot: &fleetv1.Robot{}, Stored: entry.Created(), Forgotten: true}
	if entry.Operation() == jetstream.KeyValuePut {
		r.Robot, r.Forgotten = statusOf(entry.Value()), false
	}
	// The hub grants a robot its own key alone; a name within a message is what its sender says.
	var err error
	if r.Name, err = subject.Unescape(entry.Key()); err != nil {
		return nil
	}
	return f(r)
}

// Forget makes the hub forget a robot that is gone: its status, and the state that is desired of it. Its events stay
// as long as all do, and what is known of its recordings too. One that is not silent is not forgotten: it would be
// there again a second later. Errors: *hub.DeniedError, those of the hub.
func Forget(ctx context.Context, c *hub.Conn, robot string, now time.Time) error {
	for _, name := range []string{subject.Status, subject.Desired} {
		bucket, err := c.JS.KeyValue(ctx, name)
		if err != nil {
			return explain(err)
		}
		revision := uint64(0)
		if name == subject.Status {
			entry, err := bucket.Get(ctx, subject.Key(robot))
			if errors.Is(err, jetstream.ErrKeyNotFound) {
				return fmt.Errorf("the hub knows no robot %q", robot)
			}
			if err != nil {
				return err
			}
			r := &Robot{Robot: statusOf(entry.Value()), Stored: entry.Created()}
			if !r.Silent(now) {
				return fmt.Errorf("%s was heard %s ago; end its bridge first", robot, r.Age(now).Round(time.Second))
			}
			revision = entry.Revision()
		}
		if err := c.Delete(ctx, name, subject.Key(robot), revision); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

// explain says what to do about an error of the hub.
func explain(err error) error {
	if errors.Is(err, jetstream.ErrBucketNotFound) || errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("the hub has no streams for a fleet yet; 'facetfleet hub-streams' makes them (%w)", err)
	}
	return err
}
