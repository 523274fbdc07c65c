package scene

import (
	"math"

	"facetd.example/chipmodel/analog"
)

// The largest lattice for which a view is built; the limit is for memory, not for optics.
const maxLatticeSide = 8192

// Lattice gives the pixel centres of a chip. Odd rows of a hexagonal lattice
// are shifted right by half a column pitch and its row pitch is sqrt(3)/2 of
// the column pitch.
type Lattice struct {
	Rows, Columns int
	Hexagonal     bool
	// Pitches in micrometres. On a hexagonal lattice PitchYUm may be 0, or
	// must be sqrt(3)/2 of PitchXUm to within 1 %.
	PitchXUm, PitchYUm float64
}

// Optics is the lens and mount of one chip; angles in degrees, see the
// package documentation for their sense.
type Optics struct {
	YawDeg, PitchDeg, RollDeg float64 // mount in the body frame

	// Full angles between the outer edges of the pixel array, measured
	// through the lens along its two axes; above 0, below 180. The two are
	// independent (an anamorphic lens); Lattice.VerticalFOVDeg gives the
	// vertical one that belongs to a plain lens.
	HorizontalFOVDeg, VerticalFOVDeg float64

	// DistortionK1 is k1 of r_d = r_u (1 + k1 r_u^2), where r_u is the tangent of the angle from the view axis and r_d
	// the radius on the sensor in focal lengths: the first radial term of Brown, Photogrammetric Engineering 32 (1966)
	// 444-462 (from memory). 0 none, below 0 barrel, above 0 pincushion.
	DistortionK1 float64

	// Vignetting is the strength V of the natural fall-off of light:
	// 1 - V + V cos^4(angle from the axis). 0 none .. 1 full.
	Vignetting float64

	// BlurPixels is the standard deviation of the Gaussian blur of the lens,
	// in column pitches; 0 none, at most 64.
	BlurPixels float64
}

// extent returns the size of the array in column pitches, edge to edge.
func (l Lattice) extent() (width, height float64) {
	width = float64(l.Columns)
	if l.Hexagonal && l.Rows > 1 {
		width += 0.5
	}
	return width, float64(l.Rows) * l.rowPitch()
}

// rowPitch is the row pitch in column pitches.
func (l Lattice) rowPitch() float64 {
	if l.Hexagonal {
		return analog.HexRowPitch
	}
	return l.PitchYUm / l.PitchXUm
}

// centre returns the centre of a cell relative to the middle of the array, in
// column pitches, x to the right and y down.
func (l Lattice) centre(row, column int) (x, y float64) {
	width, height := l.extent()
	x = float64(column) + 0.5
	if l.Hexagonal && row&1 == 1 {
		x += 0.5
	}
	return x - width/2, (float64(row)+0.5)*l.rowPitch() - height/2
}

// VerticalFOVDeg returns the vertical field of view of a lens without
// distortion that has equal focal lengths in both axes and the given
// horizontal field of view on this lattice.
func (l Lattice) VerticalFOVDeg(horizontalFOVDeg float64) float64 {
	width, height := l.extent()
	return 2 * degrees(math.Atan(math.Tan(radians(horizontalFOVDeg)/2)*height/width))
}

func (l Lattice) check(c *checks) {
	c.that(l.Rows >= 1 && l.Rows <= maxLatticeSide, "Rows", l.Rows, "1 to 8192")
	c.that(l.Columns >= 1 && l.Columns <= maxLatticeSide, "Columns", l.Columns, "1 to 8192")
	okX := c.that(l.PitchXUm > 0 && isFinite(l.PitchXUm), "PitchXUm", l.PitchXUm, "a finite number above 0")
	if !l.Hexagonal {
		c.that(l.PitchYUm > 0 && isFinite(l.PitchYUm), "PitchYUm", l.PitchYUm, "a finite number above 0")
		return
	}
	if okX {
		off := math.Abs(l.PitchYUm/l.PitchXUm/analog.HexRowPitch - 1)
		c.that(l.PitchYUm == 0 || off <= 0.01, "PitchYUm", l.PitchYUm,
			"0 or sqrt(3)/2 of PitchXUm on a hexagonal lattice")
	}
}

func (o Optics) check(c *checks) {
	c.finite("YawDeg", o.YawDeg)
	c.finite("PitchDeg", o.PitchDeg)
	c.finite("RollDeg", o.RollDeg)
	const angle = "above 0 and below 180"
	okH := c.that(o.HorizontalFOVDeg > 0 && o.HorizontalFOVDeg < 180, "HorizontalFOVDeg", o.HorizontalFOVDeg, angle)
	okV := c.that(o.VerticalFOVDeg > 0 && o.VerticalFOVDeg < 180, "VerticalFOVDeg", o.VerticalFOVDeg, angle)
	okK := c.finite("DistortionK1", o.DistortionK1)
	if okH && okV && okK {
		c.that(newLens(o).unfolded(), "DistortionK1", o.DistortionK1,
			"a value for which the radius still grows at the corner of the field")
	}
	c.within("Vignetting", o.Vignetting, 0, 1)
	c.within("BlurPixels", o.BlurPixels, 0, 64)
}

// lens maps sensor positions to tangents of angles.
type lens struct {
	k1           float64
	tanX, tanY   float64 // half field along the axes, undistorted
	edgeX, edgeY float64 // the same points on the sensor, in focal lengths
}

func newLens(o Optics) lens {
	l := lens{k1: o.DistortionK1, tanX: math.Tan(radians(o.HorizontalFOVDeg) / 2),
		tanY: math.Tan(radians(o.VerticalFOVDeg) / 2)}
	l.edgeX = l.tanX * (1 + l.k1*l.tanX*l.tanX)
	l.edgeY = l.tanY * (1 + l.k1*l.tanY*l.tanY)
	return l
}

// unfolded reports whether r_d grows with r_u all over the field. Under barrel
// distortion it turns back at r_u = 1/sqrt(-3 k1), where r_d is 2/3 of that.
func (l lens) unfolded() bool {
	if l.k1 >= 0 {
		return isFinite(l.edgeX) && isFinite(l.edgeY)
	}
	turn := 1 / math.Sqrt(-3*l.k1)
	return l.tanX < turn && l.tanY < turn && math.Hypot(l.edgeX, l.edgeY) < turn*2/3
}

// undistort returns r_u / r_d at a radius on the sensor, and the ratio of
// areas dA_u/dA_d there. Newton's method from r_d approaches the root from one
// side only, whichever the sign of k1, so it cannot pass the turning point.
func (l lens) undistort(rd float64) (scale, area float64) {
	if l.k1 == 0 || rd == 0 {
		return 1, 1
	}
	ru := rd
	for range 60 {
		step := (ru*(1+l.k1*ru*ru) - rd) / (1 + 3*l.k1*ru*ru)
		ru -= step
		if math.Abs(step) <= 1e-15*ru {
			break
		}
	}
	return ru / rd, 1 / ((1 + l.k1*ru*ru) * (1 + 3*l.k1*ru*ru))
}

func radians(deg float64) float64 { return deg * (math.Pi / 180) }
func degrees(rad float64) float64 { return rad * (180 / math.Pi) }
