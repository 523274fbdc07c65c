package die

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// inArraySwitch is a chip whose switches join pixels before the light is sensed: a
// block shows the logarithm of its mean light, where a share after sensing would
// give the mean of the logarithms.
type inArraySwitch struct {
	die  *Die
	px   *pixels
	mean []float64 // light of the blocks of one block row
	// The joined pixels' a, b and c, made anew when a pattern changes.
	a, b, c []float64
	stale   bool
}

func newInArraySwitch(d *Die, px *pixels) *inArraySwitch {
	n := d.class.Rows * d.class.Columns
	return &inArraySwitch{die: d, px: px, mean: make([]float64, d.class.Columns),
		a: make([]float64, n), b: make([]float64, n), c: make([]float64, n), stale: true}
}

func (m *inArraySwitch) powerOn() { m.stale = true }

func (m *inArraySwitch) written(r facetdv1.Register) {
	if r == chipmodel.ColumnPattern || r == chipmodel.RowPattern {
		m.stale = true
	}
}

func (m *inArraySwitch) strobe(facetdv1.Strobe, int64, time.Duration, Light) {}

func (m *inArraySwitch) heldNS(int, int64) int64 { return 0 }

// join averages the pixels' parameters over the blocks: the joined devices share
// one current, and their offsets and slopes average.
func (m *inArraySwitch) join() {
	columns, rows := m.die.patterns()
	copy(m.a, m.px.a)
	copy(m.b, m.px.b)
	copy(m.c, m.px.c)
	for _, v := range [][]float64{m.a, m.b, m.c} {
		s := analog.Sharer{}
		s.Share(&analog.Plane{Rows: m.px.rows, Columns: m.px.columns, Volts: v}, columns, rows, -1)
	}
	m.stale = false
}

func (m *inArraySwitch) row(dst []float64, row, column, step int, atNS, intervalNS int64, light Light) {
	if m.px.linear == nil && m.stale {
		m.join()
	}
	columns, rows := m.die.patterns()
	// The rows joined with this one.
	first, last := row, row+1
	for first > 0 && rows>>((first-1)&7)&1 == 1 {
		first--
	}
	last = analog.BlockEnd(rows, m.px.rows, row)
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
		}
		c0 = c1
	}
	for i := range dst {
		c := column + i*step
		at := atNS + int64(i)*intervalNS
		n := row*m.px.columns + c
		if m.px.linear != nil {
			dst[i] = m.px.volts(n, m.mean[c], at)
			continue
		}
		dst[i] = m.px.logVolts(m.a[n], m.b[n], m.c[n], n, m.mean[c], at)
	}
}
