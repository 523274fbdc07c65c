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
	// Buffers: the light on one row, and where that changes while it is read, the light
	// at its last pixel; later is nil unless it does.
	lux, end, later []float64
	once            []float64
	rng             *analog.Noise
	// Logarithmic: y = a + b ln(c + x).
	a, b, c []float64
	noise   float64 // volts
	// Lag: what light each pixel shows, and since when; nil without lag.
	shown      []float64
	shownAt    []bustime.Time
	luxSeconds float64
	// Linear: nil for logarithmic pixels.
	linear *linear
	// defects are by rising pixel; several of one pixel act in order.
	defects []pixelDefect
	// What the pixels are at the class's temperature, once the die has had another.
	reference *reference
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
	exposure         time.Duration
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
	p.setNode(spec, kelvin)
	if spec.GetPhotocurrentFaPerLux() > 0 {
		p.shown, p.shownAt = make([]float64, n), make([]bustime.Time, n)
	}
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
	if spec.GetPhotocurrentFaPerLux() > 0 {
		p.luxSeconds = analog.LogTau(node, kelvin, spec.GetPhotocurrentFaPerLux()*1e-15)
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
		exposure: spec.GetExposure().AsDuration(),
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

// steady is how long light counts as steady. Half of it to either side of the middle
// a lamp of 100 Hz changes by 3 % of its amplitude.
const steady = 100 * time.Microsecond

// look fetches the light on a row whose pixels are read one after another for a time. Over a short time it is that of
// the middle; otherwise luxAt interpolates between the light at the first pixel and that at the last.
func (p *pixels) look(row int, at bustime.Time, span time.Duration, light Light) {
	if span <= steady {
		p.later = nil
		p.gather(p.lux, row, at.Add(span/2), light)
		return
	}
	p.later = p.end
	p.gather(p.lux, row, at, light)
	p.gather(p.later, row, at.Add(span), light)
}

// luxAt is the light on a column when pixel i of n of the row is read.
func (p *pixels) luxAt(column, i, n int) float64 {
	lux := p.lux[column]
	if p.later != nil {
		lux += (p.later[column] - lux) * float64(i) / float64(n-1)
	}
	return lux
}

// An exposure is cut into parts of at most part, at most maxParts of them.
const (
	part     = 5 * time.Millisecond
	maxParts = 200
)

// gather is the light that pixels of a row see until a bus time: continuous ones at
// that time, integrating ones on average over their exposure. The average takes three
// points a part (Gauss and Legendre), which is within 0.1 % of the amplitude of a lamp
// of 100 Hz. An exposure shorter than what counts as steady takes its middle.
func (p *pixels) gather(dst []float64, row int, at bustime.Time, light Light) {
	if p.linear == nil {
		light(dst, row, at)
		return
	}
	exposure := p.linear.exposure
	if exposure <= steady {
		light(dst, row, at.Add(-(exposure / 2)))
		return
	}
	parts := min((exposure+part-1)/part, maxParts)
	half := float64(exposure) / float64(2*parts)
	clear(dst)
	for k := range parts {
		middle := at.Add(-time.Duration((float64(2*k) + 1) * half))
		for i, place := range [3]float64{-math.Sqrt(3.0 / 5), 0, math.Sqrt(3.0 / 5)} {
			weight := [3]float64{5.0 / 18, 4.0 / 9, 5.0 / 18}[i] / float64(parts)
			light(p.once, row, middle.Add(time.Duration(math.Round(place*half))))
			for c, lux := range p.once {
				dst[c] += weight * lux
			}
		}
	}
}

// volts is the signal of one pixel under a light at a bus time.
func (p *pixels) volts(i int, lux float64, at bustime.Time) float64 {
	if l := p.linear; l != nil {
		return p.spoil(i, p.integrate(l.gain[i], l.offset[i], 1, lux))
	}
	return p.spoil(i, p.logVolts(p.a[i], p.b[i], p.c[i], i, lux, at, p.noise))
}

// rowVolts fills dst with the signals of a whole row, its first pixel being base,
// at one bus time under the light in p.lux, with a noise in volts on top: that of
// the cells into which the row is copied. The sum of two independent normal noises
// is drawn at once.
func (p *pixels) rowVolts(dst []float64, base int, at bustime.Time, extra float64) {
	p.goodRow(dst, base, at, extra)
	p.spoilRow(dst, base)
}

// goodRow is rowVolts without defects.
func (p *pixels) goodRow(dst []float64, base int, at bustime.Time, extra float64) {
	if p.linear != nil {
		for c := range dst {
			dst[c] = p.integrate(p.linear.gain[base+c], p.linear.offset[base+c], 1, p.lux[c])
			if extra > 0 {
				dst[c] += extra * p.rng.Normal()
			}
		}
		return
	}
	n := len(dst)
	a, b, dark, lux := p.a[base:base+n], p.b[base:base+n], p.c[base:base+n], p.lux[:n]
	noise := math.Hypot(p.noise, extra)
	for c := range dst {
		x := lux[c] + dark[c]
		if p.shown != nil {
			x = p.follow(base+c, x, at)
		}
		dst[c] = a[c] + b[c]*analog.Ln(x)
		if noise > 0 {
			dst[c] += noise * p.rng.Normal()
		}
	}
}

// logVolts is the response with given a, b, c and noise; i is the pixel whose lag
// counts.
func (p *pixels) logVolts(a, b, c float64, i int, lux float64, at bustime.Time, noise float64) float64 {
	x := lux + c
	if p.shown != nil {
		x = p.follow(i, x, at)
	}
	y := a + b*analog.Ln(x)
	if noise > 0 {
		y += noise * p.rng.Normal()
	}
	return y
}

// follow is the light that a pixel shows at a bus time at which x falls on it, as if x had fallen on it ever since it
// was last sampled: a die is asked only when it is read, and does not know the light in between.
func (p *pixels) follow(i int, x float64, at bustime.Time) float64 {
	if before := p.shown[i]; before > 0 {
		x = analog.LogStep(before, x, float64(at.Sub(p.shownAt[i]))*1e-9, p.luxSeconds)
	}
	p.shown[i], p.shownAt[i] = x, at
	return x
}

// integrate is the signal of linear pixels, one or several joined: shot noise of the
// charge that all of them gather (Poisson; its normal limit from 50 electrons on), the
// full well, read noise. Gain, offset and light are means over the joined ones.
func (p *pixels) integrate(gain, offset, joined, lux float64) float64 {
	l := p.linear
	electrons := max(gain*lux+l.dark, 0)
	if p.rng != nil {
		electrons = p.rng.Poisson(electrons*joined) / joined
	}
	electrons = min(electrons+offset, l.full)
	if l.read > 0 {
		electrons += l.read * p.rng.Normal()
	}
	return l.zero - l.voltsPerE*electrons
}
