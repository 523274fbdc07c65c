package die

import (
	"math"
	"math/rand/v2"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// pixels are the photosensitive cells of one die with their fixed pattern.
type pixels struct {
	rows, columns int
	lux           []float64 // of one row, a buffer
	rng           *rand.Rand
	// Logarithmic: y = a + b ln(c + x).
	a, b, c []float64
	noise   float64 // volts
	// Lag: what light each pixel shows, and since when; nil without lag.
	shown      []float64
	shownAtNS  []int64
	luxSeconds float64
	// Linear: nil for logarithmic pixels.
	linear *linear
}

// linear pixels integrate for an exposure: electrons = gain light + dark.
type linear struct {
	gain, dark      []float64 // electrons per lux, electrons
	full, read      float64   // electrons
	voltsPerE, zero float64
}

// newPixels draws the fixed pattern; a nil rng means none, and no noise or lag.
func newPixels(class *chipmodel.Class, rng *rand.Rand) *pixels {
	n := class.Rows * class.Columns
	p := &pixels{rows: class.Rows, columns: class.Columns, lux: make([]float64, class.Columns), rng: rng}
	if spec := class.Spec.GetLinear(); spec != nil {
		p.linear = newLinear(class, rng)
		return p
	}
	spec := class.Spec.GetLogarithmic()
	kelvin := class.Spec.GetTemperatureK()
	offset := spec.GetOffsetVolts() + spec.GetOffsetDriftVoltsPerK()*(kelvin-300)
	gain := spec.GetVoltsPerDecade() / math.Ln10
	dark := spec.GetDarkLux() * analog.Doubling(kelvin, spec.GetDarkDoublingK())
	p.a, p.b, p.c = make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		p.a[i], p.b[i], p.c[i] = offset, gain, dark
		if rng != nil {
			p.a[i] += spec.GetOffsetSpreadVolts() * rng.NormFloat64()
			p.b[i] *= 1 + spec.GetGainSpread()*rng.NormFloat64()
			p.c[i] *= math.Exp(spec.GetDarkSpread() * rng.NormFloat64())
		}
	}
	if rng == nil || spec.GetNodeCapacitanceFf() == 0 {
		return p
	}
	node := spec.GetNodeCapacitanceFf() * 1e-15
	p.noise = analog.KTCVolts(kelvin, node)
	if spec.GetPhotocurrentFaPerLux() > 0 {
		p.luxSeconds = node * analog.ThermalVolts(kelvin) / (spec.GetPhotocurrentFaPerLux() * 1e-15)
		p.shown, p.shownAtNS = make([]float64, n), make([]int64, n)
	}
	return p
}

func newLinear(class *chipmodel.Class, rng *rand.Rand) *linear {
	spec := class.Spec.GetLinear()
	n := class.Rows * class.Columns
	seconds := spec.GetExposure().AsDuration().Seconds()
	gain := spec.GetElectronsPerLuxS() * seconds
	dark := spec.GetDarkElectronsPerS() * seconds * analog.Doubling(class.Spec.GetTemperatureK(), spec.GetDarkDoublingK())
	l := &linear{
		gain: make([]float64, n), dark: make([]float64, n),
		full: spec.GetFullWellElectrons(), voltsPerE: spec.GetVoltsPerElectron(), zero: spec.GetResetVolts(),
	}
	for i := range n {
		l.gain[i], l.dark[i] = gain, dark
		if rng != nil {
			l.gain[i] *= 1 + spec.GetGainSpread()*rng.NormFloat64()
			l.dark[i] += spec.GetDarkSpreadElectrons() * rng.NormFloat64()
		}
	}
	if rng != nil {
		l.read = spec.GetReadNoiseElectrons()
	}
	return l
}

// volts is the signal of one pixel under a light at a bus time.
func (p *pixels) volts(i int, lux float64, atNS int64) float64 {
	if p.linear != nil {
		return p.integrate(i, lux)
	}
	return p.logVolts(p.a[i], p.b[i], p.c[i], i, lux, atNS)
}

// logVolts is the response with given a, b and c; i is the pixel whose lag counts.
func (p *pixels) logVolts(a, b, c float64, i int, lux float64, atNS int64) float64 {
	x := lux + c
	if p.shown != nil {
		if before := p.shown[i]; before > 0 {
			x = analog.LogStep(before, x, float64(atNS-p.shownAtNS[i])*1e-9, p.luxSeconds)
		}
		p.shown[i], p.shownAtNS[i] = x, atNS
	}
	y := a + b*math.Log(x)
	if p.noise > 0 {
		y += p.noise * p.rng.NormFloat64()
	}
	return y
}

// integrate is the signal of a linear pixel: shot noise of the gathered charge
// (Poisson; its normal limit from 50 electrons on), the full well, read noise.
func (p *pixels) integrate(i int, lux float64) float64 {
	l := p.linear
	electrons := max(l.gain[i]*lux+l.dark[i], 0)
	if p.rng != nil {
		electrons = poisson(p.rng, electrons)
	}
	electrons = min(electrons, l.full)
	if l.read > 0 {
		electrons += l.read * p.rng.NormFloat64()
	}
	return l.zero - l.voltsPerE*electrons
}

// poisson draws a count of the given mean: by multiplication (Knuth) below 50,
// the rounded normal limit above.
func poisson(rng *rand.Rand, mean float64) float64 {
	if mean >= 50 {
		return max(math.Round(mean+math.Sqrt(mean)*rng.NormFloat64()), 0)
	}
	limit, product, n := math.Exp(-mean), rng.Float64(), 0.0
	for product > limit {
		product *= rng.Float64()
		n++
	}
	return n
}
