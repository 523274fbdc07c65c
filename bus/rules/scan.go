package rules

import (
	"math"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// joined is the length in cells of the longest run that a pattern joins among n cells in a line; it decides how long a
// share takes.
func joined(pattern uint8, n int) int {
	longest, first := min(n, 1), 0
	for cell := 1; cell < n; cell++ {
		if pattern&(1<<uint((cell-1)&7)) == 0 {
			first = cell
		}
		longest = max(longest, cell-first+1)
	}
	return longest
}

// blockSize is a block of joined cells of one class.
type blockSize struct {
	class         *chipmodel.Class
	rows, columns int
}

// blockSettle is the least time for a block of equal cells, joined by switches, to come within half a step of a
// bits-bit converter from the worst that they can hold. What is left then is the slowest mode of each side, which decay
// with RC / (2 (1 - cos(pi/n))): a square block has two of them that are alike. rcNS is the time constant of one cell.
func blockSettle(rows, columns int, rcNS float64, bits int) time.Duration {
	if max(rows, columns) < 2 {
		return 0
	}
	// The first mode of a side at each of its cells, times that at the corner, where the error is largest.
	mode := func(n int) (tau float64, at []float64) {
		if n < 2 {
			return 1, []float64{0}
		}
		at = make([]float64, n)
		for j := range at {
			at[j] = 2 / float64(n) * math.Cos(math.Pi/(2*float64(n))) * math.Cos(math.Pi*(float64(j)+0.5)/float64(n))
		}
		return rcNS / (2 * (1 - math.Cos(math.Pi/float64(n)))), at
	}
	tauDown, down := mode(rows)
	tauAlong, along := mode(columns)
	left := func(t float64) float64 {
		d, a := math.Exp(-t/tauDown), math.Exp(-t/tauAlong)
		var sum float64
		for _, y := range down {
			for _, x := range along {
				sum += max(d*y/float64(columns)+a*x/float64(rows), 0)
			}
		}
		return sum
	}
	half := math.Exp2(-float64(bits + 1))
	low, high := 0.0, max(tauDown, tauAlong)*math.Ln2*float64(bits+3)
	for high-low > 0.5 {
		if t := (low + high) / 2; left(t) > half {
			low = t
		} else {
			high = t
		}
	}
	return time.Duration(low)
}

// scan judges a readout by rules 1, 2, 4, 5 and 6, and notes its hold.
func (in *Inspector) scan(op *bus.Op, from, to bus.Time, caps []bus.Capture) {
	s := op.Scan
	if s == nil {
		in.breach(RuleClaim, from, nil, "a %s does not say what it reads", op.Kind)
		return
	}
	var outside []int
	for _, c := range in.listening {
		if !slices.Contains(s.Chips, c) && !slices.Contains(s.Beside, c) {
			outside = append(outside, c)
		}
	}
	for _, c := range s.Chips {
		in.withinJob([]int{c}, from, "a readout")
	}
	for _, c := range s.Beside {
		in.withinJob([]int{c}, from, "a readout")
		if op.Kind == bus.OpClockOut {
			in.chips[c].counted = false // it was clocked on as well
		}
	}
	if outside != nil && !s.Levels {
		in.breach(RuleTarget, from, outside, "a readout reaches chips that it is not meant for")
	}
	if s.Levels && op.Kind == bus.OpClockOut {
		for _, c := range in.listening {
			in.chips[c].counted = false // it was clocked on by an unknown number of steps
		}
	}
	before := in.broken
	in.parallel(s, from)
	for i, c := range s.Chips {
		if !s.Levels {
			in.scanChip(op, i, from)
		}
		k := slices.IndexFunc(caps, func(cp bus.Capture) bool { return cp.Chip == c })
		if k < 0 {
			in.breach(RuleAccounted, from, []int{c}, "a readout gave no capture of the chip")
			continue
		}
		in.capture(op, i, &caps[k], from, to)
	}
	for k := range caps {
		i := slices.Index(s.Chips, caps[k].Chip)
		switch {
		case i < 0:
			in.breach(RuleClaim, from, []int{caps[k].Chip}, "a capture is of a chip that was not read")
		case in.broken == before && !s.Levels: // otherwise the capture is void
			in.seen(s, i, &caps[k])
		}
	}
}

// parallel judges that the chips of a readout can be read together.
func (in *Inspector) parallel(s *bus.Scan, from bus.Time) {
	for i, c := range s.Chips {
		for _, other := range s.Chips[:i] {
			x, y := &in.a.Chips[other], &in.a.Chips[c]
			if x.Lane == y.Lane {
				in.breach(RuleOneDriver, from, []int{other, c}, "two chips of one readout are on lane %s",
					in.a.Lanes[x.Lane].Name)
			}
			if x.Class != y.Class {
				in.breach(RuleClaim, from, []int{other, c}, "two chips of one readout are of different classes")
			}
		}
	}
}

// scanChip judges the state of one chip of a readout.
func (in *Inspector) scanChip(op *bus.Op, i int, from bus.Time) {
	s := op.Scan
	c := s.Chips[i]
	chip := &in.chips[c]
	class := in.a.Chips[c].Class
	one := func() []int { return []int{c} }
	if !in.drives(c) {
		in.breach(RuleClaim, from, one(), "a chip is read that does not drive its lane")
	}
	if class.Counts() != (op.Kind == bus.OpClockOut) {
		in.breach(RuleClaim, from, one(), "a %s of a chip of class %q (%s)", op.Kind, class.Name, class.Parts())
	}
	for _, rv := range s.Claim.Registers {
		if rv.Register <= 0 || int(rv.Register) >= chipmodel.NumRegisters || chip.registers[rv.Register] != rv.Value {
			held := uint16(0)
			if rv.Register > 0 && int(rv.Register) < chipmodel.NumRegisters {
				held = chip.registers[rv.Register]
			}
			in.breach(RuleClaim, from, one(), "the frame claims %d in %s, the chip holds %d", rv.Value, rv.Register,
				held)
		}
	}
	if class.HasMemory() {
		in.scanMemory(s, c, from)
	}
	if class.Counts() {
		if !chip.counted || chip.counter != 0 {
			in.breach(RuleClaim, from, one(), "pixels are clocked out of a counter that was not reset")
		}
		// The counter stops behind the last pixel read. Only a reset makes its position right for a readout again.
		last := s.Window.Part(s.Window.Rows-1, 1)
		chip.counter = last.Row*class.Columns + last.Column + (last.Columns-1)*last.ColumnStep + 1
	}
}

// scanMemory judges what a memory chip holds against what its frame will claim.
func (in *Inspector) scanMemory(s *bus.Scan, c int, from bus.Time) {
	chip := &in.chips[c]
	one := []int{c}
	switch {
	case !chip.loaded:
		in.breach(RuleClaim, from, one, "a memory chip is read that was not loaded")
	case chip.loadedBy != in.job:
		in.breach(RuleClaim, from, one, "%s reads a load that is not its own", in.segmentJob())
	case chip.torn != "":
		in.breach(RuleClaim, from, one, "the frame is not what it claims: %s", chip.torn)
	case !slices.Equal(chip.shares, s.Claim.Shares):
		in.breach(RuleClaim, from, one, "the frame claims shares %x since its load, the chip has done %x",
			s.Claim.Shares, chip.shares)
	case chip.exposure != s.Claim.Exposure:
		in.breach(RuleClaim, from, one, "the frame claims an exposure of %v by the bus, it was %v", s.Claim.Exposure,
			chip.exposure)
	}
	for _, rv := range s.Claim.Registers {
		if rv.Register == chipmodel.PixelBias && chip.loaded && rv.Value != chip.loadBias {
			in.breach(RuleClaim, from, one, "the frame claims a pixel bias of %d, the chip was loaded under %d",
				rv.Value, chip.loadBias)
		}
	}
	if chip.disturbed && chip.holder == in.job {
		in.breach(RuleHeld, chip.disturbedAt, one, "%s reached a chip that %s had loaded and not read to the end",
			chip.disturbance, in.segmentJob())
		chip.disturbed = false
	}
	chip.read = true
}

// moves is how long it takes until the lane last changes: from the start of a readout to its first pixel, from one
// pixel to the next, and from the last pixel of a row to the first of the next. Settling counts from there.
type moves struct{ first, pixel, row time.Duration }

// pace holds the times that a chip's readout is made of, from its class and its lane.
type pace struct {
	step, rowStep, conversion time.Duration
	sampleAndHold             bool
}

func paceOf(a *chipmodel.Array, chip int) pace {
	c := &a.Chips[chip]
	if c.Class == nil || c.Lane < 0 {
		return pace{}
	}
	readout, converter := c.Class.Spec.GetReadout(), a.Lanes[c.Lane].Spec.GetConverter()
	return pace{
		step:          readout.GetStep().AsDuration(),
		rowStep:       readout.GetRowStep().AsDuration(),
		conversion:    converter.GetConversion().AsDuration(),
		sampleAndHold: converter.GetSampleAndHold(),
	}
}

func movesOf(class *chipmodel.Class, w chipmodel.Window, of pace) moves {
	step, rowStep := of.step, of.rowStep
	if !class.Counts() {
		// One address change per pixel, and a new row address for every row.
		return moves{first: rowStep + step, pixel: step, row: rowStep + step}
	}
	// The counter passes every pixel on its way, so skipping some costs as much as reading them. Position of a pixel in
	// its order, and rows entered before it:
	at := func(r, c int) (pixel, row time.Duration) {
		n := w.Row + r*w.RowStep
		return time.Duration(n*class.Columns + w.Column + c*w.ColumnStep), time.Duration(n)
	}
	between := func(r0, c0, r1, c1 int) time.Duration {
		p0, q0 := at(r0, c0)
		p1, q1 := at(r1, c1)
		return (p1-p0)*step + (q1-q0)*rowStep
	}
	p, q := at(0, 0)
	return moves{
		first: (p+1)*step + q*rowStep,
		pixel: between(0, 0, 0, 1),
		row:   between(0, w.Columns-1, 1, 0),
	}
}

// capture judges the sampling times of one chip by rule 4. All pixels of a row are equally far apart, and so are rows:
// it is enough to judge the first sample, one step within a row and one step to the next row.
func (in *Inspector) capture(op *bus.Op, i int, got *bus.Capture, from, to bus.Time) {
	s := op.Scan
	c := s.Chips[i]
	class := in.a.Chips[c].Class
	if got.Window != s.Window || got.FirstRow != s.FirstRow || (i < len(s.Frames) && got.Frame != s.Frames[i]) ||
		len(got.Codes) != s.Window.Pixels() && got.Codes != nil {
		in.breach(RuleClaim, from, []int{c}, "a capture is not of the window that was read")
		return
	}
	lane := &in.lanes[in.a.Chips[c].Lane]
	conversion := in.paces[c].conversion
	settle := in.needed(c)
	if s.Levels && s.Settle > 0 {
		// Such a readout finds out how the lane settles: it may sample early, but not earlier than it says.
		settle = min(settle, s.Settle)
	}
	m := movesOf(class, s.Window, in.paces[c])
	// Without sample and hold the lane must stay until the conversion has ended.
	busy := time.Duration(0)
	if !in.paces[c].sampleAndHold {
		busy = conversion
	}
	pixel, row := got.PixelInterval, got.RowInterval
	in.onGrid("a first sample", got.FirstSample)
	in.onGrid("an interval of pixels", bus.Time(pixel))
	in.onGrid("an interval of rows", bus.Time(row))
	last := got.LastSample()
	early := func(what string, at bus.Time, have, need time.Duration) {
		in.breach(RuleSettle, at, []int{c}, "%s comes %d ns after the last change on lane %s, it needs %d ns",
			what, have, in.a.Lanes[in.a.Chips[c].Lane].Name, need)
	}
	if have := got.FirstSample.Sub(from); have < m.first+settle {
		early("the first sample", got.FirstSample, have-m.first, settle)
	}
	if have := got.FirstSample.Sub(lane.changed); lane.changed > bustime.Never && have < settle {
		early("the first sample", got.FirstSample, have, settle)
	}
	if s.Window.Columns > 1 {
		if have := pixel - m.pixel - busy; have < settle {
			early("a sample within a row", got.FirstSample.Add(pixel), have, settle)
		}
	}
	if gap := row - time.Duration(s.Window.Columns-1)*pixel; s.Window.Rows > 1 {
		if have := gap - m.row - busy; have < settle {
			early("the first sample of a row", got.FirstSample.Add(row), have, settle)
		}
		in.overlap(c, got.FirstSample.Add(row), gap, conversion)
	}
	if s.Window.Columns > 1 {
		in.overlap(c, got.FirstSample.Add(pixel), pixel, conversion)
	}
	if lane.busyUntil > bustime.Never {
		in.overlap(c, got.FirstSample, got.FirstSample.Sub(lane.busyUntil), 0)
	}
	in.overlap(c, got.Converted, got.Converted.Sub(last), conversion)
	in.overlap(c, to, to.Sub(got.Converted), 0)
	lane.busyUntil = max(lane.busyUntil, last.Add(conversion))
	lane.changed = max(lane.changed, last.Add(busy))
	if !s.Levels {
		in.patterns(c, got.FirstSample)
	}
}

// overlap judges that a conversion has its whole time before the next one.
func (in *Inspector) overlap(chip int, at bus.Time, have, need time.Duration) {
	if have < need {
		in.breach(RuleSettle, at, []int{chip}, "conversions on lane %s overlap: %d ns where %d ns are needed",
			in.a.Lanes[in.a.Chips[chip].Lane].Name, have, need)
	}
}

// patterns judges that pixels joined before sensing had time to follow the light.
func (in *Inspector) patterns(chip int, first bus.Time) {
	class := in.a.Chips[chip].Class
	changed := in.chips[chip].patternAt
	if !class.HasSwitches() || changed == bustime.Never {
		return
	}
	need := class.Spec.GetPixelSwitches().GetPatternSettle().AsDuration()
	if since := first.Sub(changed); since < need {
		in.breach(RuleSettle, first, []int{chip},
			"the first sample comes %d ns after the last change of a pattern, the joined pixels need %d ns",
			since, need)
	}
}

// seen notes when a frame's light was sampled and for how long it was held, and judges what the capture says of its
// hold.
func (in *Inspector) seen(s *bus.Scan, i int, got *bus.Capture) {
	c, last := s.Chips[i], got.LastSample()
	chip := &in.chips[c]
	light, hold := got.FirstSample, time.Duration(0)
	if in.a.Chips[c].Class.HasMemory() && chip.loaded {
		light, hold = chip.loadedAt, last.Sub(chip.loadedAt)
	}
	if got.Hold < hold {
		in.breach(RuleHoldSkew, last, []int{c}, "a capture says that it was held for %d ns, it was %d ns", got.Hold,
			hold)
	}
	if in.job == nil || i >= len(s.Frames) || s.Frames[i] < 0 {
		return
	}
	in.job.saw(s.Frames[i], c, light, hold)
}
