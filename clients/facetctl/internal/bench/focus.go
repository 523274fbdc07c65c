package bench

import (
	"math"
	"slices"
)

// Sharpness is what the edges of a picture tell of its blur.
type Sharpness struct {
	// BlurPixels is the standard deviation, in pixels, of the Gaussian blur before the pixels that explains the
	// steepest edges; NaN where there are too few edges.
	BlurPixels float64
	Edges      int
}

// fewestEdges is how many edges a blur is told from at least.
const fewestEdges = 8

// SharpnessOf looks for edges along rows and along columns of a picture, which rise or fall at once by at least a
// quarter of its contrast, and by ten times the noise. Of an edge that a step of light made the largest difference of
// two neighbours is the greater a part of the whole the sharper the picture is. Where between two pixels the step lies
// matters too, so the steepest tenth counts.
func SharpnessOf(rows, columns int, values []float64, noise float64) Sharpness {
	if rows*columns != len(values) || rows < 3 || columns < 3 {
		return Sharpness{BlurPixels: math.NaN()}
	}
	sorted := slices.Clone(values)
	slices.Sort(sorted)
	contrast := sorted[len(sorted)*97/100] - sorted[len(sorted)*3/100]
	least := max(contrast/4, 10*noise)
	var parts []float64
	line := make([]float64, max(rows, columns))
	for r := range rows {
		parts = edges(parts, values[r*columns:(r+1)*columns], least, noise)
	}
	for c := range columns {
		for r := range rows {
			line[r] = values[r*columns+c]
		}
		parts = edges(parts, line[:rows], least, noise)
	}
	out := Sharpness{BlurPixels: math.NaN(), Edges: len(parts)}
	if len(parts) < fewestEdges || !(contrast > 0) {
		return out
	}
	slices.Sort(parts)
	out.BlurPixels = blurOf(parts[len(parts)*9/10])
	return out
}

// edges adds, of every edge of a line, which part of it the largest difference of neighbours is. An edge is a run that
// goes one way, between two places where the line is level.
func edges(parts []float64, line []float64, least, noise float64) []float64 {
	level := max(0.06*least, 2*noise)
	for i := 0; i+1 < len(line); {
		d := line[i+1] - line[i]
		if math.Abs(d) <= level {
			i++
			continue
		}
		end, steepest := i, 0.0
		for ; end+1 < len(line) && (line[end+1]-line[end])*d > 0 && math.Abs(line[end+1]-line[end]) > level; end++ {
			steepest = max(steepest, math.Abs(line[end+1]-line[end]))
		}
		whole := math.Abs(line[end] - line[i])
		levelBefore := i > 0 && math.Abs(line[i]-line[i-1]) <= level
		levelAfter := end+1 < len(line) && math.Abs(line[end+1]-line[end]) <= level
		if whole >= least && levelBefore && levelAfter {
			parts = append(parts, steepest/whole)
		}
		i = max(end, i+1)
	}
	return parts
}

// steepest is which part of a step the difference of the two pixels beside it is, under a blur: pixels average over
// their width, and a step between two of them moves from one to the other by a triangle over the Gaussian.
func steepest(sigma float64) float64 {
	if sigma < 1e-6 {
		return 1
	}
	// The integral of (1 - |x|) N(x) from -1 to 1.
	tail := math.Exp(-1 / (2 * sigma * sigma))
	return math.Erf(1/(sigma*math.Sqrt2)) - sigma*math.Sqrt(2/math.Pi)*(1-tail)
}

// blurOf inverts steepest.
func blurOf(part float64) float64 {
	low, high := 0.0, 100.0
	for range 60 {
		if middle := (low + high) / 2; steepest(middle) > part {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

// LensBlurPixels is the blur that a described lens has in focus, in column pitches: of its own errors, and of an Airy
// disc at 555 nm, whose nearest Gaussian has 0.42 lambda N (Zhang, Zerubia and Olivo-Marin 2007; from memory).
func LensBlurPixels(own, fNumber, pitchUm float64) float64 {
	if !(pitchUm > 0) {
		return own
	}
	return math.Hypot(own, 0.42*0.555*fNumber/pitchUm)
}

// NoiseOf is the standard deviation of a code, by the differences of two pictures that follow each other: from their
// median, so that what moved does not count unless it is half the picture. It is 1 code where there is no other
// picture, and at least half a one.
func NoiseOf(before, now []uint16) float64 {
	if len(before) != len(now) || len(now) == 0 {
		return 1
	}
	off := make([]float64, len(now))
	for i := range now {
		off[i] = math.Abs(float64(now[i]) - float64(before[i]))
	}
	slices.Sort(off)
	const median = 0.6744897501960817 // of the absolute value of a normal variable
	return max(0.5, off[len(off)/2]/(median*math.Sqrt2))
}
