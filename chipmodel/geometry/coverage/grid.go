package coverage

import "math"

// ring is a band of the sphere between two polar angles from straight up, cut into cells of equal width.
type ring struct {
	top, bottom float64 // polar angles
	cells       int
	first       int // number of its first cell
}

// grid cuts the sphere into about n cells of about equal area, which is known exactly of each.
type grid struct {
	rings []ring
	cells int
}

func newGrid(n int) grid {
	side := math.Sqrt(4 * math.Pi / float64(n))
	count := max(int(math.Round(math.Pi/side)), 2)
	g := grid{}
	for i := range count {
		r := ring{top: math.Pi * float64(i) / float64(count), bottom: math.Pi * float64(i+1) / float64(count),
			first: g.cells}
		r.cells = max(int(math.Round(2*math.Pi*math.Sin((r.top+r.bottom)/2)/side)), 3)
		g.cells += r.cells
		g.rings = append(g.rings, r)
	}
	return g
}

// area of each cell of a ring, in steradians.
func (r ring) area() float64 {
	return 2 * math.Pi * (math.Cos(r.top) - math.Cos(r.bottom)) / float64(r.cells)
}

// at is the direction of a place within a cell: u from left to right (towards rising azimuth) and v downwards, from 0
// to
// 1, so that equal steps of both are equal areas.
func (r ring) at(cell int, u, v float64) [3]float64 {
	z := math.Cos(r.top) + v*(math.Cos(r.bottom)-math.Cos(r.top))
	sin, cos := math.Sincos(2 * math.Pi * (float64(cell) + u) / float64(r.cells))
	aside := math.Sqrt(max(0, 1-z*z))
	return [3]float64{aside * cos, aside * sin, z}
}

// neighbours calls f with the cells of the next ring that touch a cell of ring i.
func (g grid) neighbours(i, cell int, f func(other int)) {
	if i+1 >= len(g.rings) {
		return
	}
	r, next := g.rings[i], g.rings[i+1]
	from := float64(cell) / float64(r.cells) * float64(next.cells)
	to := float64(cell+1) / float64(r.cells) * float64(next.cells)
	for k := int(math.Floor(from + 1e-9)); float64(k) < to-1e-9; k++ {
		f(next.first + k%next.cells)
	}
}
