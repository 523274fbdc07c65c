package fleet

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

// Event is an event of a robot, or a gap, with where and when the hub stored it.
type Event struct {
	*fleetv1.RobotEvent
	// Number in the hub's stream.
	Number uint64
	// Stored is when, by the clock of the hub.
	Stored time.Time
}

// EventOptions choose events.
type EventOptions struct {
	// Robot whose events are wanted; empty means all.
	Robot string
	// Newest is how many of those that the hub has come first; 0 means all of them.
	Newest uint64
	// Reader names a reader that the hub remembers: it goes on behind the last event that was taken under this name.
	Reader string
	// Follow goes on with events as they come.
	Follow bool
}

// stuck is after how long without a sign of life from the hub, or without an event where the hub has some, a reader is
// made anew.
const stuck = 10 * time.Second

// Events calls f with events in the order in which the hub stored them. With a reader's name an event counts as read
// once f has returned nil for it. Where it follows, it waits for a hub that is away, and a reader of the hub's that is
// lost or gives nothing is made anew.
func Events(ctx context.Context, c *hub.Conn, o EventOptions, f func(*Event) error) error {
	from, last, err := eventRange(ctx, c, o)
	if err != nil {
		return err
	}
	if o.Robot != "" && o.Newest > 0 && o.Reader == "" {
		if from, err = newestOf(ctx, c, o, from, last, f); err != nil {
			return err
		}
	}
	if !o.Follow && (last == 0 || last < from) && o.Reader == "" {
		return nil
	}
	for ctx.Err() == nil {
		next, err := readEvents(ctx, c, o, from, f)
		from = max(from, next)
		switch {
		case errors.Is(err, errStuck): // the consumer is gone, or the link: another goes on behind what was read
		case o.Follow && ctx.Err() == nil && away(c, err):
			select {
			case <-ctx.Done():
			case <-time.After(again):
			}
		default:
			return err
		}
	}
	return ctx.Err()
}

// away reports whether an error is one of a hub that is away, or not ready yet.
func away(c *hub.Conn, err error) bool {
	if mine := new(takenError); err == nil || errors.As(err, &mine) {
		return false
	}
	var said *jetstream.APIError
	return !c.NC.IsConnected() || errors.Is(err, nats.ErrTimeout) || errors.Is(err, context.DeadlineExceeded) ||
		errors.Is(err, nats.ErrNoResponders) || errors.As(err, &said) && said.Code == 503
}

// takenError is what came of an event on the side that takes it.
type takenError struct{ error }

func (e *takenError) Unwrap() error { return e.error }

var errStuck = errors.New("nothing was heard from the hub")

// newestOf calls f with the newest events of one robot, and returns the number behind all that the hub has.
func newestOf(ctx context.Context, c *hub.Conn, o EventOptions, from, last uint64, f func(*Event) error) (uint64,
	error) {
	var ring []*Event
	_, err := readEvents(ctx, c, EventOptions{Robot: o.Robot}, from, func(e *Event) error {
		if ring = append(ring, e); uint64(len(ring)) > o.Newest {
			ring = ring[1:]
		}
		return nil
	})
	if err != nil {
		return from, err
	}
	for _, e := range ring {
		last = max(last, e.Number)
		if err := f(e); err != nil {
			return from, err
		}
	}
	return last + 1, nil
}

// eventRange is the number of the first event that is wanted, and of the last that the hub has.
func eventRange(ctx context.Context, c *hub.Conn, o EventOptions) (from, last uint64, err error) {
	stream, err := c.JS.Stream(ctx, subject.Events)
	if err != nil {
		return 0, 0, explain(err)
	}
	info, err := stream.Info(ctx)
	if err != nil {
		return 0, 0, err
	}
	from, last = info.State.FirstSeq, info.State.LastSeq
	if o.Newest > 0 && o.Robot == "" && last >= o.Newest {
		from = max(from, last-o.Newest+1)
	}
	return max(1, from), last, nil
}

// readEvents reads from a number on, where it does not follow until all that the hub has has come. It returns the
// number behind the last event that f took.
func readEvents(ctx context.Context, c *hub.Conn, o EventOptions, from uint64, f func(*Event) error) (uint64,
	error) {
	consumer, err := eventConsumer(ctx, c, o, from)
	if err != nil {
		return from, err
	}
	messages, err := consumer.Messages(jetstream.PullHeartbeat(stuck/2), jetstream.PullExpiry(2*stuck))
	if err != nil {
		return from, err
	}
	defer messages.Stop()
	stop := context.AfterFunc(ctx, messages.Stop)
	defer stop()
	info, err := consumer.Info(ctx)
	if err != nil {
		return from, err
	}
	waiting := info.NumPending + uint64(info.NumAckPending) // with what a reader took and did not finish
	if o.Reader != "" {                                     // where it is lost meanwhile, the next one goes on here
		from = max(from, info.AckFloor.Stream+1)
	}
	for quiet := (*jetstream.ConsumerInfo)(nil); o.Follow || waiting > 0; {
		m, err := messages.Next(jetstream.NextMaxWait(stuck / 2))
		if errors.Is(err, nats.ErrTimeout) {
			if quiet, err = stillQuiet(ctx, c, consumer, quiet); err != nil {
				return from, err
			}
			continue
		}
		quiet = nil
		switch {
		case ctx.Err() != nil:
			return from, ctx.Err()
		case errors.Is(err, jetstream.ErrNoHeartbeat), errors.Is(err, jetstream.ErrConsumerDeleted),
			errors.Is(err, jetstream.ErrConsumerNotFound):
			return from, errStuck
		case err != nil:
			return from, err
		}
		e, err := eventOf(m)
		if err != nil {
			return from, err
		}
		// A hub that was killed may have forgotten how far a reader had come, or never heard it.
		if again := o.Reader != "" && e.Number < from; !again {
			if err := f(e); err != nil {
				return from, &takenError{err}
			}
		}
		from = max(from, e.Number+1)
		if o.Reader != "" {
			if err := m.DoubleAck(ctx); err != nil {
				return from, fmt.Errorf("the hub did not take note that an event was read: %w", err)
			}
		}
		waiting--
	}
	return from, nil
}

// stillQuiet looks at a reader that has given nothing for some time, and compares it with how it was when it had given
// nothing before, if it had. One that has events and gives none is removed: another goes on where it stood.
func stillQuiet(ctx context.Context, c *hub.Conn, consumer jetstream.Consumer, before *jetstream.ConsumerInfo) (
	*jetstream.ConsumerInfo, error) {
	ctx, cancel := context.WithTimeout(ctx, stuck/4)
	defer cancel()
	now, err := consumer.Info(ctx)
	switch {
	case err != nil:
		return nil, errStuck
	case now.NumPending == 0 || now.NumAckPending > 0: // there is none, or somebody has one and works on it
		return nil, nil
	case before == nil || before.Delivered.Stream != now.Delivered.Stream:
		return now, nil
	}
	if err := c.JS.DeleteConsumer(ctx, subject.Events, now.Name); err != nil &&
		!errors.Is(err, jetstream.ErrConsumerNotFound) {
		return nil, err
	}
	return nil, errStuck
}

// eventConsumer is what the hub reads for us: one that it remembers by name, or one of this connection's.
func eventConsumer(ctx context.Context, c *hub.Conn, o EventOptions, from uint64) (jetstream.Consumer, error) {
	filter := subject.AllEvents()
	if o.Robot != "" {
		filter = subject.Event(o.Robot)
	}
	stream, err := c.JS.Stream(ctx, subject.Events)
	if err != nil {
		return nil, explain(err)
	}
	if o.Reader == "" {
		return stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{FilterSubject: filter,
			DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from,
			AckPolicy:         jetstream.AckNonePolicy,
			InactiveThreshold: time.Minute, MemoryStorage: true, Replicas: 1})
	}
	name := subject.Reader(o.Reader)
	consumer, err := stream.Consumer(ctx, name)
	if !errors.Is(err, jetstream.ErrConsumerNotFound) {
		return consumer, err
	}
	// One at a time: order holds, and what was read is known to the event. A hub that was killed may wait for somebody
	// to acknowledge what was acknowledged.
	return stream.CreateConsumer(ctx, jetstream.ConsumerConfig{Durable: name, FilterSubject: filter,
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: from,
		AckPolicy: jetstream.AckExplicitPolicy,
		AckWait:   stuck, MaxAckPending: 1, InactiveThreshold: 30 * 24 * time.Hour})
}

func eventOf(m jetstream.Msg) (*Event, error) {
	meta, err := m.Metadata()
	if err != nil {
		return nil, err
	}
	e := &Event{RobotEvent: robotEventOf(m.Data(), meta.Timestamp), Number: meta.Sequence.Stream,
		Stored: meta.Timestamp}
	// The hub grants a robot its own subject alone; a name within a message is what its sender says.
	robot, err := subject.RobotOfEvent(m.Subject())
	if err != nil {
		e.RobotEvent, robot = unreadable(err, meta.Timestamp), m.Subject()
	}
	e.Robot = robot
	return e, nil
}
