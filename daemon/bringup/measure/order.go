package measure

import (
	"math"
	"slices"

	"facetd.example/chipmodel"
	"facetd.example/daemon/fit"
)

// maxShift is how many pixels a counter may be off to be found.
const maxShift = 6

// Shift finds by how many pixels, in the order in which they are clocked out, a window
// is off against a whole frame: negative when clocks were lost, since it then shows
// pixels of before. The pattern that every chip has of its own, and the light, tell
// pixels apart. sure is how much better that place fits than the next best one, as a
// ratio of squares; below sureEnough there is no verdict.
func Shift(class *chipmodel.Class, frame []uint16, w chipmodel.Window, part []uint16) (shift int, sure float64) {
	type fit struct {
		shift int
		rest  float64
	}
	var fits []fit
	for s := -maxShift; s <= maxShift; s++ {
		sum, n := 0.0, 0
		for i := range part {
			at := (w.Row+i/w.Columns*w.RowStep)*class.Columns + w.Column + i%w.Columns*w.ColumnStep + s
			if at < 0 || at >= len(frame) {
				continue
			}
			d := float64(part[i]) - float64(frame[at])
			sum, n = sum+d*d, n+1
		}
		if n > len(part)/2 {
			fits = append(fits, fit{s, sum/float64(n) + 1.0/6})
		}
	}
	if len(fits) < 2 {
		return 0, 0
	}
	slices.SortStableFunc(fits, func(x, y fit) int {
		if x.rest < y.rest {
			return -1
		}
		return 1
	})
	return fits[0].shift, fits[1].rest / fits[0].rest
}

// fewestPixels is how many pixels a window needs for a verdict.
const fewestPixels = 10

// sureEnough is from which ratio of squares on a place counts as found by some pixels. Of
// pixels that differ by noise alone one place fits better than the others by chance, and
// more so the fewer they are. Common practice, no source.
func sureEnough(pixels int) float64 {
	if pixels < fewestPixels {
		return math.Inf(1)
	}
	return max(1.5, 1+50/float64(pixels))
}

// Slip is where a frame's rows jump sideways.
type Slip struct {
	// Row is the row in which it happens, about, and Pixels by how much: above
	// zero when clocks were lost. Every says that each row is off.
	Row    int
	Pixels float64
	Every  bool
}

// Slips finds rows that have jumped against the row before, under a light that changes along rows
// and not much from row to row. striped is a frame in that light, even one under uniform
// illumination: what pixels differ by is taken out. sharp is how well places are known, in pixels;
// above about a third there is no verdict.
func Slips(class *chipmodel.Class, striped, even []uint16) (slips []Slip, sharp float64) {
	rows := make([][]float64, class.Rows)
	for r := range rows {
		rows[r] = make([]float64, class.Columns)
		mean := 0.0
		for c := range rows[r] {
			i := r*class.Columns + c
			rows[r][c] = float64(striped[i]) - float64(even[i])
			mean += rows[r][c] / float64(class.Columns)
		}
		for c := range rows[r] {
			rows[r][c] -= mean
		}
	}
	if class.Columns < 3*mostSideways {
		return nil, math.Inf(1) // shifted rows would overlap in too few pixels
	}
	// Over two rows: a slip in the middle of a row shows whole only in the next one.
	var steps []float64
	for r := 2; r < len(rows); r++ {
		steps = append(steps, sideways(rows[r-2], rows[r]))
	}
	if len(steps) < 3 {
		return nil, math.Inf(1)
	}
	middle := fit.Median(slices.Clone(steps))
	apart := make([]float64, len(steps))
	for i, s := range steps {
		apart[i] = math.Abs(s - middle)
	}
	sharp = 1.4826 * fit.Median(apart) // as the deviation of a normal distribution
	if math.Abs(middle) > 1.2 {
		slips = append(slips, Slip{Row: 1, Pixels: middle / 2, Every: true})
	}
	for i := 0; i < len(steps); i++ {
		off := func(k int) float64 { return math.Abs(steps[k] - middle) }
		if off(i) <= max(0.6, 5*sharp) {
			continue
		}
		best := i
		for ; i+1 < len(steps) && off(i+1) > 0.3; i++ {
			if off(i+1) > off(best) {
				best = i + 1
			}
		}
		slips = append(slips, Slip{Row: best + 1, Pixels: steps[best] - middle})
	}
	return slips, sharp
}

// mostSideways is how many pixels rows are searched to either side.
const mostSideways = 3

// sideways is by how many pixels y lies to the right of x: the least mean square over
// whole shifts, and the lowest point of a parabola through its neighbours.
func sideways(x, y []float64) float64 {
	const most = mostSideways
	rest := make([]float64, 2*most+1)
	for s := -most; s <= most; s++ {
		sum := 0.0
		for c := most; c < len(x)-most; c++ {
			d := y[c] - x[c-s]
			sum += d * d
		}
		rest[s+most] = sum
	}
	at := slices.Index(rest, slices.Min(rest))
	place := float64(at - most)
	if at > 0 && at < len(rest)-1 {
		if curve := rest[at-1] - 2*rest[at] + rest[at+1]; curve > 0 {
			place += (rest[at-1] - rest[at+1]) / (2 * curve)
		}
	}
	return place
}
