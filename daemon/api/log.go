package api

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"

	"facetd.example/api/invalid"
)

func (s *Server) logUnary(ctx context.Context, r any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any,
	error) {
	defer s.called()()
	begin := time.Now()
	resp, err := handler(ctx, r)
	s.logError(ctx, info.FullMethod, begin, err)
	return resp, err
}

// called tells of a call, and returns what tells that it is over.
func (s *Server) called() (over func()) {
	if s.cfg.Called == nil {
		return func() {}
	}
	return s.cfg.Called()
}

func (s *Server) logStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo,
	handler grpc.StreamHandler) error {
	defer s.called()()
	begin := time.Now()
	err := handler(srv, ss)
	s.logError(ss.Context(), info.FullMethod, begin, err)
	return err
}

func (s *Server) recoverUnary(ctx context.Context, r any, info *grpc.UnaryServerInfo,
	handler grpc.UnaryHandler) (resp any, err error) {
	defer s.recovered(info.FullMethod, &err)
	return handler(ctx, r)
}

func (s *Server) recoverStream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo,
	handler grpc.StreamHandler) (err error) {
	defer s.recovered(info.FullMethod, &err)
	return handler(srv, ss)
}

// errDefect is the message that a caller gets after a panic.
var errDefect = errors.New("a defect of the daemon; its log has the details")

// recovered turns a panic of a handler into an error of its call: a defect that one
// request shows must not end the daemon, whose bus then stops for everybody.
func (s *Server) recovered(method string, err *error) {
	if p := recover(); p != nil {
		s.log.Error("panic", zap.String("method", method), zap.Any("panic", p), zap.StackSkip("stack", 2))
		*err = errDefect
	}
}

// logError logs how a call failed: our own faults as errors, what the client can act
// on as information, and calls that ended because someone went away for debugging.
func (s *Server) logError(ctx context.Context, method string, begin time.Time, err error) {
	if err == nil {
		return
	}
	st := status.Convert(err)
	level := zapcore.InfoLevel
	switch st.Code() {
	case codes.Internal, codes.Unknown, codes.DataLoss, codes.Unimplemented:
		level = zapcore.ErrorLevel
	case codes.Canceled, codes.Unavailable:
		level = zapcore.DebugLevel
	}
	entry := s.log.Check(level, "call failed")
	if entry == nil {
		return
	}
	entry.Write(zap.String("method", method), zap.Stringer("code", st.Code()), zap.String("error", st.Message()),
		zap.String("peer", caller(ctx)), zap.Duration("took", time.Since(begin)))
}

// caller is where a call comes from.
func caller(ctx context.Context) string {
	if p, ok := peer.FromContext(ctx); ok {
		return p.Addr.String()
	}
	return "unknown"
}

// under prefixes the paths of errors with a field.
func under(field string, err error) error {
	var m invalid.Errors
	if errors.As(err, &m) {
		return m.Under(field)
	}
	return err
}
