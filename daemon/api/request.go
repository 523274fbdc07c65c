package api

import (
	"context"
	"errors"
	"io"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/encoding"
	encodingproto "google.golang.org/grpc/encoding/proto"
	"google.golang.org/grpc/mem"

	"facetd.example/api/invalid"
	"facetd.example/daemon/access"
	"facetd.example/daemon/status"
)

const (
	// RequestLimit is how long a request may take to arrive, from when its headers did.
	RequestLimit = 10 * time.Second
	// MaxReceiving is how many requests of callers with one role are received at once; a further one waits for
	// receiveWait, and is then refused. It bounds the memory that requests take which do not end.
	MaxReceiving = 32
	receiveWait  = time.Second
)

// decoding is what the codec is given in the place of a request, since gRPC would call what cannot be decoded a fault
// of ours.
type decoding struct {
	into any
	err  error
}

// requestCodec is the codec of protobuf, which keeps what is wrong with a request.
type requestCodec struct{ encoding.CodecV2 }

func newCodec() requestCodec { return requestCodec{encoding.GetCodecV2(encodingproto.Name)} }

func (c requestCodec) Unmarshal(data mem.BufferSlice, v any) error {
	d, is := v.(*decoding)
	if !is {
		return c.CodecV2.Unmarshal(data, v)
	}
	d.err = c.CodecV2.Unmarshal(data, d.into)
	return nil
}

// receiving limits the requests that are being received, of each role.
type receiving [access.Operator + 1]chan struct{}

func newReceiving() (r receiving) {
	for i := range r {
		r[i] = make(chan struct{}, MaxReceiving)
	}
	return r
}

// receive has a request received by recv, which decodes what came into m. The errors are typed ones of this daemon, but
// those of gRPC about what is no message. When the request takes too long recv goes on until the call has ended, which
// ends with the error.
func (s *Server) receive(ctx context.Context, method string, recv func(any) error, m any) error {
	timer := time.NewTimer(RequestLimit)
	defer timer.Stop()
	if err := s.placeToReceive(ctx, method); err != nil {
		return err
	}
	type outcome struct {
		d   decoding
		err error
	}
	done := make(chan outcome, 1)
	caller, _ := access.CallerOf(ctx)
	go func() {
		defer func() { <-s.receiving[caller.Role] }()
		o := outcome{d: decoding{into: m}}
		o.err = recv(&o.d)
		done <- o
	}()
	select {
	case o := <-done:
		if o.err != nil {
			return badFraming(ctx, o.err)
		}
		return judge(&o.d)
	case <-timer.C:
		return s.cfg.Access.RefuseRequest(ctx, access.SlowRequest, method, "the request did not arrive within %v",
			RequestLimit)
	}
}

func (s *Server) placeToReceive(ctx context.Context, method string) error {
	caller, _ := access.CallerOf(ctx)
	places := s.receiving[caller.Role]
	select {
	case places <- struct{}{}:
		return nil
	default:
	}
	timer := time.NewTimer(receiveWait)
	defer timer.Stop()
	select {
	case places <- struct{}{}:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return s.cfg.Access.RefuseRequest(ctx, access.TooManyRequests, method,
			"%d requests are being received and none has arrived; try again", MaxReceiving)
	}
}

// judge finds what is wrong with a request whatever it asks for.
func judge(d *decoding) error {
	if d.err != nil {
		return undecodable(d.err)
	}
	return texts(d.into)
}

// undecodable is the error of a request whose bytes are no message of its type.
func undecodable(err error) error {
	return invalid.Errors{{Message: "the request cannot be decoded: " + err.Error(),
		Hint: "is it of another version of the schema?"}}
}

// badFraming is the error of a request that ended before it was whole, or was none.
func badFraming(ctx context.Context, err error) error {
	if errors.Is(err, io.EOF) {
		return invalid.Errors{{Message: "the call ended without a request", Hint: "send one before ending it"}}
	}
	if code := status.CodeOf(err); ctx.Err() == nil && (code == codes.Internal || code == codes.Unknown) {
		return undecodable(err)
	}
	return err
}

// admittedRegistrar registers services whose calls are judged by their headers before anything of a request is
// received.
// gRPC would receive the request of a call of one answer first.
type admittedRegistrar struct {
	*grpc.Server
	s *Server
}

func (r admittedRegistrar) RegisterService(d *grpc.ServiceDesc, impl any) {
	changed := *d
	changed.Methods = make([]grpc.MethodDesc, len(d.Methods))
	for i, m := range d.Methods {
		changed.Methods[i] = grpc.MethodDesc{MethodName: m.MethodName,
			Handler: r.s.admitUnary("/"+d.ServiceName+"/"+m.MethodName, m.Handler)}
		r.s.served["/"+d.ServiceName+"/"+m.MethodName] = true
	}
	for _, m := range d.Streams {
		r.s.served["/"+d.ServiceName+"/"+m.StreamName] = true
	}
	r.Server.RegisterService(&changed, impl)
}

func (s *Server) admitUnary(method string, handler grpc.MethodHandler) grpc.MethodHandler {
	return func(srv any, ctx context.Context, recv func(any) error, interceptor grpc.UnaryServerInterceptor) (any,
		error) {
		ctx, _, end, err := s.admit(ctx, method)
		if err != nil {
			return nil, err
		}
		defer end()
		receive := func(m any) error { return status.Of(s.cfg.Array, s.receive(ctx, method, recv, m)) }
		return handler(srv, ctx, receive, interceptor)
	}
}

// received is a stream whose first request is received within a limit.
type received struct {
	grpc.ServerStream
	s      *Server
	ctx    context.Context // also ends when the caller loses its role
	method string
	begun  bool
}

func (r *received) Context() context.Context { return r.ctx }

func (r *received) RecvMsg(m any) error {
	if !r.begun {
		r.begun = true
		return r.s.receive(r.ctx, r.method, r.ServerStream.RecvMsg, m)
	}
	d := decoding{into: m}
	if err := r.ServerStream.RecvMsg(&d); err != nil {
		return err
	}
	return judge(&d)
}
