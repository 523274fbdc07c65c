package api

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"facetd.example/daemon/status"
)

// leaveLimit is how long the handler of a stream whose caller lost its role has to end before the
// stream is cut. It is well within access.EndOfStreamLimit.
const leaveLimit = time.Second

// guarded are the options that let the gate judge every call, before anything else
// sees it.
func (s *Server) guarded() []grpc.ServerOption {
	if s.cfg.Access == nil {
		return nil
	}
	return []grpc.ServerOption{
		grpc.Creds(s.cfg.Access.Credentials()),
		grpc.ChainUnaryInterceptor(s.admitUnary),
		grpc.ChainStreamInterceptor(s.admitStream),
	}
}

func (s *Server) admitUnary(ctx context.Context, r any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any,
	error) {
	ctx, _, err := s.cfg.Access.Admit(ctx, info.FullMethod)
	if err != nil {
		return nil, status.Of(s.cfg.Array, err)
	}
	return handler(ctx, r)
}

// admitStream also ends the stream when its caller loses its role.
func (s *Server) admitStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo,
	handler grpc.StreamHandler) error {
	ctx, caller, err := s.cfg.Access.Admit(ss.Context(), info.FullMethod)
	if err != nil {
		return status.Of(s.cfg.Array, err)
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ended := make(chan error, 1)
	go func() { ended <- handler(srv, &admitted{ss, ctx}) }()
	lost := make(chan error, 1)
	go func() { lost <- s.cfg.Access.Watch(ctx, caller, info.FullMethod) }()
	select {
	case err := <-ended:
		return err
	case why := <-lost:
		if why == nil { // the client went away; the handler sees that itself
			return <-ended
		}
		cancel()
		select {
		case <-ended:
		case <-time.After(leaveLimit):
			// It waits to send to a client that does not read; the end of the stream wakes
			// it.
		}
		return status.Of(s.cfg.Array, why)
	}
}

// admitted is a stream whose context also ends when its caller loses the right.
type admitted struct {
	grpc.ServerStream
	ctx context.Context
}

func (a *admitted) Context() context.Context { return a.ctx }
