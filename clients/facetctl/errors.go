package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

// callError is an error that the daemon returned, or that kept us from reaching it.
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

// explain turns an error of the daemon, or of the connection to it, into one that says what to do;
// other errors stay.
func (a *app) explain(err error) error {
	var daemon *facet.Error
	switch {
	case err == nil:
		return nil
	case errors.As(err, &daemon):
	case errors.Is(err, context.DeadlineExceeded):
		daemon = &facet.Error{Code: codes.DeadlineExceeded}
	case errors.Is(err, context.Canceled):
		daemon = &facet.Error{Code: codes.Canceled}
	default:
		return err
	}
	// What wraps the daemon's error stands before its message.
	e := &callError{Code: constant(daemon.Code),
		Message: strings.Replace(err.Error(), daemon.Error(), daemon.Message, 1)}
	switch daemon.Code {
	case codes.Unavailable:
		e.Message = fmt.Sprintf("the daemon at %s is not there or went away: %s", a.to.Address,
			dialError(daemon.Message))
	case codes.DeadlineExceeded:
		e.Message = fmt.Sprintf("no answer from %s within %s", a.to.Address, a.timeout)
	case codes.Canceled:
		e.Message = "interrupted"
	case codes.Unimplemented:
		e.Message = fmt.Sprintf("the daemon at %s does not know this request: %s", a.to.Address, daemon.Message)
		e.lines = append(e.lines, "do 'facetctl version' and 'facetd version' say the same?")
	}
	e.details(daemon)
	e.lines = append(e.lines, a.to.Hints(daemon.Code, daemon.Message, time.Now())...)
	return e
}

// details adds what the daemon said beside its message.
func (e *callError) details(daemon *facet.Error) {
	for _, f := range daemon.Fields {
		e.add(f.Field, f.Description)
	}
	for _, c := range daemon.Conditions {
		if c.Description == e.Message { // it is the error's message already
			e.Violations = append(e.Violations, violation{c.Subject, c.Description})
			continue
		}
		e.add(c.Subject, c.Description)
	}
	if daemon.Refusal != nil {
		e.refused(daemon.Refusal)
	}
}

// refused adds why tasks do not fit, and what would.
func (e *callError) refused(r *facetdv1.Refusal) {
	lines := cli.RefusalLines(r)
	if r.GetMessage() == e.Message {
		lines = lines[1:] // it is the error's message already
	}
	e.lines = append(e.lines, lines...)
	e.Refusal, _ = cli.Raw(r)
}

func (e *callError) add(field, description string) {
	e.Violations = append(e.Violations, violation{field, description})
	line := description
	if field != "" {
		line = field + ": " + description
	}
	// A daemon that lists its errors in the message too would have them printed twice.
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
