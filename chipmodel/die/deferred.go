package die

import (
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// Deferred is a die that notes loads, shares and readouts and does them when somebody looks at what they show. What it
// shows is the same to the bit, whoever looks at what and when: each that is noted keeps what it depends on, with where
// the noise is in its course by then. How pixels lag goes from look to look, and is taken up again so far back that
// nothing before matters: pixels whose past is not known are followed as such, until they have forgotten it.
//
// What was noted goes into chapters, each with the lag of before. A die that nobody looks at works out how its pixels
// lag once in a chapter, and a chapter is kept as long as anybody may look at something in it.
//
// Like a Die it is for one goroutine.
type Deferred struct {
	die *Die
	// Registers, temperature and noise as they are when all that was noted is done.
	registers [chipmodel.NumRegisters]uint16
	kelvin    float64
	noise     analog.Noise

	now     *chapter // nil where nothing is noted: the die is up to date
	spare   *chapter // for the next one
	tracks  tracks
	cursors []cursor // by epoch, where rows are followed in their order
	// Chapters end before the first epoch past each length of what is noted, of which there is noted by now, with where
	// the die is among others.
	length, noted int
	mark          mark
	draws         map[share]int // of shares
	volts         []float64     // of a row
	row           reading       // the one that is followed
	shown         []float64     // of a readout

	// What looks keep aside.
	lookLag   lagState
	lookCells cells
	// room is how many events the last chapter had.
	room int
	// courses are those of events lately, of which one is likely next.
	courses []*course
	next    int
}

// mark is where Remember was called.
type mark struct {
	is, read bool // read: the die has read rows since
	at       *chapter
	events   int
	noise    analog.Noise
}

// chapter is some of what was noted, after one another. What is in it does not change.
type chapter struct {
	// before is how pixels lagged then; nil as long as the die has done nothing of the chapter.
	before *lagState
	events []event
	epochs []int // the events before which nothing but the lag of pixels matters
	part   int   // of what is noted
	later  bool  // somebody may look at something in it

	// after is the chapter before it, until it is known in all rows how their pixels lagged at its end: so far it is in
	// so many. begun is how much was noted when it ended.
	after          *chapter
	settled, begun int
	asked          []bool   // rows in which it is known too, as somebody has asked
	cursors        []cursor // by epoch of after
	// seen is how pixels of each row lagged before an epoch, where somebody looked who had to go far back; nil where
	// nobody did.
	seen  *lagState
	epoch []int
}

// lagState is what all pixels remember.
type lagState struct {
	shown, mean, noise []float64
	at                 []bustime.Time
}

// event is a load, a share or a readout, with what it depends on.
type event struct {
	*course
	at    bustime.Time
	noise analog.Noise
}

// course is what is alike in many events, which share it: nobody changes it.
type course struct {
	strobe    facetdv1.Strobe // none for a readout
	hold      time.Duration
	light     *Light
	registers [chipmodel.NumRegisters]uint16
	kelvin    float64
	readout   Readout // at any time
}

// keptCourses is how many are known at once. The jobs of a timetable have fewer, over and over.
const keptCourses = 64

// Readout is which pixels are read when: the first at a bus time.
type Readout struct {
	Window                     chipmodel.Window
	At                         bustime.Time
	RowInterval, PixelInterval time.Duration
}

// share is what the draws of one depend on.
type share struct {
	columns, rows uint8
	hold          time.Duration
}

const (
	// A chapter has up to so many events, where each that begins an epoch counts for several; of a die of more than
	// chapterPixels pixels fewer, as following them to its end is the longest that anybody ever waits for a die.
	chapterEvents, leastEvents = 1920, 320
	epochEvents                = 20
	chapterPixels              = 1024
	// What is to be found out of a chapter that has ended is known after one part in settleEarly of the next one.
	settleEarly = 2
	// leastRate is the part of what they were, in a second, that pixels must surely forget.
	leastRate = 1e-3
)

// Defer returns a die that does later what the given one would do at once, or nil for a die that cannot: of integrating
// pixels and of defective ones it is not known before how much of the noise they draw. The die is not to be used any
// more. It is one of several that are driven alike: each ends its chapters at another time, so that not all of them
// have to be followed at once.
func Defer(d *Die, place, of int) *Deferred {
	px := d.px
	if px.lag == nil || len(px.defects) > 0 || !(slices.Min(px.c) > leastRate*px.lag.luxSeconds) {
		return nil
	}
	length := max(min(chapterEvents, chapterEvents*chapterPixels/len(px.c)), leastEvents)
	return &Deferred{die: d, registers: d.registers, kelvin: d.kelvin, tracks: newTracks(px.rows),
		length: length, noted: length * place / of, draws: map[share]int{}}
}

// Register returns the value of a register.
func (d *Deferred) Register(r facetdv1.Register) uint16 {
	if r < 0 || int(r) >= len(d.registers) {
		return 0
	}
	return d.registers[r]
}

// Write sets a register.
func (d *Deferred) Write(r facetdv1.Register, v uint16) {
	if r >= 0 && int(r) < len(d.registers) {
		d.registers[r] = v
	}
}

// SetKelvin brings the die to another temperature.
func (d *Deferred) SetKelvin(kelvin float64) { d.kelvin = kelvin }

// Strobe notes a strobe.
func (d *Deferred) Strobe(s facetdv1.Strobe, at bustime.Time, hold time.Duration, light *Light) {
	m, ok := d.die.storage.(*memory)
	switch {
	case !ok:
	case s == chipmodel.Load:
		d.note(course{strobe: s, hold: hold, light: light}, at, m.draws()*len(m.plane.Volts), true)
	case s == chipmodel.Share && d.now == nil:
		d.Do()
		d.die.Strobe(s, at, hold, light)
	case s == chipmodel.Share:
		d.note(course{strobe: s, hold: hold, light: light}, at, d.shareDraws(m, hold), false)
	}
}

func (d *Deferred) shareDraws(m *memory, hold time.Duration) int {
	by := share{uint8(d.registers[chipmodel.ColumnPattern]), uint8(d.registers[chipmodel.RowPattern]), hold}
	n, known := d.draws[by]
	if !known {
		if len(d.draws) >= chapterEvents {
			clear(d.draws)
		}
		n = m.sharer.Draws(&m.plane, by.columns, by.rows, m.shareSeconds(hold))
		d.draws[by] = n
	}
	return n
}

// Row gives the volts of pixels of a row at once, as that of Die. It does what was noted before.
func (d *Deferred) Row(dst []float64, row, column, columnStep int, at bustime.Time, interval time.Duration,
	light *Light) {
	d.Do()
	if d.mark.is && !d.mark.read {
		d.mark.read = true
		d.die.Remember()
	}
	d.die.Row(dst, row, column, columnStep, at, interval, light)
}

// Later notes a readout, and returns what gives its volts when they are wanted; false where they can only be read at
// once: of a memory that was not loaded since it was last read so.
func (d *Deferred) Later(r Readout, light *Light) (Look, bool) {
	_, ok := d.die.storage.(*memory)
	if ok && d.now == nil {
		return Look{}, false
	}
	draws := 0
	if !ok && d.die.px.noise > 0 {
		draws = r.Window.Pixels()
	}
	at := r.At
	r.At = 0
	d.note(course{readout: r, light: light}, at, draws, !ok)
	d.now.later = true
	return Look{die: d, in: d.now, event: len(d.now.events) - 1}, true
}

// note notes an event at a bus time that draws so many normals. It begins an epoch where nothing but the lag of pixels
// matters of what was before.
func (d *Deferred) note(c course, at bustime.Time, draws int, epoch bool) {
	if d.now != nil && epoch && d.now.part != d.noted/d.length {
		d.turn()
	}
	if d.now == nil {
		d.begin()
		d.noise = *d.die.px.rng
	}
	c.registers, c.kelvin = d.registers, d.kelvin
	ch := d.now
	d.noted++
	if epoch {
		d.noted += epochEvents - 1
		ch.epochs = append(ch.epochs, len(ch.events))
	}
	ch.events = append(ch.events, event{d.known(&c), at, d.noise})
	d.noise.Skip(draws)
	if rows := d.die.px.rows; ch.after != nil {
		d.settle(ch, 1+rows*settleEarly*(d.noted-ch.begun)/d.length)
	}
}

// known is a course that others share, mostly the one that came after the last the last time.
func (d *Deferred) known(c *course) *course {
	same := func(k *course) bool { return *k == *c }
	i := d.next
	if i >= len(d.courses) || !same(d.courses[i]) {
		if i = slices.IndexFunc(d.courses, same); i < 0 {
			if len(d.courses) == keptCourses {
				d.courses = d.courses[:0]
			}
			i = len(d.courses)
			kept := *c
			d.courses = append(d.courses, &kept)
		}
	}
	if d.next = i + 1; d.next == len(d.courses) {
		d.next = 0
	}
	return d.courses[i]
}

// begin begins a chapter.
func (d *Deferred) begin() {
	if d.now, d.spare = d.spare, nil; d.now == nil {
		// Chapters of a timetable are alike: there is room for as much as in the last one, and no more of what is kept.
		d.now = &chapter{events: make([]event, 0, d.room)}
	}
	d.now.part = d.noted / d.length
}

// over takes that a chapter is over, and keeps what is in it only for those who may look.
func (d *Deferred) over(ch *chapter) {
	if !ch.later {
		d.spare = &chapter{events: ch.events[:0], epochs: ch.epochs[:0]}
	}
}

// turn begins the next chapter. How pixels lag at the end of the last one is found out row by row while there is more
// to note: in light so dim that all of it has to be followed, nobody is to wait for that.
func (d *Deferred) turn() {
	ch := d.now
	d.settle(ch, d.die.px.rows)
	if ch.before == nil {
		ch.before = d.die.px.lag.state()
	}
	d.room = len(ch.events)
	d.begin()
	d.now.after, d.now.begun, d.now.before = ch, d.noted, newLagState(len(d.die.px.c))
	d.now.asked, d.now.cursors = make([]bool, d.die.px.rows), make([]cursor, len(ch.epochs))
}

// settle finds out how pixels lagged at the begin of a chapter, until that is known in so many rows.
func (d *Deferred) settle(ch *chapter, rows int) {
	last := ch.after
	n := min(rows, d.die.px.rows) - ch.settled
	if last == nil || n <= 0 {
		return
	}
	d.cursors = ch.cursors
	d.settleRows(ch, rowSet{ch.settled, 1, n})
	d.cursors = nil
	if ch.settled += n; ch.settled == d.die.px.rows {
		ch.after, ch.asked, ch.cursors = nil, nil, nil
		d.over(last)
	}
}

// settleRows is settle for some rows.
func (d *Deferred) settleRows(ch *chapter, rows rowSet) {
	px, unknown := d.die.px, false
	rows.each(func(r int) { unknown = unknown || ch.after != nil && r >= ch.settled && !ch.asked[r] })
	if !unknown {
		return
	}
	d.follow(ch.after, len(ch.after.events), false, rows)
	rows.each(func(r int) {
		ch.before.takePixels(px.lag, r*px.columns, px.columns)
		ch.asked[r] = true
	})
}

// Do does all that was noted.
func (d *Deferred) Do() {
	if ch := d.now; ch != nil {
		if ch.later && ch.before == nil {
			ch.before = d.die.px.lag.state()
		}
		d.follow(ch, len(ch.events), true, rowSet{0, 1, d.die.px.rows})
		d.shares(ch, len(ch.events))
		*d.die.px.rng = d.noise
		d.now, d.room = nil, len(ch.events)
		d.over(ch)
	}
	d.set(&d.registers, d.kelvin)
}

// set brings registers and temperature of the die to what they were.
func (d *Deferred) set(registers *[chipmodel.NumRegisters]uint16, kelvin float64) {
	if d.die.registers != *registers {
		for r, v := range registers {
			d.die.Write(facetdv1.Register(r), v)
		}
	}
	if d.die.kelvin != kelvin {
		d.die.SetKelvin(kelvin)
	}
}

// Remember is that of Die, and holds for readouts that are noted too.
func (d *Deferred) Remember() {
	d.mark = mark{is: true, at: d.now, noise: d.noise}
	if d.now != nil {
		d.mark.events = len(d.now.events)
	}
}

// Undo is explained at Die.Remember.
func (d *Deferred) Undo() {
	switch m := &d.mark; {
	case m.read:
		d.die.Undo()
	case d.now == m.at && d.now != nil:
		ch := d.now
		ch.events, d.noise = ch.events[:m.events], m.noise
		for n := len(ch.epochs); n > 0 && ch.epochs[n-1] >= m.events; n-- {
			ch.epochs = ch.epochs[:n-1]
		}
	default: // all that the chapter has came since
		if d.now != nil && m.at != nil {
			d.settle(d.now, d.die.px.rows)
			d.die.px.lag.set(d.now.before)
			*d.die.px.rng = m.noise
		}
		d.now = nil
	}
	d.mark = mark{}
}

// Forget is explained at Die.Remember.
func (d *Deferred) Forget() {
	if d.mark.read {
		d.die.Forget()
	}
	d.mark = mark{}
}

// unnoted has the die note nothing of what it is about to do for Undo, until what it returns is called.
func (d *Deferred) unnoted() func() {
	undo := &d.die.px.undo
	noting := undo.noting
	undo.noting = false
	return func() { undo.noting = noting }
}

// pass lets a pixel be looked at at a time without knowing what it showed.
func (l *lag) pass(i int, at bustime.Time) {
	l.shown[i], l.mean[i], l.noise[i], l.at[i] = math.NaN(), math.NaN(), 0, at
}

// known reports whether all is known that some pixels in a row remember.
func (l *lag) known(first, n int) bool {
	for _, shown := range l.shown[first : first+n] {
		if shown != shown {
			return false
		}
	}
	return true
}

func newLagState(pixels int) *lagState {
	line := func() []float64 { return make([]float64, pixels) }
	return &lagState{line(), line(), line(), make([]bustime.Time, pixels)}
}

// state is a copy of what all pixels remember.
func (l *lag) state() *lagState {
	return &lagState{slices.Clone(l.shown), slices.Clone(l.mean), slices.Clone(l.noise), slices.Clone(l.at)}
}

// take makes the state that of all pixels.
func (s *lagState) take(l *lag) {
	s.shown, s.mean = append(s.shown[:0], l.shown...), append(s.mean[:0], l.mean...)
	s.noise, s.at = append(s.noise[:0], l.noise...), append(s.at[:0], l.at...)
}

func (l *lag) set(s *lagState) { l.setPixels(s, 0, len(l.shown)) }

// setPixels is set for some pixels in a row.
func (l *lag) setPixels(s *lagState, first, n int) {
	copy(l.shown[first:first+n], s.shown[first:])
	copy(l.mean[first:first+n], s.mean[first:])
	copy(l.noise[first:first+n], s.noise[first:])
	copy(l.at[first:first+n], s.at[first:])
}

// takePixels makes the state that of some pixels in a row.
func (s *lagState) takePixels(l *lag, first, n int) {
	copy(s.shown[first:first+n], l.shown[first:])
	copy(s.mean[first:first+n], l.mean[first:])
	copy(s.noise[first:first+n], l.noise[first:])
	copy(s.at[first:first+n], l.at[first:])
}
