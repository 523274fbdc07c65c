package api

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"facetd.example/api/invalid"
	"facetd.example/daemon/access"
	"facetd.example/daemon/retry"
)

// requestIDField is the field by which a request says that it may be sent again.
const requestIDField protoreflect.Name = "request_id"

// onceUnary does requests that carry an id once, however often they are sent. It comes after the judgment of the
// caller, who is a part of what the answer is kept under.
func (s *Server) onceUnary(ctx context.Context, r any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any,
	error) {
	id := requestID(r)
	if id == "" {
		return handler(ctx, r)
	}
	if len(id) > retry.MaxID {
		return nil, invalid.Errors{{Path: string(requestIDField), Message: fmt.Sprintf("it has %d bytes", len(id)),
			Hint: fmt.Sprintf("use at most %d, such as a UUID", retry.MaxID)}}
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(r.(proto.Message))
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(append([]byte(info.FullMethod+"\x00"), data...))
	who, _ := access.CallerOf(ctx)
	request := retry.Request{Caller: who.Name, ID: id, Digest: hex.EncodeToString(sum[:])}
	return s.once.Do(ctx, request, func(ctx context.Context) (any, error) { return handler(ctx, r) })
}

// requestID is the id that a request carries; empty where it has none.
func requestID(r any) string {
	m, is := r.(proto.Message)
	if !is {
		return ""
	}
	fd := m.ProtoReflect().Descriptor().Fields().ByName(requestIDField)
	if fd == nil || fd.Kind() != protoreflect.StringKind {
		return ""
	}
	return m.ProtoReflect().Get(fd).String()
}

// sizeOf is how many bytes an answer takes as a message, which is near to what it takes in memory.
func sizeOf(answer any) int {
	m, is := answer.(proto.Message)
	if !is {
		return 0
	}
	return proto.Size(m)
}
