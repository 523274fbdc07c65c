package api

import (
	"context"
	"fmt"
	"slices"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/failure"
	"facetd.example/daemon/resample"
	"facetd.example/daemon/stream"
)

type frameService struct {
	facetdv1.UnimplementedFrameServiceServer
	s *Server
}

// StreamFrameSets sends its header as soon as the stream is subscribed: what
// finishes after the client has seen it will be sent or counted as dropped. Beside
// the waiting queue, gRPC's own buffers hold what was sent and not yet read: about
// 64 KiB, or one message where it is larger.
func (v *frameService) StreamFrameSets(r *facetdv1.StreamFrameSetsRequest,
	out grpc.ServerStreamingServer[facetdv1.StreamFrameSetsResponse]) error {
	options, err := v.options(r)
	if err != nil {
		return err
	}
	sub, err := v.s.cfg.Hub.Subscribe(options)
	if err != nil {
		return err
	}
	defer sub.Close()
	if err := out.SendHeader(nil); err != nil {
		return err
	}
	for {
		m, err := sub.Next(out.Context())
		if err != nil {
			return err
		}
		if r.GetCodes() == facetdv1.Codes_CODES_CORRECTED_SQUARE {
			m.FrameSet = resample.Square(m.FrameSet)
		}
		if err := out.Send(&facetdv1.StreamFrameSetsResponse{FrameSet: m.FrameSet, Dropped: m.Dropped,
			DroppedTotal: m.DroppedTotal, DecimatedTotal: m.DecimatedTotal}); err != nil {
			return err
		}
	}
}

// options checks a request for a stream. Errors: invalid.Errors,
// *failure.NotFound for a task.
func (v *frameService) options(r *facetdv1.StreamFrameSetsRequest) (stream.Options, error) {
	var m invalid.Errors
	o := stream.Options{Tasks: r.GetTasks(), Chips: r.GetChips()}
	queueOf(&m, "", r, &o)
	v.selection(&m, "", &facetdv1.FrameSelection{Tasks: r.GetTasks(), Chips: r.GetChips(), Codes: r.GetCodes()}, &o)
	if len(m) > 0 {
		return o, m
	}
	return o, v.runs(r.GetTasks())
}

// queueing is how a request says what waits.
type queueing interface {
	GetOverflow() facetdv1.Overflow
	GetQueueLength() uint32
	GetMaxRateHz() float64
}

func queueOf(m *invalid.Errors, prefix string, r queueing, o *stream.Options) {
	switch r.GetOverflow() {
	case facetdv1.Overflow_OVERFLOW_UNSPECIFIED, facetdv1.Overflow_OVERFLOW_LATEST:
		o.Policy = stream.Latest
	case facetdv1.Overflow_OVERFLOW_QUEUE:
		o.Policy = stream.Queue
	default:
		m.Add(prefix+"overflow", fmt.Sprintf("there is no overflow policy %d", r.GetOverflow()),
			"use OVERFLOW_LATEST or OVERFLOW_QUEUE")
	}
	if n := r.GetQueueLength(); n > 0 && o.Policy != stream.Queue {
		m.Add(prefix+"queue_length", "only a queue has a length", "ask for OVERFLOW_QUEUE, or leave it out")
	} else if n > stream.MaxQueue {
		m.Add(prefix+"queue_length", fmt.Sprintf("%d frame sets are too many", n),
			fmt.Sprintf("use 1 to %d", stream.MaxQueue))
	}
	o.Length = int(min(r.GetQueueLength(), stream.MaxQueue))
	if o.MaxRateHz = r.GetMaxRateHz(); !(o.MaxRateHz >= 0 && o.MaxRateHz <= stream.MaxRateHz) { // NaN is neither
		m.Add(prefix+"max_rate_hz", fmt.Sprintf("%v Hz is not possible", o.MaxRateHz),
			fmt.Sprintf("use 0 (all) to %g", float64(stream.MaxRateHz)))
	}
}

// selection checks which frame sets are chosen.
func (v *frameService) selection(m *invalid.Errors, prefix string, s *facetdv1.FrameSelection, o *stream.Options) {
	o.Tasks, o.Chips = s.GetTasks(), s.GetChips()
	o.Corrected = v.corrected(m, prefix, s.GetCodes())
	a := v.s.cfg.Array
	for i, chip := range s.GetChips() {
		if a.Chip(chip) < 0 {
			m.Add(fmt.Sprintf("%schips[%d]", prefix, i), fmt.Sprintf("no chip is called %q", chip),
				known(a.ChipNames(a.All())))
		}
	}
}

// runs looks for tasks by name. The error is *failure.NotFound.
func (v *frameService) runs(tasks []string) error {
	snap := v.s.cfg.Dispatch.Snapshot()
	if snap.State != facetdv1.State_STATE_RUNNING {
		return nil // tasks come with the first timetable
	}
	i := slices.IndexFunc(tasks, func(name string) bool { return findTask(snap.Tasks, name) == nil })
	if i >= 0 {
		return &failure.NotFound{What: "task", Name: tasks[i]}
	}
	return nil
}

// Corrector corrects the frame set of an on-demand capture: it returns a copy.
type Corrector interface {
	Captured(fs *facetdv1.FrameSet, views []*facetdv1.View) *facetdv1.FrameSet
}

// corrected reports whether corrected codes are wanted.
func (v *frameService) corrected(m *invalid.Errors, prefix string, c facetdv1.Codes) bool {
	switch {
	case c == facetdv1.Codes_CODES_UNSPECIFIED, c == facetdv1.Codes_CODES_RAW:
		return false
	case c != facetdv1.Codes_CODES_CORRECTED && c != facetdv1.Codes_CODES_CORRECTED_SQUARE:
		m.Add(prefix+"codes", fmt.Sprintf("there are no codes %d", c),
			"use CODES_RAW, CODES_CORRECTED or CODES_CORRECTED_SQUARE")
	case v.s.cfg.Corrector == nil:
		m.Add(prefix+"codes", "this daemon corrects no frames", "use CODES_RAW")
	}
	return true
}

func (v *frameService) CaptureFrames(ctx context.Context,
	r *facetdv1.CaptureFramesRequest) (*facetdv1.CaptureFramesResponse, error) {
	var m invalid.Errors
	corrected := v.corrected(&m, "", r.GetCodes())
	if len(m) > 0 {
		return nil, m
	}
	done, err := v.s.cfg.Dispatch.Capture(ctx, r)
	if err != nil {
		return nil, err
	}
	if corrected {
		done.FrameSet = v.s.cfg.Corrector.Captured(done.FrameSet, r.GetViews())
	}
	if r.GetCodes() == facetdv1.Codes_CODES_CORRECTED_SQUARE {
		done.FrameSet = resample.Square(done.FrameSet)
	}
	return &facetdv1.CaptureFramesResponse{FrameSet: done.FrameSet, WaitedNs: int64(done.Waited)}, nil
}

type commandService struct {
	facetdv1.UnimplementedCommandServiceServer
	s *Server
}

func (v *commandService) SendCommand(ctx context.Context,
	r *facetdv1.SendCommandRequest) (*facetdv1.SendCommandResponse, error) {
	if r.GetCommand() == nil {
		return nil, invalid.Errors{{Path: "command", Message: "there is no command",
			Hint: "give a target and a write or strobe"}}
	}
	done, err := v.s.cfg.Dispatch.Send(ctx, r.GetCommand())
	if err != nil {
		return nil, under("command", err)
	}
	return &facetdv1.SendCommandResponse{Words: done.Words, StartBusNs: done.Start.NS(), WaitedNs: int64(done.Waited)},
		nil
}
