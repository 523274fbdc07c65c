package correction

import (
	"fmt"
	"math"
	"math/bits"
)

// MaxFrames is how many frames an Accumulator takes.
const MaxFrames = 1 << 24

// Accumulator gathers frames of one view of one chip under one light: mean, variance and
// clipping of each pixel. It keeps whole sums of codes and of their squares, which are
// exact, so that no order of adding and merging changes the result; the running update
// after Welford (Technometrics 4(3), 1962; seen in the abstract) does the same for numbers that have no exact
// sum.
type Accumulator struct {
	shape        Shape
	scale        Scale
	frames       int
	sum, squares []uint64
	low, high    []uint32
	// Half of a pair of frames, and what the whole pairs said.
	first    []uint16
	waiting  bool
	pairs    int
	pairCode float64
	// Of the means of whole frames.
	frameSum, frameSquares float64
}

// NewAccumulator makes an empty one. It fails on a shape or scale that no chip has.
func NewAccumulator(shape Shape, scale Scale) (*Accumulator, error) {
	if err := shape.check(); err != nil {
		return nil, err
	}
	if err := scale.check(); err != nil {
		return nil, err
	}
	n := shape.Pixels()
	return &Accumulator{shape: shape, scale: scale,
		sum: make([]uint64, n), squares: make([]uint64, n), low: make([]uint32, n), high: make([]uint32, n),
		first: make([]uint16, n)}, nil
}

// Shape returns the shape of the frames.
func (a *Accumulator) Shape() Shape { return a.shape }

// Scale returns what their codes mean.
func (a *Accumulator) Scale() Scale { return a.scale }

// Frames returns how many frames were added.
func (a *Accumulator) Frames() int { return a.frames }

// Add takes one frame, row by row. It fails, and takes nothing, when the number of codes
// is not the shape's, a code is above the highest, or MaxFrames were added.
func (a *Accumulator) Add(codes []uint16) error {
	if len(codes) != len(a.sum) {
		return fmt.Errorf("a frame of %d codes; the shape is %d x %d", len(codes), a.shape.Rows, a.shape.Columns)
	}
	if a.frames >= MaxFrames {
		return fmt.Errorf("more than %d frames", MaxFrames)
	}
	for i, c := range codes {
		if c > a.scale.HighestCode {
			return fmt.Errorf("code %d of row %d, column %d is above the highest code, %d", c, i/a.shape.Columns,
				i%a.shape.Columns, a.scale.HighestCode)
		}
	}
	var total uint64
	for i, c := range codes {
		v := uint64(c)
		a.sum[i] += v
		a.squares[i] += v * v
		total += v
		switch c {
		case 0:
			a.low[i]++
		case a.scale.HighestCode:
			a.high[i]++
		}
	}
	a.frames++
	mean := float64(total) / float64(len(codes))
	a.frameSum += mean
	a.frameSquares += mean * mean
	if !a.waiting {
		copy(a.first, codes)
		a.waiting = true
		return nil
	}
	a.waiting = false
	a.pairs++
	a.pairCode += pairVariance(a.first, codes)
	return nil
}

// pairVariance is the temporal variance from two frames: half the variance over the
// pixels of their difference (EMVA Standard 1288, release 3.1, section 6; from memory).
// A change of the light between the two falls out.
func pairVariance(a, b []uint16) float64 {
	var sum, squares int64
	for i := range a {
		d := int64(a[i]) - int64(b[i])
		sum += d
		squares += d * d
	}
	n := float64(len(a))
	mean := float64(sum) / n
	return (float64(squares)/n - mean*mean) / 2
}

// Merge adds what another accumulator gathered. A frame that waits for the second of its
// pair in the other one is left out of the pairs. It fails, and changes nothing, when
// shapes or scales differ or MaxFrames would be passed.
func (a *Accumulator) Merge(other *Accumulator) error {
	if other.shape != a.shape || other.scale != a.scale {
		return fmt.Errorf("frames of %+v, %+v do not go with frames of %+v, %+v", other.shape, other.scale, a.shape,
			a.scale)
	}
	if a.frames+other.frames > MaxFrames {
		return fmt.Errorf("more than %d frames", MaxFrames)
	}
	for i := range a.sum {
		a.sum[i] += other.sum[i]
		a.squares[i] += other.squares[i]
		a.low[i] += other.low[i]
		a.high[i] += other.high[i]
	}
	a.frames += other.frames
	a.pairs += other.pairs
	a.pairCode += other.pairCode
	a.frameSum += other.frameSum
	a.frameSquares += other.frameSquares
	return nil
}

// Mean is the mean of a pixel in codes, NaN before the first frame.
func (a *Accumulator) Mean(pixel int) float64 {
	return float64(a.sum[pixel]) / float64(a.frames)
}

// Variance is the temporal variance of a pixel in codes squared (N-1 in the denominator);
// NaN below two frames.
func (a *Accumulator) Variance(pixel int) float64 {
	if a.frames < 2 {
		return math.NaN()
	}
	n, sum := uint64(a.frames), a.sum[pixel]
	high, low := bits.Mul64(n, a.squares[pixel])
	high2, low2 := bits.Mul64(sum, sum)
	low, borrow := bits.Sub64(low, low2, 0)
	high, _ = bits.Sub64(high, high2, borrow)
	return (float64(high)*0x1p64 + float64(low)) / (float64(n) * float64(n-1))
}

// Noise is the temporal noise of a pixel, the root of its variance, in codes.
func (a *Accumulator) Noise(pixel int) float64 { return math.Sqrt(a.Variance(pixel)) }

// Clipped is how many samples of a pixel were at the lowest and at the highest code.
func (a *Accumulator) Clipped(pixel int) (low, high int) {
	return int(a.low[pixel]), int(a.high[pixel])
}

// MeanCode is the mean over frames and pixels in codes.
func (a *Accumulator) MeanCode() float64 { return a.frameSum / float64(a.frames) }

// MeanVariance is the mean over the pixels of the temporal variance, in codes squared.
func (a *Accumulator) MeanVariance() float64 {
	var sum float64
	for i := range a.sum {
		sum += a.Variance(i)
	}
	return sum / float64(len(a.sum))
}

// PairVariance is the mean over pairs of successive frames of the temporal variance that
// each pair shows, in codes squared. Unlike MeanVariance it does not see light or supply
// that wanders from one pair to the next. NaN before the first pair.
func (a *Accumulator) PairVariance() float64 { return a.pairCode / float64(a.pairs) }

// Kept is the correlation of a pixel's noise from one frame to the next, from how much less successive frames differ
// than all do: 0 for noise that is new in every frame; that of logarithmic pixels lasts for their time constant. What
// all pixels have in common counts as light. It is taken to fall by equal ratios; 0 also where frames do not show it.
func (a *Accumulator) Kept() float64 {
	all := a.MeanVariance() - a.FrameNoise()*a.FrameNoise()
	pairs := a.PairVariance()
	// Where chance explains the difference, there is none.
	if !(all > 0) || !(pairs < all*(1-4*math.Sqrt(2/float64(max(a.pairs*len(a.sum), 1))))) {
		return 0
	}
	low, high := 0.0, 0.9999
	for range 50 {
		r := (low + high) / 2
		if (1-r)/(1-(a.alike(r)-1)/float64(a.frames-1)) > pairs/all {
			low = r
		} else {
			high = r
		}
	}
	return low
}

// alike is by how much more the mean of all frames varies than that of independent ones when their noise is kept by r
// from one to the next.
func (a *Accumulator) alike(r float64) float64 {
	n := float64(a.frames)
	return (1+r)/(1-r) - 2*r*(1-math.Pow(r, n))/(n*(1-r)*(1-r))
}

// freedom is how many degrees of freedom the variance of a pixel has: one less than frames. Where their noise is kept
// it is the number that bounds the tail, which the slowest part of the noise makes.
func (a *Accumulator) freedom() float64 {
	r := a.Kept()
	return max(float64(a.frames-1)*(1-r)/(1+r), 1)
}

// FrameNoise is the standard deviation of the means of whole frames in codes: what all
// pixels have in common, such as a flickering lamp, an array that warms up, or a reference
// that wanders. Independent noise of the pixels puts Noise/sqrt(pixels) into it. NaN below
// two frames.
func (a *Accumulator) FrameNoise() float64 {
	if a.frames < 2 {
		return math.NaN()
	}
	n := float64(a.frames)
	mean := a.frameSum / n
	return math.Sqrt(max(a.frameSquares/n-mean*mean, 0) * n / (n - 1))
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
