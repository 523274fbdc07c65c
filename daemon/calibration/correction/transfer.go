package correction

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"facetd.example/api/invalid"
	"facetd.example/daemon/fit"
)

// Transfer are the figures of linear pixels, after EMVA Standard 1288, release 3.1, sections
// 2, 6 to 8 (from memory): from mean, temporal variance and spatial variance in the dark and
// under several levels of light. Signals count from the dark, whichever way they go.
type Transfer struct {
	// CodesPerElectron is the system gain K: temporal variance over signal.
	CodesPerElectron float64
	// DarkNoise is the temporal noise in the dark in electrons, the converter's step taken
	// out.
	DarkNoise float64
	// Saturation is the signal of the level with the largest temporal variance, in
	// electrons; 0 when that is the brightest, so that saturation was not seen.
	Saturation float64
	// DSNU is the spread of the dark signal in electrons, PRNU that of the response as a
	// fraction, at the level nearest to half of the largest signal.
	DSNU, PRNU float64
	// CodesPerLux is the slope of the straight line of the signal over Level.Lux.
	CodesPerLux float64
	// LinearityError is the mean departure of the response from a straight line of its own, as a fraction of that line:
	// over the levels from 5 to 95 % of saturation (of the brightest level, where that was not seen), the line so that
	// departures relative to the signal are least. NaN where fewer than three levels lie there.
	LinearityError float64
	// MaxSNR is the root of Saturation; DynamicRange is Saturation over the least signal that
	// noise does not hide. Both are 0 without Saturation.
	MaxSNR, DynamicRange float64
}

// Between these parts of the signal at saturation the linearity error is taken, as the standard has it (seen as a
// public
// implementation numbers it after equations 62 and 63; that absolute values are averaged from memory).
const linearityFrom, linearityTo = 0.05, 0.95

// linearPart is how much of the signal at saturation the gain and the line are taken from:
// above it wells begin to fill. Where saturation was not seen all levels count.
const linearPart = 0.7

// point is a level: signal above the dark, variances in codes squared.
type point struct{ lux, signal, temporal, spatial float64 }

// PhotonTransfer works the figures out from a dark level (Lux 0) and three illuminated ones or more.
// The error is an invalid.Errors.
func PhotonTransfer(levels []Level) (*Transfer, error) {
	var wrong invalid.Errors
	for i, l := range levels {
		if l.Frames == nil || l.Frames.frames < 2 || l.Frames.shape != levels[0].Frames.shape ||
			l.Frames.scale != levels[0].Frames.scale {
			wrong.Add(fmt.Sprintf("levels[%d].frames", i),
				"fewer than two frames, or of another shape or scale than the first level's",
				"take all levels with one chip, view and gain")
			return nil, wrong
		}
	}
	dark := slices.IndexFunc(levels, func(l Level) bool { return l.Lux == 0 })
	if dark < 0 || len(levels) < 4 {
		wrong.Add("levels", fmt.Sprintf("%d levels, dark among them: %t", len(levels), dark >= 0),
			"take the dark and three illuminated levels or more")
		return nil, wrong
	}
	d := pointOf(levels[dark], 0)
	d.signal = 0
	var lit []point
	for i, l := range levels {
		if i != dark && l.Lux > 0 {
			lit = append(lit, pointOf(l, levels[dark].Frames.MeanCode()))
		}
	}
	t := transferOf(d, lit)
	if !(t.CodesPerElectron > 0) || !finite(t.CodesPerElectron, t.CodesPerLux) {
		wrong.Add("levels", "the noise does not grow with the light",
			"check that the pixels are linear and the levels lit")
		return nil, wrong
	}
	return t, nil
}

// transferOf works the figures out from the dark and the lit levels: the gain through the
// origin, since both signal and variance count from the dark, the response as a line with
// an offset.
func transferOf(d point, lit []point) *Transfer {
	lit = slices.SortedFunc(slices.Values(lit), func(a, b point) int { return cmp.Compare(a.signal, b.signal) })
	brightest := slices.MaxFunc(lit, func(a, b point) int { return cmp.Compare(a.temporal, b.temporal) })
	upTo := lit[len(lit)-1].signal
	saturated := brightest.signal < upTo
	if saturated {
		upTo = max(linearPart*brightest.signal, lit[0].signal)
	}
	straight := []point{d}
	var up, over float64
	for _, p := range lit {
		if p.signal <= upTo {
			straight = append(straight, p)
			up += p.signal * (p.temporal - d.temporal)
			over += p.signal * p.signal
		}
	}
	t := &Transfer{CodesPerElectron: up / over}
	t.CodesPerLux = lineOf(straight, func(point) float64 { return 1 }).Slope
	end := lit[len(lit)-1].signal
	if saturated {
		end = brightest.signal
	}
	t.LinearityError = linearityError(lit, end)
	t.rest(d, lit, brightest, saturated)
	return t
}

// lineOf fits the signal over the light.
func lineOf(points []point, weight func(p point) float64) fit.Line {
	var lux, signal, weights []float64
	for _, p := range points {
		lux, signal, weights = append(lux, p.lux), append(signal, p.signal), append(weights, weight(p))
	}
	return fit.NewLine(lux, signal, weights)
}

// linearityError is that of lit levels of a sensor that saturates at a signal.
func linearityError(lit []point, saturation float64) float64 {
	var within []point
	for _, p := range lit {
		if p.signal >= linearityFrom*saturation && p.signal <= linearityTo*saturation {
			within = append(within, p)
		}
	}
	if len(within) < 3 { // a line goes through any two
		return math.NaN()
	}
	line := lineOf(within, func(p point) float64 { return 1 / (p.signal * p.signal) })
	var sum float64
	for _, p := range within {
		sum += math.Abs(p.signal/(line.Intercept+line.Slope*p.lux) - 1)
	}
	return sum / float64(len(within))
}

// rest works out what follows once the gain is known.
func (t *Transfer) rest(d point, lit []point, brightest point, saturated bool) {
	k := t.CodesPerElectron
	t.DarkNoise = math.Sqrt(max(d.temporal-stepVariance, 0)) / k
	t.DSNU = math.Sqrt(d.spatial) / k
	half := slices.MinFunc(lit, func(a, b point) int {
		return cmp.Compare(math.Abs(a.signal-brightest.signal/2), math.Abs(b.signal-brightest.signal/2))
	})
	t.PRNU = math.Sqrt(max(half.spatial-d.spatial, 0)) / half.signal
	if !saturated {
		return
	}
	t.Saturation = brightest.signal / k
	t.MaxSNR = math.Sqrt(t.Saturation)
	t.DynamicRange = t.Saturation / (0.5 + math.Sqrt(t.DarkNoise*t.DarkNoise+stepVariance/(k*k)+0.25))
}

func pointOf(l Level, dark float64) point {
	f := l.Frames
	var spatial moments
	for i := range f.sum {
		spatial.add(f.Mean(i))
	}
	temporal := f.PairVariance()
	return point{l.Lux, math.Abs(f.MeanCode() - dark), temporal,
		max(spatial.variance()-f.MeanVariance()/float64(f.frames), 0)}
}
