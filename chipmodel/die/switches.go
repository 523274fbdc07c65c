package die

import (
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// switches join pixels before the light is sensed: a block shows the logarithm of its
// mean light, where a share after sensing would give the mean of the logarithms.
type switches struct {
	die *Die
	px  *pixels
	// Of the blocks of one block row, whose rows go from first to before last: how many pixels are joined, and what
	// that makes of the noise; the mean light on the blocks, from that on the chip.
	first, last     int
	joined, quieter []float64
	mean, sum       []float64
	light, chip     Light
	// The joined pixels' a, b and c (linear ones: gain and offset), made anew when a
	// pattern changes.
	a, b, c, load []float64
	stale         bool
	// These are used for means over blocks, not for volts.
	plane  analog.Plane
	sharer analog.Sharer
}

func newSwitches(d *Die, px *pixels) *switches {
	n, columns := d.class.Rows*d.class.Columns, d.class.Columns
	m := &switches{die: d, px: px, stale: true,
		mean: make([]float64, columns), sum: make([]float64, columns), joined: make([]float64, columns),
		quieter: make([]float64, columns),
		a:       make([]float64, n), b: make([]float64, n), c: make([]float64, n), load: make([]float64, n),
		plane: analog.Plane{Rows: d.class.Rows, Columns: d.class.Columns}}
	m.light.Row = m.blockRow
	return m
}

func (m *switches) powerOn() { m.stale = true }

func (m *switches) written(r facetdv1.Register) {
	if r == chipmodel.ColumnPattern || r == chipmodel.RowPattern {
		m.stale = true
	}
}

func (m *switches) strobe(facetdv1.Strobe, bustime.Time, time.Duration, *Light) {}

func (m *switches) held(int, bustime.Time) time.Duration { return 0 }

// join works out what the pixels of each block show together. Their photocurrents meet in one node, into which their
// loads feed side by side: in weak inversion V = b ln(sum I / sum exp(-a_i/b)), so the block has the dark term's mean,
// the mean slope and the offset -b ln(mean exp(-a_i/b)). Of linear pixels the charges meet on the capacitors of all:
// the mean gain and offset.
func (m *switches) join() {
	columns, rows := m.die.patterns()
	mean := func(dst, src []float64) {
		copy(dst, src)
		m.plane.Volts = dst
		m.sharer.Share(&m.plane, columns, rows, -1)
	}
	m.stale = false
	if l := m.px.linear; l != nil {
		mean(m.a, l.gain)
		mean(m.b, l.offset)
		return
	}
	mean(m.b, m.px.b)
	mean(m.c, m.px.c)
	// Relative to the nominal offset, so that the exponentials neither vanish nor overflow.
	nominal := m.px.a[0]
	for i, a := range m.px.a {
		m.load[i] = math.Exp((nominal - a) / m.b[i])
	}
	mean(m.a, m.load)
	for i, load := range m.a {
		m.a[i] = nominal - m.b[i]*math.Log(load)
	}
}

func (m *switches) row(dst []float64, row, column, step int, at bustime.Time, interval time.Duration, light *Light) {
	if m.stale {
		m.join()
	}
	n := len(dst)
	m.look(row, light)
	m.px.look(row, column, step, n, at, interval, &m.light)
	if m.px.asRow(light) && len(m.px.defects) == 0 {
		m.px.logRow(dst, &reading{row, column, step, n, at, interval},
			&response{a: m.a, b: m.b, c: m.c, noise: m.px.noise, quieter: m.quieter}, light)
	} else {
		m.single(dst, &reading{row, column, step, n, at, interval}, light)
	}
	m.die.supply.add(dst, at, interval)
}

func (m *switches) follow(r *reading, light *Light) {
	if m.stale {
		m.join()
	}
	m.look(r.row, light)
	m.px.remind(r, m.c, &m.light)
}

// single gives the volts of a row's pixels one by one.
func (m *switches) single(dst []float64, r *reading, light *Light) {
	// The node of n joined pixels has n times the capacitance and n times the current
	// of one: the same lag, and noise lower by sqrt(n).
	for i := range dst {
		c := r.column + i*r.step
		at := r.at.Add(time.Duration(i) * r.interval)
		p := r.row*m.px.columns + c
		lux := m.px.luxAt(c, i, r.n)
		if m.px.linear != nil {
			dst[i] = m.px.integrate(m.a[p], m.b[p], m.joined[c], m.px.lit(lux, at, light))
		} else {
			dst[i] = m.px.logVolts(m.a[p], m.b[p], m.c[p], p, c, lux, at, m.px.noise*m.quieter[c], light)
		}
		if m.joined[c] == 1 {
			dst[i] = m.px.spoil(p, dst[i])
		}
	}
}

// look finds the blocks that a row belongs to.
func (m *switches) look(row int, light *Light) {
	columns, rows := m.die.patterns()
	m.first = row
	for m.first > 0 && rows>>((m.first-1)&7)&1 == 1 {
		m.first--
	}
	m.last = analog.BlockEnd(rows, m.px.rows, row)
	for c0 := 0; c0 < m.px.columns; {
		c1 := analog.BlockEnd(columns, m.px.columns, c0)
		for c := c0; c < c1; c++ {
			m.joined[c] = float64((c1 - c0) * (m.last - m.first))
			m.quieter[c] = 1 / math.Sqrt(m.joined[c])
		}
		c0 = c1
	}
	m.chip = *light
	m.light.Every, m.light.Jumps, m.light.Lag = light.Every, light.Jumps, light.Lag
}

// blockRow is the mean light on the blocks that were found last.
func (m *switches) blockRow(dst []float64, _ int, at bustime.Time) {
	columns, _ := m.die.patterns()
	clear(m.sum)
	for r := m.first; r < m.last; r++ {
		m.chip.Row(m.mean, r, at)
		for c, v := range m.mean {
			m.sum[c] += v
		}
	}
	for c0 := 0; c0 < len(dst); {
		c1 := analog.BlockEnd(columns, len(dst), c0)
		var sum float64
		for _, v := range m.sum[c0:c1] {
			sum += v
		}
		for c := c0; c < c1; c++ {
			dst[c] = sum / m.joined[c]
		}
		c0 = c1
	}
}
