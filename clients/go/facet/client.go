package facet

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net/netip"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
)

// maxMessage bounds one message from the daemon, in bytes: its own bound.
const maxMessage = 1 << 30

// Options of a connection. The zero value suits a daemon on this machine.
type Options struct {
	// TLS secures the connection; nil means none, which is for loopback addresses and
	// Unix sockets.
	TLS *tls.Config
	// Token is sent with every call; empty means none. It takes TLS, or a daemon on this
	// machine.
	Token string
	// Timeout bounds every call that is not a stream and has no deadline of its own; 0
	// means 30 s.
	Timeout time.Duration
	// Now is the clock that ages of frames are measured with; nil means time.Now. Package
	// facettest sets it to the time of its virtual array.
	Now func() time.Time
	// Lockstep has streams read the wire only while a program waits for a frame set, so that
	// package facettest can have bus time stand still otherwise. Elsewhere it makes frames
	// older than they need be.
	Lockstep bool
	// DialOptions go to gRPC last.
	DialOptions []grpc.DialOption
}

// Client is a connection to one daemon. Its methods may be called from any goroutine.
type Client struct {
	conn     *grpc.ClientConn
	timeout  time.Duration
	now      func() time.Time
	lockstep bool

	array  facetdv1.ArrayServiceClient
	status facetdv1.StatusServiceClient
	tasks  facetdv1.TaskServiceClient
	frames facetdv1.FrameServiceClient
	plans  facetdv1.PlanServiceClient
	sends  facetdv1.CommandServiceClient
}

// Connect returns a client of the daemon at an address, HOST:PORT or unix:PATH. It does
// not wait for the daemon: the first call does. Close it when done. The error says what
// is wrong with the options.
func Connect(address string, o Options) (*Client, error) {
	if strings.TrimSpace(address) == "" {
		return nil, errors.New("no address of a daemon: give HOST:PORT or unix:PATH")
	}
	dial := []grpc.DialOption{
		// No proxy: the daemon is on this machine or beside it.
		grpc.WithNoProxy(),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxMessage)),
		grpc.WithTransportCredentials(insecure.NewCredentials()),
		// gRPC's own pauses begin at a second, which is long for a robot.
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 100 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 5 * time.Second},
			MinConnectTimeout: 5 * time.Second,
		}),
	}
	if o.TLS != nil {
		dial = append(dial, grpc.WithTransportCredentials(credentials.NewTLS(o.TLS)))
	}
	if o.Token != "" {
		if o.TLS == nil && !onThisMachine(address) {
			return nil, fmt.Errorf("a token would go to %s in the clear: give TLS", address)
		}
		dial = append(dial, grpc.WithPerRPCCredentials(bearer{o.Token, o.TLS != nil}))
	}
	conn, err := grpc.NewClient(address, append(dial, o.DialOptions...)...)
	if err != nil {
		return nil, fmt.Errorf("address %q: %w", address, err)
	}
	c := &Client{
		conn: conn, timeout: o.Timeout, now: o.Now, lockstep: o.Lockstep,
		array:  facetdv1.NewArrayServiceClient(conn),
		status: facetdv1.NewStatusServiceClient(conn),
		tasks:  facetdv1.NewTaskServiceClient(conn),
		frames: facetdv1.NewFrameServiceClient(conn),
		plans:  facetdv1.NewPlanServiceClient(conn),
		sends:  facetdv1.NewCommandServiceClient(conn),
	}
	if c.timeout <= 0 {
		c.timeout = 30 * time.Second
	}
	if c.now == nil {
		c.now = time.Now
	}
	return c, nil
}

// onThisMachine reports whether what goes to an address stays on this machine.
func onThisMachine(address string) bool {
	if strings.HasPrefix(address, "unix:") || strings.HasPrefix(address, "passthrough:") {
		return true
	}
	host, _, _ := strings.Cut(address, ":")
	if at, err := netip.ParseAddrPort(address); err == nil {
		return at.Addr().Unmap().IsLoopback()
	}
	return host == "localhost"
}

// bearer sends a token with every call (RFC 6750).
type bearer struct {
	token  string
	secure bool
}

func (b bearer) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.token}, nil
}

func (b bearer) RequireTransportSecurity() bool { return b.secure }

// Close ends the connection and every stream on it.
func (c *Client) Close() error { return c.conn.Close() }

// Conn is the connection, for services that have no method here: hand it to the New...
// functions of package facetdv1.
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// limited gives a call its time limit.
func (c *Client) limited(ctx context.Context) (context.Context, context.CancelFunc) {
	if _, has := ctx.Deadline(); has {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, c.timeout)
}

// call makes one call with its time limit and an error that can be acted on.
func call[Q, R any](ctx context.Context, c *Client, method func(context.Context, Q, ...grpc.CallOption) (R, error), request Q) (R, error) {
	ctx, cancel := c.limited(ctx)
	defer cancel()
	r, err := method(ctx, request)
	return r, explain(err)
}
