package hub

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"facetd.example/clients/facetfleet/internal/subject"
)

// Values calls f with the newest value of every key of a bucket that a pattern takes. It reads by a reader of the
// hub's that has a name: a key of the hub can be granted one of one pattern, and so one's own values alone. Errors:
// *DeniedError, those of the hub, of ctx and of f.
func (c *Conn) Values(ctx context.Context, bucket, keys, reader string, f func(key string, data []byte) error) error {
	ctx, cancel := context.WithTimeout(ctx, 30*time.Second)
	defer cancel()
	stream, filter := subject.BucketStream(bucket), subject.InBucket(bucket, keys)
	create := "$JS.API.CONSUMER.CREATE." + stream + "." + reader + "." + filter
	ctx, done := c.await(ctx, create)
	defer done()
	// One that an earlier run left stands where that had come.
	if err := c.JS.DeleteConsumer(ctx, stream, reader); err != nil &&
		!errors.Is(err, jetstream.ErrConsumerNotFound) {
		return cause(ctx, err)
	}
	consumer, err := c.JS.CreateConsumer(ctx, stream, jetstream.ConsumerConfig{Name: reader, FilterSubject: filter,
		DeliverPolicy: jetstream.DeliverLastPerSubjectPolicy, AckPolicy: jetstream.AckNonePolicy,
		InactiveThreshold: time.Minute, MemoryStorage: true, Replicas: 1})
	if err != nil {
		return cause(ctx, err)
	}
	for waiting := consumer.CachedInfo().NumPending; waiting > 0; {
		batch, err := consumer.Fetch(int(min(waiting, 200)), jetstream.FetchContext(ctx))
		if err != nil {
			return cause(ctx, err)
		}
		before := waiting
		for m := range batch.Messages() {
			waiting--
			if len(m.Data()) == 0 { // a key that was deleted
				continue
			}
			if err := f(strings.TrimPrefix(m.Subject(), subject.InBucket(bucket, "")), m.Data()); err != nil {
				return fmt.Errorf("%s: %w", m.Subject(), err)
			}
		}
		if err := batch.Error(); err != nil || waiting == before {
			return cause(ctx, errors.Join(err, errors.New("the hub has not sent all values")))
		}
	}
	return nil
}

// Delete deletes a key of a bucket. With a revision it does so where that is the newest; otherwise 0.
func (c *Conn) Delete(ctx context.Context, bucket, key string, revision uint64) error {
	m := nats.NewMsg(subject.InBucket(bucket, key))
	m.Header.Set("KV-Operation", "DEL")
	var o []jetstream.PublishOpt
	if revision > 0 {
		o = append(o, jetstream.WithExpectLastSequencePerSubject(revision))
	}
	_, err := c.Publish(ctx, m, o...)
	return err
}
