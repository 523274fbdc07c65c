package fleet

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/invalid"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// AnswerWithin is how long a robot may take to answer a command.
const AnswerWithin = 10 * time.Second

// SilentError says that a robot did not answer. Whether it did what it was asked is not known, unless Absent.
type SilentError struct {
	Robot string
	// Absent is set where nobody listens for the robot: it was not asked.
	Absent bool
}

func (e *SilentError) Error() string {
	if e.Absent {
		return fmt.Sprintf("%s is not at the hub: its bridge is not connected", e.Robot)
	}
	return fmt.Sprintf("%s did not answer within %v; whether it was done is not known", e.Robot, AnswerWithin)
}

// RefusedError is what a robot answered in place of doing what it was asked.
type RefusedError struct {
	Robot   string
	Failure *fleetv1.Failure
}

func (e *RefusedError) Error() string {
	lines := append([]string{e.Robot + ": " + e.Failure.GetMessage()}, e.Failure.GetDetails()...)
	return invalid.Visible(strings.Join(lines, "\n"))
}

// Ask sends a command that a viewer may give. Errors: *SilentError, *RefusedError, *hub.DeniedError, those of the hub.
func Ask(ctx context.Context, c *hub.Conn, robot string, m *fleetv1.Command) (*fleetv1.Answer, error) {
	return send(ctx, c, robot, subject.ForViewers(robot), m)
}

// Order sends a command that takes an operator. Errors as Ask.
func Order(ctx context.Context, c *hub.Conn, robot string, m *fleetv1.Command) (*fleetv1.Answer, error) {
	return send(ctx, c, robot, subject.ForOperators(robot), m)
}

func send(ctx context.Context, c *hub.Conn, robot, to string, m *fleetv1.Command) (*fleetv1.Answer, error) {
	m.Time = timestamppb.Now()
	data, err := proto.Marshal(m)
	if err != nil {
		return nil, err
	}
	limited, cancel := context.WithTimeout(ctx, AnswerWithin)
	defer cancel()
	r, err := c.Request(limited, to, data)
	switch {
	case errors.Is(err, nats.ErrNoResponders):
		return nil, &SilentError{Robot: robot, Absent: true}
	case errors.Is(err, context.DeadlineExceeded) && ctx.Err() == nil:
		return nil, &SilentError{Robot: robot}
	case err != nil:
		return nil, fmt.Errorf("%s: %w", robot, err)
	}
	a := &fleetv1.Answer{}
	if err := proto.Unmarshal(r.Data, a); err != nil {
		return nil, fmt.Errorf("the answer of %s: %w", robot, err)
	}
	if f := a.GetFailure(); f != nil {
		return nil, &RefusedError{robot, f}
	}
	return a, nil
}

// LeaseOptions say which frame sets are wanted.
type LeaseOptions struct {
	// Robot that sends them.
	Robot string
	// Tasks by name; none means all.
	Tasks []string
	// BytesPerSecond that all tasks may take together; 0 means what the bridge allows.
	BytesPerSecond uint64
	// Thumbnails in place of frame sets.
	Thumbnails bool
	// Duration of the lease, which is renewed at a third of it; 0 means 15 s.
	Duration time.Duration
}

// Frames takes a lease, renews it, and calls f with what comes, until ctx ends or f returns an error. Then it gives the
// lease back; a reader that dies loses it when its time is over.
func Frames(ctx context.Context, c *hub.Conn, o LeaseOptions, f func(*fleetv1.RobotFrames) error) error {
	if o.Duration == 0 {
		o.Duration = 15 * time.Second
	}
	from := subject.Frames(o.Robot)
	if o.Thumbnails {
		from = subject.Thumbnails(o.Robot)
	}
	// As many as a slow reader may be behind; more are dropped by the client library, which says so.
	messages := make(chan *nats.Msg, 64)
	s, err := c.NC.ChanSubscribe(from, messages)
	if err != nil {
		return err
	}
	defer s.Unsubscribe()
	request := &fleetv1.LeaseFrames{LeaseId: rand.Text(), Duration: durationpb.New(o.Duration), Tasks: o.Tasks,
		BytesPerSecond: o.BytesPerSecond, Thumbnails: o.Thumbnails}
	renew := func(ctx context.Context) error {
		_, err := Ask(ctx, c, o.Robot, &fleetv1.Command{What: &fleetv1.Command_LeaseFrames{LeaseFrames: request}})
		return err
	}
	if err := renew(ctx); err != nil {
		return err
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Second)
		defer cancel()
		end := proto.CloneOf(request)
		end.Duration = durationpb.New(0)
		// an error is no harm: the lease ends by itself
		Ask(ctx, c, o.Robot, &fleetv1.Command{What: &fleetv1.Command_LeaseFrames{LeaseFrames: end}})
	}()
	renewed := make(chan error, 1)
	renewing := false
	defer func() {
		if renewing {
			<-renewed
		}
	}()
	tick := time.NewTicker(o.Duration / 3)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
			if !renewing {
				renewing = true
				go func() { renewed <- renew(ctx) }()
			}
		case err := <-renewed:
			renewing = false
			var silent *SilentError
			if err != nil && !errors.As(err, &silent) { // one that is away for a while is waited for
				return err
			}
		case m := <-messages:
			if err := deliver(m, o, f); err != nil {
				return err
			}
		}
	}
}

// deliver hands on what came, where it was asked for: others may have a lease on more.
func deliver(m *nats.Msg, o LeaseOptions, f func(*fleetv1.RobotFrames) error) error {
	if len(m.Data) == 0 {
		return nil // a bridge that tried whether it may send
	}
	frames := &fleetv1.RobotFrames{}
	if err := proto.Unmarshal(m.Data, frames); err != nil {
		return fmt.Errorf("frames of %s: %w", o.Robot, err)
	}
	if len(o.Tasks) > 0 && !slices.Contains(o.Tasks, frames.GetSet().GetTask()) {
		return nil
	}
	return f(frames)
}
