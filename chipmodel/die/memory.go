package die

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// memory is a plane of one capacitor per pixel.
type memory struct {
	die    *Die
	px     *pixels
	rng    *analog.Noise
	plane  analog.Plane
	sharer analog.Sharer
	// Volts per second that each cell loses; written at the load.
	droop     []float64
	leak      float64       // amperes in the dark
	lightLeak float64       // amperes per lux
	inverse   []float64     // 1/C of each cell
	ktc       float64       // volts, noise of the load
	pulse     time.Duration // from the start of the load strobe to its first row
	rowTime   time.Duration
	loadedAt  bustime.Time // first row; bustime.Never before the first load
	// Start of the last share, or of the load: the volts have their droop up to here in
	// them.
	sharedAt bustime.Time
}

func newMemory(d *Die, px *pixels, pulse time.Duration, rng *analog.Noise) *memory {
	spec := d.class.Spec.GetMemory()
	kelvin := d.class.Spec.GetTemperatureK()
	n := d.class.Rows * d.class.Columns
	cell := spec.GetCellCapacitanceFf() * 1e-15
	m := &memory{
		die: d, px: px, rng: rng,
		plane:   analog.Plane{Rows: d.class.Rows, Columns: d.class.Columns, Volts: make([]float64, n)},
		sharer:  analog.Sharer{SwitchOhms: spec.GetSwitchResistanceOhms(), CellFarads: cell, Noise: rng},
		droop:   make([]float64, n),
		inverse: make([]float64, n),
		pulse:   pulse, rowTime: spec.GetLoadRow().AsDuration(), loadedAt: bustime.Never,
	}
	for i := range m.inverse {
		m.inverse[i] = 1 / cell
	}
	if rng == nil {
		return m
	}
	m.setKelvin(kelvin)
	m.sharer.InjectionVolts = spec.GetInjectionVolts()
	m.lightLeak = spec.GetLightLeakFaPerLux() * 1e-15
	if spec.GetCellSpread() > 0 {
		m.plane.Farads = make([]float64, n)
		for i := range m.plane.Farads {
			m.plane.Farads[i] = cell * max(1+spec.GetCellSpread()*rng.Normal(), 0.1)
			m.inverse[i] = 1 / m.plane.Farads[i]
		}
	}
	return m
}

// setKelvin sets noise and leakage of the cells. What they hold leaks from the next
// load on as the new temperature says.
func (m *memory) setKelvin(kelvin float64) {
	if m.rng == nil {
		return
	}
	spec := m.die.class.Spec.GetMemory()
	m.sharer.Kelvin = kelvin
	m.ktc = analog.KTCVolts(kelvin, spec.GetCellCapacitanceFf()*1e-15)
	m.leak = spec.GetLeakFa() * 1e-15 * analog.Doubling(kelvin, spec.GetLeakDoublingK())
}

func (m *memory) powerOn() {
	clear(m.plane.Volts)
	clear(m.droop)
	m.loadedAt, m.sharedAt = bustime.Never, 0
}

func (m *memory) written(facetdv1.Register) {}

func (m *memory) strobe(s facetdv1.Strobe, at bustime.Time, hold time.Duration, light *Light) {
	switch s {
	case chipmodel.Load:
		m.px.expose(hold)
		m.load(at, light)
	case chipmodel.Share:
		columns, rows := m.die.patterns()
		m.leakUntil(at)
		m.sharer.Share(&m.plane, columns, rows, m.shareSeconds(hold))
	}
}

// shareSeconds is how long charge may settle. A class with a measured settling time says nothing about its switches:
// there the hold counts as long enough.
func (m *memory) shareSeconds(hold time.Duration) float64 {
	if m.rng == nil || m.sharer.SwitchOhms <= 0 {
		return -1
	}
	return hold.Seconds()
}

// leakUntil takes from the cells what they have lost by a bus time. It comes before a share, which spreads what is
// missing over its blocks.
func (m *memory) leakUntil(at bustime.Time) {
	if m.leak == 0 && m.lightLeak == 0 {
		return
	}
	columns := m.px.columns
	for r := range m.px.rows {
		seconds := float64(m.leaked(r, at)) * 1e-9
		volts, droop := m.plane.Volts[r*columns:(r+1)*columns], m.droop[r*columns:(r+1)*columns]
		for c := range volts {
			volts[c] -= droop[c] * seconds
		}
	}
	m.sharedAt = max(at, m.sharedAt)
}

// leaked is for how long a row has lost voltage that is not yet taken from its volts.
func (m *memory) leaked(row int, at bustime.Time) time.Duration {
	return min(m.held(row, at), max(at.Sub(m.sharedAt), 0))
}

// hold begins the hold of a load strobed at a bus time.
func (m *memory) hold(at bustime.Time) {
	m.loadedAt = at.Add(m.pulse)
	m.sharedAt = m.loadedAt
}

// load copies the pixel signals row by row, after the strobe's pulse.
func (m *memory) load(at bustime.Time, light *Light) {
	m.hold(at)
	for r := range m.px.rows {
		m.loadRow(r, light)
	}
}

// rowAt is when a row is copied by the load that was begun last.
func (m *memory) rowAt(r int) bustime.Time { return m.loadedAt.Add(time.Duration(r) * m.rowTime) }

// loadRow copies the signals of a row.
func (m *memory) loadRow(r int, light *Light) {
	columns, at := m.px.columns, m.rowAt(r)
	m.px.look(r, 0, 1, columns, at, 0, light)
	base := r * columns
	m.px.rowVolts(m.plane.Volts[base:base+columns], base, at, m.ktc, light)
	m.die.supply.add(m.plane.Volts[base:base+columns], at, 0)
	droop, inverse := m.droop[base:base+columns], m.inverse[base:base+columns]
	for c, lux := range m.px.lux[:columns] {
		droop[c] = (m.leak + m.lightLeak*lux) * inverse[c]
	}
}

// draws is how many normals of the noise a load draws for each pixel that lags.
func (m *memory) draws() (n int) {
	if m.px.noise > 0 {
		n++
	}
	if m.ktc > 0 {
		n++
	}
	return n
}

func (m *memory) follow(r *reading, light *Light) { m.px.remind(r, m.px.c, light) }

// row reads cells. Each has drooped for its own time since its row was loaded, and since the last share with its own
// leakage.
func (m *memory) row(dst []float64, row, column, step int, at bustime.Time, interval time.Duration, _ *Light) {
	base := row * m.px.columns
	held := m.leaked(row, at)
	for i := range dst {
		c := base + column + i*step
		dst[i] = m.plane.Volts[c] - m.droop[c]*float64(held+time.Duration(i)*interval)*1e-9
	}
}

func (m *memory) held(row int, at bustime.Time) time.Duration {
	if m.loadedAt == bustime.Never {
		return 0
	}
	return max(at.Sub(m.loadedAt)-time.Duration(row)*m.rowTime, 0)
}
