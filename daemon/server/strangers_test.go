package server

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/access"
	"facetd.example/daemon/config"
)

// rawCodec sends bytes as they are.
type rawCodec struct{}

func (rawCodec) Marshal(v any) ([]byte, error) { return v.([]byte), nil }
func (rawCodec) Unmarshal([]byte, any) error   { return nil }
func (rawCodec) Name() string                  { return "proto" }

// callRaw calls every method of every service; send does with a call's stream what it likes.
func callRaw(t *testing.T, g *guarded, ctx context.Context, conn grpc.ClientConnInterface,
	send func(grpc.ClientStream) error, each func(method string, err error)) {
	t.Helper()
	for _, service := range g.api.Services() {
		d, err := protoregistry.GlobalFiles.FindDescriptorByName(protoreflect.FullName(service))
		if err != nil {
			t.Fatalf("%s: %v", service, err)
		}
		all := d.(protoreflect.ServiceDescriptor).Methods()
		for i := range all.Len() {
			method := "/" + service + "/" + string(all.Get(i).Name())
			ctx, cancel := context.WithTimeout(ctx, patience)
			stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method,
				grpc.ForceCodec(rawCodec{}))
			if err == nil {
				if err = send(stream); err == nil || errors.Is(err, io.EOF) {
					err = stream.RecvMsg(nil)
				}
			}
			cancel()
			each(method, err)
		}
	}
}

// TestHeadersAreJudgedFirst: whoever may not call a method learns so before a byte of the request was sent.
func TestHeadersAreJudgedFirst(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, func(c *Setup, _ *guarded) { c.Tasks = config.None })
	look := bearer(t.Context(), g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour)))
	g.reload(t)
	conn := g.dial(t)
	nothing := func(grpc.ClientStream) error { return nil }
	callRaw(t, g, t.Context(), conn, nothing, func(method string, err error) {
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s by nobody: %v", method, err)
		}
	})
	// Of a viewer only what an operator may: the rest waits for the request.
	for _, method := range []string{facetdv1.TaskService_CreateTask_FullMethodName,
		facetdv1.ProbeService_ProbeSelects_FullMethodName} {
		ctx, cancel := context.WithTimeout(look, patience)
		stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true, ClientStreams: true}, method,
			grpc.ForceCodec(rawCodec{}))
		if err != nil {
			t.Fatal(err)
		}
		if err := stream.RecvMsg(nil); status.Code(err) != codes.PermissionDenied {
			t.Errorf("%s by a viewer: %v", method, err)
		}
		cancel()
	}
}

// TestBytesThatAreNoRequest: of those that cannot be decoded whoever may call learns that the fault is in the request,
// and whoever may not learns that he may not.
func TestBytesThatAreNoRequest(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, func(c *Setup, _ *guarded) { c.Tasks = config.None })
	look := bearer(t.Context(), g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour)))
	operate := bearer(t.Context(), g.tokens.Add("driver", access.Operator, time.Now().Add(time.Hour)))
	g.reload(t)
	conn := g.dial(t)
	garbage := func(s grpc.ClientStream) error {
		if err := s.SendMsg([]byte{0xff, 0xff, 0xff}); err != nil {
			return err
		}
		return s.CloseSend()
	}
	callRaw(t, g, t.Context(), conn, garbage, func(method string, err error) {
		if status.Code(err) != codes.Unauthenticated {
			t.Errorf("%s by nobody: %v", method, err)
		}
	})
	callRaw(t, g, look, conn, garbage, func(method string, err error) {
		want := codes.InvalidArgument
		if role, _ := access.MethodRole(method); role == access.Operator {
			want = codes.PermissionDenied
		}
		if status.Code(err) != want {
			t.Errorf("%s by a viewer: %v", method, err)
		}
	})
	callRaw(t, g, operate, conn, garbage, func(method string, err error) {
		st := status.Convert(err)
		if st.Code() != codes.InvalidArgument || !strings.Contains(st.Message(), "cannot be decoded") ||
			len(st.Details()) != 1 {
			t.Errorf("%s by an operator: %v", method, err)
		} else if _, is := st.Details()[0].(*errdetails.BadRequest); !is {
			t.Errorf("%s by an operator: details %v", method, st.Details())
		}
	})
}

// TestMethodsThatThereAreNot tell what is served to nobody but those with a role.
func TestMethodsThatThereAreNot(t *testing.T) {
	t.Parallel()
	g := startGuarded(t, func(c *Setup, _ *guarded) { c.Tasks = config.None })
	look := bearer(t.Context(), g.tokens.Add("watcher", access.Viewer, time.Now().Add(time.Hour)))
	g.reload(t)
	conn := g.dial(t)
	for _, method := range []string{"/facetd.v1.TaskService/FormatTask", "/facetd.v2.TaskService/GetTask"} {
		for who, c := range map[string]struct {
			ctx  context.Context
			want codes.Code
		}{"nobody": {t.Context(), codes.Unauthenticated}, "a viewer": {look, codes.Unimplemented}} {
			err := conn.Invoke(c.ctx, method, &facetdv1.GetTaskRequest{}, &facetdv1.GetTaskResponse{})
			if status.Code(err) != c.want {
				t.Errorf("%s by %s: %v", method, who, err)
			}
		}
	}
}
