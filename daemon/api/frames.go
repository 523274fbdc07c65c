package api

import (
	"context"
	"fmt"
	"slices"

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

// queueOf checks what waits while none is granted.
func queueOf(m *invalid.Errors, r *facetdv1.FollowStart, o *stream.Options) {
	switch r.GetOverflow() {
	case facetdv1.Overflow_OVERFLOW_UNSPECIFIED, facetdv1.Overflow_OVERFLOW_LATEST:
		o.Policy = stream.Latest
	case facetdv1.Overflow_OVERFLOW_QUEUE:
		o.Policy = stream.Queue
	default:
		m.Add("start.overflow", fmt.Sprintf("there is no overflow policy %d", r.GetOverflow()),
			"use OVERFLOW_LATEST or OVERFLOW_QUEUE")
	}
	if n := r.GetQueueLength(); n > 0 && o.Policy != stream.Queue {
		m.Add("start.queue_length", "only a queue has a length", "ask for OVERFLOW_QUEUE, or leave it out")
	} else if n > stream.MaxQueue {
		m.Add("start.queue_length", fmt.Sprintf("%d frame sets are too many", n),
			fmt.Sprintf("use 1 to %d", stream.MaxQueue))
	}
	o.Length = int(min(r.GetQueueLength(), stream.MaxQueue))
	if o.MaxRateHz = r.GetMaxRateHz(); !(o.MaxRateHz >= 0 && o.MaxRateHz <= stream.MaxRateHz) { // NaN is neither
		m.Add("start.max_rate_hz", fmt.Sprintf("%v Hz is not possible", o.MaxRateHz),
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
	return &facetdv1.CaptureFramesResponse{FrameSet: done.FrameSet, WaitedNs: int64(done.Waited),
		Identity: v.s.Identity()}, nil
}

func (v *frameService) PreviewCapture(ctx context.Context,
	r *facetdv1.PreviewCaptureRequest) (*facetdv1.PreviewCaptureResponse, error) {
	return v.s.cfg.Dispatch.PreviewCapture(ctx, r)
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
