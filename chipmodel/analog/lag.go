package analog

import "math"

// LogLag is how the light that a logarithmic pixel shows follows the light that falls on it. At the node
// C dV/dt = I_load - I_photo with an exponential load, so that the light shown, s, under light x obeys
//
//	ds/dt = s (x - s) / k,   k = C U_T over the photocurrent of a unit of light,
//
// of which 1/s is linear: d(1/s)/dt = (1 - x/s) / k. What was shown before is forgotten as exp(-integral of x dt / k),
// whatever happens in between, and beside that the pixel shows what it would show if the light had always gone on as
// it does. That is why a gap between two samples needs no small steps: under a lamp the second part is periodic, and is
// looked up; where the mean light moves from one value to another it is taken as moving by equal ratios in equal times.
//
// Steady light is integrated to third order in its change, what a lamp adds to first order; a gap over which the light
// changes is cut into parts of at most gapRatio. That is within 0.4 % of the light shown, and within 1 % under a lamp.
// Where the mean light changes by half a factor of e or more to a cycle of a lamp nothing is periodic, and there are
// small steps. A dark term does not swing: what remains is exact for pixels that follow at once, and to first order in
// the depth for those that lag.
// It is immutable.
type LogLag struct {
	lamp   Lamp
	ripple *ripple // nil under steady light
}

// NewLogLag returns the lag under a lamp of up to full depth. Under a lamp it makes a table, in some milliseconds.
func NewLogLag(lamp Lamp) *LogLag {
	l := &LogLag{lamp: lamp}
	if !lamp.Steady() {
		l.ripple = newRipple(lamp.Depth)
	}
	return l
}

// Lamp is the lamp.
func (l *LogLag) Lamp() Lamp { return l.lamp }

// Gap is the time between two looks at a pixel, with the lamp's phases at its ends.
type Gap struct{ Seconds, From, To float64 }

// A gap in which the light changes by more than gapRatio (the logarithm of a ratio) is cut into parts. Under steady
// light that is not needed where the pixel lags by less than gapLag of the light. What lies further back than gapLags
// time constants is forgotten.
const (
	gapRatio = 0.15
	gapLag   = 0.01
	gapLags  = 20
	maxParts = 64

	// A mean light that changes by more than quickChange (the logarithm of a ratio) to a cycle of the lamp is followed
	// in steps: by at most quickRatio in each, quickSteps to a cycle. In a step of fewer time constants than fewOfAStep
	// what the light adds is that of its mean.
	quickChange = 0.5
	quickRatio  = 0.05
	quickSteps  = 128
	fewOfAStep  = 0.3
)

// Settled is the light shown under mean light lux beside a dark term at a phase, when both have been so for long;
// k is the lux seconds of the pixel.
func (l *LogLag) Settled(lux, dark, k, phase float64) float64 {
	x := lux + dark
	if l.ripple == nil {
		return x
	}
	v, _ := l.ripple.at(phase, x/(k*l.lamp.Hz))
	return x / beside(v, lux/x)
}

// beside is v where only a part of the light swings: exact for pixels that follow at once, and to first order in the
// swing for those that lag.
func beside(v, part float64) float64 { return v / (v + part*(1-v)) }

// Follow is the light shown at the end of a gap during which the mean light goes from one value to another, and the
// part of what the pixel was at the start that it still is: by which its own noise is kept too. All light is in lux,
// with the dark term apart.
func (l *LogLag) Follow(shown, from, to, dark, k float64, gap Gap) (now, kept float64) {
	x0, x1 := from+dark, to+dark
	change := 2 * (x1 - x0) / (x1 + x0)
	if math.Abs(change) > gapRatio {
		change = math.Log(x1 / x0)
		// In light that falls the pixel lags most at the end, where it is dimmest.
		if l.ripple != nil && math.Abs(change) > quickChange*l.lamp.Hz*gap.Seconds {
			return l.quick(shown, from, to, dark, k, gap, change)
		}
		if l.ripple != nil || math.Abs(change)*2*k > gapLag*gap.Seconds*min(x0+x1, 2*x1) {
			now, kept = l.parts(shown, from, to, dark, k, gap, change)
			return l.possible(now, shown, from, to, dark), kept
		}
	}
	return l.part(shown, from, to, dark, k, gap, change)
}

// possible is the light shown under a lamp, and within a factor of two of what can be: between the least and the most
// of what was shown and of the light since. What a lamp adds is taken to first order, which is far off where the light
// changes by decades within a small part of a cycle, and could be less than nothing.
func (l *LogLag) possible(now, shown, from, to, dark float64) float64 {
	if l.ripple == nil {
		return now
	}
	least := min(shown, dark+min(from, to)*(1-l.lamp.Depth))
	most := max(shown, dark+max(from, to)*(1+l.lamp.Depth))
	if now >= least/2 && now <= 2*most {
		return now
	}
	if now > 2*most {
		return 2 * most
	}
	return least / 2
}

// parts is Follow in parts of equal ratios.
func (l *LogLag) parts(shown, from, to, dark, k float64, gap Gap, change float64) (now, kept float64) {
	n := math.Ceil(math.Abs(change) / gapRatio)
	n = min(n, maxParts)
	seconds := gap.Seconds / n
	phase := func(i float64) float64 { return gap.To - l.lamp.Hz*seconds*(n-i) }
	light := func(i float64) float64 { return max((from+dark)*math.Exp(change*i/n)-dark, 0) }
	now, kept = shown, 1
	first := 0.0
	if lags := gapLags * k / min(from+dark, to+dark); lags < gap.Seconds {
		first = math.Floor(n - lags/seconds)
		now, kept = l.Settled(light(first), dark, k, phase(first)), 0
	}
	lux := light(first)
	for i := first + 1; i <= n; i++ {
		next := to
		if i < n {
			next = light(i)
		}
		var left float64
		now, left = l.part(now, lux, next, dark, k, Gap{seconds, phase(i - 1), phase(i)}, change/n)
		kept *= left
		lux = next
	}
	return now, kept
}

// quick is Follow where the mean light changes by much within a part of a lamp's cycle, in which nothing is periodic:
// in small steps, of which the light itself is known.
func (l *LogLag) quick(shown, from, to, dark, k float64, gap Gap, change float64) (now, kept float64) {
	n := math.Ceil(max(math.Abs(change)/quickRatio, l.lamp.Hz*gap.Seconds*quickSteps))
	h := gap.Seconds / n
	light := func(i float64) float64 {
		mean := (from + dark) * math.Exp(change*i/n)
		return dark + max(mean-dark, 0)*l.lamp.Factor(gap.To-l.lamp.Hz*h*(n-i))
	}
	u, lags, m0 := 1/shown, 0.0, light(0)
	for i := 1.0; i <= n; i++ {
		half, m1 := light(i-0.5), light(i)
		each := h * (m0 + 4*half + m1) / (6 * k)
		stays := math.Exp(-each)
		switch {
		case each == 0:
			u += h / k
		case each < fewOfAStep:
			u = u*stays - h/k*math.Expm1(-each)/each
		default: // it follows the light but for what that changes meanwhile; there is light, then
			u = 1/m1 + (u-1/m0)*stays - (1/m1-1/m0)*(1-stays)/each
		}
		lags += each
		m0 = m1
	}
	return 1 / u, math.Exp(-lags)
}

// part is Follow over light that changes little: change is the logarithm of its ratio. With x the mean light, which
// grows as exp(g t), and y the time constants that are still to come, x/s gains the integral of exp(-y) / (1 - q y)
// under steady light, q = g k / x at the end; that is taken to second order in q y, which is at most the change. What
// a lamp adds to it is taken to first order in g: with v and w of the ripple,
// v1 + g w1 - (v0 (1 + g h) + g w0) kept, less the same without a lamp.
func (l *LogLag) part(shown, from, to, dark, k float64, gap Gap, change float64) (now, kept float64) {
	x0, x1 := from+dark, to+dark
	rate := (x0 + x1) / (2 * k)
	if change != 0 {
		rate = (x1 - x0) / (change * k)
	}
	lags := rate * gap.Seconds
	q := (1 - x0/x1) / lags
	if l.ripple == nil && lags > 2*gapLags {
		return x1 / (1 + q), 0
	}
	steady := math.Exp(-lags)
	v := shownBy(lags, q, steady)
	if l.ripple == nil {
		return x1 / (v + x1/shown*steady), steady
	}
	from, to = from/x0, to/x1 // the parts that swing
	kept = math.Exp(-rate * (gap.Seconds + (from+to)/2*l.lamp.Depth*l.lamp.swung(gap.From, gap.To)))
	v0, _ := l.ripple.at(gap.From, x0/(k*l.lamp.Hz))
	v1, _ := l.ripple.at(gap.To, x1/(k*l.lamp.Hz))
	v += (1 + change + change/lags) * (steady - kept)
	v += beside(v1, to) - 1 - (1+change)*(beside(v0, from)-1)*kept
	if change != 0 {
		// Both of one rate: what w itself gains with r is of second order.
		_, w0 := l.ripple.at(gap.From, rate/l.lamp.Hz)
		_, w1 := l.ripple.at(gap.To, rate/l.lamp.Hz)
		v += change / (gap.Seconds * l.lamp.Hz) * (from + to) / 2 * (w1 - w0*kept)
	}
	return x1 / (v + x1/shown*kept), kept
}

// shownBy is the integral of exp(-y) (1 + q y + q² y²) from 0 to a number of lags, of which steady is exp(-lags). In
// gaps that are far shorter than a lag q is large, and what it multiplies is the small difference of large numbers:
// that is taken from its series.
func shownBy(lags, q, steady float64) float64 {
	if lags < fewLags {
		return shownInFewLags(lags, q)
	}
	return 1 - steady + q*(1-(1+lags)*steady) + q*q*(2-(2+lags*(2+lags))*steady)
}

const fewLags = 1e-3

// shownInFewLags is shownBy for fewer lags than fewLags.
func shownInFewLags(lags, q float64) float64 {
	y := q * lags
	return -math.Expm1(-lags) + lags*y*(1.0/2-lags*(1.0/3-lags/8)+y*(1.0/3-lags*(1.0/4-lags/10)))
}

// ripple holds what pixels do over a cycle of the lamp that forget as exp(-r) in it: v is the mean light over the light
// shown while the mean light stays, the periodic solution of dv/dp = r (1 - v m). Where the mean light grows, and r
// with it, by a factor of e a cycle, v is more by 1/r + w, with dw/dp = v - z - m - r m w and z = dv/d(ln r), for which
// dz/dp = r (1 - v m) - r m z. Between the phases and rows of r that it holds they are interpolated.
type ripple struct {
	depth float64
	v, w  []float64 // by row of equal r, ripplePhases each
}

const (
	ripplePhases = 128
	ripplePerE   = 8 // rows to a factor of e of r
	// ln r of the first and last row: lags of 150 cycles and of a 3,000th. Slower pixels show ripples that are less by
	// their r; quicker ones are taken for as quick as the last.
	rippleLow, rippleHigh = -5, 8
	rippleRows            = (rippleHigh-rippleLow)*ripplePerE + 1
)

func newRipple(depth float64) *ripple {
	t := &ripple{depth: depth, v: make([]float64, rippleRows*ripplePhases), w: make([]float64, rippleRows*ripplePhases)}
	for i := range rippleRows {
		at := i * ripplePhases
		t.solve(t.v[at:at+ripplePhases], t.w[at:at+ripplePhases], math.Exp(rippleLow+float64(i)/ripplePerE))
	}
	return t
}

// solve fills one row. Where each of v, z and w must start to come back to itself is found by a cycle that starts from
// nothing, one after the other, since each is driven by those before.
func (t *ripple) solve(v, w []float64, r float64) {
	forgotten := -math.Expm1(-r) // over a whole cycle the swing adds nothing
	var start [3]float64
	for i := range start {
		start[i] = t.cycle(start, r, nil, nil)[i] / forgotten
	}
	t.cycle(start, r, v, w)
}

// cycle follows v, z and w for a cycle, in steps over which the pixel forgets little: what decays is exact, what drives
// it is integrated by Simpson's rule.
func (t *ripple) cycle(y [3]float64, r float64, keepV, keepW []float64) [3]float64 {
	each := max(4, int(math.Ceil(2*r/ripplePhases))) // steps to a phase
	h := 1 / float64(each*ripplePhases)
	lamp := Lamp{1, t.depth}
	at := func(i int) (cosine, factor float64) { // at half steps
		p := h / 2 * float64(i)
		return math.Cos(2*math.Pi*p) * t.depth / (2 * math.Pi), lamp.Factor(p)
	}
	c0, m0 := at(0)
	for i := range each * ripplePhases {
		if keepV != nil && i%each == 0 {
			keepV[i/each], keepW[i/each] = y[0], y[2]
		}
		c1, m1 := at(2*i + 1)
		c2, m2 := at(2*i + 2)
		first := math.Exp(-r * (h/2 + c0 - c1))
		second := math.Exp(-r * (h/2 + c1 - c2))
		half := func(y, f0, f1 float64) float64 { return y*first + h/4*(f0*first+f1) }
		whole := func(y, f0, f1, f2 float64) float64 {
			return y*first*second + h/6*(f0*first*second+4*f1*second+f2)
		}
		v1, v2 := half(y[0], r, r), whole(y[0], r, r, r)
		f0, f1, f2 := r*(1-y[0]*m0), r*(1-v1*m1), r*(1-v2*m2)
		z1, z2 := half(y[1], f0, f1), whole(y[1], f0, f1, f2)
		w2 := whole(y[2], y[0]-y[1], v1-z1, v2-z2) - (1-first*second)/r // m exactly
		y, c0, m0 = [3]float64{v2, z2, w2}, c2, m2
	}
	return y
}

// at interpolates at a phase, by cubics through four points either way.
func (t *ripple) at(phase, r float64) (v, w float64) {
	phase -= math.Floor(phase)
	x := phase * ripplePhases
	column := int(x)
	px := cubic(x - float64(column))
	row := (math.Log(r) - rippleLow) * ripplePerE
	weak := 1.0
	if row < 0 {
		weak, row = r/math.Exp(rippleLow), 0
	}
	row = min(row, rippleRows-1)
	first := min(max(int(row)-1, 0), rippleRows-4)
	py := cubic(row - float64(first+1))
	for j, weight := range py {
		line := (first + j) * ripplePhases
		var sv, sw float64
		for i, p := range px {
			k := line + (column+i-1)&(ripplePhases-1)
			sv += p * t.v[k]
			sw += p * t.w[k]
		}
		v += weight * sv
		w += weight * sw
	}
	return 1 + weak*(v-1), w
}

// cubic gives the weights of the values at -1, 0, 1 and 2 of the cubic through them at x.
func cubic(x float64) [4]float64 {
	return [4]float64{-x * (x - 1) * (x - 2) / 6, (x + 1) * (x - 1) * (x - 2) / 2, -(x + 1) * x * (x - 2) / 2,
		(x + 1) * x * (x - 1) / 6}
}
