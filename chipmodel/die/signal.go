package die

import (
	"fmt"
	"math"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// NewClass makes the die of a class without a bus. noise draws everything random; nil makes it ideal, as NewIdeal does.
func NewClass(c *chipmodel.Class, noise *analog.Noise) *Die { return newDie(c, 0, noise) }

// Preset puts pixel signals in volts, row by row, into a memory chip as a load at a bus time would, with the noise of
// the cells but without that of pixels, and in the dark; the supply moves them as it moves a load. It fails on a chip
// without memory, and when there is not one signal for each cell of the lattice.
func (d *Die) Preset(volts []float64, at bustime.Time) error {
	m, ok := d.storage.(*memory)
	if !ok {
		return fmt.Errorf("chips of class %q have no memory to preset (%s)", d.class.Name, d.class.Parts())
	}
	if len(volts) != len(m.plane.Volts) {
		return fmt.Errorf("%d signals for a lattice of %d x %d", len(volts), d.class.Rows, d.class.Columns)
	}
	m.hold(at)
	shift := d.supply.at(at)
	for i, v := range volts {
		v += shift
		if m.ktc > 0 {
			v += m.ktc * m.rng.Normal()
		}
		m.plane.Volts[i] = v
		m.droop[i] = m.leak * m.inverse[i]
	}
	return nil
}

// Signal turns volts at the output back into the signal of the pixel, by the nominal chain with the registers as they
// are: it undoes amplifier, offset, bias and a sagging supply. What was clipped stays clipped.
func (d *Die) Signal(output float64) float64 {
	return d.output.signal(output) - d.supply.shift + d.supply.sag
}

// Response is the nominal response of a class's pixels at its temperature, without
// spread, noise and lag.
type Response struct {
	linear bool
	// Logarithmic: y = A + B ln(C + x).
	a, b, c float64
	// Linear: y = zero - perLux x - dark, down to low.
	zero, perLux, dark, low float64
}

// NewResponse returns the response of a class.
func NewResponse(c *chipmodel.Class) Response {
	px := newPixels(&chipmodel.Class{Rows: 1, Columns: 1, Spec: c.Spec}, nil)
	if l := px.linear; l != nil {
		return Response{linear: true, zero: l.zero, perLux: l.voltsPerE * l.gain[0], dark: l.voltsPerE * l.dark,
			low: l.zero - l.voltsPerE*l.full}
	}
	return Response{a: px.a[0], b: px.b[0], c: px.c[0]}
}

// Volts is the signal under a light in lux.
func (r Response) Volts(lux float64) float64 {
	if r.linear {
		return max(r.zero-r.dark-r.perLux*lux, r.low)
	}
	return analog.LogResponse(r.a, r.b, r.c, lux)
}

// Lux is the light that gives a signal. ok is false for a signal that no light gives:
// below the dark (lux is then 0) or beyond what a float can hold.
func (r Response) Lux(volts float64) (lux float64, ok bool) {
	if r.linear {
		lux = (r.zero - r.dark - volts) / r.perLux
		ok = volts >= r.low
	} else {
		lux = math.Exp((volts-r.a)/r.b) - r.c
		ok = true
	}
	// Rounding can make darkness slightly negative; it is darkness all the same.
	if tiny := 1e-9 * max(r.c, 1e-6); lux < 0 && lux > -tiny {
		lux = 0
	}
	return max(lux, 0), ok && lux >= 0 && !math.IsInf(lux, 0)
}

// Slope is the change of the signal per relative change of light, in volts, at a
// light; of a logarithmic pixel b x/(c + x).
func (r Response) Slope(lux float64) float64 {
	if r.linear {
		return -r.perLux * lux
	}
	return r.b * lux / (r.c + lux)
}
