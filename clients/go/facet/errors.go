package facet

import (
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Error is what a daemon answered instead of doing what it was asked. Find it with
// errors.As; errors.Is finds context.DeadlineExceeded and context.Canceled in it.
type Error struct {
	// Code is gRPC's code, such as codes.FailedPrecondition.
	Code codes.Code
	// Message is one sentence for people.
	Message string
	// Fields are the validation errors of the request.
	Fields []InvalidField
	// Conditions say what stands in the way, such as a held chip.
	Conditions []Condition
	// Refusal says why tasks do not fit and what would; nil where it is not about that.
	Refusal *facetdv1.Refusal

	cause error
}

// InvalidField is one validation error of a request.
type InvalidField struct {
	// Field is its place, such as "task.target.group"; empty where it has none.
	Field string
	// Description says what is wrong, with a hint.
	Description string
}

// Condition is one thing that stands in the way of a request.
type Condition struct {
	// Type is a constant, such as "NO_GAP".
	Type string
	// Subject is what it is about, such as the name of a task.
	Subject string
	// Description is one sentence.
	Description string
}

// Error is the message with every validation error on a line of its own.
func (e *Error) Error() string {
	lines := []string{e.Message}
	if e.Message == "" {
		lines[0] = e.Code.String()
	}
	for _, m := range e.Fields {
		line := m.Description
		if m.Field != "" {
			line = m.Field + ": " + line
		}
		if !strings.Contains(e.Message, line) {
			lines = append(lines, line)
		}
	}
	return strings.Join(lines, "\n")
}

// Unwrap is the error of gRPC.
func (e *Error) Unwrap() error { return e.cause }

// Is makes errors.Is find the errors of package context.
func (e *Error) Is(target error) bool {
	return target == context.DeadlineExceeded && e.Code == codes.DeadlineExceeded ||
		target == context.Canceled && e.Code == codes.Canceled
}

// IsStopped reports whether an error says that somebody has stopped the array: nothing drives it until it is resumed.
func IsStopped(err error) bool {
	var e *Error
	return errors.As(err, &e) &&
		slices.ContainsFunc(e.Conditions, func(c Condition) bool { return c.Type == "SAFE_STOP" })
}

// IsConflict reports whether an error says that something has changed since it was read, such as the tasks since the
// revision or the etag that a change names: nothing was done, and it is to be read anew.
func IsConflict(err error) bool {
	var e *Error
	return errors.As(err, &e) && e.Code == codes.Aborted
}

// GRPCStatus is the status that the daemon gave.
func (e *Error) GRPCStatus() *status.Status { return status.Convert(e.cause) }

// explain makes an error of gRPC an *Error; others stay.
func explain(err error) error {
	if err == nil {
		return nil
	}
	var already *Error
	s, is := status.FromError(err)
	if !is || errors.As(err, &already) {
		return err
	}
	e := &Error{Code: s.Code(), Message: s.Message(), cause: err}
	for _, d := range s.Details() {
		switch d := d.(type) {
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				e.Fields = append(e.Fields, InvalidField{v.GetField(), v.GetDescription()})
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				e.Conditions = append(e.Conditions, Condition{v.GetType(), v.GetSubject(), v.GetDescription()})
			}
		case *facetdv1.Refusal:
			e.Refusal = d
		}
	}
	return e
}

// explainUnary gives every call errors that can be acted on.
func explainUnary(ctx context.Context, method string, q, r any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker,
	o ...grpc.CallOption) error {
	return explain(invoke(ctx, method, q, r, conn, o...))
}

// explainStream gives every stream errors that can be acted on.
func explainStream(ctx context.Context, d *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer,
	o ...grpc.CallOption) (grpc.ClientStream, error) {
	s, err := open(ctx, d, conn, method, o...)
	if err != nil {
		return nil, explain(err)
	}
	return explained{s}, nil
}

// explained is a stream whose errors can be acted on; io.EOF stays.
type explained struct{ grpc.ClientStream }

func (s explained) Header() (metadata.MD, error) {
	md, err := s.ClientStream.Header()
	return md, explain(err)
}

func (s explained) SendMsg(m any) error { return explain(s.ClientStream.SendMsg(m)) }

func (s explained) RecvMsg(m any) error { return explain(s.ClientStream.RecvMsg(m)) }

// lost reports whether an error means that the daemon went away, or was not there yet,
// and may come back. What gRPC says of a call that was given up here is not what counts.
func lost(err error) bool {
	var e *Error
	return errors.As(err, &e) && e.Code == codes.Unavailable
}
