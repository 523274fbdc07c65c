package scene

import (
	"math"

	"facetd.example/chipmodel/geometry"
)

// ray is what a scene needs of one pixel on its fast path: the unit vector in
// the body frame, and the footprint in steradians: the solid angle of the square that has the variance of the pixel's
// cell widened by the blur of its lens, or of one of its taps where it is far from square.
type ray struct{ x, y, z, footprint float32 }

// View is the precomputed geometry of one chip. It is immutable and safe for
// concurrent use.
type View struct {
	camera  *geometry.Camera
	lattice geometry.Lattice
	rays    []ray
	gain    []float32
	streaks []streak // nil when every pixel is square enough
}

// NewView works out what a scene needs of the pixels of a camera.
func NewView(c *geometry.Camera) *View {
	l := c.Lattice()
	n := l.Rows * l.Columns
	v := &View{camera: c, lattice: l, rays: make([]ray, n), gain: make([]float32, n)}
	varX, varY := l.Variances()
	blur := c.Spread().Pixels * c.Spread().Pixels
	widening := math.Sqrt((varX + blur) / varX * ((varY + blur) / varY))
	cell := l.RowPitch() * widening
	for row := range l.Rows {
		for column := range l.Columns {
			s := c.Pixel(row, column)
			i := row*l.Columns + column
			v.rays[i] = ray{float32(s.Ray[0]), float32(s.Ray[1]), float32(s.Ray[2]), float32(s.SolidAngle * cell)}
			v.gain[i] = float32(s.Light)
			v.stretch(i, shapeOf(s, varX+blur, varY+blur))
		}
	}
	return v
}

// stretch gives a pixel that is far from square its taps.
func (v *View) stretch(i int, own shape) {
	n, step, square := own.taps()
	if n == 1 {
		return
	}
	if v.streaks == nil {
		v.streaks = make([]streak, len(v.rays))
	}
	v.streaks[i] = streak{float32(step[0]), float32(step[1]), float32(step[2]), int32(n)}
	v.rays[i].footprint = float32(square)
}

// Camera returns what the view was made for.
func (v *View) Camera() *geometry.Camera { return v.camera }

// span returns the index of the first pixel of a row and how many of its
// pixels fit into dst; what does not belong to the lattice is set dark.
func (v *View) span(dst []float64, row int) (first, n int) {
	if v == nil || row < 0 || row >= v.lattice.Rows {
		clear(dst)
		return 0, 0
	}
	n = min(len(dst), v.lattice.Columns)
	clear(dst[n:])
	return row * v.lattice.Columns, n
}
