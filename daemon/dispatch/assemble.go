package dispatch

import (
	"encoding/binary"
	"slices"
	"sync"
	"unsafe"

	"google.golang.org/protobuf/types/known/timestamppb"

	"facetd.example/api/clocksync"
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
	mark  bool // its light is marked
	ended bool // how is known, and it is reported as soon as those before it are
	// end and failure are how it ended.
	end     bus.Time
	failure string
	// set is all frames of the job, as the inspector judges it.
	set *facetdv1.FrameSet
	// members are whose frames they are; none for on-demand jobs.
	members []memberJob
	frames  []program.FrameSpec
	rows    []int // rows of each frame that have been read
	values  []int // of the slots of its programs; nil where they have none
	// codes are those of each frame, as numbers: the same memory as its data, where the processor keeps numbers as
	// frames do. There are none of a frame of which nothing is known yet, or whose pixels were put off.
	codes [][]uint16
	parts []frameParts
	// later says that the pixels may be put off, late is how to get those that were.
	later  bool
	late   []lateCapture
	looked sync.Once // at those
}

// lateCapture is what gets the codes of a capture that was put off, and where they go.
type lateCapture struct {
	frame, base, pixels int
	later               bus.Later
}

// frameParts is a frame with what it consists of, in one piece of memory.
type frameParts struct {
	frame facetdv1.Frame
	first timestamppb.Timestamp // sample
	alike *alike
	own   bool // the offsets of its rows are its own, as they were read one by one
	late  bool // pixels of it were put off
}

// layCodes makes room for the codes of those frames that have none, and of which the job wants them.
func (o *openJob) layCodes(wants func(frame int) bool) {
	pixels := 0
	for i := range o.codes {
		if o.codes[i] == nil && wants(i) {
			pixels += o.frames[i].Window.Pixels()
		}
	}
	if pixels == 0 {
		return
	}
	codes := make([]uint16, pixels)
	for i := range o.codes {
		if o.codes[i] == nil && wants(i) {
			n := o.frames[i].Window.Pixels()
			o.setCodes(i, codes[:n:n])
			codes = codes[n:]
		}
	}
}

func every(int) bool { return true }

// setCodes says where the codes of a frame are.
func (o *openJob) setCodes(frame int, codes []uint16) {
	o.codes[frame], o.set.Frames[frame].Data = codes, dataOf(codes)
}

// setValues gives a job that begins the values of the slots of its programs. Its frames say where their windows are,
// for how long they are exposed and, where some of it may be set, which trim is active.
func (o *openJob) setValues(t *program.Task, values []int) {
	if len(values) == 0 {
		return
	}
	o.values = values
	for i, f := range o.frames {
		w, trim := t.Active(f.View, values)
		o.set.Frames[i].Window, o.set.Frames[i].Trim = w.Message(), nil
		o.set.Frames[i].ExposureNs = t.Exposed(f.View, values).Nanoseconds()
		if alike := o.parts[i].alike; w != f.Window && alike.lights != nil {
			o.set.Frames[i].RowLightOffsetNs = alike.rowLights(w)
		}
		if t.Views[f.View].TrimSlots != nil {
			o.set.Frames[i].Trim = program.TrimMessage(trim)
		}
	}
}

// memberJob is one task's part of a job of the table.
type memberJob struct {
	*scheduler.Member
	generation uint64 // of the task
	number     uint64 // among its jobs
	deadline   bus.Time
	shift      *int64             // of the grid of its releases, that it tells; nil where there is none
	values     []int              // of its slots; nil where it has none
	set        *facetdv1.FrameSet // room for what becomes of it; nil where there is none
}

// setOf is the frame set of one member of a job that is closed: its own frames, job
// number and deadline. The frames of all members come together at the job's end, and
// fail together.
func (o *openJob) setOf(m *memberJob) *facetdv1.FrameSet {
	frames, rows := o.shown(m)
	s := m.set
	if s == nil {
		s = &facetdv1.FrameSet{}
	}
	s.Task, s.TaskGeneration, s.Job = m.Task.Name, m.generation, m.number
	s.StartBusNs, s.FinishBusNs = o.set.GetStartBusNs(), o.set.GetFinishBusNs()
	s.ReleaseBusNs, s.DeadlineBusNs = o.set.GetReleaseBusNs(), m.deadline.NS()
	s.Failure, s.Frames, s.ReleaseShiftNs = o.set.GetFailure(), frames, m.shift
	s.Late = s.GetFailure() == "" && s.GetFinishBusNs() > s.GetDeadlineBusNs()
	s.SkewNs = skewOf(frames, rows)
	return s
}

// shown are the frames of a member whose views are on, and how many rows of each have been read.
func (o *openJob) shown(m *memberJob) (frames []*facetdv1.Frame, rows []int) {
	first, last := m.FirstFrame, m.FirstFrame+m.Frames
	frames, rows = slices.Clip(o.set.GetFrames()[first:last]), o.rows[first:last]
	if m.values == nil || !slices.ContainsFunc(m.Task.Views, func(v program.View) bool { return v.ActiveSlot > 0 }) {
		return frames, rows
	}
	frames, rows = nil, nil
	for i := first; i < last; i++ {
		if m.Task.Shows(o.frames[i].View-m.FirstView, m.values) {
			frames, rows = append(frames, o.set.GetFrames()[i]), append(rows, o.rows[i])
		}
	}
	return frames, rows
}

// layFrame says of a frame what is known before it is read.
func layFrame(m *facetdv1.Frame, a *chipmodel.Array, f program.FrameSpec, view *program.View) {
	chip := &a.Chips[f.Chip]
	lane := &a.Lanes[chip.Lane]
	m.Chip, m.View, m.Arrangement = chip.Name, view.Name, chip.Class.Spec.GetLattice().GetArrangement()
	m.Rows, m.Columns = uint32(f.Window.Rows), uint32(f.Window.Columns)
	m.PixelFormat, m.SignificantBits = "Mono16", uint32(lane.Bits)
	m.SecondOfPair = f.Second
	m.ExposureNs = view.Exposed(chip.Class).Nanoseconds()
	m.CodeZeroVolts, m.VoltsPerCode = lane.CodeZeroVolts(), lane.StepVolts()
}

// littleEndian says that the processor keeps numbers as frames do, with the low byte first.
var littleEndian = binary.NativeEndian.Uint16([]byte{1, 0}) == 1

// dataOf is where the codes of a frame go as bytes: the same memory, where that is how frames keep them.
func dataOf(codes []uint16) []byte {
	if len(codes) == 0 || !littleEndian {
		return make([]byte, 2*len(codes))
	}
	return unsafe.Slice((*byte)(unsafe.Pointer(unsafe.SliceData(codes))), 2*len(codes))
}

// takePixels puts what depends on the light into a frame: codes from one of its pixels on.
func (o *openJob) takePixels(frame, base int, codes []uint16, low, high int) {
	o.takeCodes(frame, base, codes)
	f := o.set.Frames[frame]
	f.ClippedLow += uint32(low)
	f.ClippedHigh += uint32(high)
}

// look returns what gets the pixels that were put off, once; nil where none were.
func (o *openJob) look() func() {
	if len(o.late) == 0 {
		return nil
	}
	return o.lookLate
}

func (o *openJob) lookLate() {
	o.looked.Do(func() {
		o.layCodes(every)
		for i := range o.late {
			c := &o.late[i]
			codes := o.codes[c.frame][c.base : c.base+c.pixels]
			low, high := c.later.Read(codes)
			o.takePixels(c.frame, c.base, codes, low, high)
		}
		clear(o.late) // what it took to get them is not kept as long as they are
	})
}

// takeCodes puts the codes of a capture into its frame, unless the bus has put them there. Those of a whole frame that
// has no room for them become its own.
func (o *openJob) takeCodes(frame, base int, codes []uint16) {
	if o.codes[frame] == nil {
		if n := o.frames[frame].Window.Pixels(); base == 0 && len(codes) == n {
			o.setCodes(frame, codes[:n:n])
		} else {
			o.layCodes(func(i int) bool { return i == frame })
		}
	}
	into := o.codes[frame][base : base+len(codes)]
	if len(into) == 0 {
		return
	}
	if &into[0] != &codes[0] {
		copy(into, codes)
	}
	if littleEndian {
		return
	}
	for i, code := range into {
		binary.LittleEndian.PutUint16(o.set.Frames[frame].Data[2*(base+i):], code)
	}
}

// take puts a capture into its frame.
func (o *openJob) take(c *bus.Capture, instant func(bus.Time) clocksync.Instant) {
	f, base := o.set.Frames[c.Frame], c.FirstRow*c.Window.Columns
	if c.Later == nil {
		o.takePixels(c.Frame, base, c.Codes, c.Low, c.High)
	} else {
		o.late = append(o.late, lateCapture{c.Frame, base, c.Window.Pixels(), c.Later})
		o.parts[c.Frame].late = true
	}
	if o.rows[c.Frame] == 0 {
		host := instant(c.FirstSample)
		f.FirstSampleBusNs = c.FirstSample.NS()
		first := &o.parts[c.Frame].first
		first.Seconds, first.Nanos = host.UTC.Unix(), int32(host.UTC.Nanosecond())
		f.FirstSampleTime, f.UtcEpoch = first, host.Epoch
		f.FirstSampleMonotonicNs = host.Monotonic
		f.TimeUncertaintyNs = int64(max(host.Uncertainty, host.UTCUncertainty))
		f.PixelIntervalNs = int64(c.PixelInterval)
		f.LightBusNs = c.Light.NS() - f.GetExposureNs()/2
	}
	o.takeOffsets(c)
	o.rows[c.Frame] += c.Window.Rows
	f.HoldNs = max(f.GetHoldNs(), int64(c.Hold))
	f.LastConvertedBusNs = max(f.GetLastConvertedBusNs(), c.Converted.NS())
}

// takeOffsets says when the rows of a capture were sampled.
func (o *openJob) takeOffsets(c *bus.Capture) {
	p := &o.parts[c.Frame]
	f := &p.frame
	if c.Window.Rows == int(f.GetRows()) {
		f.RowOffsetNs = p.alike.rowOffsets(c)
		return
	}
	if !p.own {
		p.own, f.RowOffsetNs = true, make([]int64, f.GetRows())
	}
	for r := range c.Window.Rows {
		f.RowOffsetNs[c.FirstRow+r] = c.RowStart(r).NS() - f.GetFirstSampleBusNs()
	}
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
	o.layCodes(func(i int) bool { return !o.parts[i].late })
	s := o.set
	for _, f := range s.GetFrames() {
		if f.RowOffsetNs == nil { // nothing of it was read
			f.RowOffsetNs = make([]int64, f.GetRows())
		}
	}
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
