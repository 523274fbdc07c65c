package scene

import (
	"fmt"
	"math"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// GratingOptions describe a sine grating on the sensor plane.
type GratingOptions struct {
	MeanLux  float64 // mean light, 0 or more
	Contrast float64 // (max-min)/(max+min) before blur and pixel aperture, 0 to 1
	// CyclesPerPixel is the frequency in cycles per column pitch, 0 to 64;
	// above 0.5 it aliases, as it would on the chip.
	CyclesPerPixel float64
	// OrientationDeg is the direction across the bars: 0 for light that varies
	// along a row (towards higher columns), 90 for light that varies along a
	// column, upwards (towards lower rows).
	OrientationDeg float64
	// DriftHz moves the bars along the orientation, in cycles per second.
	DriftHz float64
	// PhaseDeg is the phase of the sine in the middle of the array at time 0.
	PhaseDeg float64
}

type grating struct{ GratingOptions }

// Grating is a drifting sine grating that every chip sees alike, as through a collimator: it is laid on the sensor
// plane, so mount, field of view and distortion do not change it. Blur, the aperture of the pixel cell and vignetting
// do: the contrast is multiplied by the transfer functions exp(-2 pi^2 sigma^2 f^2) of the blur and sinc(fx) sinc(fy
// ry) of a rectangular cell of one by ry column pitches (a hexagonal cell is treated as the rectangle of one column
// pitch by one row pitch).
func Grating(o GratingOptions) (Scene, error) {
	var c checks
	c.that(o.MeanLux >= 0 && isFinite(o.MeanLux), "MeanLux", o.MeanLux, "a finite number, 0 or more")
	c.within("Contrast", o.Contrast, 0, 1)
	c.within("CyclesPerPixel", o.CyclesPerPixel, 0, 64)
	c.finite("OrientationDeg", o.OrientationDeg)
	c.within("DriftHz", o.DriftHz, -1e6, 1e6)
	c.finite("PhaseDeg", o.PhaseDeg)
	if err := c.err("grating"); err != nil {
		return nil, err
	}
	return grating{o}, nil
}

func (g grating) Name() string {
	return fmt.Sprintf("grating of %g cycles per pixel at %g degrees, %g lx, contrast %g",
		g.CyclesPerPixel, g.OrientationDeg, g.MeanLux, g.Contrast)
}

func (g grating) Row(dst []float64, v *View, row int, at bustime.Time) {
	first, n := v.span(dst, row)
	if n == 0 {
		return
	}
	sin, cos := geometry.SincosDeg(g.OrientationDeg)
	fx, fy := g.CyclesPerPixel*cos, -g.CyclesPerPixel*sin // y of the lattice is down
	sigma := v.camera.Spread().Pixels * g.CyclesPerPixel
	amplitude := g.MeanLux * g.Contrast * math.Exp(-2*math.Pi*math.Pi*sigma*sigma) *
		sinc(fx) * sinc(fy*v.lattice.RowPitch())
	x, y := v.lattice.Centre(row, 0)
	phase := fx*x + fy*y + math.Mod(g.PhaseDeg, 360)/360 - at.Cycles(g.DriftHz)
	// The sine advances by a fixed angle a column: turn a unit vector.
	s, c := math.Sincos(2 * math.Pi * phase)
	ds, dc := math.Sincos(2 * math.Pi * fx)
	for i := range n {
		dst[i] = (g.MeanLux + amplitude*s) * float64(v.gain[first+i])
		s, c = s*dc+c*ds, c*dc-s*ds
	}
}

// sinc is sin(pi x)/(pi x).
func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}
