package api

import (
	"context"
	"time"

	"google.golang.org/grpc"

	"facetd.example/daemon/access"
	"facetd.example/daemon/status"
)

// leaveLimit is how long the handler of a stream whose caller lost its role has to end before the
// stream is cut. It is well within access.EndOfStreamLimit.
const leaveLimit = time.Second

// admit lets the gate judge a call, before anything else sees it: by its headers, before any of its request is
// received.
// This is done where a handler would begin and not in gRPC's tap, since a call that a tap refuses keeps the timer of
// its deadline, which a stranger may set to a thousand years.
func (s *Server) admit(ctx context.Context, method string) (_ context.Context, c access.Caller, end func(), _ error) {
	if s.cfg.Access == nil {
		return ctx, c, func() {}, nil
	}
	ctx, c, end, err := s.cfg.Access.Admit(ctx, method)
	return ctx, c, end, status.Of(s.cfg.Array, err)
}

// unknown answers calls of methods that there are not.
func (s *Server) unknown(_ any, ss grpc.ServerStream) error {
	method, _ := grpc.MethodFromServerStream(ss)
	if s.cfg.Access != nil {
		_, end, err := s.cfg.Access.AdmitUnknown(ss.Context(), method)
		if err != nil {
			return status.Of(s.cfg.Array, err)
		}
		end()
	}
	return status.Unserved(method)
}

// admitStream also ends the stream when its caller loses its role.
func (s *Server) admitStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo,
	handler grpc.StreamHandler) error {
	if !s.served[info.FullMethod] {
		return handler(srv, ss)
	}
	ctx, caller, end, err := s.admit(ss.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	defer end()
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	ss = &received{ServerStream: ss, s: s, ctx: ctx, method: info.FullMethod}
	if s.cfg.Access == nil {
		return handler(srv, ss)
	}
	ended := make(chan error, 1)
	go func() { ended <- handler(srv, ss) }()
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
