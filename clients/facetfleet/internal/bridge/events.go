package bridge

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

const (
	// acknowledge is how long the hub may take to acknowledge an event; then it is asked what it has.
	acknowledge = 3 * time.Second
	// eventPage is how many events are asked for at once.
	eventPage = 500
)

// course is where the events of the robot have come to at the hub.
type course struct {
	position
	// newest is the newest message of the robot in the stream; nil where there is none.
	newest *fleetv1.RobotEvent
	// number is that of newest in the stream; 0 where there is none.
	number uint64
}

// runEvents publishes every event of the journal, one at a time: the next one once the hub has acknowledged the one
// before. After any trouble it asks the hub what it has, and goes on from there.
func (b *Bridge) runEvents(ctx context.Context) error {
	for pause := 100 * time.Millisecond; ctx.Err() == nil; {
		changed := b.cfg.Hub.Changed()
		began := time.Now()
		err := b.follow(ctx)
		if denied := new(hub.DeniedError); errors.As(err, &denied) {
			return fmt.Errorf("events: %w", err)
		}
		if time.Since(began) > 10*time.Second {
			pause = 100 * time.Millisecond
		}
		if ctx.Err() == nil {
			b.cfg.Log("events: " + err.Error())
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
		case <-timer.C:
		case <-changed:
		}
		timer.Stop()
		pause = min(2*pause, 2*time.Second)
	}
	return nil
}

// follow publishes what the hub lacks, and then events as they happen, until one does not follow the one before or
// something fails.
func (b *Bridge) follow(ctx context.Context) error {
	at, err := b.reached(ctx)
	if err != nil {
		return err
	}
	for err == nil {
		if err = b.catchUp(ctx, at); err == nil {
			err = b.stream(ctx, at)
		}
	}
	return err
}

// reached asks the hub for the newest event that it has of the robot. Where all of them were discarded, the status
// that the hub keeps says how far they had come.
func (b *Bridge) reached(ctx context.Context) (*course, error) {
	asked, cancel := context.WithTimeout(ctx, askHub)
	defer cancel()
	m, err := b.cfg.Hub.Newest(asked, subject.Newest(subject.Events, subject.Event(b.cfg.Robot)))
	if errors.Is(err, hub.ErrNone) {
		return b.reachedByStatus(ctx)
	}
	if err != nil {
		return nil, err
	}
	at := &course{newest: &fleetv1.RobotEvent{}, number: m.Sequence}
	if err := proto.Unmarshal(m.Data, at.newest); err != nil {
		return nil, fmt.Errorf("the newest event at the hub: %w", err)
	}
	at.journal, at.sequence = at.newest.GetJournalId(), at.newest.GetEvent().GetSequence()
	if gap := at.newest.GetGap(); gap != nil {
		at.sequence = gap.GetBeforeSequence() - 1
	}
	b.published.Store(&position{at.journal, at.sequence})
	return at, nil
}

func (b *Bridge) reachedByStatus(ctx context.Context) (*course, error) {
	r, err := b.atHub(ctx)
	if err != nil {
		return nil, fmt.Errorf("the status at the hub: %w", err)
	}
	at := &course{position: position{r.GetBacklog().GetPublishedJournalId(),
		r.GetBacklog().GetPublishedSequence()}}
	b.published.Store(&position{at.journal, at.sequence})
	return at, nil
}

// catchUp publishes all that the journal has beyond what the hub has.
func (b *Bridge) catchUp(ctx context.Context, at *course) error {
	for {
		page, err := b.list(ctx, at.position)
		if daemonSays(err, codes.OutOfRange, codes.InvalidArgument) {
			if err = b.otherJournal(ctx, at); err == nil {
				continue
			}
		}
		if err != nil {
			return err
		}
		if page.GetJournalId() != at.journal { // it had published nothing yet
			at.position = position{journal: page.GetJournalId()}
		}
		events := page.GetEvents()
		if len(events) == 0 {
			if page.GetLastSequence() > at.sequence { // all of them were discarded between
				return fmt.Errorf("the journal is at %d and gives nothing after %d", page.GetLastSequence(),
					at.sequence)
			}
			return nil
		}
		for _, e := range events {
			if err := b.event(ctx, at, e); err != nil {
				return err
			}
		}
	}
}

func (b *Bridge) list(ctx context.Context, after position) (*facetdv1.ListEventsResponse, error) {
	ctx, cancel := context.WithTimeout(ctx, 10*time.Second)
	defer cancel()
	return b.events.ListEvents(ctx, &facetdv1.ListEventsRequest{AfterSequence: &after.sequence,
		JournalId: after.journal, PageSize: eventPage})
}

// otherJournal goes on in another journal than the hub has events of. After a crash it may hold the same events under
// another name: those are not published again. What may be lacking is told as a gap.
func (b *Bridge) otherJournal(ctx context.Context, at *course) error {
	had := at.position
	next := position{}
	for {
		page, err := b.list(ctx, next)
		if err != nil {
			return err
		}
		next.journal = page.GetJournalId()
		if len(page.GetEvents()) == 0 { // nothing new yet: go on behind all that there is
			break
		}
		begin := -1
		for i, other := range page.GetEvents() {
			if isNew(at.newest, other) {
				begin = i
				break
			}
			next.sequence = other.GetSequence()
		}
		if begin >= 0 {
			break
		}
	}
	gap := &fleetv1.EventGap{AfterSequence: had.sequence, BeforeSequence: next.sequence + 1,
		Reason: "the daemon has another journal than before, as after a crash or without a folder for data"}
	if seen := b.lastSeen(had.journal); seen > had.sequence && next.sequence < seen {
		gap.Events = seen - max(had.sequence, next.sequence)
	}
	at.position = next
	return b.gap(ctx, at, gap)
}

// isNew reports whether an event of another journal is none of those up to the newest message that the hub has.
func isNew(newest *fleetv1.RobotEvent, other *facetdv1.Event) bool {
	at := other.GetTime().AsTime()
	switch w := newest.GetWhat().(type) {
	case *fleetv1.RobotEvent_Event:
		had := w.Event.GetTime().AsTime()
		return at.After(had) || at.Equal(had) && other.GetSequence() > w.Event.GetSequence()
	case *fleetv1.RobotEvent_Gap:
		// Numbers go on in a journal that a crash has left, and those before the gap are not given anew.
		return other.GetSequence() >= w.Gap.GetBeforeSequence() || at.After(w.Gap.GetTime().AsTime())
	}
	return true
}

// lastSeen is the number of the newest event of a journal that the bridge knows of.
func (b *Bridge) lastSeen(journal string) uint64 {
	b.mu.Lock()
	defer b.mu.Unlock()
	return b.ends[journal]
}

// stream publishes events as they happen until one does not follow the one before: then they are listed.
func (b *Bridge) stream(ctx context.Context, at *course) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s, err := b.events.StreamEvents(ctx, &facetdv1.StreamEventsRequest{AfterSequence: &at.sequence,
		JournalId: at.journal})
	if err != nil {
		return err
	}
	for {
		r, err := s.Recv()
		if daemonSays(err, codes.OutOfRange) {
			return nil // another journal: listing finds out
		}
		if err != nil {
			return err
		}
		if r.GetEvent().GetSequence() != at.sequence+1 || r.GetJournalId() != at.journal {
			return nil
		}
		if err := b.event(ctx, at, r.GetEvent()); err != nil {
			return err
		}
	}
}

// event publishes one event, and before it the gap between it and the one before.
func (b *Bridge) event(ctx context.Context, at *course, e *facetdv1.Event) error {
	if n := e.GetSequence() - at.sequence - 1; n > 0 {
		if err := b.gap(ctx, at, &fleetv1.EventGap{AfterSequence: at.sequence, BeforeSequence: e.GetSequence(),
			Events: n, Exact: true, Reason: "the journal no longer has them"}); err != nil {
			return err
		}
	}
	err := b.publish(ctx, at, strconv.FormatUint(e.GetSequence(), 10),
		&fleetv1.RobotEvent{Robot: b.cfg.Robot, JournalId: at.journal, What: &fleetv1.RobotEvent_Event{Event: e}},
		e.GetSequence())
	if err == nil {
		b.sent.Add(1)
	}
	return err
}

func (b *Bridge) gap(ctx context.Context, at *course, g *fleetv1.EventGap) error {
	g.Time = timestamppb.Now()
	err := b.publish(ctx, at, fmt.Sprintf("gap-%d-%d", g.GetAfterSequence(), g.GetBeforeSequence()),
		&fleetv1.RobotEvent{Robot: b.cfg.Robot, JournalId: at.journal, What: &fleetv1.RobotEvent_Gap{Gap: g}},
		g.GetBeforeSequence()-1)
	if err == nil {
		b.gaps.Add(1)
	}
	return err
}

// publish stores one message of the robot's and waits for the acknowledgement. Its id keeps the hub from storing it
// twice; the number that the message before it must have does so where the hub has forgotten the id, and keeps two
// bridges of one name from mixing.
func (b *Bridge) publish(ctx context.Context, at *course, id string, e *fleetv1.RobotEvent, sequence uint64) error {
	data, err := proto.Marshal(e)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, acknowledge)
	defer cancel()
	m := nats.NewMsg(subject.Event(b.cfg.Robot))
	m.Data = data
	ack, err := b.cfg.Hub.Publish(ctx, m, jetstream.WithExpectStream(subject.Events),
		jetstream.WithMsgID(subject.Escape(b.cfg.Robot)+"/"+e.GetJournalId()+"/"+id),
		jetstream.WithExpectLastSequencePerSubject(at.number))
	if err != nil {
		return fmt.Errorf("event %s: %w", id, err)
	}
	if ack.Duplicate {
		return fmt.Errorf("event %s: the hub has it already", id)
	}
	at.newest, at.number, at.sequence = e, ack.Sequence, sequence
	b.published.Store(&position{at.journal, sequence})
	return nil
}
