package analog

import "math"

// What is here does for a row of pixels what others do for one, so that what they have in common is worked out once
// and the processor need not wait for one pixel before it begins the next.

// Normals draws what as many calls of Normal would.
func (n *Noise) Normals(dst []float64) {
	state := n.pcg
	for i := range dst {
		var u uint64
		u, state = state.draw()
		l := &layers[u&(layerCount-1)]
		z := float64(int64(u)>>11) * 0x1p-52
		if math.Abs(z) < l.inside {
			dst[i] = z * l.edge
			continue
		}
		n.pcg = state
		dst[i] = n.outside(u, z)
		state = n.pcg
	}
	n.pcg = state
}

// Skip leaves out what as many calls of Normal would draw.
func (n *Noise) Skip(normals int) {
	state := n.pcg
	for range normals {
		var u uint64
		u, state = state.draw()
		z := float64(int64(u)>>11) * 0x1p-52
		if math.Abs(z) < layers[u&(layerCount-1)].inside {
			continue
		}
		n.pcg = state
		n.outside(u, z)
		state = n.pcg
	}
	n.pcg = state
}

// LnAll replaces values by what Ln makes of them.
func LnAll(values []float64) {
	for i, x := range values {
		bits := math.Float64bits(x)
		exponent := int(bits>>52) - 1023
		if uint(exponent+1022) > 2045 {
			values[i] = math.Log(x)
			continue
		}
		part := &lnParts[bits>>44&0xff]
		r := math.Float64frombits(bits&(1<<52-1)|1023<<52)*part.inverse - 1
		series := r * (1 - r*(1.0/2-r*(1.0/3-r*(1.0/4-r*(1.0/5)))))
		values[i] = float64(exponent)*math.Ln2 + (part.ln + series)
	}
}

// LaggingRow is a row of pixels of which each lags behind steady light. All slices are as long as the row.
type LaggingRow struct {
	// Shown is the light that each shows, Kept the part of what it was that it still is; both change as they follow.
	Shown, Kept []float64
	// Dark is the dark term of each, in lux.
	Dark []float64
	// K is the lux seconds of all of them.
	K float64
}

// FollowSteady lets each pixel follow its mean light from one value to another over a time in seconds, as Follow does
// under steady light. The numbers may differ from those of Follow by their rounding. A pixel with a time of 0 or less
// stays as it is.
func (r *LaggingRow) FollowSteady(from, to, seconds []float64) {
	var steady LogLag
	n := len(r.Shown)
	kept, dark := r.Kept[:n], r.Dark[:n]
	from, to, seconds = from[:n], to[:n], seconds[:n]
	half := 1 / (2 * r.K)
	for i, shown := range r.Shown {
		t := seconds[i]
		if t <= 0 {
			continue
		}
		x0, x1 := from[i]+dark[i], to[i]+dark[i]
		sum, difference := x0+x1, x1-x0
		lags := sum * half * t
		if 2*math.Abs(difference) > gapRatio*sum {
			var left float64
			r.Shown[i], left = steady.Follow(shown, from[i], to[i], dark[i], r.K, Gap{Seconds: t})
			kept[i] *= left
			continue
		}
		if lags > 2*gapLags {
			r.Shown[i], kept[i] = x1*lags*x1/(x1*lags+difference), 0
			continue
		}
		q := difference / (x1 * lags)
		left := expMinus(lags)
		var v float64
		if lags < fewLags {
			v = shownInFewLags(lags, q)
		} else {
			v = 1 - left + q*(1-(1+lags)*left) + q*q*(2-(2+lags*(2+lags))*left)
		}
		r.Shown[i] = x1 * shown / (v*shown + x1*left)
		kept[i] *= left
	}
}

// expMinus is exp(-x) for x from 0 to 700, to within 5e-16 of itself: a table of the powers of two in steps of 1/128,
// and six terms of the series for what is left, below 1/360.
func expMinus(x float64) float64 {
	const (
		steps  = 128
		magic  = 0x1.8p52 // what is added to it is rounded to a whole number
		per    = steps / math.Ln2
		high   = 0x1.62e42fefp-1 / steps // so short that its multiples are exact
		low    = (math.Ln2 - 0x1.62e42fefp-1) / steps
		places = 52
	)
	rounded := x*-per + magic
	k := int64(math.Float64bits(rounded)<<13) >> 13 // the whole number, with its sign
	whole := rounded - magic
	r := (-x - whole*high) - whole*low
	series := 1 + r*(1+r*(1.0/2+r*(1.0/6+r*(1.0/24+r*(1.0/120)))))
	power := math.Float64bits(exp2Parts[k&(steps-1)]) + uint64(k>>7)<<places
	return math.Float64frombits(power) * series
}

// exp2Parts are 2^(i/128); they never change.
var exp2Parts = newExp2Parts()

func newExp2Parts() (out [128]float64) {
	for i := range out {
		out[i] = math.Exp2(float64(i) / 128)
	}
	return out
}
