package die

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"facetd.example/api/invalid"
)

// Defect is what is wrong with one pixel, to try out how a host finds it. Set either Stuck and Volts, or NoiseVolts.
type Defect struct {
	Row, Column int
	// Stuck says that the pixel shows Volts whatever the light: within the converter's
	// range it is dead, beyond it stuck at an end.
	Stuck bool
	Volts float64
	// NoiseVolts is added to its temporal noise (standard deviation).
	NoiseVolts float64
}

// pixelDefect is one within the lattice's order.
type pixelDefect struct {
	pixel        int
	stuck        bool
	volts, noise float64
}

// SetDefects gives the die defective pixels, in place of those it had; the last of several
// of one pixel counts. A block of joined pixels shows a defect only of a pixel that is
// read alone. Errors: invalid.Errors, and then nothing has changed.
func (d *Die) SetDefects(defects []Defect) error {
	var m invalid.Errors
	var all []pixelDefect
	for i, f := range defects {
		path := fmt.Sprintf("defects[%d]", i)
		if f.Row < 0 || f.Row >= d.px.rows || f.Column < 0 || f.Column >= d.px.columns {
			m.Add(path, fmt.Sprintf("row %d, column %d is not on the lattice", f.Row, f.Column),
				fmt.Sprintf("chips of class %s have %d x %d pixels", d.class.Name, d.px.rows, d.px.columns))
		}
		if !(math.Abs(f.Volts) <= 100 && f.NoiseVolts >= 0 && f.NoiseVolts <= 100) {
			m.Add(path, fmt.Sprintf("%g V with noise of %g V is not possible", f.Volts, f.NoiseVolts), "at most 100 V")
		}
		all = append(all, pixelDefect{f.Row*d.px.columns + f.Column, f.Stuck, f.Volts, f.NoiseVolts})
	}
	if len(m) > 0 {
		return m
	}
	slices.SortStableFunc(all, func(a, b pixelDefect) int { return cmp.Compare(a.pixel, b.pixel) })
	d.px.defects = all
	return nil
}

// spoil applies the defect of a pixel, if it has one, to its signal.
func (p *pixels) spoil(pixel int, volts float64) float64 {
	if len(p.defects) == 0 {
		return volts
	}
	i, _ := slices.BinarySearchFunc(p.defects, pixel,
		func(d pixelDefect, pixel int) int { return cmp.Compare(d.pixel, pixel) })
	for ; i < len(p.defects) && p.defects[i].pixel == pixel; i++ {
		volts = p.spoiled(&p.defects[i], volts)
	}
	return volts
}

// spoilRow does so for a row of signals whose first pixel is base.
func (p *pixels) spoilRow(dst []float64, base int) {
	for i := range p.defects {
		if at := p.defects[i].pixel - base; at >= 0 && at < len(dst) {
			dst[at] = p.spoiled(&p.defects[i], dst[at])
		}
	}
}

func (p *pixels) spoiled(d *pixelDefect, volts float64) float64 {
	if d.stuck {
		volts = d.volts
	}
	if d.noise > 0 && p.rng != nil {
		volts += d.noise * p.rng.Normal()
	}
	return volts
}
