package dispatch

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// jobRoom is memory for the jobs of one task of the bus. Several lie in one piece: to make each by itself is most of
// what a job costs that nobody looks at. What was handed out is never used again; a piece goes when nobody has anything
// of it any more, so that it must not be large.
type jobRoom struct {
	array  *chipmodel.Array
	views  []program.View
	frames []program.FrameSpec
	alike  []alike // of each frame
	many   int     // jobs in a piece
	// What is left of the pieces.
	jobs    []jobSlot
	parts   []frameParts
	lists   []*facetdv1.Frame
	rows    []int
	codes   [][]uint16
	late    []lateCapture
	members []memberJob
	sets    []facetdv1.FrameSet
}

// jobSlot is a job with the set of all its frames.
type jobSlot struct {
	openJob
	all facetdv1.FrameSet
}

const (
	// What lies in one piece is for so many jobs, and with their pixels of so many bytes, at most: whoever keeps one
	// frame set keeps as much.
	mostAtOnce, bytesAtOnce = 8, 64 << 10
	// frameBytes is about what a frame takes beside its pixels.
	frameBytes = 1 << 10
)

// newJobRoom is memory for jobs with such frames.
func newJobRoom(a *chipmodel.Array, views []program.View, frames []program.FrameSpec) *jobRoom {
	m := &jobRoom{array: a, views: views, frames: frames, alike: make([]alike, len(frames))}
	bytes := frameBytes
	for i, f := range frames {
		bytes += frameBytes + 2*f.Window.Pixels()
		m.alike[i] = newAlike(a, f, &views[f.View])
	}
	m.many = min(max(bytesAtOnce/bytes, 1), mostAtOnce)
	return m
}

// cut takes n from what is left of a piece, or from a new one of many times as much.
func cut[T any](left *[]T, n, many int) []T {
	if len(*left) < n {
		*left = make([]T, n*many)
	}
	out := (*left)[:n:n]
	*left = (*left)[n:]
	return out
}

// open lays out the frames of a job, with room for what becomes of so many members. Their codes have no room yet.
func (m *jobRoom) open(job bus.Job, start bus.Time, members int) *openJob {
	slot, n := &cut(&m.jobs, 1, m.many)[0], len(m.frames)
	o := &slot.openJob
	o.job, o.frames, o.set = job, m.frames, &slot.all
	o.set.Task, o.set.Job, o.set.StartBusNs = job.Task, job.Number, start.NS()
	o.set.ReleaseBusNs, o.set.DeadlineBusNs = job.Release.NS(), job.Deadline.NS()
	o.set.Frames = cut(&m.lists, n, m.many)
	o.parts, o.rows = cut(&m.parts, n, m.many), cut(&m.rows, n, m.many)
	o.codes, o.late = cut(&m.codes, n, m.many), cut(&m.late, n, m.many)[:0]
	o.members = cut(&m.members, members, m.many)[:0]
	for i, f := range m.frames {
		p := &o.parts[i]
		p.alike = &m.alike[i]
		layFrame(&p.frame, m.array, f, &m.views[f.View])
		p.frame.Window, p.frame.RowLightOffsetNs = p.alike.window, p.alike.lights
		o.set.Frames[i] = &p.frame
	}
	return o
}

// set is room for the frame set of one member.
func (m *jobRoom) set() *facetdv1.FrameSet { return &cut(&m.sets, 1, m.many)[0] }

// newOpenJob lays out the frames of one job by itself: their pixels are zero until read.
func newOpenJob(a *chipmodel.Array, job bus.Job, start bus.Time, views []program.View,
	frames []program.FrameSpec) *openJob {
	m := newJobRoom(a, views, frames)
	m.many = 1
	o := m.open(job, start, 0)
	o.layCodes(every)
	return o
}

// alike is what a frame has in common in all jobs, so that they share it: nobody changes it.
type alike struct {
	window *facetdv1.Window
	// lights are when the rows were loaded, nil without memory: a row of the chip takes loadRow nanoseconds, and so
	// many are joined to one.
	lights  []int64
	loadRow int64
	joined  int
	// offsets are when the rows of the last job were sampled, as far apart as the interval says.
	offsets  []int64
	interval int64
}

func newAlike(a *chipmodel.Array, f program.FrameSpec, view *program.View) alike {
	x := alike{window: f.Window.Message(), joined: view.BinRows}
	if m := a.Chips[f.Chip].Class.Spec.GetMemory(); m != nil {
		x.loadRow = m.GetLoadRow().AsDuration().Nanoseconds()
		x.lights = x.rowLights(f.Window)
	}
	return x
}

// rowLights says when each row of a window was loaded; joined rows count as the middle of them.
func (x *alike) rowLights(w chipmodel.Window) []int64 {
	out := make([]int64, w.Rows)
	for r := range out {
		out[r] = x.loadRow * int64(2*(w.Row+r*w.RowStep)+max(x.joined, 1)-1) / 2
	}
	return out
}

// rowOffsets says when each row of a capture of the whole frame was sampled: as in the job before, but where the rows
// were further apart or less.
func (x *alike) rowOffsets(c *bus.Capture) []int64 {
	if interval := int64(c.RowInterval); len(x.offsets) != c.Window.Rows || x.interval != interval {
		x.offsets, x.interval = make([]int64, c.Window.Rows), interval // others have the one before
		for r := range x.offsets {
			x.offsets[r] = int64(r) * interval
		}
	}
	return x.offsets
}
