package dispatch

import (
	"encoding/binary"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// openJob is a job that has begun and not ended, with the frames read so far.
type openJob struct {
	job   bus.Job
	task  int  // index in plan.Tasks; 0 for on-demand jobs
	ran   int  // segments that ran whole
	ended bool // it was closed and reported
	// set is all frames of the job, as the inspector judges it.
	set *facetdv1.FrameSet
	// members are whose frames they are; none for on-demand jobs.
	members []memberJob
	frames  []program.FrameSpec
	rows    []int // rows of each frame that have been read
	values  []int // of the slots of its programs; nil where they have none
}

// newOpenJob lays out the frames of a job: their pixels are zero until read.
func newOpenJob(a *chipmodel.Array, job bus.Job, start bus.Time, views []program.View,
	frames []program.FrameSpec) *openJob {
	o := &openJob{job: job, frames: frames, rows: make([]int, len(frames))}
	o.set = &facetdv1.FrameSet{
		Task: job.Task, Job: job.Number, StartBusNs: start.NS(),
		ReleaseBusNs: job.Release.NS(), DeadlineBusNs: job.Deadline.NS(),
		Frames: make([]*facetdv1.Frame, len(frames)),
	}
	for i, f := range frames {
		o.set.Frames[i] = emptyFrame(a, f, views[f.View].Name)
	}
	return o
}

// setValues gives a job that begins the values of the slots of its programs. Its frames say where their windows are
// and, where some of it may be set, which trim is active.
func (o *openJob) setValues(t *program.Task, values []int) {
	if len(values) == 0 {
		return
	}
	o.values = values
	for i, f := range o.frames {
		w, trim := t.Active(f.View, values)
		o.set.Frames[i].Window, o.set.Frames[i].Trim = w.Message(), nil
		if t.Views[f.View].TrimSlots != nil {
			o.set.Frames[i].Trim = program.TrimMessage(trim)
		}
	}
}

// memberJob is one task's part of a job of the table.
type memberJob struct {
	*scheduler.Member
	number   uint64 // among the jobs of the task
	deadline bus.Time
}

// setOf is the frame set of one member of a job that is closed: its own frames, job
// number and deadline. The frames of all members come together at the job's end, and
// fail together.
func (o *openJob) setOf(m *memberJob) *facetdv1.FrameSet {
	frames := m.FirstFrame + m.Frames
	s := &facetdv1.FrameSet{
		Task: m.Task.Name, Job: m.number, StartBusNs: o.set.GetStartBusNs(), FinishBusNs: o.set.GetFinishBusNs(),
		ReleaseBusNs: o.set.GetReleaseBusNs(), DeadlineBusNs: m.deadline.NS(), Failure: o.set.GetFailure(),
		Frames: slices.Clip(o.set.GetFrames()[m.FirstFrame:frames]),
	}
	s.Late = s.GetFailure() == "" && s.GetFinishBusNs() > s.GetDeadlineBusNs()
	s.SkewNs = skewOf(s.GetFrames(), o.rows[m.FirstFrame:frames])
	return s
}

func emptyFrame(a *chipmodel.Array, f program.FrameSpec, view string) *facetdv1.Frame {
	chip := &a.Chips[f.Chip]
	lane := &a.Lanes[chip.Lane]
	return &facetdv1.Frame{
		Chip: chip.Name, View: view, Arrangement: chip.Class.Spec.GetLattice().GetArrangement(),
		Rows: uint32(f.Window.Rows), Columns: uint32(f.Window.Columns), Window: f.Window.Message(),
		PixelFormat: "Mono16", SignificantBits: uint32(lane.Bits),
		Data:          make([]byte, 2*f.Window.Pixels()),
		RowOffsetNs:   make([]int64, f.Window.Rows),
		ExposureNs:    chip.Class.Exposure().Nanoseconds(),
		CodeZeroVolts: lane.CodeZeroVolts(),
		VoltsPerCode:  lane.StepVolts(),
	}
}

// take puts a capture into its frame.
func (o *openJob) take(c *bus.Capture, hostTime func(bus.Time) (time.Time, time.Duration)) {
	f := o.set.Frames[c.Frame]
	base := c.FirstRow * int(f.GetColumns()) * 2
	for i, code := range c.Codes {
		binary.LittleEndian.PutUint16(f.Data[base+2*i:], code)
	}
	if o.rows[c.Frame] == 0 {
		host, off := hostTime(c.FirstSample)
		f.FirstSampleBusNs = c.FirstSample.NS()
		f.FirstSampleTime = timestamppb.New(host)
		f.TimeUncertaintyNs = int64(off)
		f.PixelIntervalNs = int64(c.PixelInterval)
		f.LightBusNs = c.Light.NS() - f.GetExposureNs()/2
	}
	for r := range c.Window.Rows {
		f.RowOffsetNs[c.FirstRow+r] = c.RowStart(r).NS() - f.GetFirstSampleBusNs()
	}
	o.rows[c.Frame] += c.Window.Rows
	f.ClippedLow += uint32(c.Low)
	f.ClippedHigh += uint32(c.High)
	f.HoldNs = max(f.GetHoldNs(), int64(c.Hold))
	f.LastConvertedBusNs = max(f.GetLastConvertedBusNs(), c.Converted.NS())
}

// incomplete names the first frame that lacks rows, or is "".
func (o *openJob) incomplete() string {
	for i, f := range o.set.GetFrames() {
		if o.rows[i] < int(f.GetRows()) {
			return f.GetChip() + " " + f.GetView()
		}
	}
	return ""
}

// close ends the job at a bus time. Frames that are incomplete go out with
// what there is only when the job failed.
func (o *openJob) close(end bus.Time, failure string) {
	if missing := o.incomplete(); missing != "" && failure == "" {
		failure = "frame " + missing + " is incomplete"
	}
	o.ended = true
	s := o.set
	s.FinishBusNs = end.NS()
	s.Failure = failure
	s.Late = failure == "" && end.NS() > s.GetDeadlineBusNs() // all of it ran, and the device measured its end
	s.SkewNs = skewOf(s.GetFrames(), o.rows)
	if s.GetTask() == "" {
		s.DeadlineBusNs = 0 // an on-demand job has none
	}
}

// skewOf is the spread of the light of those frames of which rows were read.
func skewOf(frames []*facetdv1.Frame, rows []int) int64 {
	var first, last int64
	seen := false
	for i, f := range frames {
		if rows[i] == 0 {
			continue
		}
		if !seen {
			first, last, seen = f.GetLightBusNs(), f.GetLightBusNs(), true
		}
		first, last = min(first, f.GetLightBusNs()), max(last, f.GetLightBusNs())
	}
	return last - first
}
