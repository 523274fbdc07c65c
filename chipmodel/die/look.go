package die

import (
	"slices"

	"facetd.example/chipmodel/analog"
)

// Look is a readout that was noted, to be looked at as often as wanted.
type Look struct {
	die   *Deferred
	in    *chapter
	event int
}

// Volts hands out the volts of the readout row by row; they hold until row returns. The die is as before then.
func (l *Look) Volts(row func(r int, volts []float64)) {
	d := l.die
	defer d.unnoted()()
	defer d.aside()()
	d.follow(l.in, l.event, true)
	d.event(&l.in.events[l.event], row)
}

// aside keeps what looks change of a die, and returns what brings it back.
func (d *Deferred) aside() (back func()) {
	px := d.die.px
	lag, noise, registers, kelvin := px.lag.state(), *px.rng, d.die.registers, d.die.kelvin
	cells := func() {}
	if m, ok := d.die.storage.(*memory); ok {
		cells = m.aside()
	}
	return func() {
		px.lag.set(lag)
		d.set(&registers, kelvin)
		cells()
		*px.rng = noise
	}
}

// aside keeps what a memory holds, and returns what brings it back.
func (m *memory) aside() (back func()) {
	volts, droop, loaded, shared := slices.Clone(m.plane.Volts), slices.Clone(m.droop), m.loadedAt, m.sharedAt
	return func() {
		copy(m.plane.Volts, volts)
		copy(m.droop, droop)
		m.loadedAt, m.sharedAt = loaded, shared
	}
}

// LaterConversion is the conversion of a readout that was noted, on the lane that it was read on.
type LaterConversion struct {
	lane     *Lane
	look     *Look
	noise    analog.Noise
	residual float64
	// What the lane showed before: another one that was noted, or, where there is none, a level.
	before *LaterConversion
	level  float64

	after *float64 // what the lane showed then, once that is known
}

// keptConversions is how many conversions in a row may wait for the one before.
const keptConversions = 256

// Later notes the conversion of a readout at a residual, with so many pixels.
func (l *Lane) Later(look *Look, pixels int, residual float64) *LaterConversion {
	if l.waiting++; l.waiting >= keptConversions {
		l.Do()
	}
	c := &LaterConversion{lane: l, look: look, noise: *l.noise, residual: residual, before: l.last, level: l.previous}
	l.noise.Skip(l.conv.Draws(pixels))
	l.last = c
	return c
}

// Do finds out what the lane shows now.
func (l *Lane) Do() {
	if l.last != nil {
		l.previous = l.last.levelAfter()
	}
	l.last, l.waiting = nil, 0
}

// Convert puts the codes, row by row, into codes: so many to a row.
func (c *LaterConversion) Convert(codes []uint16, columns int) {
	l := c.lane
	noise, previous := *l.noise, l.previous
	level, draws := c.levelBefore(), c.noise
	c.look.Volts(func(r int, volts []float64) {
		*l.noise = draws
		level = l.conv.Convert(codes[r*columns:(r+1)*columns], volts, level, c.residual)
		draws = *l.noise
	})
	c.after = &level
	*l.noise, l.previous = noise, previous
}

func (c *LaterConversion) levelBefore() float64 {
	if c.before != nil {
		c.level, c.before = c.before.levelAfter(), nil
	}
	return c.level
}

// levelAfter is what the lane shows after the conversion. A level is the greater the greater the one before it: where
// the least and the greatest that there can be come to the same, the one before does not matter.
func (c *LaterConversion) levelAfter() float64 {
	if c.after != nil {
		return *c.after
	}
	const most = 1e6 // volts
	var volts []float64
	c.look.Volts(func(_ int, row []float64) { volts = append(volts, row...) })
	level := analog.Level(volts, -most, c.residual)
	if level != analog.Level(volts, most, c.residual) {
		level = analog.Level(volts, c.levelBefore(), c.residual)
	}
	c.after = &level
	return level
}
