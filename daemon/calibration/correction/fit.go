package correction

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"facetd.example/api/invalid"
	"facetd.example/daemon/fit"
)

// clippedLimit is the fraction of pixels with clipped samples above which a level is refused: then
// the light or the bias is wrong, not the pixels.
const clippedLimit = 0.1

// Fit makes a correction map by a method. The error is an invalid.Errors with everything that is
// wrong with levels and options.
func Fit(method Method, levels []Level, o Options) (*Map, error) {
	in, err := newInput(method, levels, o)
	if err != nil {
		return nil, err
	}
	d := in.detect()
	in.average(d.kinds)
	m := &Map{Shape: in.shape, Scale: in.scale, Method: method, Kelvin: o.Kelvin, FalseRate: in.falseRate,
		CodesPerDecade: o.CodesPerDecade}
	squares := make([]float64, in.n)
	switch method {
	case Offset:
		in.fitOffset(m)
	case OffsetGain:
		in.fitGain(m, squares)
	case LogResponse:
		if err := in.fitLog(m, d.kinds, squares); err != nil {
			return nil, err
		}
	}
	if len(levels) > method.MinLevels() {
		d.misfits(squares)
	}
	for i, k := range d.kinds {
		if k != 0 {
			m.Defects = append(m.Defects, Defect{i, k})
			m.identity(i)
		} else if !m.usable(i) {
			m.Defects = append(m.Defects, Defect{i, Misfit})
			m.identity(i)
		}
	}
	if len(m.Defects) == in.n {
		return nil, invalid.Errors{{Path: "levels", Message: "every pixel counts as defective",
			Hint: "check the light, the bias and the select words; compare with frames of another chip"}}
	}
	m.prepare()
	m.Levels, err = m.Measure(levels)
	return m, err
}

// usable tells whether a pixel's parameters can be applied.
func (m *Map) usable(i int) bool {
	if !finite(float64(m.Offset[i])) {
		return false
	}
	if m.Method == Offset {
		return true
	}
	g := float64(m.Gain[i])
	ok := finite(g) && g != 0 && finite(float64(1/m.Gain[i]))
	if m.Method == OffsetGain {
		return ok && g > 0
	}
	return ok && g*m.Mean.B > 0 && m.Dark[i] >= 0 && finite(float64(m.Dark[i]))
}

// input is what a fit works on.
type input struct {
	shape          Shape
	scale          Scale
	n              int
	levels         []Level
	mean, variance [][]float64 // by level and pixel, in codes
	spatial        []float64   // mean of the good pixels by level
	falseRate      float64
}

func newInput(method Method, levels []Level, o Options) (*input, error) {
	var wrong invalid.Errors
	if method < Offset || method > LogResponse {
		wrong.Add("method", fmt.Sprintf("method %d is not known", method), "take Offset, OffsetGain or LogResponse")
		return nil, wrong
	}
	o.check(&wrong)
	need := method.MinLevels()
	if len(levels) < need || (method == Offset && len(levels) != 1) {
		wrong.Add("levels", fmt.Sprintf("%d illumination levels; %s takes %d%s", len(levels), method, need,
			map[bool]string{true: "", false: " or more"}[method == Offset]), "take frames under more levels, or "+
			"choose another method")
		return nil, wrong
	}
	for i, l := range levels {
		checkLevel(&wrong, fmt.Sprintf("levels[%d]", i), l, levels[0])
	}
	if len(wrong) == 0 && len(levels) > 1 {
		unsaturated(&wrong, levels)
	}
	if len(wrong) > 0 {
		return nil, wrong
	}
	a := levels[0].Frames
	in := &input{shape: a.shape, scale: a.scale, n: a.shape.Pixels(), levels: levels, falseRate: o.FalseRate}
	if in.falseRate == 0 {
		in.falseRate = defaultFalseRate
	}
	for _, l := range levels {
		mean, variance := make([]float64, in.n), make([]float64, in.n)
		for i := range in.n {
			mean[i], variance[i] = l.Frames.Mean(i), l.Frames.Variance(i)
		}
		in.mean, in.variance = append(in.mean, mean), append(in.variance, variance)
	}
	in.average(make([]Kind, in.n))
	in.apart(method, &wrong)
	return in, wrong.Err()
}

func checkLevel(wrong *invalid.Errors, path string, l, first Level) {
	if l.Frames == nil || l.Frames.frames < 2 {
		wrong.Add(path+".frames", "fewer than two frames, which show no noise", "take 16 or more")
		return
	}
	if !finite(l.Lux) {
		wrong.Add(path+".lux", "the light is no number", "give lux, or -1 where it is not known")
	}
	if first.Frames != nil && (l.Frames.shape != first.Frames.shape || l.Frames.scale != first.Frames.scale) {
		wrong.Add(path+".frames", "shape or scale differ from those of the first level",
			"take all levels with one chip, view and gain")
		return
	}
	low, high := 0, 0
	for i := range l.Frames.sum {
		if l.Frames.low[i] > 0 {
			low++
		}
		if l.Frames.high[i] > 0 {
			high++
		}
	}
	if n := float64(len(l.Frames.sum)); float64(low+high) > clippedLimit*n {
		wrong.Add(path+".frames", fmt.Sprintf("%d pixels clip at the lowest code and %d at the highest, of %d", low,
			high, len(l.Frames.sum)), "change the light, the bias or the gain so that nothing clips")
	}
}

// average takes the mean of the pixels without marks, by level.
func (in *input) average(kinds []Kind) {
	in.spatial = make([]float64, len(in.mean))
	for l, mean := range in.mean {
		sum, n := 0.0, 0
		for i, v := range mean {
			if kinds[i] == 0 {
				sum += v
				n++
			}
		}
		in.spatial[l] = sum / float64(max(n, 1))
	}
}

// apart checks that levels that have to differ do.
func (in *input) apart(method Method, wrong *invalid.Errors) {
	if method == Offset {
		return
	}
	if span := slices.Max(in.spatial) - slices.Min(in.spatial); span < 4 {
		wrong.Add("levels", fmt.Sprintf("the levels lie only %.2g codes apart", span),
			"choose levels that differ by more of the range")
	}
	if method != LogResponse {
		return
	}
	distinct := map[float64]bool{}
	for i, l := range in.levels {
		if l.Lux < 0 {
			wrong.Add(fmt.Sprintf("levels[%d].lux", i), "the light is not known",
				"measure it, or correct offset and gain, which does not need it")
		}
		distinct[l.Lux] = true
	}
	if len(distinct) < 3 {
		wrong.Add("levels", fmt.Sprintf("%d different lights; a log response has three parameters", len(distinct)),
			"take three or more different levels")
	}
	in.ordered(wrong)
}

// turnedBack is by how many codes the mean may go against the light before the light of a level
// counts as stated wrongly: the noise of means is far below it.
const turnedBack = 2

// ordered checks that the mean response goes one way as the light rises. Where it does not,
// somebody changed the light, or the values were mixed up.
func (in *input) ordered(wrong *invalid.Errors) {
	order := make([]int, len(in.levels))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(in.levels[a].Lux, in.levels[b].Lux) })
	direction := 1.0
	if in.spatial[order[len(order)-1]] < in.spatial[order[0]] {
		direction = -1
	}
	for k, i := range order[1:] {
		before := order[k]
		if (in.spatial[i]-in.spatial[before])*direction < -turnedBack {
			wrong.Add(fmt.Sprintf("levels[%d].lux", i),
				fmt.Sprintf("the mean code is %.1f at %g lux and %.1f at %g lux, against the other levels",
					in.spatial[i], in.levels[i].Lux, in.spatial[before], in.levels[before].Lux),
				"the light was not what was said, or somebody changed it: gather the levels again")
		}
	}
}

func (in *input) fitOffset(m *Map) {
	m.Offset = make([]float32, in.n)
	for i, y := range in.mean[0] {
		m.Offset[i] = float32(y - in.spatial[0])
	}
}

func (in *input) fitGain(m *Map, squares []float64) {
	m.Offset, m.Gain = make([]float32, in.n), make([]float32, in.n)
	y := make([]float64, len(in.mean))
	for i := range in.n {
		in.pixel(y, i)
		l := fit.NewLine(in.spatial, y, nil)
		m.Offset[i], m.Gain[i], squares[i] = float32(l.Intercept), float32(l.Slope), l.Squares
	}
}

// pixel gathers the means of one pixel by level.
func (in *input) pixel(y []float64, i int) {
	for l := range y {
		y[l] = in.mean[l][i]
	}
}

// Measure reports what the correction map leaves of the fixed pattern in frames of uniform levels:
// those that it was made from, or better fresh ones. The light of a level may be unknown. It fails
// when a level's shape or scale is not the correction map's or it has fewer than two frames.
func (m *Map) Measure(levels []Level) ([]LevelReport, error) {
	out := make([]LevelReport, len(levels))
	for l, level := range levels {
		f := level.Frames
		if f == nil || f.frames < 2 || f.shape != m.Shape || f.scale != m.Scale {
			return nil, invalid.Errors{{Path: fmt.Sprintf("levels[%d].frames", l),
				Message: "fewer than two frames, or of another shape or scale than the correction map's",
				Hint:    "take frames with the chip, view and gain of the correction map"}}
		}
		out[l] = m.measure(level)
	}
	return out, nil
}

func (m *Map) measure(level Level) LevelReport {
	f := level.Frames
	r := LevelReport{Lux: max(level.Lux, -1), Frames: f.frames}
	var before, after moments
	var noise, noiseAfter float64
	m.eachGood(func(i int) {
		y, v := f.Mean(i), f.Variance(i)
		before.add(y)
		after.add(m.corrected(i, y))
		slope := m.corrected(i, y+0.5) - m.corrected(i, y-0.5)
		noise += v
		noiseAfter += v * slope * slope
	})
	n := float64(before.n)
	r.MeanCode = before.mean
	r.NoiseCodes = math.Sqrt(noise / n)
	r.BeforeCodes = math.Sqrt(max(before.variance()-noise/n/float64(f.frames), 0))
	r.AfterCodes = math.Sqrt(max(after.variance()-noiseAfter/n/float64(f.frames), 0))
	if m.Method == LogResponse && level.Lux >= 0 {
		if code := m.Mean.Code(level.Lux); finite(code) {
			r.MisfitCodes = r.MeanCode - code
		}
	}
	return r
}

// eachGood visits the pixels that are no defects.
func (m *Map) eachGood(visit func(i int)) {
	next := 0
	for i := range m.Shape.Pixels() {
		if next < len(m.Defects) && m.Defects[next].Pixel == i {
			next++
			continue
		}
		visit(i)
	}
}

// moments is a running mean and variance (Welford, Technometrics 4(3), 1962; seen in the abstract).
type moments struct {
	n          int
	mean, sums float64
}

func (m *moments) add(x float64) {
	m.n++
	d := x - m.mean
	m.mean += d / float64(m.n)
	m.sums += d * (x - m.mean)
}

func (m *moments) variance() float64 { return m.sums / float64(max(m.n-1, 1)) }
