package die

import (
	"slices"
	"time"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// How the pixels of a row lag depends on no other row: each is followed by itself, and only as far back as it
// remembers. In most pictures that is nothing for most rows, and much for the few that are dim.

// tracks are the rows of a die while they are followed.
type tracks struct {
	todo  []bool // it is followed
	knew  []bool // all that its pixels remember is known
	first []int  // the epoch from which on it is followed
	// took is in how many epochs it forgot what it was, lately.
	took []int
}

// cursor is where the noise is in its course before a row of an event, after so many normals of that: whoever follows
// rows in their order need not draw again what those before have drawn.
type cursor struct {
	noise analog.Noise
	drawn int
}

func newTracks(rows int) tracks {
	t := tracks{make([]bool, rows), make([]bool, rows), make([]int, rows), make([]int, rows)}
	for r := range t.took {
		t.took[r] = 1
	}
	return t
}

// rowSet is rows of a lattice: from one on, a step apart.
type rowSet struct{ first, step, n int }

func (s rowSet) each(do func(row int)) {
	for i := range s.n {
		do(s.first + i*s.step)
	}
}

// farBack is how many epochs a row must have been followed for that to be kept for the next who looks.
const farBack = 4

// follow has the pixels of some rows remember what they do after the first so many events of a chapter. With cells, a
// memory holds in these rows what the last load left.
func (d *Deferred) follow(ch *chapter, events int, cells bool, rows rowSet) {
	defer d.unnoted()()
	d.settleRows(ch, rows)
	epochs, _ := slices.BinarySearch(ch.epochs, events)
	if ch.before == nil && epochs > 1 {
		ch.before = d.die.px.lag.state()
	}
	last := epochs
	if _, memory := d.die.storage.(*memory); memory && cells {
		last-- // that load is done
	}
	t := &d.tracks
	clear(t.todo)
	rows.each(func(r int) {
		t.todo[r] = true
		from, state := ch.base(r, last)
		back := min(t.took[r], farBack) // where it took more lately it may take less by now
		d.start(ch, from, state, r, max(epochs-back, from))
	})
	for d.replay(ch, epochs, cells) {
		rows.each(func(r int) {
			if !t.todo[r] {
				return
			}
			from, state := ch.base(r, last)
			back := max(2*(epochs-t.first[r]), t.took[r])
			if back > (epochs-from)/2 { // should it not be enough, nearly as much has to be done again
				back = epochs - from
				t.took[r] = back
			}
			d.start(ch, from, state, r, epochs-back)
		})
	}
	rows.each(func(r int) {
		if epochs-t.first[r] > farBack {
			d.keep(ch, epochs, r)
		}
	})
}

// keep keeps what pixels of a row remember before an epoch.
func (d *Deferred) keep(ch *chapter, epoch, row int) {
	px := d.die.px
	if ch.seen == nil {
		ch.seen, ch.epoch = newLagState(len(px.c)), make([]int, px.rows)
	}
	ch.seen.takePixels(px.lag, row*px.columns, px.columns)
	ch.epoch[row] = epoch
}

// base is the last state that is known of a row of a chapter, before an epoch or one before that. It is nil for that
// in which the die is.
func (ch *chapter) base(row, epoch int) (int, *lagState) {
	if ch.seen != nil && ch.epoch[row] > 0 && ch.epoch[row] <= epoch {
		return ch.epoch[row], ch.seen
	}
	return 0, ch.before
}

// start begins to follow a row from the first epoch on: with a known state at an epoch before, where later ones are
// passed over.
func (d *Deferred) start(ch *chapter, from int, state *lagState, row, first int) {
	d.tracks.first[row], d.tracks.knew[row] = first, first == from
	if state == nil {
		return
	}
	columns := d.die.px.columns
	d.die.px.lag.setPixels(state, row*columns, columns)
	if first == from {
		return
	}
	k := first - 1
	for k > from && !d.whole(&ch.events[ch.epochs[k]], row) { // what was before that does not matter
		k--
	}
	for ; k < first; k++ {
		d.pass(&ch.events[ch.epochs[k]], row)
	}
}

// replay follows rows through a chapter to an epoch, and reports whether there are some left of which not all is known
// then: these are still to be followed.
func (d *Deferred) replay(ch *chapter, epochs int, cells bool) bool {
	t := &d.tracks
	first := epochs
	for r, todo := range t.todo {
		if todo {
			first = min(first, t.first[r])
		}
	}
	for k := first; k < epochs; k++ {
		d.epoch(&ch.events[ch.epochs[k]], k, cells && k == epochs-1)
	}
	left := false
	for r := range t.todo {
		t.todo[r] = t.todo[r] && !t.knew[r]
		left = left || t.todo[r]
	}
	return left
}

// epoch does to rows that are followed what an event does to them that begins an epoch.
func (d *Deferred) epoch(e *event, k int, cells bool) {
	d.set(&e.registers, e.kelvin)
	px, t := d.die.px, &d.tracks
	m, ok := d.die.storage.(*memory)
	rows, each := rowSet{e.readout.Window.Row, e.readout.Window.RowStep, e.readout.Window.Rows}, d.own(e)
	if ok {
		rows, each = rowSet{0, 1, px.rows}, m.draws()*px.columns
		m.hold(e.at)
	}
	noise, drawn := e.noise, 0 // so many of the event's normals
	var c *cursor
	if d.cursors != nil {
		c = &d.cursors[k]
		if c.drawn > 0 {
			noise, drawn = c.noise, c.drawn
		}
	}
	for i := range rows.n {
		r := rows.first + i*rows.step
		if !t.todo[r] || t.first[r] > k {
			continue
		}
		if i*each < drawn { // a row of before is followed again
			noise, drawn = e.noise, 0
		}
		noise.Skip(i*each - drawn)
		if c != nil {
			*c, c = cursor{noise, i * each}, nil
		}
		*px.rng = noise
		if ok && cells {
			m.loadRow(r, e.light)
			drawn = (i + 1) * each
		} else {
			d.row = d.reading(e, i, r)
			d.die.storage.follow(&d.row, e.light)
			drawn = i*each + d.own(e)
		}
		noise = *px.rng
		if !t.knew[r] && px.lag.known(r*px.columns, px.columns) {
			t.knew[r], t.took[r] = true, k+1-t.first[r]
		}
	}
}

// own is how many normals pixels draw of the noise in a row of an event.
func (d *Deferred) own(e *event) int {
	switch {
	case d.die.px.noise <= 0:
		return 0
	case e.strobe == chipmodel.Load:
		return d.die.px.columns
	}
	return e.readout.Window.Columns
}

// reading is row i of those that an event looks at, in the lattice row r.
func (d *Deferred) reading(e *event, i, r int) reading {
	if m, ok := d.die.storage.(*memory); ok {
		return reading{row: r, step: 1, n: d.die.px.columns, at: m.rowAt(r)}
	}
	w := &e.readout.Window
	return reading{r, w.Column, w.ColumnStep, w.Columns, e.at.Add(time.Duration(i) * e.readout.RowInterval),
		e.readout.PixelInterval}
}

// shares does the shares of a chapter between its last epoch and an event.
func (d *Deferred) shares(ch *chapter, events int) {
	for i := ch.lastEpoch(events); i < events; i++ {
		if e := &ch.events[i]; e.strobe == chipmodel.Share {
			d.prepare(e)
			d.die.Strobe(e.strobe, e.at, e.hold, e.light)
		}
	}
}

// mixed is the rows of a memory whose cells tell what some of its rows hold before an event of a chapter: the shares
// since the last load have mixed them.
func (d *Deferred) mixed(ch *chapter, events int, rows rowSet) rowSet {
	first, end, any := rows.first, rows.first+(rows.n-1)*rows.step+1, false
	for i := events - 1; i >= ch.lastEpoch(events); i-- {
		e := &ch.events[i]
		if e.strobe != chipmodel.Share {
			continue
		}
		any = true
		pattern := uint8(e.registers[chipmodel.RowPattern])
		for first > 0 && pattern>>((first-1)&7)&1 == 1 {
			first--
		}
		end = analog.BlockEnd(pattern, d.die.px.rows, end-1)
	}
	if !any {
		return rows
	}
	return rowSet{first, 1, end - first}
}

// lastEpoch is the last event before another that begins an epoch.
func (ch *chapter) lastEpoch(events int) int {
	if epochs, _ := slices.BinarySearch(ch.epochs, events); epochs > 0 {
		return ch.epochs[epochs-1]
	}
	return 0
}

// prepare gives the die what an event depends on.
func (d *Deferred) prepare(e *event) {
	d.set(&e.registers, e.kelvin)
	*d.die.px.rng = e.noise
}

// read does a readout from one of its rows on, and hands out what they show.
func (d *Deferred) read(e *event, first int, row func(r int, volts []float64)) {
	d.prepare(e)
	w := &e.readout.Window
	if _, memory := d.die.storage.(*memory); !memory {
		d.die.px.rng.Skip(first * d.own(e))
	}
	if len(d.volts) < w.Columns {
		d.volts = make([]float64, w.Columns)
	}
	volts := d.volts[:w.Columns]
	for r := first; r < w.Rows; r++ {
		at := e.at.Add(time.Duration(r) * e.readout.RowInterval)
		d.die.Row(volts, w.Row+r*w.RowStep, w.Column, w.ColumnStep, at, e.readout.PixelInterval, e.light)
		row(r, volts)
	}
}

// whole reports whether an event looks at all pixels of a row.
func (d *Deferred) whole(e *event, row int) bool {
	w := &e.readout.Window
	return e.strobe == chipmodel.Load || w.Columns == d.die.px.columns && has(w, row)
}

// has reports whether a window has pixels of a row.
func has(w *chipmodel.Window, row int) bool {
	row -= w.Row
	return row >= 0 && row%w.RowStep == 0 && row/w.RowStep < w.Rows
}

// pass passes an event over: pixels of a row that it looks at are as nobody knows since.
func (d *Deferred) pass(e *event, row int) {
	l, columns, w := d.die.px.lag, d.die.px.columns, &e.readout.Window
	if m, ok := d.die.storage.(*memory); ok {
		at := e.at.Add(m.pulse + time.Duration(row)*m.rowTime)
		for i := row * columns; i < (row+1)*columns; i++ {
			l.pass(i, at)
		}
		return
	}
	if !has(w, row) {
		return
	}
	at := e.at.Add(time.Duration((row-w.Row)/w.RowStep) * e.readout.RowInterval)
	for c := range w.Columns {
		l.pass(row*columns+w.Column+c*w.ColumnStep, at.Add(time.Duration(c)*e.readout.PixelInterval))
	}
}
