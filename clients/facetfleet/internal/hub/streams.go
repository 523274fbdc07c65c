package hub

import (
	"context"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"facetd.example/clients/facetfleet/internal/subject"
)

// Limits are how much the hub stores. They are given in bytes, and are no share of a disk that others fill, too.
type Limits struct {
	// Replicas of everything that is stored: 1, or 3 on a hub of three nodes.
	Replicas int
	// EventBytes of all robots together, oldest discarded first.
	EventBytes int64
	// EventsPerRobot, oldest discarded first, so that a robot with many does not push out those of the others; one
	// whose events are large still can.
	EventsPerRobot int64
	// EventAge after which events are discarded.
	EventAge time.Duration
	// BucketBytes of each bucket.
	BucketBytes int64
}

// duplicates is how long the hub knows the ids of messages. Beyond it what was stored already is noticed by the number
// that the newest message of the robot must have.
const duplicates = 10 * time.Minute

// CreateStreams makes the streams and buckets of a fleet, or changes those that are there to these limits. Errors are
// those of the hub.
func (c *Conn) CreateStreams(ctx context.Context, l Limits) error {
	if _, err := c.JS.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
		Name: subject.Events, Description: "events of robots, and gaps in them",
		Subjects: []string{subject.AllEvents()},
		Replicas: l.Replicas, MaxBytes: l.EventBytes, MaxMsgsPerSubject: l.EventsPerRobot, MaxAge: l.EventAge,
		Discard: jetstream.DiscardOld, Duplicates: min(duplicates, l.EventAge), AllowDirect: true, DenyPurge: true,
		DenyDelete: true,
		Storage:    jetstream.FileStorage, MaxMsgSize: 1 << 20,
	}); err != nil {
		return fmt.Errorf("the stream of events: %w", err)
	}
	for _, b := range []struct{ name, what string }{
		{subject.Status, "the newest status of each robot"},
		{subject.Desired, "what robots are to make of their tasks"},
		{subject.Recordings, "files of recordings, and where they are"},
	} {
		// A bucket made by the client library lets a message remove all others of the bucket (rollup), also one of a
		// key that may write a single subject: one robot could make the hub forget all of them.
		if _, err := c.JS.CreateOrUpdateStream(ctx, jetstream.StreamConfig{
			Name: subject.BucketStream(b.name), Description: b.what,
			Subjects: []string{subject.InBucket(b.name, ">")}, MaxMsgsPerSubject: 1,
			Replicas: l.Replicas, MaxBytes: l.BucketBytes, MaxMsgSize: 1 << 20, Storage: jetstream.FileStorage,
			Discard: jetstream.DiscardNew, DenyDelete: true, AllowDirect: true,
		}); err != nil {
			return fmt.Errorf("the bucket of %s: %w", b.what, err)
		}
	}
	return nil
}
