// Package status is the only maker of gRPC statuses in the daemon: services return their
// rooms' own errors, and the interceptors here turn them into statuses on their way out.
// It has nothing to do with the daemon's state, which StatusService tells.
package status

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"strings"

	"connectrpc.com/connect"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/access"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/selectword"
)

// A status travels in the trailers, which many clients limit to 8 KiB (a client in Python takes what is longer for a
// broken stream): the message, in which what is no ASCII takes three bytes each, and once more with the details in
// base64. What is longer is cut short, and says so. Together: 1000 + 4/3 (1000 + 2800 + 500) bytes at most.
const (
	maxMessageBytes = 1000 // as it is encoded
	maxDetailBytes  = 2800
	moreDetailBytes = 500 // of all details together, beyond the first
)

// domain is that of the reasons in ErrorInfo.
const domain = "facetd.example"

// Kinds of failed preconditions, in PreconditionFailure.violations.type, beside those of
// package failure; refusals of plans use the name of their reason.
const (
	preconditionDisturbs = "DISTURBS"
	preconditionSelect   = "REFUSAL_REASON_SELECT"
)

// Unary gives the errors of calls their statuses. The array names chips in messages.
func Unary(a *chipmodel.Array) grpc.UnaryServerInterceptor {
	return func(ctx context.Context, r any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
		answer, err := handler(ctx, r)
		return answer, Of(a, err)
	}
}

// Stream gives the errors of streams their statuses. The array names chips in messages.
func Stream(a *chipmodel.Array) grpc.StreamServerInterceptor {
	return func(srv any, ss grpc.ServerStream, _ *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
		return Of(a, handler(srv, ss))
	}
}

// Of is the status of an error, nil for nil:
//
//	invalid.Errors                           INVALID_ARGUMENT, BadRequest
//	*scheduler.RefusalError                  FAILED_PRECONDITION, PreconditionFailure and Refusal
//	*program.DisturbError                    FAILED_PRECONDITION, PreconditionFailure
//	*selectword.UnreachableError, ClashError FAILED_PRECONDITION, PreconditionFailure
//	*failure.Precondition                    FAILED_PRECONDITION, PreconditionFailure
//	*failure.NotFound                        NOT_FOUND, ResourceInfo
//	*failure.Exists                          ALREADY_EXISTS, ResourceInfo
//	*failure.Reused                          ALREADY_EXISTS, ResourceInfo of the request_id
//	*failure.Stale                           ABORTED, ErrorInfo of reason STALE with what there is
//	*failure.OutOfRange                      OUT_OF_RANGE
//	*failure.InProgress                      ABORTED
//	*failure.Exhausted                       RESOURCE_EXHAUSTED
//	*failure.Unavailable                     UNAVAILABLE
//	*access.RefusedError                     UNAUTHENTICATED, PERMISSION_DENIED or, of a request that
//	                                         does not arrive, DEADLINE_EXCEEDED; ErrorInfo
//	context.DeadlineExceeded, Canceled       DEADLINE_EXCEEDED, CANCELLED
//	a gRPC status                            itself
//	anything else                            INTERNAL
func Of(a *chipmodel.Array, err error) error {
	if err == nil {
		return nil
	}
	if _, is := status.FromError(err); is {
		return err
	}
	code, details := classify(a, err)
	message := err.Error()
	for _, d := range details {
		if p, is := d.(*errdetails.PreconditionFailure); is {
			message = p.GetViolations()[0].GetDescription()
		}
	}
	kept, note := fitting(details), ""
	if left := details[len(kept):]; len(left) > 0 {
		note = fmt.Sprintf(" (its %s is too large to be sent)",
			protoadapt.MessageV2Of(left[0]).ProtoReflect().Descriptor().Name())
	}
	st := status.New(code, shortenEncoded(message, maxMessageBytes-len(note))+note)
	detailed, attachErr := st.WithDetails(kept...)
	if attachErr != nil {
		return st.Err()
	}
	return detailed.Err()
}

// BadWebRequest is the error of a request over HTTP that cannot be read. The library there
// takes connect's errors, and calls others unknown ones.
func BadWebRequest(err error) error { return connect.NewError(connect.CodeInvalidArgument, err) }

// Unserved is the status of a call of a method that there is not.
func Unserved(method string) error {
	return status.Errorf(codes.Unimplemented, "this daemon has no method %s", shorten(method, maxMessageBytes/2))
}

// CodeOf is the code of an error of gRPC's own.
func CodeOf(err error) codes.Code { return status.Code(err) }

func classify(a *chipmodel.Array, err error) (codes.Code, []protoadapt.MessageV1) {
	var (
		errs     invalid.Errors
		notFound *failure.NotFound
		exists   *failure.Exists
		stale    *failure.Stale
		reused   *failure.Reused
		refused  *access.RefusedError
	)
	if p, refusal := failedPrecondition(a, err); p != nil {
		details := one(&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{p}})
		if refusal != nil {
			details = append(details, protoadapt.MessageV1Of(refusal))
		}
		return codes.FailedPrecondition, details
	}
	switch {
	case errors.As(err, &errs):
		return codes.InvalidArgument, one(badRequest(errs))
	case errors.As(err, &notFound):
		return codes.NotFound, resource(notFound.What, notFound.Name, err)
	case errors.As(err, &exists):
		return codes.AlreadyExists, resource(exists.What, exists.Name, err)
	case errors.As(err, &reused):
		return codes.AlreadyExists, resource("request_id", reused.ID, err)
	case errors.As(err, &stale):
		return codes.Aborted, one(&errdetails.ErrorInfo{Reason: "STALE", Domain: domain, Metadata: map[string]string{
			"what": stale.What, "name": shorten(stale.Name, maxDetailBytes/4),
			"given": shorten(stale.Given, maxDetailBytes/4), "current": stale.Current}})
	case errors.As(err, new(*failure.OutOfRange)):
		return codes.OutOfRange, nil
	case errors.As(err, new(*failure.InProgress)):
		return codes.Aborted, nil
	case errors.As(err, new(*failure.Exhausted)):
		return codes.ResourceExhausted, nil
	case errors.As(err, new(*failure.Unavailable)):
		return codes.Unavailable, nil
	case errors.As(err, &refused):
		code := codes.Unauthenticated
		switch {
		case refused.Reason == access.SlowRequest:
			code = codes.DeadlineExceeded
		case refused.Known():
			code = codes.PermissionDenied
		}
		return code, one(&errdetails.ErrorInfo{Reason: strings.ToUpper(string(refused.Reason)),
			Domain: domain})
	case errors.Is(err, context.DeadlineExceeded):
		return codes.DeadlineExceeded, nil
	case errors.Is(err, context.Canceled):
		return codes.Canceled, nil
	}
	return codes.Internal, nil
}

// failedPrecondition is what stands in the way, nil where an error is about something else,
// with the planner's refusal where it is one.
func failedPrecondition(a *chipmodel.Array, err error) (*errdetails.PreconditionFailure_Violation, *facetdv1.Refusal) {
	var (
		refusal     *scheduler.RefusalError
		disturb     *program.DisturbError
		unreachable *selectword.UnreachableError
		clash       *selectword.ClashError
		other       *failure.Precondition
	)
	switch {
	case errors.As(err, &refusal):
		r := refusal.Refusal
		return violation(r.GetReason().String(), r.GetTask(), r.GetMessage()), r
	case errors.As(err, &disturb):
		return violation(preconditionDisturbs, cmp.Or(disturb.Task, strings.Join(disturb.Chips, ", ")), disturb.Reason),
			nil
	case errors.As(err, &unreachable):
		chip, blocking := a.Chips[unreachable.Chip].Name, strings.Join(a.ChipNames(unreachable.Blocking), ", ")
		return violation(preconditionSelect, chip, fmt.Sprintf("no select word reaches chip %s without %s: "+
			"every line that they need is active then; add them to the target", chip, blocking)), nil
	case errors.As(err, &clash):
		chips := strings.Join(a.ChipNames(clash.Chips), ", ")
		return violation(preconditionSelect, chips,
			fmt.Sprintf("no select words reach each of %s exactly once; split the target into several", chips)), nil
	case errors.As(err, &other):
		return violation(other.Kind, other.Subject, err.Error()), nil
	}
	return nil, nil
}

func one(m proto.Message) []protoadapt.MessageV1 {
	return []protoadapt.MessageV1{protoadapt.MessageV1Of(m)}
}

func violation(kind, subject, description string) *errdetails.PreconditionFailure_Violation {
	return &errdetails.PreconditionFailure_Violation{
		Type: kind, Subject: shorten(subject, maxDetailBytes/4), Description: shorten(description, maxDetailBytes/4),
	}
}

func resource(what, name string, err error) []protoadapt.MessageV1 {
	return one(&errdetails.ResourceInfo{ResourceType: shorten(what, maxDetailBytes/4),
		ResourceName: shorten(name, maxDetailBytes/4), Description: shorten(err.Error(), maxDetailBytes/4)})
}

// badRequest holds as many errors as fit, and counts the others.
func badRequest(errs invalid.Errors) *errdetails.BadRequest {
	b := &errdetails.BadRequest{}
	room := maxDetailBytes
	for i, m := range errs {
		description := m.Message
		if m.Hint != "" {
			description += " (" + m.Hint + ")"
		}
		v := &errdetails.BadRequest_FieldViolation{Field: shorten(m.Path, maxDetailBytes/4),
			Description: shorten(description, maxDetailBytes/4)}
		if room -= proto.Size(v) + 4; room < 0 || room < 100 && i < len(errs)-1 {
			b.FieldViolations = append(b.FieldViolations, &errdetails.BadRequest_FieldViolation{
				Description: fmt.Sprintf("and %d more errors", len(errs)-i),
			})
			break
		}
		b.FieldViolations = append(b.FieldViolations, v)
	}
	return b
}

// fitting leaves out details that would not reach the client; the first always
// does.
func fitting(details []protoadapt.MessageV1) []protoadapt.MessageV1 {
	room := maxDetailBytes + moreDetailBytes
	for i, d := range details {
		if room -= proto.Size(protoadapt.MessageV2Of(d)); room < 0 && i > 0 {
			return details[:i]
		}
	}
	return details
}

// shortenEncoded cuts a text so that it has no more bytes than limit where each that is not printable ASCII, and each
// percent sign, takes three.
func shortenEncoded(s string, limit int) string {
	n := 0
	for i := range len(s) {
		if n++; s[i] < ' ' || s[i] > '~' || s[i] == '%' {
			n += 2
		}
		if n > limit {
			return shorten(s, i)
		}
	}
	return s
}

// shorten cuts a text at a rune's start and says so.
func shorten(s string, limit int) string {
	const more = " ..."
	if len(s) <= limit {
		return s
	}
	return strings.ToValidUTF8(s[:limit-len(more)], "") + more
}
