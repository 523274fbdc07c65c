package dial

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
)

// sentAgain are the methods whose requests are sent again where the connection breaks. The daemon remembers them over a
// restart too, so that each is done once; others it remembers for as long as it runs.
var sentAgain = []string{"ApplyTasks", "CreateTask", "UpdateTask", "DeleteTask"}

// again has gRPC send requests again: four times at most, within a second or so, and never after their deadline.
func again() grpc.DialOption {
	names := make([]string, len(sentAgain))
	for i, method := range sentAgain {
		names[i] = fmt.Sprintf(`{"service": "facetd.v1.TaskService", "method": %q}`, method)
	}
	return grpc.WithDefaultServiceConfig(fmt.Sprintf(`{"methodConfig": [{"name": [%s], "retryPolicy": {
		"maxAttempts": 4, "initialBackoff": "0.1s", "maxBackoff": "0.5s", "backoffMultiplier": 2,
		"retryableStatusCodes": ["UNAVAILABLE"]}}]}`, strings.Join(names, ", ")))
}

// identify gives a request an id that can have one and has none, so that the daemon does it once however often it
// comes.
func identify(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn,
	invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	if m, is := request.(proto.Message); is {
		request = identified(m)
	}
	return invoke(ctx, method, request, reply, conn, options...)
}

// identified is a request with an id. The caller's own is not changed: sent once more it is another request.
func identified(m proto.Message) proto.Message {
	fd := m.ProtoReflect().Descriptor().Fields().ByName("request_id")
	if fd == nil || fd.Kind() != protoreflect.StringKind || m.ProtoReflect().Get(fd).String() != "" {
		return m
	}
	out := proto.Clone(m)
	out.ProtoReflect().Set(fd, protoreflect.ValueOfString(rand.Text()))
	return out
}
