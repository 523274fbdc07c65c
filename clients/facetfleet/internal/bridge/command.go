package bridge

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

const (
	// answer is how long a command may take: as long as its sender waits, less the way.
	answer = 9 * time.Second
	// mostCommands is how many commands are at work at a time; more are refused.
	mostCommands = 16
)

// listen takes commands. Those for viewers and those for operators have subjects of their own.
func (b *Bridge) listen(ctx context.Context) ([]*nats.Subscription, error) {
	var all []*nats.Subscription
	busy := make(chan struct{}, mostCommands)
	take := func(operator bool) nats.MsgHandler {
		return func(m *nats.Msg) {
			// A robot may answer wherever a question says; an inbox is where nobody takes it for anything else.
			if !strings.HasPrefix(m.Reply, "_INBOX") {
				b.cfg.Log(fmt.Sprintf("a command that wants its answer at %q is not done", m.Reply))
				return
			}
			select {
			case busy <- struct{}{}:
			default:
				b.reply(m, failed(exhaustedf("%d commands are at work already", mostCommands)))
				return
			}
			go func() {
				defer func() { <-busy }()
				ctx, cancel := context.WithTimeout(ctx, answer)
				defer cancel()
				b.reply(m, b.do(ctx, m.Data, operator))
			}()
		}
	}
	for to, operator := range map[string]bool{subject.ForViewers(b.cfg.Robot): false,
		subject.ForOperators(b.cfg.Robot): true} {
		s, err := b.cfg.Hub.NC.Subscribe(to, take(operator))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", to, err)
		}
		all = append(all, s)
	}
	return all, nil
}

func (b *Bridge) reply(m *nats.Msg, a *fleetv1.Answer) {
	b.commands.Add(1)
	a.Robot = b.cfg.Robot
	data, err := proto.Marshal(a)
	if err == nil {
		err = m.Respond(data)
	}
	if err != nil {
		b.cfg.Log("an answer: " + err.Error())
	}
}

// do carries a command out.
func (b *Bridge) do(ctx context.Context, data []byte, operator bool) *fleetv1.Answer {
	c := &fleetv1.Command{}
	if err := proto.Unmarshal(data, c); err != nil {
		return failed(invalidf("this is no command: %v", err))
	}
	a, err := b.forViewers(ctx, c)
	if a == nil && err == nil {
		if !operator {
			return failed(&facet.Error{Code: codes.PermissionDenied,
				Message: "only viewers' commands come by this subject; this one takes an operator"})
		}
		a, err = b.forOperators(ctx, c)
	}
	if err != nil {
		return failed(err)
	}
	return a
}

// forViewers carries out what a viewer may ask for; of other commands it returns nothing.
func (b *Bridge) forViewers(ctx context.Context, c *fleetv1.Command) (*fleetv1.Answer, error) {
	switch w := c.GetWhat().(type) {
	case *fleetv1.Command_ListTasks:
		r, err := b.tasks.ListTasks(ctx, w.ListTasks)
		return &fleetv1.Answer{What: &fleetv1.Answer_Tasks{Tasks: r}}, err
	case *fleetv1.Command_LeaseFrames:
		tasks, err := b.cfg.Daemon.Tasks(ctx)
		if err != nil {
			return nil, err
		}
		names := make([]string, len(tasks))
		for i, t := range tasks {
			names[i] = t.GetTask().GetName()
		}
		l, err := b.frames.grant(w.LeaseFrames, names)
		return &fleetv1.Answer{What: &fleetv1.Answer_Lease{Lease: l}}, err
	}
	return nil, nil
}

// forOperators carries out what takes an operator.
func (b *Bridge) forOperators(ctx context.Context, c *fleetv1.Command) (*fleetv1.Answer, error) {
	conn := b.cfg.Daemon.Conn()
	switch w := c.GetWhat().(type) {
	case *fleetv1.Command_Prepare:
		return changed(b.prepare(ctx, w.Prepare))
	case *fleetv1.Command_Commit:
		return changed(b.commit(ctx, w.Commit.GetChangeId()))
	case *fleetv1.Command_Undo:
		return changed(b.undo(ctx, w.Undo.GetChangeId()))
	case *fleetv1.Command_Stop:
		r, err := facetdv1.NewSafeStopServiceClient(conn).StopArray(ctx, w.Stop)
		return &fleetv1.Answer{What: &fleetv1.Answer_Stopped{Stopped: r}}, err
	case *fleetv1.Command_Resume:
		r, err := facetdv1.NewSafeStopServiceClient(conn).ResumeArray(ctx, w.Resume)
		return &fleetv1.Answer{What: &fleetv1.Answer_Resumed{Resumed: r}}, err
	case *fleetv1.Command_UploadRecording:
		r, err := b.uploads.want(ctx, w.UploadRecording.GetRecording())
		return &fleetv1.Answer{What: &fleetv1.Answer_RecordingFiles{RecordingFiles: r}}, err
	}
	return nil, invalidf("the bridge of the robot does not know this command")
}

func changed(c *fleetv1.Change, err error) (*fleetv1.Answer, error) {
	return &fleetv1.Answer{What: &fleetv1.Answer_Change{Change: c}}, err
}

// failed is the answer that says why a command was not done.
func failed(err error) *fleetv1.Answer {
	f := &fleetv1.Failure{Code: "UNKNOWN", Message: err.Error()}
	var daemon *facet.Error
	switch {
	case errors.As(err, &daemon):
		f.Code, f.Message, f.Refusal = codeName(daemon.Code), daemon.Message, daemon.Refusal
		for _, field := range daemon.Fields {
			f.Details = append(f.Details, field.Field+": "+field.Description)
		}
	case errors.Is(err, context.DeadlineExceeded):
		f.Code, f.Message = "DEADLINE_EXCEEDED", "the daemon of the robot does not answer"
	}
	return &fleetv1.Answer{What: &fleetv1.Answer_Failure{Failure: f}}
}

// codeName is a code as the documentation of gRPC writes it, FAILED_PRECONDITION.
func codeName(c codes.Code) string {
	var b strings.Builder
	for i, r := range c.String() {
		if i > 0 && r >= 'A' && r <= 'Z' {
			b.WriteByte('_')
		}
		b.WriteRune(r)
	}
	return strings.ToUpper(b.String())
}

func invalidf(format string, args ...any) error {
	return &facet.Error{Code: codes.InvalidArgument, Message: fmt.Sprintf(format, args...)}
}

func exhaustedf(format string, args ...any) error {
	return &facet.Error{Code: codes.ResourceExhausted, Message: fmt.Sprintf(format, args...)}
}

// daemonSays reports whether an error is the daemon's, of one of these codes.
func daemonSays(err error, any ...codes.Code) bool {
	var daemon *facet.Error
	if !errors.As(err, &daemon) {
		return false
	}
	for _, c := range any {
		if daemon.Code == c {
			return true
		}
	}
	return false
}
