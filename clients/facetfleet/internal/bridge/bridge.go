// Package bridge connects one daemon to the hub of a fleet. It is a client of the daemon like any other, and waits for
// nothing of the hub's while the daemon waits for it: a hub that is lost or hung costs the daemon nothing.
//
// What goes to the hub: the newest status, at an interval and on change; every event of the journal, once and in order,
// with gaps told; frame sets, under a lease alone. Nothing is kept here: the daemon's journal is the spool of events,
// and what the hub has of it the hub says.
package bridge

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

// Config describes a bridge.
type Config struct {
	// Robot is its name at the hub.
	Robot string
	// Daemon is the daemon beside it.
	Daemon *facet.Client
	// Hub is the hub.
	Hub *hub.Conn
	// Interval between two statuses where nothing changes that matters; 0 means 1 s.
	Interval time.Duration
	// FrameBytes a second that all leases may have together; 0 means 1 MiB.
	FrameBytes int64
	// Desired is how often the hub is asked for a desired state, on average; 0 means 5 s.
	Desired time.Duration
	// Uploads of recordings.
	Uploads Uploads
	// Page is the address of the robot's own page; empty where nobody can reach it.
	Page string
	// Version of the program.
	Version string
	// Log takes a line where something happens; nil means nobody does.
	Log func(string)
}

// Bridge runs beside one daemon.
type Bridge struct {
	cfg      Config
	instance string
	events   facetdv1.EventServiceClient
	health   facetdv1.HealthServiceClient
	tasks    facetdv1.TaskServiceClient
	frames   *frames
	uploads  *recordings

	journal   atomic.Pointer[position] // of the daemon, as it was seen last
	published atomic.Pointer[position] // as the hub acknowledged it last; nil before that is known

	statusesLost, sent, gaps, commands atomic.Uint64

	known chan struct{} // closed once the hub has said what it knows of the robot

	mu      sync.Mutex
	changes map[string]*change // prepared or made, by id
	outcome *fleetv1.Outcome
	ends    map[string]uint64 // number of the newest event that was seen of a journal, of the last few journals
}

// position is a place in a journal.
type position struct {
	journal  string
	sequence uint64
}

// New returns a bridge; Run runs it. The error says what is wrong with the configuration.
func New(cfg Config) (*Bridge, error) {
	if err := subject.CheckName(cfg.Robot); err != nil {
		return nil, err
	}
	if cfg.Interval == 0 {
		cfg.Interval = time.Second
	}
	if cfg.Desired == 0 {
		cfg.Desired = 5 * time.Second
	}
	if cfg.FrameBytes == 0 {
		cfg.FrameBytes = 1 << 20
	}
	if cfg.Log == nil {
		cfg.Log = func(string) {}
	}
	conn := cfg.Daemon.Conn()
	b := &Bridge{cfg: cfg, instance: rand.Text(), events: facetdv1.NewEventServiceClient(conn),
		health: facetdv1.NewHealthServiceClient(conn), tasks: facetdv1.NewTaskServiceClient(conn),
		changes: map[string]*change{}, ends: map[string]uint64{},
		known: make(chan struct{})}
	b.journal.Store(&position{})
	b.frames = newFrames(b)
	b.uploads = newRecordings(b, cfg.Uploads)
	return b, nil
}

// hubHas is how far the events have come at the hub, as far as that is known.
func (b *Bridge) hubHas() position {
	if p := b.published.Load(); p != nil {
		return *p
	}
	return position{}
}

// Run runs the bridge until ctx ends. It ends with an error where the hub does not allow what a bridge does, or where
// the daemon cannot be asked for good.
func (b *Bridge) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	subscriptions, err := b.listen(ctx)
	if err != nil {
		return err
	}
	defer func() {
		for _, s := range subscriptions {
			s.Unsubscribe()
		}
	}()
	var all sync.WaitGroup
	for _, f := range []func(context.Context) error{b.check, b.runStatus, b.runEvents, b.frames.run, b.runDesired,
		b.uploads.run} {
		all.Go(func() {
			if err := f(ctx); err != nil {
				cancel(err)
			}
		})
	}
	all.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) {
		return err
	}
	return nil
}

// check finds at the start, and after every new connection, what the key of this bridge is not allowed: it would
// otherwise be noticed as time-outs, or, of frames, never.
func (b *Bridge) check(ctx context.Context) error {
	for {
		changed := b.cfg.Hub.Changed()
		err := b.tryPermissions(ctx)
		var denied *hub.DeniedError
		if errors.As(err, &denied) {
			return err
		}
		if err != nil {
			b.cfg.Log("the hub was not asked for what it allows: " + err.Error())
			if !sleep(ctx, time.Second) {
				return nil
			}
			continue
		}
		select {
		case <-ctx.Done():
			return nil
		case <-changed:
		}
	}
}

// impossible is a number that no message of a stream has: a message that must follow it is checked and not stored.
const impossible = 1 << 62

func (b *Bridge) tryPermissions(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	robot := b.cfg.Robot
	for _, s := range []string{subject.Frame(robot, ""), subject.Thumbnail(robot, "")} {
		if err := b.cfg.Hub.NC.Publish(s, nil); err != nil {
			return err
		}
	}
	stored := []string{subject.Event(robot), subject.InBucket(subject.Status, subject.Key(robot))}
	if b.cfg.Uploads.Store != nil {
		stored = append(stored, subject.InBucket(subject.Recordings, subject.Recording(robot, "", time.Time{})))
	}
	for _, s := range stored {
		_, err := b.cfg.Hub.Publish(ctx, nats.NewMsg(s), jetstream.WithExpectLastSequencePerSubject(impossible))
		if refused := new(jetstream.APIError); err != nil && !(errors.As(err, &refused) &&
			refused.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence) {
			return fmt.Errorf("%s: %w", s, err)
		}
	}
	if err := b.cfg.Hub.Ping(ctx); err != nil {
		return err
	}
	if text := b.cfg.Hub.Denied(); text != "" {
		return &hub.DeniedError{Text: text}
	}
	return nil
}

// sleep waits and reports whether ctx still goes on.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return false
	case <-t.C:
		return true
	}
}
