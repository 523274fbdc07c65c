package chips

import (
	"math/bits"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bridge/wire"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
	"facetd.example/chipmodel/fault"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

// Config is what the chips need.
type Config struct {
	// Array is what is behind the pins; it has classes and lanes.
	Array *chipmodel.Array
	// Lamp lights it.
	Lamp *Lamp
	// GroundTruth is how it really is, where that differs; nil is as described.
	GroundTruth *groundtruth.Set
	// Seed makes mismatch and noise repeatable.
	Seed uint64
	// Faults are what is wrong with wiring, chips and lanes, as on the virtual bus.
	Faults []*facetdv1.Fault
	// Ideal makes dies without mismatch, noise, lag and leakage, on lanes that settle fully.
	Ideal bool
	// WireDelay is how long an edge takes from an output to the input that it is wired to.
	WireDelay time.Duration
	// Pulses are what comes from the rest of the robot to the inputs of the board.
	Pulses []Pulse
	// Trace, where set, is called with everything that happens at the pins, in order.
	Trace func(e wire.PinEvent)
}

// Pulse is a pulse that comes to an input again and again: its rising edge a whole number of Every after the board's
// clock began, and the falling one Width later, which is less.
type Pulse struct {
	Input        chipmodel.Pin
	Every, Width time.Duration
}

// Chips are simulated chips with what their pins show. They are for one goroutine.
type Chips struct {
	cfg   Config
	array *chipmodel.Array // on the board's grain
	tick  time.Duration
	chips []chip
	lanes []lane
	wrong *fault.Set
	route routes
	real  *chipmodel.Array // what dies and lanes are made of
	// The light: what it is now, and what it was.
	lit    *scene.Scene
	lights []scene.Since
	lags   map[analog.Lamp]*analog.LogLag
	in     inputs
	// The wires.
	word        chipmodel.LineSet
	wordSince   bustime.Time
	listening   []int
	row, column int
	// When the address, or a counter, had moved for the last time.
	moved bustime.Time
	volts []float64
	one   []float64
}

// chip is one chip.
type chip struct {
	die    *die.Die
	class  *chipmodel.Class
	light  *die.Light
	settle time.Duration // of its lane, at nominal output bias
	// counter is how many pulses it has counted since it was reset, and slipped whether it has lost or added some.
	counter int
	slipped bool
	truth   groundtruth.Chip
	// exposing is when its exposure began; Never when it did not.
	exposing bustime.Time
}

// lane is one lane with its converter.
type lane struct {
	*die.Lane
	truth groundtruth.Lane
	// last is when it was sampled for the last time, and off the error of the first conversions after a rest.
	last bustime.Time
	off  float64
}

// New switches the chips on behind a board with a tick: every line inactive, every register at its power-on value.
// Errors: a tick on which the array cannot be operated, faults that it cannot have (invalid.Errors).
func New(cfg Config, tick time.Duration) (*Chips, error) {
	a, err := cfg.Array.OnGrain(tick)
	if err != nil {
		return nil, err
	}
	wrong, err := fault.New(a, cfg.Faults)
	if err != nil {
		return nil, err
	}
	s := &Chips{cfg: cfg, array: a, tick: tick, wrong: wrong, real: cfg.GroundTruth.Real(a),
		route: newRoutes(a.Device)}
	if cfg.GroundTruth != nil {
		if err := cfg.GroundTruth.Check(a); err != nil {
			return nil, err
		}
	}
	widest := 0
	for i := range a.Chips {
		class := a.Chips[i].Class
		widest = max(widest, class.Columns)
		d := die.New(s.real, i, cfg.Seed)
		if cfg.Ideal {
			d = die.NewClass(class, nil)
		}
		s.chips = append(s.chips, chip{die: d, class: class, settle: s.real.LaneSettle(i), exposing: bustime.Never,
			truth: cfg.GroundTruth.Chip(i)})
	}
	for i := range a.Lanes {
		s.lanes = append(s.lanes, lane{Lane: die.NewLane(s.real, i, cfg.Seed), truth: cfg.GroundTruth.Lane(i)})
	}
	s.volts, s.one = make([]float64, wire.MaxTrain), make([]float64, max(widest, wire.MaxTrain))
	s.light(bustime.Time(0))
	s.in = newInputs(&s.route, a.Device, tick, &cfg)
	s.selects(0, 0) // inputs that are always active listen from the beginning
	return s, nil
}

// time is a number of ticks as a time.
func (s *Chips) time(ticks uint64) bustime.Time { return bustime.Time(ticks) * bustime.Time(s.tick) }

// Do lets something happen at the pins, and appends the codes of what was sampled to dst, lane by lane. What comes from
// a board is not trusted: it may drive nonsense, and then the chips show that.
func (s *Chips) Do(dst []uint16, e *wire.PinEvent) []uint16 {
	s.in.event(e)
	s.route.event(e)
	if s.cfg.Trace != nil {
		s.cfg.Trace(*e)
	}
	at := s.time(e.At)
	if s.cfg.Lamp.light.Load() != s.lit {
		s.light(at)
	}
	switch e.Kind {
	case wire.PinSelect:
		s.selects(chipmodel.LineSet(e.Word), at)
	case wire.PinRelease:
		s.selects(0, at)
	case wire.PinWrite:
		for _, c := range s.listening {
			s.chips[c].die.Write(facetdv1.Register(e.Which), e.Value)
		}
	case wire.PinStrobe:
		for _, c := range s.listening {
			s.strobe(&s.chips[c], facetdv1.Strobe(e.Which), at, s.time(e.Width).Elapsed())
		}
	case wire.PinRow:
		s.row, s.moved = int(e.Value), at
	case wire.PinColumn:
		s.column, s.moved = int(e.Value), at
	case wire.PinClock:
		s.clock(int(e.Count), int(e.Count))
		s.moved = s.time(e.At + uint64(max(e.Count, 1)-1)*e.Width)
	case wire.PinSample:
		return s.sample(dst, e)
	case wire.PinRoute:
		s.route.take(e)
	case wire.PinWatch:
		s.in.watch(e.Which, e.At)
	}
	return dst
}

// Look answers a board's look at its inputs: the edges that they have seen.
func (s *Chips) Look(dst []byte, e *wire.PinEvent) []byte { return s.in.look(dst, e.At) }

func (s *Chips) selects(word chipmodel.LineSet, at bustime.Time) {
	s.word, s.wordSince = word, at
	s.listening = s.wrong.Reach(s.array, word)
}

// clock gives a number of pulses, and stops to sample behind every so many of them.
func (s *Chips) clock(pulses, every int) {
	for _, c := range s.listening {
		chip := &s.chips[c]
		chip.slipped = chip.slipsBy(chip.counter+pulses, every)
		chip.counter += pulses
	}
}

// slipsBy reports whether a counter has slipped when it has counted so many pulses, the rest of them with a sample
// behind every so many.
func (c *chip) slipsBy(pulses, every int) bool {
	at := c.truth.SlipAt
	if c.slipped || c.truth.Slip == 0 || at <= c.counter && at > 0 || pulses < at {
		return c.slipped
	}
	return !c.truth.PassedOnly || (at-c.counter)%max(every, 1) != 0
}

// strobe acts on a chip that listens.
func (s *Chips) strobe(c *chip, strobe facetdv1.Strobe, at bustime.Time, width time.Duration) {
	hold := time.Duration(0)
	switch strobe {
	case chipmodel.Reset:
		c.counter, c.slipped = 0, false
	case chipmodel.Advance:
		c.slipped = c.slipsBy(c.counter+1, 1)
		c.counter++
	case chipmodel.Expose:
		if c.class.HasShutter() {
			c.exposing = at
		}
		return
	case chipmodel.Share:
		hold = width - s.array.StrobeTime()
	case chipmodel.Load:
		if c.exposing >= s.wordSince { // it was selected all the time
			hold = at.Sub(c.exposing) + c.truth.LoadDelay
		}
		c.exposing = bustime.Never
		at = at.Add(c.truth.LoadDelay)
	}
	c.die.Strobe(strobe, at, hold, c.light)
}

// drivers are the chips that drive a lane.
func (s *Chips) drivers(lane int) []int {
	var out []int
	if s.wrong.LaneOpen[lane] {
		return nil
	}
	for _, c := range s.listening {
		if s.array.Chips[c].Lane == lane && !s.wrong.Dead[c] && s.chips[c].die.Register(chipmodel.OutputEnable)&1 == 1 {
			out = append(out, c)
		}
	}
	return out
}

// sample samples a train of pixels on lanes, and moves from one to the next.
func (s *Chips) sample(dst []uint16, e *wire.PinEvent) []uint16 {
	n := min(int(e.Count), wire.MaxTrain)
	if n == 0 {
		return dst
	}
	if e.First != 0 {
		s.move(e, 1)
		s.moved = s.time(e.At - e.Lead)
		if e.Counts != 0 {
			s.moved = s.moved.Add(time.Duration(e.Step-1) * s.time(e.Width).Elapsed())
		}
	}
	for mask := e.Lanes; mask != 0; mask &= mask - 1 {
		lane := s.route.lane(bits.TrailingZeros16(mask))
		dst = append(dst, make([]uint16, n)...)
		if lane >= 0 && lane < len(s.lanes) {
			s.convert(dst[len(dst)-n:], lane, e)
		}
	}
	s.move(e, n-1)
	return dst
}

// move moves on by some pixels of a train.
func (s *Chips) move(e *wire.PinEvent, pixels int) {
	if e.Counts != 0 {
		s.clock(pixels*int(e.Step), int(e.Step))
		return
	}
	s.column += pixels * int(e.Step)
}

// convert fills codes with what a lane shows: the signal of the chip that drives it, the mean of several, or its idle
// level.
func (s *Chips) convert(codes []uint16, lane int, e *wire.PinEvent) {
	drivers := s.drivers(lane)
	volts, one := s.volts[:len(codes)], s.one[:len(codes)]
	clear(volts)
	if len(drivers) == 0 {
		c := s.real.Lanes[lane].Spec.GetConverter()
		for i := range volts {
			volts[i] = die.IdleVolts(c)
		}
	}
	if s.wrong.LaneSaturated[lane] {
		defer func() { saturate(codes, s.array.Lanes[lane].Bits) }()
	}
	first, rest := 0.0, 0.0
	for _, c := range drivers {
		s.signal(one, c, e)
		for i := range volts {
			volts[i] += one[i] / float64(len(drivers))
		}
		first, rest = s.residuals(c, e)
	}
	s.lanes[lane].afterRest(volts, s.time(e.At), s.time(e.Interval).Elapsed())
	if first == rest {
		s.lanes[lane].Convert(codes, volts, rest)
		return
	}
	s.lanes[lane].Convert(codes[:1], volts[:1], first)
	s.lanes[lane].Convert(codes[1:], volts[1:], rest)
}

// afterRest adds the error of the first conversions after a rest to what is converted from a time on.
func (l *lane) afterRest(volts []float64, at bustime.Time, interval time.Duration) {
	if l.truth.FirstVolts == 0 {
		return
	}
	if at.Sub(l.last) >= l.truth.Rest {
		l.off = l.truth.FirstVolts
	}
	l.last = at.Add(time.Duration(len(volts)-1) * interval)
	for i := range volts {
		volts[i] += l.off
		l.off /= 4
	}
}

// saturate makes codes those of full scale. The converter has converted all the same.
func saturate(codes []uint16, bits int) {
	for i := range codes {
		codes[i] = uint16(1)<<bits - 1
	}
}

// residuals are the parts of a step that a chip's lane lacks when it is sampled: of the first sample, and of the
// others.
func (s *Chips) residuals(c int, e *wire.PinEvent) (first, rest float64) {
	if s.cfg.Ideal {
		return 0, 0
	}
	step := s.array.StepTime(s.chips[c].class)
	lane := s.lanes[s.array.Chips[c].Lane]
	needed := s.needed(c)
	given := s.time(e.Lead).Elapsed() - step
	if e.Counts != 0 {
		given -= time.Duration(max(e.Step, 1)-1) * s.time(e.Width).Elapsed()
	}
	return lane.Residual(s.time(e.At).Sub(s.moved)-step, needed), lane.Residual(given, needed)
}

// needed is what a chip's lane needs to settle to half a step at the chip's output bias.
func (s *Chips) needed(c int) time.Duration {
	chip := &s.chips[c]
	return time.Duration(float64(chip.settle) / chip.die.Bandwidth())
}

// signal fills dst with the volts of the pixels that a chip shows one after another. Addresses and counters that leave
// the lattice wrap.
func (s *Chips) signal(dst []float64, c int, e *wire.PinEvent) {
	chip := &s.chips[c]
	at, interval := s.time(e.At), s.time(e.Interval).Elapsed()
	if !s.route.straight && !chip.class.Counts() {
		for i := range dst {
			row, column := s.route.address(s.row, s.column+i*max(int(e.Step), 1))
			p := chip.pixel(row, column, 0, 1)
			chip.die.Row(dst[i:i+1], p/chip.class.Columns, p%chip.class.Columns, 1,
				at.Add(time.Duration(i)*interval), interval, chip.light)
		}
		return
	}
	step := max(int(e.Step), 1)
	pixel := chip.pixel(s.row, s.column, 0, step)
	row, column := pixel/chip.class.Columns, pixel%chip.class.Columns
	if column+(len(dst)-1)*step < chip.class.Columns && chip.truth.Slip == 0 {
		chip.die.Row(dst, row, column, step, at, interval, chip.light)
		return
	}
	for i := range dst {
		p := (pixel + i*step) % (chip.class.Rows * chip.class.Columns)
		if chip.truth.Slip != 0 && chip.class.Counts() {
			p = chip.pixel(s.row, s.column, i, step)
		}
		chip.die.Row(dst[i:i+1], p/chip.class.Columns, p%chip.class.Columns, 1, at.Add(time.Duration(i)*interval),
			interval, chip.light)
	}
}

// pixel is the one that a chip shows some samples later, by its number in the lattice; a counter has a number of pulses
// for each of them.
func (c *chip) pixel(row, column, later, step int) int {
	if !c.class.Counts() {
		return row%c.class.Rows*c.class.Columns + column%c.class.Columns
	}
	all, pulses := c.class.Rows*c.class.Columns, c.counter+later*step
	pixel := pulses - 1
	if c.slipsBy(pulses, step) {
		pixel += c.truth.Slip
	}
	return (pixel%all + all) % all
}
