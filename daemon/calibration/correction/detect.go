package correction

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/mathext"

	"facetd.example/daemon/fit"
)

// Kind is what is wrong with a pixel; several may hold.
type Kind uint16

const (
	// Dead does not respond: from the darkest to the brightest level it moves by less than
	// fit.DeadBelow of what the others do.
	Dead Kind = 1 << iota
	// StuckLow and StuckHigh are at the lowest and the highest code in every frame.
	StuckLow
	StuckHigh
	// Constant gives one code in all frames of a level, where the noise of the others would
	// have moved a good pixel.
	Constant
	// OffsetOutlier lies too far above or below the others at some level: hot pixels and
	// their like.
	OffsetOutlier
	// GainOutlier responds too much or too little.
	GainOutlier
	// Noisy has at least twice the temporal noise of the others.
	Noisy
	// Misfit does not follow the correction map's model: its residuals are too large.
	Misfit
	// Clipped is clipped in some samples of some level, so that its mean there is wrong.
	Clipped
	// DefectiveRow and DefectiveColumn belong to a row or column of which more than half
	// is defective, or whose middle lies too far from those of the others.
	DefectiveRow
	DefectiveColumn

	allKinds Kind = 1<<iota - 1
)

var kindNames = []string{"dead", "stuck low", "stuck high", "constant", "offset outlier", "gain outlier", "noisy",
	"misfit", "clipped", "defective row", "defective column"}

// String lists the kinds.
func (k Kind) String() string {
	var names []string
	for i, name := range kindNames {
		if k&(1<<i) != 0 {
			names = append(names, name)
		}
	}
	if k&^allKinds != 0 || k == 0 {
		names = append(names, fmt.Sprintf("kinds(%#x)", uint16(k&^allKinds)))
	}
	return strings.Join(names, ", ")
}

// Defect is one defective pixel.
type Defect struct {
	// Pixel is its index, row x columns + column.
	Pixel int
	Kinds Kind
}

// Tests of one kind of pixel. Numbers without a source are our own choice.
const (
	noisyAbove    = 4.0 // times the typical variance with the converter's step in it
	stepVariance  = 1.0 / 12
	lineDefective = 0.5 // part of a row or column
)

// detector marks pixels of a fit's levels.
type detector struct {
	*input
	kinds []Kind
	p     float64 // probability of a false defect in one test
}

// detect finds the defects that need no model: from means, variances and clipping. The
// probability of a false one is divided equally among the tests: an offset and a noise for each level,
// the noise of all levels, the response, what is constant, the misfit of the fit that
// comes after, and rows and columns.
func (in *input) detect() *detector {
	d := &detector{input: in, kinds: make([]Kind, in.n)}
	d.p = in.falseRate / float64(3*len(in.mean)+7)
	d.clipping()
	for l := range in.mean {
		d.constant(l)
	}
	d.response()
	for l := range in.mean {
		d.offsets(l)
	}
	d.noise()
	d.lines()
	return d
}

// good is the values of pixels without a mark of the kinds given, NaN for others.
func (d *detector) good(values []float64, but Kind) []float64 {
	out := make([]float64, len(values))
	for i, v := range values {
		out[i] = v
		if d.kinds[i]&but != 0 {
			out[i] = math.NaN()
		}
	}
	return out
}

func (d *detector) mark(i int, k Kind) { d.kinds[i] |= k }

func (d *detector) clipping() {
	for i := range d.n {
		low, high, samples, touched := 0, 0, 0, false
		for _, l := range d.levels {
			lo, hi := l.Frames.Clipped(i)
			low, high, samples = low+lo, high+hi, samples+l.Frames.Frames()
			touched = touched || lo+hi > 0
		}
		switch {
		case low == samples:
			d.mark(i, StuckLow)
		case high == samples:
			d.mark(i, StuckHigh)
		case touched:
			d.mark(i, Clipped)
		}
	}
}

// constant marks pixels that never moved at a level, if noise would have moved good ones:
// one whose mean lies in the middle of a code stays there with the probability
// erf(1/(2 sqrt 2 sigma)) a frame.
func (d *detector) constant(l int) {
	middle, _, _ := centre(d.good(d.variance[l], StuckLow|StuckHigh))
	sigma := math.Sqrt(max(middle-stepVariance, 0))
	stays := math.Erf(1 / (2 * math.Sqrt2 * max(sigma, 1e-3)))
	if math.Pow(stays, float64(d.levels[l].Frames.Frames())) > d.p {
		return
	}
	for i, v := range d.variance[l] {
		if v == 0 && d.kinds[i]&(StuckLow|StuckHigh) == 0 {
			d.mark(i, Constant)
		}
	}
}

// response compares what the pixels do between the two levels that lie farthest apart.
func (d *detector) response() {
	low, high := d.extremes()
	if low == high {
		return
	}
	response := make([]float64, d.n)
	for i := range response {
		response[i] = d.mean[high][i] - d.mean[low][i]
	}
	middle, _, _ := centre(d.good(response, StuckLow|StuckHigh))
	for i, r := range response {
		if math.Abs(r) < fit.DeadBelow*math.Abs(middle) {
			d.mark(i, Dead)
		}
	}
	d.outliers(response, Dead|StuckLow|StuckHigh, GainOutlier)
}

// extremes are the levels with the lowest and the highest mean.
func (d *detector) extremes() (low, high int) {
	for l := range d.spatial {
		if d.spatial[l] < d.spatial[low] {
			low = l
		}
		if d.spatial[l] > d.spatial[high] {
			high = l
		}
	}
	return low, high
}

func (d *detector) offsets(l int) {
	d.outliers(d.mean[l], Dead|StuckLow|StuckHigh, OffsetOutlier)
}

// outliers marks values too far from the median, in robust standard deviations. The spread
// counts as at least a step of the converter, so that an ideal array has no outliers.
func (d *detector) outliers(values []float64, but, kind Kind) {
	middle, sigma, n := centre(d.good(values, but))
	far := outlierAt(d.p, n) * math.Hypot(sigma, math.Sqrt(stepVariance))
	for i, v := range values {
		if math.Abs(v-middle) > far {
			d.mark(i, kind)
		}
	}
}

// noise tests the variances of each level and of all levels together.
func (d *detector) noise() {
	pooled, freedom := make([]float64, d.n), 0.0
	for l, variance := range d.variance {
		middle, _, _ := centre(d.good(variance, StuckLow|StuckHigh|Dead))
		typical := middle + stepVariance
		f := d.levels[l].Frames.freedom()
		freedom += f
		ratio := make([]float64, d.n)
		for i, v := range variance {
			ratio[i] = v / typical
			pooled[i] += f * ratio[i]
		}
		d.noisy(ratio, f)
	}
	if len(d.variance) < 2 {
		return
	}
	for i := range pooled {
		pooled[i] /= freedom
	}
	d.noisy(pooled, freedom)
}

// noisy marks variances, in units of the typical one, that are both at least four times it
// and outliers. The cube root of a chi-squared variable is close to normal (Wilson and
// Hilferty, Proc. Natl. Acad. Sci. 17, 1931, from memory), and its robust spread holds whatever real
// differences of noise the pixels have; with few degrees of freedom the tail of the chi-squared distribution itself is
// the limit, which that of the normal one then does not reach.
func (d *detector) noisy(ratio []float64, freedom float64) {
	above := max(noisyAbove, 2*mathext.GammaIncRegCompInv(freedom/2, d.p)/freedom)
	roots := make([]float64, d.n)
	for i, r := range ratio {
		roots[i] = math.Cbrt(r)
	}
	middle, sigma, n := centre(d.good(roots, StuckLow|StuckHigh|Dead|Constant))
	far := middle + studentQuantile(d.p, max(madFreedom*float64(n-1), 1))*sigma
	for i, r := range roots {
		if r > far && ratio[i] > above {
			d.mark(i, Noisy)
		}
	}
}

// misfits marks pixels whose sum of squared residuals is too large.
func (d *detector) misfits(squares []float64) {
	roots := make([]float64, d.n)
	for i, s := range squares {
		roots[i] = math.Cbrt(s)
	}
	middle, sigma, n := centre(d.good(roots, allKinds))
	if n == 0 {
		return
	}
	far := middle + studentQuantile(d.p, max(madFreedom*float64(n-1), 1))*sigma
	for i, r := range roots {
		if d.kinds[i] == 0 && r > far && r > math.Cbrt(stepVariance) {
			d.mark(i, Misfit)
		}
	}
}

// lines marks whole rows and columns.
func (d *detector) lines() {
	d.line(d.shape.Rows, d.shape.Columns, func(r, c int) int { return r*d.shape.Columns + c }, DefectiveRow)
	d.line(d.shape.Columns, d.shape.Rows, func(c, r int) int { return r*d.shape.Columns + c }, DefectiveColumn)
}

// line marks lines of which more than half is defective, and those whose middle at some
// level, or noise, lies too far from those of the other lines. A single line has no others,
// and lines of one pixel are pixels.
func (d *detector) line(lines, length int, at func(line, i int) int, kind Kind) {
	if lines < 2 || length < 2 {
		return
	}
	bad := make([]bool, lines)
	const anyLine = DefectiveRow | DefectiveColumn
	for k := range lines {
		count := 0
		for i := range length {
			if d.kinds[at(k, i)]&^anyLine != 0 {
				count++
			}
		}
		bad[k] = float64(count) > lineDefective*float64(length)
	}
	for l := range d.mean {
		d.lineOutliers(d.mean[l], lines, length, at, bad, math.Sqrt(stepVariance), true)
		d.lineOutliers(d.variance[l], lines, length, at, bad, noisyAbove/2*stepVariance, false)
	}
	for k, b := range bad {
		for i := range length {
			if b {
				d.mark(at(k, i), kind)
			}
		}
	}
}

// lineOutliers compares the medians of lines. Steps is the least spread that counts.
func (d *detector) lineOutliers(values []float64, lines, length int, at func(line, i int) int, bad []bool,
	steps float64, both bool) {
	medians, one := make([]float64, lines), make([]float64, length)
	for k := range lines {
		for i := range length {
			one[i] = values[at(k, i)]
		}
		medians[k] = fit.Median(one)
	}
	middle, sigma, n := centre(medians)
	far := outlierAt(d.p/2, n) * math.Hypot(sigma, steps)
	for k, m := range medians {
		if (both && math.Abs(m-middle) > far) || (!both && m-middle > far && m > noisyAbove*(middle+stepVariance)) {
			bad[k] = true
		}
	}
}
