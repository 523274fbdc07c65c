// Package api serves facetd's gRPC services, standard gRPC health and reflection.
//
// Message size: a frame of 4,096 by 4,096 pixels has 32 MiB, and a frame set holds
// one for every chip of its task, so messages may be far above the 4 MiB that gRPC
// clients accept by default. Clients of large chips must raise their limit
// (grpc.MaxCallRecvMsgSize in Go, "grpc.max_receive_message_length" elsewhere); the
// server sends up to MaxSendBytes and accepts requests up to MaxReceiveBytes.
//
// What waits, and what happens when it is full: frame sets wait in package stream by
// the overflow policy that the client chose; on-demand jobs wait in the dispatcher, which
// refuses them beyond its limit; beyond MaxConcurrentStreams calls on one connection
// the client's further calls wait at the client.
package api

import (
	"maps"
	"net"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	_ "google.golang.org/grpc/encoding/gzip" // so that clients may compress; a request's limit is of what it unpacks to
	"google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/access"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/retry"
	"facetd.example/daemon/status"
	"facetd.example/daemon/stream"
)

// Limits of the server.
const (
	// MaxSendBytes limits one message to a client: 32 frames of the largest chips.
	MaxSendBytes = 1 << 30
	// MaxReceiveBytes limits one request.
	MaxReceiveBytes = 1 << 20
	// MaxConcurrentStreams limits the calls that one connection has open at once.
	MaxConcurrentStreams = 128
	// MinPingInterval is how often a client may ping; one that pings more often is
	// cut off.
	MinPingInterval = 5 * time.Second

	// MaxHeaderBytes limits the headers of a call.
	MaxHeaderBytes = 16 << 10
	// streamWindow is how much of a request is kept that nobody has asked for yet. It does not grow: requests are
	// small.
	streamWindow   = 64 << 10
	HandshakeLimit = access.CallLimit
	// IdleLimit is how long a connection may last on which no call is under way. Clients connect anew with their next.
	IdleLimit         = 15 * time.Minute
	PingAfterIdle     = 30 * time.Second
	PingAnswerLimit   = 10 * time.Second
	healthPollPeriod  = 100 * time.Millisecond
	minStatusInterval = 50 * time.Millisecond
	maxStatusInterval = time.Hour
)

// Info is what the daemon says about itself.
type Info struct {
	Version string
	Bus     string // kind of bus, such as "virtual"
	Pace    facetdv1.Pace
	Seed    uint64
	Started time.Time
	// Name of the daemon; empty where it has none of its own.
	Name string
	// Instance names this run of the daemon.
	Instance string
	// Boot names the boot of the host; empty where it is not known.
	Boot string
}

// Config holds the services' dependencies; all fields but Corrector, SafeStop, Lockstep, Called,
// More and Access are needed.
type Config struct {
	Array    *chipmodel.Array
	Dispatch dispatch.Service
	Hub      *stream.Hub
	Info     Info
	Logger   *zap.Logger
	// Corrector corrects captures; without one corrected codes are refused.
	Corrector Corrector
	// SafeStop is the safe stop that is latched, nil where there is none; nil means that there never is one.
	SafeStop func() *facetdv1.SafeStop
	// Lockstep is how far bus time may go, nil at any other pace; nil means that there is no other.
	Lockstep func() *facetdv1.Lockstep
	// Clock reads the clocks of bus and host at one instant. Errors: that they have no relation.
	Clock func() (*facetdv1.Clock, error)
	// Called, if it is not nil, is told of every call, before it is served; what it returns is called when the call is
	// over.
	Called func() (over func())
	// More registers further services, which share the limits, the log and health.
	More func(grpc.ServiceRegistrar)
	// Access judges every call; nil allows everybody everything. Listeners must be marked by it
	// (access.Gate.Listener).
	Access *access.Gate
}

// Server serves the API on any number of listeners.
type Server struct {
	cfg Config
	log *zap.Logger
	// geometry is that of the array.
	geometry *facetdv1.Geometry
	grpc     *grpc.Server
	// names are the full names of all services, sorted.
	names []string
	// served are the full names of all methods.
	served    map[string]bool
	receiving receiving
	// once are the answers to requests with an id.
	once retry.Book

	drained  chan struct{} // closed by Drain
	draining sync.Once
	reason   string
}

// New returns a server that does not serve yet.
func New(cfg Config) *Server {
	s := &Server{cfg: cfg, log: cfg.Logger, drained: make(chan struct{}), served: map[string]bool{},
		receiving: newReceiving(), once: retry.Book{Size: sizeOf}}
	options := []grpc.ServerOption{
		grpc.MaxSendMsgSize(MaxSendBytes),
		grpc.MaxRecvMsgSize(MaxReceiveBytes),
		grpc.MaxConcurrentStreams(MaxConcurrentStreams),
		grpc.MaxHeaderListSize(MaxHeaderBytes),
		grpc.StaticStreamWindowSize(streamWindow),
		grpc.StaticConnWindowSize(streamWindow),
		grpc.ForceServerCodecV2(newCodec()),
		grpc.UnknownServiceHandler(s.unknown),
		grpc.ConnectionTimeout(HandshakeLimit),
		grpc.KeepaliveParams(keepalive.ServerParameters{MaxConnectionIdle: IdleLimit, Time: PingAfterIdle,
			Timeout: PingAnswerLimit}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: MinPingInterval,
			PermitWithoutStream: true}),
		grpc.ChainUnaryInterceptor(s.logUnary, status.Unary(cfg.Array), s.onceUnary, s.recoverUnary),
		grpc.ChainStreamInterceptor(s.admitStream, s.logStream, status.Stream(cfg.Array), s.recoverStream),
	}
	if cfg.Access != nil {
		options = append(options, grpc.Creds(cfg.Access.Credentials()))
	}
	s.grpc = grpc.NewServer(options...)
	s.geometry = cfg.Array.Geometry()
	r := admittedRegistrar{s.grpc, s}
	facetdv1.RegisterArrayServiceServer(r, &arrayService{s: s})
	facetdv1.RegisterTaskServiceServer(r, &taskService{s: s})
	facetdv1.RegisterPlanServiceServer(r, &planService{s: s})
	facetdv1.RegisterFrameServiceServer(r, &frameService{s: s})
	facetdv1.RegisterCommandServiceServer(r, &commandService{s: s})
	facetdv1.RegisterStatusServiceServer(r, &statusService{s: s})
	grpc_health_v1.RegisterHealthServer(r, &healthService{s: s})
	reflection.Register(r)
	if cfg.More != nil {
		cfg.More(r)
	}
	s.names = slices.Sorted(maps.Keys(s.grpc.GetServiceInfo()))
	return s
}

// Services returns the full names of all services, sorted.
func (s *Server) Services() []string { return slices.Clone(s.names) }

// Serve accepts connections until Stop, and closes the listener. It may be called
// for several listeners at once. It returns nil after Stop.
func (s *Server) Serve(l net.Listener) error { return s.grpc.Serve(l) }

// Drain makes the server report that it is going down: health turns to NOT_SERVING, and everything
// that watches status or health ends. Calls are still answered, and frame streams go on until the
// hub is closed.
func (s *Server) Drain(reason string) {
	s.draining.Do(func() {
		s.reason = reason
		close(s.drained)
	})
}

// Stop refuses new calls, waits up to grace for those that run, and cuts off the
// rest.
func (s *Server) Stop(grace time.Duration) {
	s.Drain("the daemon is going down")
	cut := time.AfterFunc(grace, s.grpc.Stop)
	defer cut.Stop()
	s.grpc.GracefulStop()
	s.once.Close()
}
