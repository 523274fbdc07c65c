package die

import (
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// pixels are the photosensitive cells of one die with their fixed pattern.
type pixels struct {
	rows, columns int
	// Buffers: the mean light on one row, and where that changes while it is read, the light
	// at its last pixel; later is nil unless it does, and holds from pixel jump on if that is above 0. Once is for what
	// is needed once.
	lux, end, later []float64
	jump            int
	once            []float64
	rng             *analog.Noise
	// Logarithmic: y = a + b ln(c + x).
	a, b, c []float64
	noise   float64  // volts
	lag     *lag     // nil without
	work    *rowWork // for pixels that lag
	// Linear: nil for logarithmic pixels.
	linear *linear
	// defects are by rising pixel; several of one pixel act in order.
	defects []pixelDefect
	// What the pixels are at the class's temperature, once the die has had another.
	reference *reference
	undo      undo
}

// reference holds a, b and c of logarithmic pixels at the class's temperature, so that
// a die that comes back to it is what it was, to the bit.
type reference struct{ a, b, c []float64 }

// linear pixels integrate for an exposure: electrons = gain light + dark. The spread
// of the dark signal is an offset of the pixel's circuit, which may be negative.
type linear struct {
	gain, offset     []float64 // electrons per lux, electrons
	dark, full, read float64   // electrons
	voltsPerE, zero  float64
	exposure, own    time.Duration // the one at hand; that of the class, for which gain and dark are
	longer           float64       // the one at hand, in those of the class
}

// expose says for how long linear pixels gather light until they are looked at next; 0 is the time of their class.
func (p *pixels) expose(exposure time.Duration) {
	l := p.linear
	switch {
	case l == nil:
	case exposure == 0:
		l.exposure, l.longer = l.own, 1
	default:
		l.exposure, l.longer = exposure, float64(exposure)/float64(l.own)
	}
}

// newPixels draws the fixed pattern; a nil rng means none, and no noise or lag. The
// class says what holds at 300 K: with temperature the offset drifts linearly, the
// slope goes as kT/q and the dark term doubles every so many kelvin.
func newPixels(class *chipmodel.Class, rng *analog.Noise) *pixels {
	n := class.Rows * class.Columns
	p := &pixels{rows: class.Rows, columns: class.Columns, rng: rng,
		lux: make([]float64, class.Columns), end: make([]float64, class.Columns), once: make([]float64, class.Columns)}
	if spec := class.Spec.GetLinear(); spec != nil {
		p.linear = newLinear(class, rng)
		return p
	}
	spec := class.Spec.GetLogarithmic()
	kelvin := class.Spec.GetTemperatureK()
	offset := spec.GetOffsetVolts() + spec.GetOffsetDriftVoltsPerK()*(kelvin-300)
	gain := spec.GetVoltsPerDecade() / math.Ln10 * kelvin / 300
	dark := spec.GetDarkLux() * analog.Doubling(kelvin, spec.GetDarkDoublingK())
	p.a, p.b, p.c = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		p.a[i], p.b[i], p.c[i] = offset, gain, dark
		if rng != nil {
			p.a[i] += spec.GetOffsetSpreadVolts() * rng.Normal()
			p.b[i] *= 1 + spec.GetGainSpread()*rng.Normal()
			p.c[i] *= math.Exp(spec.GetDarkSpread() * rng.Normal())
		}
	}
	if rng == nil || spec.GetNodeCapacitanceFf() == 0 {
		return p
	}
	if spec.GetPhotocurrentFaPerLux() > 0 {
		p.lag = new(lag)
		p.lag.shown, p.lag.mean, p.lag.noise = make([]float64, n), make([]float64, n), make([]float64, n)
		p.lag.at = make([]bustime.Time, n)
		p.work = newRowWork(class.Columns)
	}
	p.setNode(spec, kelvin)
	return p
}

// setNode sets noise and lag, which the capacitance of the node makes. Its noise,
// sqrt(kT/C), goes through the same chain as the signal, whose slope at the node is
// U_T: as a contrast it is sqrt(kT/C)/U_T whatever the light and whatever the chain's
// gain.
func (p *pixels) setNode(spec *facetdv1.LogarithmicPixel, kelvin float64) {
	gain := spec.GetVoltsPerDecade() / math.Ln10 * kelvin / 300
	node := spec.GetNodeCapacitanceFf() * 1e-15
	p.noise = math.Abs(gain) * analog.KTCVolts(kelvin, node) / analog.ThermalVolts(kelvin)
	if p.lag != nil {
		p.lag.luxSeconds = analog.LogTau(node, kelvin, spec.GetPhotocurrentFaPerLux()*1e-15)
	}
}

// setKelvin brings the pixels of a class to another temperature.
func (p *pixels) setKelvin(class *chipmodel.Class, kelvin float64) {
	from := class.Spec.GetTemperatureK()
	if l := p.linear; l != nil {
		spec := class.Spec.GetLinear()
		seconds := spec.GetExposure().AsDuration().Seconds()
		l.dark = spec.GetDarkElectronsPerS() * seconds * analog.Doubling(kelvin, spec.GetDarkDoublingK())
		return
	}
	spec := class.Spec.GetLogarithmic()
	if p.reference == nil {
		p.reference = &reference{slices.Clone(p.a), slices.Clone(p.b), slices.Clone(p.c)}
	}
	drift := spec.GetOffsetDriftVoltsPerK() * (kelvin - from)
	growth := analog.Doubling(kelvin, spec.GetDarkDoublingK()) / analog.Doubling(from, spec.GetDarkDoublingK())
	for i := range p.a {
		p.a[i] = p.reference.a[i] + drift
		p.b[i] = p.reference.b[i] * (kelvin / from)
		p.c[i] = p.reference.c[i] * growth
	}
	if p.rng != nil && spec.GetNodeCapacitanceFf() > 0 {
		p.setNode(spec, kelvin)
	}
}

func newLinear(class *chipmodel.Class, rng *analog.Noise) *linear {
	spec := class.Spec.GetLinear()
	n := class.Rows * class.Columns
	seconds := spec.GetExposure().AsDuration().Seconds()
	gain := spec.GetElectronsPerLuxS() * seconds
	dark := spec.GetDarkElectronsPerS() * seconds * analog.Doubling(class.Spec.GetTemperatureK(),
		spec.GetDarkDoublingK())
	l := &linear{
		gain: make([]float64, n), offset: make([]float64, n), dark: dark,
		full: spec.GetFullWellElectrons(), voltsPerE: spec.GetVoltsPerElectron(), zero: spec.GetResetVolts(),
		exposure: spec.GetExposure().AsDuration(), own: spec.GetExposure().AsDuration(), longer: 1,
	}
	for i := range n {
		l.gain[i] = gain
		if rng != nil {
			l.gain[i] *= 1 + spec.GetGainSpread()*rng.Normal()
			l.offset[i] = spec.GetDarkSpreadElectrons() * rng.Normal()
		}
	}
	if rng != nil {
		l.read = spec.GetReadNoiseElectrons()
	}
	return l
}

// steady is how long mean light counts as steady while a row is read.
const steady = 100 * time.Microsecond

// look fetches the mean light on a row of which n pixels are read, from a column on and step apart, one after another
// an interval apart. Over a short time it is that of the middle; otherwise that at the time of each pixel, or luxAt
// interpolates between the light at the first pixel and that at the last, or goes over from one to the other where the
// light jumps in between.
func (p *pixels) look(row, column, step, n int, at bustime.Time, interval time.Duration, light *Light) {
	span := time.Duration(n-1) * interval
	jump := light.within(at, span)
	p.later, p.jump = nil, 0
	switch {
	case jump != nil:
		p.later, p.jump = p.end, int((jump.Sub(at)+interval-1)/interval)
		p.gather(p.lux, row, at, light)
		p.gather(p.later, row, at.Add(span), light)
	case span <= steady || light.Every == 0:
		p.gather(p.lux, row, at.Add(span/2), light)
	case light.Sweep != nil && p.linear == nil:
		light.Sweep(p.lux, row, column, column+(n-1)*step, at, at.Add(span))
	default:
		p.later = p.end
		p.gather(p.lux, row, at, light)
		p.gather(p.later, row, at.Add(span), light)
	}
	if p.lag != nil {
		p.undo.note(p.lag, row*p.columns+column, step, n)
		p.recall(row, column, step, n, at, light)
	}
}

// luxAt is the mean light on a column when pixel i of n of the row is read.
func (p *pixels) luxAt(column, i, n int) float64 {
	lux := p.lux[column]
	switch {
	case p.later == nil:
	case p.jump > 0:
		if i >= p.jump {
			lux = p.later[column]
		}
	default:
		lux += (p.later[column] - lux) * float64(i) / float64(n-1)
	}
	return lux
}

// An exposure is cut into at most maxParts parts.
const maxParts = 200

// gather is the mean light that pixels of a row see until a bus time: continuous ones at that time, integrating ones on
// average over their exposure, by its value in the middle of parts over which it moves evenly. Jumps are ends of parts.
// The lamp comes on top.
func (p *pixels) gather(dst []float64, row int, at bustime.Time, light *Light) {
	if p.linear == nil {
		light.Row(dst, row, at)
		return
	}
	from := at.Add(-p.linear.exposure)
	clear(dst)
	for from < at {
		to := at
		if jump := light.within(from, at.Sub(from)); jump != nil {
			to = *jump
		}
		parts := 1
		if light.Every > 0 {
			parts = int(min((to.Sub(from)+light.Every-1)/light.Every, maxParts))
		}
		each := float64(to.Sub(from)) / float64(parts)
		weight := each / float64(p.linear.exposure)
		for k := range parts {
			light.Row(p.once, row, from.Add(time.Duration(each*(float64(k)+0.5))))
			for c, lux := range p.once {
				dst[c] += weight * lux
			}
		}
		from = to
	}
	if p.linear.exposure == 0 {
		light.Row(dst, row, at)
	}
}

// volts is the signal of pixel i under a mean light at a bus time.
func (p *pixels) volts(i, column int, lux float64, at bustime.Time, light *Light) float64 {
	if l := p.linear; l != nil {
		return p.spoil(i, p.integrate(l.gain[i], l.offset[i], 1, p.lit(lux, at, light)))
	}
	return p.spoil(i, p.logVolts(p.a[i], p.b[i], p.c[i], i, column, lux, at, p.noise, light))
}

// lit is the light on a pixel without lag when it is read: of an integrating one, on average over its exposure.
func (p *pixels) lit(lux float64, at bustime.Time, light *Light) float64 {
	lamp, phase := light.lamp(at)
	if lamp.Steady() {
		return lux
	}
	if p.linear != nil {
		return lux * lamp.Mean(phase, p.linear.exposure.Seconds())
	}
	return lux * lamp.Factor(phase)
}

// rowVolts fills dst with the signals of a whole row, its first pixel being base,
// at one bus time under the mean light in p.lux, with a noise in volts on top: that of
// the cells into which the row is copied.
func (p *pixels) rowVolts(dst []float64, base int, at bustime.Time, extra float64, light *Light) {
	p.goodRow(dst, base, at, extra, light)
	p.spoilRow(dst, base)
}

// goodRow is rowVolts without defects. The sum of two independent normal noises is drawn at once, unless that of the
// pixel is remembered.
func (p *pixels) goodRow(dst []float64, base int, at bustime.Time, extra float64, light *Light) {
	switch {
	case p.linear != nil:
		for c := range dst {
			dst[c] = p.integrate(p.linear.gain[base+c], p.linear.offset[base+c], 1, p.lit(p.lux[c], at, light))
		}
	case p.asRow(light):
		p.logRow(dst, &reading{row: base / p.columns, step: 1, n: len(dst), at: at},
			&response{a: p.a, b: p.b, c: p.c, noise: p.noise}, light)
	default:
		own := p.noise
		if p.lag == nil {
			own, extra = math.Hypot(own, extra), 0
		}
		for c := range dst {
			i := base + c
			dst[c] = p.logVolts(p.a[i], p.b[i], p.c[i], i, c, p.lux[c], at, own, light)
		}
	}
	if extra > 0 {
		draws := p.once[:len(dst)]
		p.rng.Normals(draws)
		for c, z := range draws {
			dst[c] += extra * z
		}
	}
}

// logVolts is the response with given a, b, c and noise; i is the pixel whose lag
// counts, in a column of the row that was looked at.
func (p *pixels) logVolts(a, b, c float64, i, column int, lux float64, at bustime.Time, noise float64,
	light *Light) float64 {
	if p.lag != nil {
		x, unit := p.follow(i, column, lux, c, at, light)
		return a + b*analog.Ln(x) + noise*unit
	}
	y := a + b*analog.Ln(p.lit(lux, at, light)+c)
	if noise > 0 {
		y += noise * p.rng.Normal()
	}
	return y
}

// integrate is the signal of linear pixels, one or several joined: shot noise of the
// charge that all of them gather (Poisson; its normal limit from 50 electrons on), the
// full well, read noise. Gain, offset and light are means over the joined ones.
func (p *pixels) integrate(gain, offset, joined, lux float64) float64 {
	l := p.linear
	electrons := max((gain*lux+l.dark)*l.longer, 0)
	if p.rng != nil {
		electrons = p.rng.Poisson(electrons*joined) / joined
	}
	electrons = min(electrons+offset, l.full)
	if l.read > 0 {
		electrons += l.read * p.rng.Normal()
	}
	return l.zero - l.voltsPerE*electrons
}
