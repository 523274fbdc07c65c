package api

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/protoadapt"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/daemon/access"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/exclusive"
	"facetd.example/daemon/stream"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/selectword"
)

// A status travels in the trailers, which many clients bound at 8 KiB, details in
// base64: what is longer is cut short, and says so.
const (
	maxMessageBytes = 1500
	maxDetailBytes  = 3000
)

// Kinds of failed preconditions, in PreconditionFailure.violations.type; refusals
// of plans use the name of their reason.
const (
	preconditionDisturbs = "DISTURBS"
	preconditionNoGap    = "NO_GAP"
	preconditionSelect   = "REFUSAL_REASON_SELECT"
)

// statusOf is the one place where errors of the daemon become gRPC statuses:
//
//	invalid.Errors                       INVALID_ARGUMENT, BadRequest
//	*scheduler.RefusalError                  FAILED_PRECONDITION, PreconditionFailure and Refusal
//	*program.DisturbError                  FAILED_PRECONDITION, PreconditionFailure
//	*dispatch.NoGapError                     FAILED_PRECONDITION, PreconditionFailure
//	*selectword.UnreachableError, ClashError FAILED_PRECONDITION, PreconditionFailure
//	*dispatch.NotFoundError                  NOT_FOUND, ResourceInfo
//	*dispatch.ExistsError                    ALREADY_EXISTS, ResourceInfo
//	*dispatch.StoppedError                   UNAVAILABLE
//	*stream.ClosedError                      UNAVAILABLE
//	stream.ErrFull, *dispatch.BusyError      RESOURCE_EXHAUSTED
//	context.DeadlineExceeded, Canceled       DEADLINE_EXCEEDED, CANCELLED
//	*access.RefusedError                     UNAUTHENTICATED or PERMISSION_DENIED, ErrorInfo
//	*exclusive.TakenError                    ABORTED
//	a gRPC status                            itself
//	anything else                            INTERNAL
func statusOf(a *chipmodel.Array, err error) error {
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
	st := status.New(code, shorten(message, maxMessageBytes))
	detailed, attachErr := st.WithDetails(fitting(details)...)
	if attachErr != nil {
		return st.Err()
	}
	return detailed.Err()
}

// StatusOf is statusOf for services registered through Config.More.
func StatusOf(a *chipmodel.Array, err error) error { return statusOf(a, err) }

func classify(a *chipmodel.Array, err error) (codes.Code, []protoadapt.MessageV1) {
	var (
		errs        invalid.Errors
		refusal     *scheduler.RefusalError
		disturb     *program.DisturbError
		noGap       *dispatch.NoGapError
		unreachable *selectword.UnreachableError
		clash       *selectword.ClashError
		notFound    *dispatch.NotFoundError
		exists      *dispatch.ExistsError
		stopped     *dispatch.StoppedError
		closed      *stream.ClosedError
		busy        *dispatch.BusyError
		taken       *exclusive.TakenError
		refused     *access.RefusedError
	)
	switch {
	case errors.As(err, &errs):
		return codes.InvalidArgument, one(badRequest(errs))
	case errors.As(err, &refusal):
		r := refusal.Refusal
		return codes.FailedPrecondition, append(one(precondition(r.GetReason().String(), r.GetTask(), r.GetMessage())), protoadapt.MessageV1Of(r))
	case errors.As(err, &disturb):
		subject := disturb.Task
		if subject == "" {
			subject = strings.Join(disturb.Chips, ", ")
		}
		return codes.FailedPrecondition, one(precondition(preconditionDisturbs, subject, disturb.Reason))
	case errors.As(err, &noGap):
		return codes.FailedPrecondition, one(precondition(preconditionNoGap, "timetable", noGap.Reason))
	case errors.As(err, &unreachable):
		chip, blocking := a.Chips[unreachable.Chip].Name, strings.Join(a.ChipNames(unreachable.Blocking), ", ")
		return codes.FailedPrecondition, one(precondition(preconditionSelect, chip,
			fmt.Sprintf("no select word reaches chip %s without %s: every line that they need is active then; add them to the target", chip, blocking)))
	case errors.As(err, &clash):
		chips := strings.Join(a.ChipNames(clash.Chips), ", ")
		return codes.FailedPrecondition, one(precondition(preconditionSelect, chips,
			fmt.Sprintf("no select words reach each of %s exactly once; split the target into several", chips)))
	case errors.As(err, &notFound):
		return codes.NotFound, one(&errdetails.ResourceInfo{ResourceType: notFound.What, ResourceName: notFound.Name, Description: notFound.Error()})
	case errors.As(err, &exists):
		return codes.AlreadyExists, one(&errdetails.ResourceInfo{ResourceType: exists.What, ResourceName: exists.Name, Description: exists.Error()})
	case errors.As(err, &stopped), errors.As(err, &closed):
		return codes.Unavailable, nil
	case errors.Is(err, stream.ErrFull), errors.As(err, &busy):
		return codes.ResourceExhausted, nil
	case errors.As(err, &refused):
		code := codes.Unauthenticated
		if refused.Known() {
			code = codes.PermissionDenied
		}
		return code, one(&errdetails.ErrorInfo{Reason: strings.ToUpper(string(refused.Reason)), Domain: "facetd.example"})
	case errors.As(err, &taken):
		return codes.Aborted, nil
	case errors.Is(err, context.DeadlineExceeded):
		return codes.DeadlineExceeded, nil
	case errors.Is(err, context.Canceled):
		return codes.Canceled, nil
	}
	return codes.Internal, nil
}

func one(m proto.Message) []protoadapt.MessageV1 {
	return []protoadapt.MessageV1{protoadapt.MessageV1Of(m)}
}

func precondition(kind, subject, description string) *errdetails.PreconditionFailure {
	return &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{
		Type: kind, Subject: shorten(subject, maxDetailBytes/4), Description: shorten(description, maxDetailBytes/4),
	}}}
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
		v := &errdetails.BadRequest_FieldViolation{Field: m.Path, Description: shorten(description, maxDetailBytes/4)}
		if room -= proto.Size(v) + 4; room < 100 && i < len(errs)-1 {
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
	room := maxDetailBytes + 1000
	for i, d := range details {
		if room -= proto.Size(protoadapt.MessageV2Of(d)); room < 0 && i > 0 {
			return details[:i]
		}
	}
	return details
}

// shorten cuts a text at a rune's start and says so.
func shorten(s string, limit int) string {
	const more = " ..."
	if len(s) <= limit {
		return s
	}
	return strings.ToValidUTF8(s[:limit-len(more)], "") + more
}

// known is a hint that lists the names there are.
func known(names []string) string {
	const most = 8
	switch {
	case len(names) == 0:
		return "there are none"
	case len(names) > most:
		return "known: " + strings.Join(names[:most], ", ") + ", ..."
	}
	return "known: " + strings.Join(names, ", ")
}
