package die

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// inArraySwitch is a chip whose switches join pixels before the light is sensed: a
// block shows the logarithm of its mean light, where a share after sensing would
// give the mean of the logarithms.
type inArraySwitch struct {
	die *Die
	px  *pixels
	// Of the blocks of one block row: mean light, and what joining makes of the noise.
	mean, quieter []float64
	// The joined pixels' a, b and c, made anew when a pattern changes.
	a, b, c, load []float64
	stale         bool
	// For means over blocks, not for volts.
	plane  analog.Plane
	sharer analog.Sharer
}

func newInArraySwitch(d *Die, px *pixels) *inArraySwitch {
	n := d.class.Rows * d.class.Columns
	return &inArraySwitch{die: d, px: px, mean: make([]float64, d.class.Columns), quieter: make([]float64, d.class.Columns),
		a: make([]float64, n), b: make([]float64, n), c: make([]float64, n), load: make([]float64, n), stale: true,
		plane: analog.Plane{Rows: d.class.Rows, Columns: d.class.Columns}}
}

func (m *inArraySwitch) powerOn() { m.stale = true }

func (m *inArraySwitch) written(r facetdv1.Register) {
	if r == chipmodel.ColumnPattern || r == chipmodel.RowPattern {
		m.stale = true
	}
}

func (m *inArraySwitch) strobe(facetdv1.Strobe, int64, time.Duration, Light) {}

func (m *inArraySwitch) heldNS(int, int64) int64 { return 0 }

// join works out what the pixels of each block show together. Their photocurrents
// meet in one node, into which their loads feed side by side: in weak inversion
// V = b ln(sum I / sum exp(-a_i/b)), so the block has the dark term's mean, the mean
// slope and the offset -b ln(mean exp(-a_i/b)).
func (m *inArraySwitch) join() {
	columns, rows := m.die.patterns()
	mean := func(dst, src []float64) {
		copy(dst, src)
		m.plane.Volts = dst
		m.sharer.Share(&m.plane, columns, rows, -1)
	}
	mean(m.b, m.px.b)
	mean(m.c, m.px.c)
	// About the nominal offset, so that the exponentials neither vanish nor overflow.
	nominal := m.px.a[0]
	for i, a := range m.px.a {
		m.load[i] = math.Exp((nominal - a) / m.b[i])
	}
	mean(m.a, m.load)
	for i, load := range m.a {
		m.a[i] = nominal - m.b[i]*math.Log(load)
	}
	m.stale = false
}

func (m *inArraySwitch) row(dst []float64, row, column, step int, atNS, intervalNS int64, light Light) {
	if m.px.linear == nil && m.stale {
		m.join()
	}
	columns, rows := m.die.patterns()
	// The rows joined with this one.
	first := row
	for first > 0 && rows>>((first-1)&7)&1 == 1 {
		first--
	}
	last := analog.BlockEnd(rows, m.px.rows, row)
	clear(m.mean)
	for r := first; r < last; r++ {
		light(m.px.lux, r, atNS)
		for c, lux := range m.px.lux {
			m.mean[c] += lux
		}
	}
	for c0 := 0; c0 < m.px.columns; {
		c1 := analog.BlockEnd(columns, m.px.columns, c0)
		var sum float64
		for _, lux := range m.mean[c0:c1] {
			sum += lux
		}
		for c := c0; c < c1; c++ {
			m.mean[c] = sum / float64((c1-c0)*(last-first))
			m.quieter[c] = 1 / math.Sqrt(float64((c1-c0)*(last-first)))
		}
		c0 = c1
	}
	// The node of n joined pixels has n times the capacitance and n times the current
	// of one: the same lag, and noise lower by sqrt(n).
	for i := range dst {
		c := column + i*step
		at := atNS + int64(i)*intervalNS
		n := row*m.px.columns + c
		if m.px.linear != nil {
			dst[i] = m.px.volts(n, m.mean[c], at)
			continue
		}
		dst[i] = m.px.logVolts(m.a[n], m.b[n], m.c[n], n, m.mean[c], at, m.px.noise*m.quieter[c])
	}
}
