// Package hub connects to the hub of a fleet, a NATS server with JetStream or several: with a key, TLS, pings that find
// a dead link within seconds, reconnects that do not come all at once, and acknowledgements that are checked.
package hub

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nkeys"

	"facetd.example/clients/facetfleet/internal/subject"
)

const (
	// ping is how often an idle link is tried; it counts as dead when two are not answered.
	ping = 2 * time.Second
	// write is how long the hub may take nothing before the link counts as dead.
	write = 2 * time.Second
	// dial is how long one try to connect may take: a hub that is stopped accepts and says nothing.
	dial = 2 * time.Second
	// longest is the longest pause between two tries.
	longest = 2 * time.Second
)

// Options of a connection.
type Options struct {
	// URLs of the hub's nodes, such as nats://hub:4222 or tls://hub:4222.
	URLs []string
	// Seed is the key to show; empty for a hub that asks for none.
	Seed []byte
	// TLS secures the connection; nil means none.
	TLS *tls.Config
	// Name is shown in the hub's list of connections.
	Name string
	// Wait makes Connect return at once and try for ever where the hub is away; otherwise that is an error.
	Wait bool
	// Log takes a line where something happens to the connection; nil means nobody does.
	Log func(string)
}

// Conn is a connection to the hub. Its methods may be called from any goroutine.
type Conn struct {
	// NC is the connection.
	NC *nats.Conn
	// JS is JetStream on it.
	JS jetstream.JetStream

	log func(string)

	mu      sync.Mutex
	denied  map[string]string               // subjects that were denied, with what the hub said
	waiting map[string]map[*waiter]struct{} // by subject
	changed chan struct{}                   // closed and replaced whenever the connection is made anew
}

type waiter struct{ cancel context.CancelCauseFunc }

// DeniedError says that the key of this connection is not allowed a subject.
type DeniedError struct{ Text string }

func (e *DeniedError) Error() string { return "the hub does not allow it: " + e.Text }

// Connect connects to a hub. Errors: what is wrong with the options, and the hub away where it is not waited for.
func Connect(o Options) (*Conn, error) {
	c := &Conn{log: o.Log, denied: map[string]string{}, waiting: map[string]map[*waiter]struct{}{},
		changed: make(chan struct{})}
	if c.log == nil {
		c.log = func(string) {}
	}
	options, err := c.options(o)
	if err != nil {
		return nil, err
	}
	if c.NC, err = nats.Connect(strings.Join(o.URLs, ","), options...); err != nil {
		return nil, fmt.Errorf("the hub at %s: %w", strings.Join(o.URLs, ", "), plain(err))
	}
	if c.JS, err = jetstream.New(c.NC, jetstream.WithDefaultTimeout(5*time.Second)); err != nil {
		c.NC.Close()
		return nil, err
	}
	return c, nil
}

func (c *Conn) options(o Options) ([]nats.Option, error) {
	options := []nats.Option{
		nats.Name(o.Name), nats.MaxReconnects(-1), nats.PingInterval(ping), nats.MaxPingsOutstanding(2),
		nats.FlusherTimeout(write), nats.Timeout(dial), nats.CustomReconnectDelay(pause),
		// What could not be sent is not kept: when it went it would no longer be what is now.
		nats.ReconnectBufSize(-1), nats.RetryOnFailedConnect(o.Wait), nats.IgnoreAuthErrorAbort(),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) { c.failed(err) }),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil {
				c.log("the hub is away: " + err.Error())
			}
		}),
		nats.ConnectHandler(func(nc *nats.Conn) { c.connected(nc, o.Wait) }),
		nats.ReconnectHandler(func(nc *nats.Conn) { c.connected(nc, true) }),
	}
	if o.TLS != nil {
		options = append(options, nats.Secure(o.TLS))
	}
	if len(o.Seed) > 0 {
		pair, err := nkeys.FromSeed(o.Seed)
		if err != nil {
			return nil, fmt.Errorf("the key: %w", err)
		}
		public, err := pair.PublicKey()
		if err != nil {
			return nil, fmt.Errorf("the key: %w", err)
		}
		// Answers to one key go where no other may listen.
		options = append(options, nats.Nkey(public, pair.Sign), nats.CustomInboxPrefix(subject.Inbox(public)))
	}
	return options, nil
}

// pause is how long to wait before the next round of tries: longer each time, and never the same for two robots, so
// that a hub that comes back is not met by all of them at once.
func pause(attempts int) time.Duration {
	most := min(longest, 200*time.Millisecond<<min(attempts, 10))
	return most/2 + rand.N(most/2)
}

// connected takes note of a new connection, and says so to people where it was waited for.
func (c *Conn) connected(nc *nats.Conn, say bool) {
	c.mu.Lock()
	close(c.changed)
	c.changed = make(chan struct{})
	clear(c.denied) // the hub may have been configured anew
	c.mu.Unlock()
	if say {
		c.log("connected to the hub at " + nc.ConnectedUrlRedacted())
	}
}

// Changed is closed when the connection is made anew after the call.
func (c *Conn) Changed() <-chan struct{} {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.changed
}

// failed takes what the hub says of something that nobody waits for an answer to: a subject that is not allowed is
// answered so, and whoever waits for an acknowledgement would wait for its time-out.
func (c *Conn) failed(err error) {
	if !errors.Is(err, nats.ErrPermissionViolation) {
		c.log("the hub: " + err.Error())
		return
	}
	text := err.Error()
	if _, after, found := strings.Cut(text, "permissions violation: "); found {
		text = after
	}
	denied := quoted(text)
	if strings.HasPrefix(denied, subject.Inbox("")) {
		// An answer that came after its time, or over another connection than the question: the key may be right.
		c.log("the hub: " + text)
		return
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.denied[denied] = text
	for w := range c.waiting[denied] {
		w.cancel(&DeniedError{Text: text})
	}
}

// quoted is what stands between the first two quotes of a text.
func quoted(text string) string {
	_, after, _ := strings.Cut(text, `"`)
	inside, _, _ := strings.Cut(after, `"`)
	return inside
}

// Denied is what the hub said of what it did not allow since the connection was made; empty where it allowed all.
func (c *Conn) Denied() string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return strings.Join(slices.Sorted(maps.Values(c.denied)), "; ")
}

// await returns a context that also ends when the hub denies a subject.
func (c *Conn) await(ctx context.Context, subject string) (context.Context, func()) {
	ctx, cancel := context.WithCancelCause(ctx)
	w := &waiter{cancel: cancel}
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.waiting[subject] == nil {
		c.waiting[subject] = map[*waiter]struct{}{}
	}
	c.waiting[subject][w] = struct{}{}
	return ctx, func() {
		cancel(nil)
		c.mu.Lock()
		defer c.mu.Unlock()
		if delete(c.waiting[subject], w); len(c.waiting[subject]) == 0 {
			delete(c.waiting, subject)
		}
	}
}

// Publish stores a message in the stream of its subject and returns once the hub has acknowledged it. Errors:
// *DeniedError, what the hub says, and that of ctx.
func (c *Conn) Publish(ctx context.Context, m *nats.Msg, o ...jetstream.PublishOpt) (*jetstream.PubAck, error) {
	ctx, done := c.await(ctx, m.Subject)
	defer done()
	ack, err := c.JS.PublishMsg(ctx, m, o...)
	return ack, cause(ctx, err)
}

// Request sends a message and returns the answer. Errors: *DeniedError, nats.ErrNoResponders where nobody listens, and
// that of ctx.
func (c *Conn) Request(ctx context.Context, subject string, data []byte) (*nats.Msg, error) {
	ctx, done := c.await(ctx, subject)
	defer done()
	m, err := c.NC.RequestWithContext(ctx, subject, data)
	return m, cause(ctx, err)
}

// cause is why an error came: what the hub denied, before that a context ended.
func cause(ctx context.Context, err error) error {
	var denied *DeniedError
	if err != nil && errors.As(context.Cause(ctx), &denied) {
		return denied
	}
	return err
}

// Newest is a message that a stream has stored, with its number in the stream.
type Newest struct {
	Data     []byte
	Sequence uint64
	Time     time.Time
}

// ErrNone is the error of a subject of which a stream has nothing.
var ErrNone = errors.New("there is none")

// Newest asks a stream for its newest message of a subject by the subject that subject.Newest made of them. Errors:
// ErrNone, and those of Request.
func (c *Conn) Newest(ctx context.Context, ask string) (*Newest, error) {
	m, err := c.Request(ctx, ask, nil)
	if err != nil {
		return nil, err
	}
	switch status := m.Header.Get("Status"); status {
	case "":
	case "404":
		return nil, ErrNone
	default:
		return nil, fmt.Errorf("the hub answers %s %s", status, m.Header.Get("Description"))
	}
	n := &Newest{Data: m.Data}
	if _, err := fmt.Sscan(m.Header.Get(jetstream.SequenceHeader), &n.Sequence); err != nil {
		return nil, fmt.Errorf("the hub's number of a message: %w", err)
	}
	if n.Time, err = time.Parse(time.RFC3339Nano, m.Header.Get(jetstream.TimeStampHeaer)); err != nil {
		return nil, fmt.Errorf("the hub's time of a message: %w", err)
	}
	return n, nil
}

// Ping waits until the hub has taken all that was sent, and has said what it denies of it.
func (c *Conn) Ping(ctx context.Context) error { return c.NC.FlushWithContext(ctx) }

// Close ends the connection.
func (c *Conn) Close() { c.NC.Close() }

// plain says what to do about an error of a connection.
func plain(err error) error {
	switch {
	case errors.Is(err, nats.ErrNoServers):
		return errors.New("nobody answers there; is the hub running?")
	case errors.Is(err, nats.ErrAuthorization):
		return errors.New("it does not know the key")
	}
	return err
}
