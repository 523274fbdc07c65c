package motion

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/motion"
)

const (
	// slowest is the longest time constant of a pixel, as a part of the time between two frames, with which they are
	// compared: at a third of it 5 % of a change are not shown in time.
	slowest = 1. / 3
	// stepNoise is the noise of rounding to steps, in steps.
	stepNoise = 0.29
)

// Tracker compares the frames of tasks, each with the one before, or those of each pair. It is for one goroutine.
type Tracker struct {
	array  *chipmodel.Array
	views  func(task string, generation uint64) []*facetdv1.View
	tasks  map[string]*watched // by name, each in the generation that came last
	parts  []motion.Part
	counts *Counts
}

// watched is a task whose frames come.
type watched struct {
	generation uint64
	eyes       map[eyeKey]*eye
	solver     motion.Solver
}

// eyeKey is whose frames of a task follow on each other.
type eyeKey struct{ chip, view string }

// NewTracker makes one. views says what the views of a generation of a task are, nil where nobody knows.
func NewTracker(a *chipmodel.Array, views func(task string, generation uint64) []*facetdv1.View,
	counts *Counts) *Tracker {
	return &Tracker{array: a, views: views, tasks: map[string]*watched{}, counts: counts}
}

// eye is a view of a chip with what was seen last.
type eye struct {
	window    [6]uint32
	scale     [2]float64 // code zero and step in volts
	shape     motion.Shape
	estimator *motion.Estimator
	rays      *motion.Rays
	class     *chipmodel.Class
	noise     float64
	highest   uint16
	unfit     bool // the lattice is not one that is compared

	codes, last []float64
	seen        bool
	job         uint64
	light       int64 // of the middle row
	hint        *motion.Hint
	hinted      motion.Hint
	flows       motion.Flows
}

// Take compares the frames of a corrected frame set with those before; of a task of pairs the two of each.
func (t *Tracker) Take(fs *facetdv1.FrameSet) *facetdv1.MotionEstimate {
	out := &facetdv1.MotionEstimate{Task: fs.GetTask(), TaskGeneration: fs.GetTaskGeneration(), Job: fs.GetJob(),
		ReleaseBusNs: fs.GetReleaseBusNs(), FinishBusNs: fs.GetFinishBusNs()}
	t.parts = t.parts[:0]
	task := t.watch(fs)
	var middle, n int64
	compared := later(fs.GetFrames())
	for _, f := range fs.GetFrames()[:len(fs.GetFrames())-len(compared)] {
		t.firstOfPair(task, fs, f)
	}
	for _, f := range compared {
		c, e := t.chip(task, fs, f)
		out.Chips = append(out.Chips, c)
		part := motion.Part{Flows: &motion.Flows{}}
		if c.GetReason() == facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED {
			part = motion.Part{Flows: &e.flows, Seconds: float64(c.GetIntervalNs()) * 1e-9}
			middle += c.GetLightBusNs() - c.GetIntervalNs()/2 - fs.GetReleaseBusNs()
			n++
		}
		t.parts = append(t.parts, part)
		t.counts.add(c.GetReason())
	}
	body := task.solver.Solve(t.parts)
	out.Body = bodyMessage(&body, compared)
	if n > 0 && body.Told {
		out.Body.BusNs = fs.GetReleaseBusNs() + middle/n
	}
	return out
}

// later are those of frames that are compared with ones before: the second ones of pairs, where there are pairs, which
// come after all first ones.
func later(frames []*facetdv1.Frame) []*facetdv1.Frame {
	if i := slices.IndexFunc(frames, (*facetdv1.Frame).GetSecondOfPair); i >= 0 {
		return frames[i:]
	}
	return frames
}

// watch is the task of a frame set, in its generation. Only when another one comes can there be more than before: those
// that nobody knows any more are forgotten then.
func (t *Tracker) watch(fs *facetdv1.FrameSet) *watched {
	task := t.tasks[fs.GetTask()]
	if task != nil && task.generation == fs.GetTaskGeneration() {
		return task
	}
	for name, other := range t.tasks {
		if t.views(name, other.generation) == nil {
			delete(t.tasks, name)
		}
	}
	task = &watched{generation: fs.GetTaskGeneration(), eyes: map[eyeKey]*eye{}}
	t.tasks[fs.GetTask()] = task
	return task
}

// eye is that of a frame's chip and view; nil where nobody knows the view.
func (t *Tracker) eye(task *watched, fs *facetdv1.FrameSet, f *facetdv1.Frame) *eye {
	key := eyeKey{f.GetChip(), f.GetView()}
	e := task.eyes[key]
	if e == nil || !e.fits(f) {
		e = t.newEye(fs, f)
		task.eyes[key] = e
	}
	return e
}

// firstOfPair keeps the first frame of a pair for the second.
func (t *Tracker) firstOfPair(task *watched, fs *facetdv1.FrameSet, f *facetdv1.Frame) {
	e := t.eye(task, fs, f)
	if e == nil || e.unfit {
		return
	}
	if e.seen = fs.GetFailure() == "" && len(f.GetData()) == 2*len(e.codes); e.seen {
		e.read(f, &facetdv1.ChipMotion{})
		e.codes, e.last = e.last, e.codes
		e.job, e.light = fs.GetJob(), f.GetLightBusNs()+middleRow(f)
	}
}

// chip compares one frame.
func (t *Tracker) chip(task *watched, fs *facetdv1.FrameSet, f *facetdv1.Frame) (*facetdv1.ChipMotion, *eye) {
	out := &facetdv1.ChipMotion{Chip: f.GetChip(), View: f.GetView()}
	e := t.eye(task, fs, f)
	switch {
	case e == nil:
		out.Reason = facetdv1.MotionReason_MOTION_REASON_GAP
		return out, e
	case e.unfit:
		out.Reason = facetdv1.MotionReason_MOTION_REASON_LATTICE
		return out, e
	}
	out.LightBusNs = f.GetLightBusNs() + middleRow(f)
	if fs.GetFailure() != "" || len(f.GetData()) != 2*len(e.codes) {
		e.seen, out.Reason = false, facetdv1.MotionReason_MOTION_REASON_GAP
		return out, e
	}
	e.read(f, out)
	e.compare(f, out)
	e.codes, e.last = e.last, e.codes
	// What is raw shows the fixed pattern, which the next frame may be without.
	e.seen, e.job, e.light = corrected(f), fs.GetJob(), out.GetLightBusNs()
	return out, e
}

// middleRow is how long after the light of a frame that of its middle row is.
func middleRow(f *facetdv1.Frame) int64 {
	rows := f.GetRowLightOffsetNs()
	if len(rows) == 0 {
		rows = f.GetRowOffsetNs()
	}
	if len(rows) == 0 {
		return 0
	}
	return (rows[(len(rows)-1)/2] + rows[len(rows)/2]) / 2
}

func windowOf(f *facetdv1.Frame) [6]uint32 {
	w := f.GetWindow()
	return [6]uint32{w.GetRow(), w.GetColumn(), w.GetRows(), w.GetColumns(), w.GetRowStep(), w.GetColumnStep()}
}

// fits reports whether a frame follows on those that the eye saw.
func (e *eye) fits(f *facetdv1.Frame) bool {
	return e.window == windowOf(f) && e.scale == [2]float64{f.GetCodeZeroVolts(), f.GetVoltsPerCode()}
}

// newEye is one for the frames of a view; nil where nobody knows what the view does.
func (t *Tracker) newEye(fs *facetdv1.FrameSet, f *facetdv1.Frame) *eye {
	i := t.array.Chip(f.GetChip())
	joinedRows, joinedColumns := t.joined(fs, f)
	if i < 0 || t.array.Chips[i].Class == nil || joinedRows == 0 {
		return nil
	}
	c := &t.array.Chips[i]
	e := &eye{window: windowOf(f), class: c.Class,
		scale:   [2]float64{f.GetCodeZeroVolts(), f.GetVoltsPerCode()},
		highest: uint16(1)<<f.GetSignificantBits() - 1}
	camera := c.Camera()
	l, w := camera.Lattice(), f.GetWindow()
	rowStep, columnStep := max(int(w.GetRowStep()), 1), max(int(w.GetColumnStep()), 1)
	e.shape = motion.Shape{Rows: int(f.GetRows()), Columns: int(f.GetColumns())}
	if l.Hexagonal && rowStep == 1 {
		e.shape.Hexagonal, e.shape.OddRows = true, w.GetRow()%2 == 0
	}
	if !motion.Regular(l.Hexagonal, rowStep, columnStep) || len(e.shape.Check()) > 0 || e.shape.TooSmall() {
		e.unfit = true
		return e
	}
	down, right := float64(joinedRows-1)/2*l.RowPitch(), float64(joinedColumns-1)/2
	row, column := int(w.GetRow()), int(w.GetColumn())
	e.rays = motion.NewRays(camera, e.shape, motion.Grid{Column: float64(columnStep),
		Row: float64(rowStep) * l.RowPitch(), At: func(r, k int) (x, y float64) {
			x, y = l.Centre(row+r*rowStep, column+k*columnStep)
			return x + right, y + down
		}})
	if s := f.GetVoltsPerCode(); s > 0 {
		e.noise = t.array.Lanes[c.Lane].Spec.GetConverter().GetNoiseVolts() / s
	}
	e.noise = math.Hypot(e.noise, stepNoise)
	e.estimator = motion.NewEstimator(e.shape, motion.Options{NoiseFloor: e.noise})
	n := e.shape.Rows * e.shape.Columns
	e.codes, e.last = make([]float64, n), make([]float64, n)
	return e
}

// joined are the sides of the blocks that a view reads as one pixel, 0 where nobody knows the view.
func (t *Tracker) joined(fs *facetdv1.FrameSet, f *facetdv1.Frame) (rows, columns int) {
	for _, v := range t.views(fs.GetTask(), fs.GetTaskGeneration()) {
		if v.GetName() == f.GetView() {
			return max(1, int(v.GetBinning().GetRows())), max(1, int(v.GetBinning().GetColumns()))
		}
	}
	return 0, 0
}

// read takes the codes of a frame; those at an end of the range tell nothing.
func (e *eye) read(f *facetdv1.Frame, out *facetdv1.ChipMotion) {
	data, none := f.GetData(), math.NaN()
	data = data[:2*len(e.codes)]
	var valid int
	var sum, squares uint64
	for i := range e.codes {
		c := binary.LittleEndian.Uint16(data)
		data = data[2:]
		if c == 0 || c >= e.highest {
			e.codes[i] = none
			continue
		}
		e.codes[i] = float64(c)
		valid++
		sum += uint64(c)
		squares += uint64(c) * uint64(c)
	}
	n := float64(valid)
	out.ClippedFraction = 1 - n/float64(len(e.codes))
	if n == 0 {
		return
	}
	out.MeanCodes = float64(sum) / n
	if perDecade := e.class.Spec.GetLogarithmic().GetVoltsPerDecade(); perDecade != 0 {
		contrast := math.Sqrt(max(0, float64(squares)/n-out.MeanCodes*out.MeanCodes)) * math.Abs(e.scale[1]/perDecade)
		out.ContrastDecades = &contrast
	}
}

// compare fills in what the frame and the one before tell.
func (e *eye) compare(f *facetdv1.Frame, out *facetdv1.ChipMotion) {
	out.Reason = e.before(f, out)
	if out.Reason != facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED {
		e.hint, out.IntervalNs = nil, max(0, out.GetIntervalNs())
		return
	}
	e.estimator.SetPattern(e.noise) // where nobody knows
	if f.FixedPatternCodes != nil {
		e.estimator.SetPattern(f.GetFixedPatternCodes())
	}
	got := e.estimator.Estimate(e.last, e.codes, e.hint)
	out.Texture = finite(got.Texture)
	e.hint = nil
	if got.Refused != motion.Estimated {
		out.Reason = reasons[got.Refused]
		return
	}
	e.hinted = motion.Hint{X: got.X, Y: got.Y}
	e.hint = &e.hinted
	out.IntervalNs += e.rowsApart(f, got.BeforeY)
	out.ShiftXPx, out.ShiftYPx = got.X, got.Y
	out.ShiftCovariancePx2 = []float64{got.XX, got.XY, got.YY}
	out.ChiSquared = got.Left(e.noise)
	e.estimator.Flow(e.rays, &got, &e.flows)
	seconds := float64(out.GetIntervalNs()) * 1e-9
	turn := e.flows.Whole.Turn()
	out.RateRadPerS = vector(turn.Angle, 1/seconds)
	out.RateInformation = matrix(turn.Information, seconds*seconds)
	if turn.ExpansionTold {
		rate, sd := turn.Expansion/seconds, math.Sqrt(turn.ExpansionVariance)/seconds
		out.ExpansionPerS, out.ExpansionSdPerS = &rate, &sd
	}
}

// before says whether there is a frame to compare with.
func (e *eye) before(f *facetdv1.Frame, out *facetdv1.ChipMotion) facetdv1.MotionReason {
	if !corrected(f) {
		return facetdv1.MotionReason_MOTION_REASON_NOT_CORRECTED
	}
	if !e.seen {
		return facetdv1.MotionReason_MOTION_REASON_GAP
	}
	job := e.job
	out.PreviousJob, out.IntervalNs = &job, out.GetLightBusNs()-e.light
	switch {
	case !(out.IntervalNs > 0 && out.IntervalNs <= int64(motion.LongestInterval)):
		return facetdv1.MotionReason_MOTION_REASON_GAP
	case out.GetClippedFraction() == 1:
		return facetdv1.MotionReason_MOTION_REASON_CLIPPED
	case e.lag(out.GetMeanCodes()) > slowest*float64(out.GetIntervalNs())*1e-9:
		return facetdv1.MotionReason_MOTION_REASON_DIM
	}
	return facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED
}

// corrected reports whether the fixed pattern was taken off a frame.
func corrected(f *facetdv1.Frame) bool {
	for _, c := range f.GetCorrections() {
		switch c {
		case facetdv1.Correction_CORRECTION_OFFSET, facetdv1.Correction_CORRECTION_OFFSET_GAIN,
			facetdv1.Correction_CORRECTION_LOG_RESPONSE:
			return true
		}
	}
	return false
}

// lag is the time constant of a logarithmic pixel in seconds at the light that a code shows, as its class says; 0 where
// that says nothing of it.
func (e *eye) lag(code float64) float64 {
	spec := e.class.Spec.GetLogarithmic()
	if spec.GetNodeCapacitanceFf() == 0 || spec.GetPhotocurrentFaPerLux() == 0 || spec.GetVoltsPerDecade() == 0 {
		return 0
	}
	volts := e.scale[0] + code*e.scale[1]
	// Dark current drives the node as light does.
	lux := math.Pow(10, (volts-spec.GetOffsetVolts())/spec.GetVoltsPerDecade())
	return analog.LogTau(spec.GetNodeCapacitanceFf()*1e-15, e.class.Spec.GetTemperatureK(),
		spec.GetPhotocurrentFaPerLux()*1e-15) / lux
}

// rowsApart is how much later the light of the rows is that were compared, of a picture that moved by whole rows.
func (e *eye) rowsApart(f *facetdv1.Frame, rows float64) int64 {
	lights := f.GetRowLightOffsetNs()
	if len(lights) == 0 {
		lights = f.GetRowOffsetNs()
	}
	if len(lights) < 2 {
		return 0
	}
	return int64(rows * float64(lights[len(lights)-1]-lights[0]) / float64(len(lights)-1))
}

var reasons = map[motion.Reason]facetdv1.MotionReason{
	motion.Gap:          facetdv1.MotionReason_MOTION_REASON_GAP,
	motion.NotCorrected: facetdv1.MotionReason_MOTION_REASON_NOT_CORRECTED,
	motion.Clipped:      facetdv1.MotionReason_MOTION_REASON_CLIPPED,
	motion.Dim:          facetdv1.MotionReason_MOTION_REASON_DIM,
	motion.Flat:         facetdv1.MotionReason_MOTION_REASON_FLAT,
	motion.OutOfRange:   facetdv1.MotionReason_MOTION_REASON_OUT_OF_RANGE,
}

// name is how metrics call a reason.
func name(r facetdv1.MotionReason) string {
	for k, v := range reasons {
		if v == r {
			return strings.ReplaceAll(k.String(), " ", "_")
		}
	}
	if r == facetdv1.MotionReason_MOTION_REASON_LATTICE {
		return "lattice"
	}
	return fmt.Sprintf("reason %d", r)
}
