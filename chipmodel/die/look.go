package die

import (
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// Look is a readout that was noted, to be looked at as often as wanted.
type Look struct {
	die   *Deferred
	in    *chapter
	event int
}

// Volts hands out the volts of the readout row by row; they hold until row returns. The die is as before then.
func (l *Look) Volts(row func(r int, volts []float64)) { l.volts(0, row) }

// rows is how many there are.
func (l *Look) rows() int { return l.in.events[l.event].readout.Window.Rows }

// volts is Volts from one of the rows on.
func (l *Look) volts(first int, row func(r int, volts []float64)) {
	d, e := l.die, &l.in.events[l.event]
	defer d.unnoted()()
	defer d.aside()()
	w := &e.readout.Window
	rows := rowSet{w.Row + first*w.RowStep, w.RowStep, w.Rows - first}
	d.follow(l.in, l.event, true, d.mixed(l.in, l.event, rows))
	d.shares(l.in, l.event)
	d.read(e, first, row)
}

// aside keeps what looks change of a die, and returns what brings it back. There is one look at a time, so what it is
// kept in serves for the next one.
func (d *Deferred) aside() (back func()) {
	px := d.die.px
	noise, registers, kelvin := *px.rng, d.die.registers, d.die.kelvin
	d.lookLag.take(px.lag)
	m, ok := d.die.storage.(*memory)
	if ok {
		d.lookCells.take(m)
	}
	return func() {
		px.lag.set(&d.lookLag)
		d.set(&registers, kelvin)
		if ok {
			d.lookCells.giveBack(m)
		}
		*px.rng = noise
	}
}

// cells is what a memory holds.
type cells struct {
	volts, droop     []float64
	loaded, sharedAt bustime.Time
}

func (s *cells) take(m *memory) {
	s.volts, s.droop = append(s.volts[:0], m.plane.Volts...), append(s.droop[:0], m.droop...)
	s.loaded, s.sharedAt = m.loadedAt, m.sharedAt
}

func (s *cells) giveBack(m *memory) {
	copy(m.plane.Volts, s.volts)
	copy(m.droop, s.droop)
	m.loadedAt, m.sharedAt = s.loaded, s.sharedAt
}

// LaterConversion is the conversion of a readout that was noted, on the lane that it was read on.
type LaterConversion struct {
	lane     *Lane
	look     Look
	noise    analog.Noise
	residual float64
	// What the lane showed before: another one that was noted, or, where there is none, a level.
	before *LaterConversion
	level  float64

	after *float64 // what the lane showed then, once that is known
}

// keptConversions is how many conversions in a row may wait for the one before; of those that do, so many lie in one
// piece of memory at most.
const keptConversions, conversionsAtOnce = 256, 16

// Later notes the conversion of a readout at a residual, with so many pixels. The lane keeps it until it knows what it
// showed then.
func (l *Lane) Later(look Look, pixels int, residual float64) *LaterConversion {
	if l.waiting++; l.waiting >= keptConversions {
		l.Do()
	}
	if len(l.room) == 0 {
		l.room = make([]LaterConversion, min(max(l.waiting, 1), conversionsAtOnce))
	}
	c := &l.room[0]
	l.room = l.room[1:]
	*c = LaterConversion{lane: l, look: look, noise: *l.noise, residual: residual, before: l.last, level: l.previous}
	l.noise.Skip(l.conv.Draws(pixels))
	l.last = c
	return c
}

// Do finds out what the lane shows now.
func (l *Lane) Do() {
	if l.last != nil {
		l.previous = l.last.levelAfter()
	}
	// Whoever keeps a conversion keeps its piece, and by those in it what waited before them: were a piece to go on
	// here, all that there ever was would be kept by the last.
	l.last, l.waiting, l.room = nil, 0, nil
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
	d := c.look.die
	volts := d.shown[:0]
	d.shown = nil // the one before may be of the same die
	defer func() { d.shown = volts }()
	var level float64
	told := func(first int) bool {
		volts = volts[:0]
		c.look.volts(first, func(_ int, row []float64) { volts = append(volts, row...) })
		level = analog.Level(volts, -most, c.residual)
		return level == analog.Level(volts, most, c.residual)
	}
	// Mostly the last row is enough.
	if last := c.look.rows() - 1; !told(last) && (last == 0 || !told(0)) {
		level = analog.Level(volts, c.levelBefore(), c.residual)
	}
	c.after = &level
	return level
}
