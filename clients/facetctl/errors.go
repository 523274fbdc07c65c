package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// callError is an error that the daemon gave, or that kept us from it.
type callError struct {
	Message    string          `json:"error"`
	Code       string          `json:"code"`
	Violations []violation     `json:"violations,omitempty"`
	Refusal    json.RawMessage `json:"refusal,omitempty"`
	lines      []string
}

// violation is one thing wrong with a request.
type violation struct {
	Field       string `json:"field,omitempty"`
	Description string `json:"description"`
}

func (e *callError) Error() string {
	return strings.Join(append([]string{e.Message}, e.lines...), "\n")
}

// ErrorJSON is the error as --output json prints it.
func (e *callError) ErrorJSON() any { return e }

// explain turns an error of gRPC into one that says what to do; other errors stay.
func (a *app) explain(err error) error {
	if err == nil {
		return nil
	}
	s, ok := status.FromError(err)
	code := s.Code()
	if !ok || code == codes.OK {
		switch {
		case errors.Is(err, context.DeadlineExceeded):
			code = codes.DeadlineExceeded
		case errors.Is(err, context.Canceled):
			code = codes.Canceled
		default:
			return err
		}
	}
	e := &callError{Code: constant(code), Message: s.Message()}
	switch code {
	case codes.Unavailable:
		e.Message = fmt.Sprintf("the daemon at %s is not there or went away: %s", a.to.Address, dialError(s.Message()))
	case codes.DeadlineExceeded:
		e.Message = fmt.Sprintf("no answer from %s within %s", a.to.Address, a.timeout)
	case codes.Canceled:
		e.Message = "interrupted"
	case codes.Unimplemented:
		e.Message = fmt.Sprintf("the daemon at %s does not know this request: %s", a.to.Address, s.Message())
		e.lines = append(e.lines, "do facetctl and facetd have the same version?")
	}
	for _, d := range s.Details() {
		e.detail(d)
	}
	e.lines = append(e.lines, a.to.Hints(code, s.Message(), time.Now())...)
	return e
}

func (e *callError) detail(d any) {
	switch d := d.(type) {
	case *errdetails.BadRequest:
		for _, v := range d.GetFieldViolations() {
			e.add(v.GetField(), v.GetDescription())
		}
	case *errdetails.PreconditionFailure:
		for _, v := range d.GetViolations() {
			if v.GetDescription() == e.Message {
				e.Violations = append(e.Violations, violation{v.GetSubject(), v.GetDescription()})
				continue // it is the error's message already
			}
			e.add(v.GetSubject(), v.GetDescription())
		}
	case *facetdv1.Refusal:
		lines := cli.RefusalLines(d)
		if d.GetMessage() == e.Message {
			lines = lines[1:] // it is the error's message already
		}
		e.lines = append(e.lines, lines...)
		e.Refusal, _ = cli.Raw(d)
	}
}

func (e *callError) add(field, description string) {
	e.Violations = append(e.Violations, violation{field, description})
	line := description
	if field != "" {
		line = field + ": " + description
	}
	// A daemon that lists its errors in the message too would say all twice.
	if !strings.Contains(e.Message, line) {
		e.lines = append(e.lines, line)
	}
}

// constant is a code as the gRPC documentation writes it, FAILED_PRECONDITION.
func constant(c codes.Code) string {
	var b strings.Builder
	for i, r := range c.String() {
		if i > 0 && r >= 'A' && r <= 'Z' {
			b.WriteByte('_')
		}
		b.WriteRune(r)
	}
	return strings.ToUpper(b.String())
}

// dialError takes the cause out of gRPC's message about a failed connection.
func dialError(message string) string {
	const marker = "Error while dialing: "
	if i := strings.LastIndex(message, marker); i >= 0 {
		return strings.TrimSuffix(message[i+len(marker):], `"`)
	}
	return message
}
