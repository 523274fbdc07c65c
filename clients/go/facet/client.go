package facet

import (
	"context"
	"crypto/tls"
	"errors"
	"strings"
	"time"

	"google.golang.org/grpc"

	"facetd.example/api/dial"
	facetdv1 "facetd.example/api/facetd/v1"
)

// Options of a connection. The zero value suits a daemon on this machine.
type Options struct {
	// TLS secures the connection; nil means none, which is for loopback addresses and
	// Unix sockets.
	TLS *tls.Config
	// Token is sent with every call; empty means none. It takes TLS, or a daemon on this
	// machine.
	Token string
	// Timeout limits every call that is not a stream and has no deadline of its own; 0
	// means 30 s.
	Timeout time.Duration
	// Clock is what ages of frames are measured with; nil means time.Now. Package facettest sets it to the time of its
	// virtual array. Those of streams from a daemon on this machine in real time go by the monotonic clock instead.
	Clock func() time.Time
	// DialOptions go to gRPC last.
	DialOptions []grpc.DialOption
}

// Client is a connection to one daemon. Its methods may be called from any goroutine.
type Client struct {
	conn    *grpc.ClientConn
	timeout time.Duration
	clock   func() time.Time

	array  facetdv1.ArrayServiceClient
	status facetdv1.StatusServiceClient
	tasks  facetdv1.TaskServiceClient
	frames facetdv1.FrameServiceClient
	plans  facetdv1.PlanServiceClient
	sends  facetdv1.CommandServiceClient
	stops  facetdv1.SafeStopServiceClient
	scenes facetdv1.SceneServiceClient

	lockstep facetdv1.LockstepServiceClient
}

// Connect returns a client of the daemon at an address, HOST:PORT or unix:PATH. It does
// not wait for the daemon: the first call does. Close it when done. The error says what
// is wrong with the options.
func Connect(address string, o Options) (*Client, error) {
	if strings.TrimSpace(address) == "" {
		return nil, errors.New("no address of a daemon: give HOST:PORT or unix:PATH")
	}
	conn, err := dial.New(address, dial.Options{TLS: o.TLS, Token: o.Token, More: append([]grpc.DialOption{
		grpc.WithChainUnaryInterceptor(explainUnary), grpc.WithChainStreamInterceptor(explainStream),
	}, o.DialOptions...)})
	if err != nil {
		return nil, err
	}
	c := &Client{
		conn: conn, timeout: o.Timeout, clock: o.Clock,
		array:  facetdv1.NewArrayServiceClient(conn),
		status: facetdv1.NewStatusServiceClient(conn),
		tasks:  facetdv1.NewTaskServiceClient(conn),
		frames: facetdv1.NewFrameServiceClient(conn),
		plans:  facetdv1.NewPlanServiceClient(conn),
		sends:  facetdv1.NewCommandServiceClient(conn),
		stops:  facetdv1.NewSafeStopServiceClient(conn),
		scenes: facetdv1.NewSceneServiceClient(conn),

		lockstep: facetdv1.NewLockstepServiceClient(conn),
	}
	if c.timeout <= 0 {
		c.timeout = 30 * time.Second
	}
	if c.clock == nil {
		c.clock = time.Now
	}
	return c, nil
}

// Close ends the connection and every stream on it.
func (c *Client) Close() error { return c.conn.Close() }

// Conn is the connection, for services that have no method here: hand it to the New...
// functions of package facetdv1. Their errors are *Error too.
func (c *Client) Conn() *grpc.ClientConn { return c.conn }

// limited gives a call its time limit.
func (c *Client) limited(ctx context.Context) (context.Context, context.CancelFunc) {
	if _, has := ctx.Deadline(); has {
		return context.WithCancel(ctx)
	}
	return context.WithTimeout(ctx, c.timeout)
}

// call makes one call with its time limit.
func call[Q, R any](ctx context.Context, c *Client, method func(context.Context, Q, ...grpc.CallOption) (R, error),
	request Q) (R, error) {
	ctx, cancel := c.limited(ctx)
	defer cancel()
	return method(ctx, request)
}
