package motion

import "math"

// Options are what an estimator is told of the frames. The zero value takes the noise from what is left over.
type Options struct {
	// Noise is the standard deviation of the noise of a pixel in the unit of the frames; 0 for what the residual tells.
	Noise float64
	// NoiseFloor is what the noise is at least where the residual tells it: frames of codes have that of their steps.
	NoiseFloor float64
	// Pattern is the standard deviation from pixel to pixel of what stays where it is while the light moves: what a
	// correction leaves of the fixed pattern.
	Pattern float64
	// Smoothing is that of the pair of filters; its zero value stands for the constant of that name.
	Smoothing Smooth
	// FirstOrder leaves what a shift does beyond the first order as it is, for comparison.
	FirstOrder bool
}

// Smooth is b of the matched pair of filters; its zero value stands for that of Smoothing.
type Smooth struct {
	B   float64
	Set bool
}

// Reason is why there is no estimate.
type Reason int

// Reasons, from what cannot be tried to what was tried.
const (
	// Estimated: there is one.
	Estimated Reason = iota
	// Gap: there is no frame before this one, or too long a time between them.
	Gap
	// NotCorrected: the frames are as converted, and their fixed pattern stays where it is.
	NotCorrected
	// Clipped: too few pixels are between the lowest code and the highest.
	Clipped
	// Dim: the pixels are slower than the light changes.
	Dim
	// Flat: the light has no more texture than noise makes.
	Flat
	// OutOfRange: it moved further than is looked for, or another picture came.
	OutOfRange
	// TooSmall: the frame has too few pixels for gradients in any direction.
	TooSmall
)

func (r Reason) String() string {
	return [...]string{"", "gap", "not corrected", "clipped", "dim", "flat", "out of range",
		"too small"}[r]
}

// Estimate is what a pair of frames tells.
type Estimate struct {
	// Refused is why there is no estimate; of what follows only Pixels, Noise and Texture are set then.
	Refused Reason
	// X and Y are the shift in columns and in rows, positive where what is seen moves to higher ones.
	X, Y float64
	// XX, XY and YY are its covariance; along a direction that nothing is told of the variance is the square of the
	// larger side of the frame, and the shift 0.
	XX, XY, YY float64
	// Offset is by how much the second frame is higher, in the unit of the frames.
	Offset float64
	// Noise is the standard deviation of a pixel that the covariance rests on, and ChiSquared the square of what was
	// left over in that of Options.Noise, per degree of freedom; 0 where none was given.
	Noise, ChiSquared float64
	// Texture is the mean square of the gradients of the light over that which noise makes by itself: 0 for none.
	Texture float64
	// Pixels are those whose gradients were used; Valid is which part of all that have gradients they are.
	Pixels int
	Valid  float64
	// BeforeX and BeforeY are the shift by whole pixels (on a hexagonal lattice by half columns between rows that are
	// shifted differently) by which the second frame was moved back.
	BeforeX, BeforeY float64
	// Iterations is how often least squares was done.
	Iterations int

	left float64 // variance of a pixel as the residual tells it
}

// Left is what was left over in squares of a noise of the pixels, per degree of freedom.
func (e *Estimate) Left(noise float64) float64 { return e.left / (noise * noise) }

// Hint is the shift that is expected, in columns and rows.
type Hint struct{ X, Y float64 }

// Estimator compares frames of one shape. It is for one goroutine, and allocates nothing once made, but for the first
// Flow of a picture that moved by an odd number of pixels.
type Estimator struct {
	shape  Shape
	kind   kind
	o      Options
	b      float64
	power  power
	common area // of the pixels that both frames have, by the indices of the first
	fields fields
	sums   sums
	// Of the pixels of the first frame: the mean and the difference of both, smoothed and differentiated along rows.
	mean, diff, smoothMean, slopeMean, smoothDiff []float64
	before                                        displacement
	between                                       between
	evenX, evenY                                  float64 // by which the differences were straightened,
	locally                                       bool    // or that they were for each pixel by itself
}

// NewEstimator makes one for a shape with which Check finds nothing wrong.
func NewEstimator(s Shape, o Options) *Estimator {
	e := &Estimator{shape: s, kind: s.kind(), o: o, b: Smoothing}
	if o.Smoothing.Set {
		e.b = o.Smoothing.B
	}
	e.power = e.kind.powers(e.b)
	n := s.Rows * s.Columns
	for _, p := range []*[]float64{&e.mean, &e.diff, &e.smoothMean, &e.slopeMean, &e.smoothDiff,
		&e.fields.gx, &e.fields.gy, &e.fields.t} {
		*p = make([]float64, n)
	}
	return e
}

// SetPattern sets Options.Pattern for the pairs that follow.
func (e *Estimator) SetPattern(deviation float64) { e.o.Pattern = deviation }

// Estimate compares two frames, row by row; a pixel that is not a number tells nothing, nor do those beside it. Without
// a hint every shift is looked for that leaves half of the rows and half of the columns in common.
func (e *Estimator) Estimate(first, second []float64, hint *Hint) Estimate {
	if e.kind == tooSmall {
		return Estimate{Refused: TooSmall}
	}
	var out Estimate
	ok := false
	if hint != nil {
		out, ok = e.refine(first, second, e.shape.nearest(hint.X, hint.Y))
	}
	if hint == nil || !ok && !e.nowhere(&out) {
		n := out.Iterations
		out, ok = e.search(first, second)
		out.Iterations += n
	}
	if !ok && out.Refused == Estimated {
		out = Estimate{Refused: OutOfRange, Pixels: out.Pixels, Valid: out.Valid, Noise: out.Noise,
			Texture: out.Texture, Iterations: out.Iterations}
	}
	return out
}

// refine estimates from a displacement, and once more from the one that is nearest to the result. It is not ok where
// that is still far from it.
func (e *Estimator) refine(first, second []float64, at displacement) (out Estimate, ok bool) {
	for try := 1; ; try++ {
		if !e.compare(first, second, at) {
			return Estimate{Refused: OutOfRange, Iterations: try}, false
		}
		out = e.solve()
		out.Iterations = try
		if out.Refused != Estimated {
			return out, false
		}
		next := e.shape.nearest(out.X, out.Y)
		if next == at || try == 2 {
			if x, y := at.shift(); !e.o.FirstOrder {
				e.evenX, e.evenY, e.locally = out.X-x, out.Y-y, false
				e.straighten(e.evenX, e.evenY)
				e.sums.again(e)
				out = e.solve()
				out.Iterations = try
				if out.Refused != Estimated {
					return out, false
				}
			}
			break
		}
		at = next
	}
	x, y := at.shift()
	return out, math.Abs(out.X-x) <= e.reach(out.XX) && math.Abs(out.Y-y) <= e.reach(out.YY)
}

// reach is how far from whole pixels a result may be: one pixel, and more where it is not sure.
func (e *Estimator) reach(variance float64) float64 { return 1 + 3*math.Sqrt(variance) }

// displacement is a shift from pixel to pixel: rows, and half columns.
type displacement struct{ rows, halves int }

func (d displacement) shift() (x, y float64) { return float64(d.halves) / 2, float64(d.rows) }

// nearest is the displacement that is nearest to a shift.
func (s Shape) nearest(x, y float64) displacement {
	// What is far outside the frame is no displacement; the limit keeps it an integer.
	x, y = clamp(x, float64(s.Columns)), clamp(y, float64(s.Rows))
	d := displacement{rows: int(math.Round(y)), halves: 2 * int(math.Round(x))}
	if s.Hexagonal && d.rows&1 == 1 {
		d.halves = 2*int(math.Floor(x)) + 1
	}
	return d
}

func clamp(v, most float64) float64 { return max(-most, min(most, v)) }

// columns is by how many columns the second frame is moved back in a row.
func (d displacement) columns(s Shape, row int) int {
	if !s.Hexagonal {
		return d.halves / 2
	}
	return (d.halves + s.halves(row) - s.halves(row+d.rows)) >> 1
}

// compare makes gradients and differences of a pair moved back by a displacement; false where too little is in common.
func (e *Estimator) compare(first, second []float64, d displacement) bool {
	e.before = d
	if !e.overlap(d) {
		return false
	}
	w, c := e.shape.Columns, e.common
	for row := c.top; row < c.bottom; row++ {
		i, n := row*w+c.left, c.right-c.left
		j := i + d.rows*w + d.columns(e.shape, row)
		a, b := first[i:][:n], second[j:][:n]
		mean, diff := e.mean[i:][:n], e.diff[i:][:n]
		for k := range n {
			mean[k] = (a[k] + b[k]) / 2
			diff[k] = b[k] - a[k]
		}
	}
	e.filter()
	e.sums = e.add()
	return true
}

// leastCommon is the fewest rows and columns in common of which there are gradients.
const leastCommon = 4

// overlap sets the pixels of the first frame that the second has as well; false where they are too few.
func (e *Estimator) overlap(d displacement) bool {
	low, high := d.columns(e.shape, 0), d.columns(e.shape, 1)
	low, high = min(low, high), max(low, high)
	e.common = area{top: max(0, -d.rows), bottom: min(e.shape.Rows, e.shape.Rows-d.rows),
		left: max(0, -low), right: min(e.shape.Columns, e.shape.Columns-high)}
	rows, columns := e.common.bottom-e.common.top, e.common.right-e.common.left
	needRows, needColumns := leastCommon, leastCommon
	switch e.kind {
	case alongRows:
		needRows = e.shape.Rows
	case alongColumns:
		needColumns = e.shape.Columns
	}
	return rows >= needRows && columns >= needColumns
}
