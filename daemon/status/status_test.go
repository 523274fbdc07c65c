package status

import (
	"encoding/base64"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
)

// wire is how many bytes the trailers of a status have: its message, what is not printable ASCII as three bytes, and
// all of it with the details in base64 (the gRPC protocol over HTTP/2).
func wire(st *status.Status) int {
	n := base64.RawStdEncoding.EncodedLen(proto.Size(st.Proto()))
	for _, b := range []byte(st.Message()) {
		if n++; b < ' ' || b > '~' || b == '%' {
			n += 2
		}
	}
	return n
}

// A status reaches clients that take 8 KiB of trailers, however much is wrong.
func TestStatusesStaySmall(t *testing.T) {
	var many invalid.Errors
	for i := range 5000 {
		many.Add(fmt.Sprintf("tasks[%d].name", i), strings.Repeat("é", i), "a hint")
	}
	big := &facetdv1.Refusal{Message: strings.Repeat("m", 20_000), Task: strings.Repeat("t", 9_000)}
	long := strings.Repeat("n", 50_000)
	var deep invalid.Errors
	deep.Add("fields."+long, "is not known", "")
	var last invalid.Errors // the last error does not fit any more
	for i := range 3 {
		last.Add(fmt.Sprintf("fields.%d%s", i, long), long, "")
	}
	for name, err := range map[string]error{
		"last": last, "percent": &failure.Exhausted{Message: strings.Repeat("%", 9_000)},
		"not found": &failure.NotFound{What: long, Name: long}, "exists": &failure.Exists{What: "task", Name: long},
		"precondition": &failure.Precondition{Kind: "K", Subject: long, Message: long}, "deep": deep,
		"errors": many, "refusal": &scheduler.RefusalError{Refusal: big},
		"text": errors.New(strings.Repeat("ü", 9_000)),
	} {
		st := status.Convert(Of(nil, err))
		if n := wire(st); n > 7000 || n < 1000 {
			t.Errorf("%s: %d bytes", name, n)
		}
		const says = "(its Refusal is too large to be sent)"
		if strings.HasSuffix(st.Message(), says) != (name == "refusal") {
			t.Errorf("%s: %q", name, st.Message()[max(len(st.Message())-60, 0):])
		}
		if name == "text" || name == "percent" {
			continue
		}
		if len(st.Details()) == 0 {
			t.Errorf("%s: no details left", name)
		}
		if b, is := st.Details()[0].(*errdetails.BadRequest); is && name == "errors" {
			n := len(b.GetFieldViolations())
			if want := fmt.Sprintf("and %d more errors", 5000-n+1); n < 10 ||
				b.GetFieldViolations()[n-1].GetDescription() != want {
				t.Errorf("%d violations, the last is %v; want %q", n, b.GetFieldViolations()[n-1], want)
			}
		}
	}
	if Of(nil, nil) != nil {
		t.Error("no error became one")
	}
}
