package bringup

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/bringup"
)

const stripesText = "Put stripes before the array, dark and bright, several across each row (a printed grating out of focus will do). Are they there?"

// minContrast is the least root mean square step, in codes, by which settling is
// measured: below it the converter's own steps count for too much.
const minContrast = 12.0

// settling sweeps the delay from a step to its sample, chip by chip.
func (e *engine) settling(ctx context.Context, r *report) error {
	chips, err := e.chips("chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, stripes, stripesText); err != nil {
		return err
	}
	chart := &bringup.Chart{Title: "What is missing of a step", X: "delay, ns", Y: "part of the step", LogY: true}
	found := map[int]bringup.Settling{}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: sweep of the settling time", e.name(c))
		s, missing, err := e.sweep(ctx, c)
		if err != nil {
			return err
		}
		line := bringup.Series{Name: e.name(c)}
		for _, m := range missing {
			if m.Part > 3*m.Sigma {
				line.X, line.Y = append(line.X, float64(m.Delay)), append(line.Y, m.Part)
			}
		}
		chart.Series = append(chart.Series, line)
		e.judgeSettling(r, c, s, missing, found)
	}
	e.proposeSettling(r, found)
	half := math.Exp2(-float64(e.a.Lanes[0].Bits) - 1)
	chart.MarkY = &half
	r.chart(chart)
	r.conclude("every lane settles within the time that the description gives it")
	return nil
}

// sweep sweeps one chip until its time constant is known within 2 percent, or it turns
// out that it cannot be.
func (e *engine) sweep(ctx context.Context, c int) (*bringup.Settling, []bringup.Missing, error) {
	frame, err := e.frame(ctx, c, 1)
	if err != nil {
		return nil, nil, err
	}
	longest := e.p.Settle(c) * 3 / 4
	var missing []bringup.Missing
	for range 9 {
		plan := bringup.NewSweep(e.a, c, frame[0].Codes, longest)
		missing = nil
		var fit bringup.Settling
		var ok bool
		for range 6 {
			captures, err := e.program(ctx, e.p.Sweep(plan))
			if err != nil {
				return nil, nil, err
			}
			missing = plan.Accumulate(e.a, missing, captures)
			if fit, ok = bringup.FitSettling(missing, e.lane(c).Bits); ok && fit.Relative < 0.015 {
				break
			}
		}
		last := missing[len(missing)-1]
		switch {
		case last.Part > 0.15 && longest < 200*time.Millisecond:
			longest *= 3 // the sweep ends long before the lane has settled
		case ok && fit.Relative < 0.05 && fit.Points >= 4:
			return &fit, missing, nil
		case fit.Points < 4 && longest > 50 && missing[0].Part < 0.5:
			longest /= 2 // all is over too soon
		case ok:
			return &fit, missing, nil
		default:
			return nil, missing, nil
		}
	}
	if fit, ok := bringup.FitSettling(missing, e.lane(c).Bits); ok {
		return &fit, missing, nil
	}
	return nil, missing, nil
}

func (e *engine) judgeSettling(r *report, c int, s *bringup.Settling, missing []bringup.Missing, found map[int]bringup.Settling) {
	described := float64(e.a.LaneSettle(c))
	if contrast := bringup.Contrast(missing); contrast < minContrast {
		r.add(e.name(c), "contrast of the stripes", contrast, "codes", minContrast, none, warn, "too little to measure settling")
		r.act("Chip %s: bring more contrast into its view and repeat the step.", e.name(c))
		return
	}
	if s == nil {
		shortest := float64(missing[0].Delay)
		r.tell(e.name(c), "shortest delay the converter allows", shortest, "ns", "the lane has settled by then; how much sooner cannot be told")
		return
	}
	found[c] = *s
	e.p.Settled(c, s.Settle)
	e.run.Chips[c].SettleNs = int64(s.Settle)
	r.tell(e.name(c), "time constant", float64(s.Tau), "ns", fmt.Sprintf("known to %.1f %%, from %d delays", 100*s.Relative, s.Points))
	if r.add(e.name(c), "settling to half a step", float64(s.Settle), "ns", none, described*(1.03+2*s.Relative), fail, "slower than described: frames carry ghosts of the pixel before") == fail {
		r.act("Chip %s: take the proposed settling time; if only this chip is slow, look for a long wire, a bad joint or a weak driver at its output.", e.name(c))
	}
}

// proposeSettling proposes the slowest chip's time for each class that is not as
// described.
func (e *engine) proposeSettling(r *report, found map[int]bringup.Settling) {
	for i, class := range e.a.Classes {
		slowest, off, name := time.Duration(0), false, ""
		for c := range e.a.Chips {
			s, is := found[c]
			if !is || e.a.Chips[c].Class != class {
				continue
			}
			described := float64(e.a.LaneSettle(c))
			off = off || math.Abs(float64(s.Settle)-described) > (0.04+2*s.Relative)*described
			if s.Settle > slowest {
				slowest, name = s.Settle, e.name(c)
			}
		}
		if !off {
			continue
		}
		current := ""
		if s := class.Spec.GetReadout().GetSettle(); s != nil {
			current = s.AsDuration().String()
		}
		r.propose(fmt.Sprintf("classes[%d].readout.settle", i), yamlDuration(roundUp(slowest)), current,
			fmt.Sprintf("slowest of the class: %s; (bits + 1) ln 2 time constants, to half a step", name))
	}
}

// roundUp gives a time three figures.
func roundUp(d time.Duration) time.Duration {
	unit := time.Duration(1)
	for d/unit >= 1000 {
		unit *= 10
	}
	return (d + unit - 1) / unit * unit
}

// yamlDuration writes a time as array files have it, such as 4.32us.
func yamlDuration(d time.Duration) string { return strings.ReplaceAll(d.String(), "µ", "u") }

// converters looks at the first conversions after a rest.
func (e *engine) converters(ctx context.Context, r *report) error {
	chart := &bringup.Chart{Title: "First conversions after a rest, less those that follow", X: "conversion", Y: "codes"}
	for i := range e.a.Lanes {
		lane := &e.a.Lanes[i]
		e.progress(float64(i)/float64(len(e.a.Lanes)), "lane %s after a rest", lane.Name)
		looks, rest, err := e.rested(ctx, i)
		if err != nil {
			return err
		}
		f := bringup.FirstOf(looks)
		if len(f.Errors) == 0 {
			continue
		}
		limit := max(0.5, 4*f.Sigma)
		if r.add(lane.Name, fmt.Sprintf("first conversion after %v of rest", rest), f.Errors[0], "codes", -limit, limit, warn, "it differs from those that follow") == warn {
			r.act("Lane %s: throw away the first %d conversions after a rest: begin windows that many pixels early, or read a frame that nobody needs first. Check the decoupling of the reference.", lane.Name, f.Discard)
			r.tell(lane.Name, "conversions to discard", float64(f.Discard), "", "")
		}
		r.tell(lane.Name, "noise of single conversions", f.Noise, "codes", "")
		line := bringup.Series{Name: lane.Name}
		for k, v := range f.Errors {
			line.X, line.Y = append(line.X, float64(k+1)), append(line.Y, v)
		}
		chart.Series = append(chart.Series, line)
	}
	r.chart(chart)
	r.conclude("first conversions are like those that follow; no need to discard any")
	return nil
}

// rested looks at an idle lane after rests, as long as the timetable has gaps for.
func (e *engine) rested(ctx context.Context, lane int) (looks [][]uint16, rest time.Duration, err error) {
	for _, rest = range []time.Duration{20 * time.Millisecond, 5 * time.Millisecond, time.Millisecond} {
		for range 16 {
			ops, ok := e.p.Idle(lane, rest, 64)
			if !ok {
				return nil, 0, nil
			}
			var captures []bus.Capture
			if captures, err = e.program(ctx, ops); err != nil {
				break
			}
			for _, c := range captures {
				looks = append(looks, c.Codes)
			}
		}
		if err == nil || ctx.Err() != nil {
			return looks, rest, err
		}
	}
	return nil, 0, err
}

func hasMemory(c *chipmodel.Class) bool { return c.Kind.HasMemory() }

// hold watches loads fade in the dark.
func (e *engine) hold(ctx context.Context, r *report) error {
	chips, err := e.chips("memory chips", hasMemory)
	if err != nil {
		return err
	}
	if err := e.light(ctx, darkScene, "Cover the array: light makes memories leak. Is it dark?"); err != nil {
		return err
	}
	chart := &bringup.Chart{Title: "Loads that fade in the dark", X: "seconds after the first read", Y: "mean code from the first"}
	found := map[int]bringup.Droop{}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: how long it holds", e.name(c))
		d, ok, err := e.droop(ctx, c)
		if err != nil {
			return err
		}
		if !ok {
			r.add(e.name(c), "pixels in range", 0, "", 1, none, warn, "every pixel is at a rail: droop cannot be seen")
			continue
		}
		found[c] = d
		line := bringup.Series{Name: e.name(c), X: d.Seconds}
		for _, v := range d.Levels {
			line.Y = append(line.Y, v-d.Levels[0])
		}
		chart.Series = append(chart.Series, line)
		e.judgeDroop(r, c, d)
	}
	e.proposeLeak(r, found)
	if err := e.warm(ctx, r, found); err != nil {
		return err
	}
	r.chart(chart)
	r.conclude("memories hold as long as described")
	return nil
}

// droop watches one chip, longer and longer until the droop is known within 2 percent,
// or for a few seconds.
func (e *engine) droop(ctx context.Context, c int) (d bringup.Droop, ok bool, err error) {
	const reads = 8
	for gap := 500 * time.Microsecond; ; gap *= 4 {
		captures, err := e.program(ctx, e.p.Hold(c, bringup.Spread(e.a.Chips[c].Class, 128), reads, gap))
		if err != nil && d.Seconds != nil && ctx.Err() == nil {
			return d, true, nil // no longer gap; what is known so far must do
		}
		if err != nil {
			return d, false, err
		}
		next, ok := bringup.FitDroop(e.a, c, captures)
		if !ok {
			return d, d.Seconds != nil, nil // it faded out of range
		}
		d = next
		if d.Codes > 3 && d.Sigma < 0.01*math.Abs(d.VoltsPerSecond) || gap > 600*time.Millisecond {
			return d, true, nil
		}
	}
}

func (e *engine) judgeDroop(r *report, c int, d bringup.Droop) {
	class := e.a.Chips[c].Class
	spec := class.Spec.GetMemory()
	r.tell(e.name(c), "droop", d.VoltsPerSecond, "V/s", fmt.Sprintf("± %.2g V/s", d.Sigma))
	r.tell(e.name(c), "hold to half a step", d.HalfStep.Seconds()*1e3, "ms", "")
	r.tell(e.name(c), "hold to one step", d.OneStep.Seconds()*1e3, "ms", "")
	described := e.described(class)
	limit := none
	if described != 0 {
		limit = 1.5*math.Abs(described) + 3*d.Sigma*spec.GetCellCapacitanceFf()
	}
	if r.add(e.name(c), "leakage of a cell", math.Abs(d.LeakFA), "fA", none, limit, fail, fmt.Sprintf("described are %.3g fA at the class's temperature", described)) == fail {
		r.act("Chip %s: is it dark and at room temperature? A single leaky chip may be damaged or dirty; read it first after a load, or load it by itself. Give its tasks a max_hold of at most %v.", e.name(c), roundUp(d.OneStep))
	}
}

// described is the leakage of a class at its temperature: it doubles every so many
// kelvin from 300 K.
func (e *engine) described(class *chipmodel.Class) float64 {
	spec := class.Spec.GetMemory()
	leak := spec.GetLeakFa()
	if k := spec.GetLeakDoublingK(); k > 0 {
		leak *= math.Exp2((class.Spec.GetTemperatureK() - 300) / k)
	}
	return leak
}

// proposeLeak proposes the median leakage of a class: one leaky chip shall not spoil it.
func (e *engine) proposeLeak(r *report, found map[int]bringup.Droop) {
	for i, class := range e.a.Classes {
		var leaks, sigmas []float64
		for c, d := range found {
			if e.a.Chips[c].Class == class {
				leaks = append(leaks, d.LeakFA)
				sigmas = append(sigmas, d.Sigma*class.Spec.GetMemory().GetCellCapacitanceFf())
			}
		}
		if len(leaks) == 0 {
			continue
		}
		slices.Sort(leaks)
		slices.Sort(sigmas)
		leak := (leaks[(len(leaks)-1)/2] + leaks[len(leaks)/2]) / 2
		described := e.described(class)
		if math.Abs(leak-described) <= 0.05*math.Abs(described)+3*sigmas[len(sigmas)/2] {
			continue
		}
		at300 := leak
		if described != 0 {
			at300 = leak * class.Spec.GetMemory().GetLeakFa() / described
		}
		r.propose(fmt.Sprintf("classes[%d].memory.leak_fa", i), strconv.FormatFloat(at300, 'g', 3, 64),
			strconv.FormatFloat(class.Spec.GetMemory().GetLeakFa(), 'g', -1, 64), "median of the class, brought to 300 K by leak_doubling_k as described")
	}
}

// warm repeats the measurement at another temperature, where the surroundings can be
// set.
func (e *engine) warm(ctx context.Context, r *report, cold map[int]bringup.Droop) error {
	if !e.run.VirtualLight || len(cold) == 0 {
		return nil
	}
	up, down := warmerK+e.warmer(), e.warmer()
	if err := e.surround(ctx, warmer(up)); err != nil {
		r.tell("", "warmer dies", 0, "K", "not tried: "+err.Error())
		return nil
	}
	doubling := map[*chipmodel.Class][]float64{}
	var failed error
	for c := range e.a.Chips {
		d, is := cold[c]
		if !is {
			continue
		}
		e.progress(0.9, "chip %s, %g K warmer", e.name(c), warmerK)
		hot, ok, err := e.droop(ctx, c)
		if err != nil {
			failed = err
			break
		}
		if k := bringup.DoublingKelvin(d.VoltsPerSecond, hot.VoltsPerSecond, warmerK); ok && k > 0 {
			doubling[e.a.Chips[c].Class] = append(doubling[e.a.Chips[c].Class], k)
		}
	}
	if err := e.surround(ctx, warmer(down)); err != nil || failed != nil {
		return cmpErr(failed, err)
	}
	for i, class := range e.a.Classes {
		of := doubling[class]
		if len(of) == 0 {
			continue
		}
		slices.Sort(of)
		k := of[len(of)/2]
		r.tell(class.Name, "leakage doubles every", k, "K", "")
		if described := class.Spec.GetMemory().GetLeakDoublingK(); math.Abs(k-described) > 0.1*k {
			r.propose(fmt.Sprintf("classes[%d].memory.leak_doubling_k", i), strconv.FormatFloat(k, 'g', 3, 64), strconv.FormatFloat(described, 'g', -1, 64), "from loads held cold and warm")
		}
	}
	return nil
}

func cmpErr(first, second error) error {
	if first != nil {
		return first
	}
	return second
}

func isTrimmed(c *chipmodel.Class) bool { return c.Kind == chipmodel.Trimmed }

// trim looks for the gain, offset and bias that use most of the converter.
func (e *engine) trim(ctx context.Context, r *report) error {
	chips, err := e.chips("chips with bias and gain registers", isTrimmed)
	if err != nil {
		return err
	}
	points := map[int][]bringup.TrimPoint{}
	lights := []struct{ scene, ask string }{
		{darkScene, "Cover the array: the darkest that it shall see. Is it so?"},
		{fmt.Sprintf("uniform:%g", evenLux), "Light the array evenly: the brightest that it shall see. Is it so?"},
	}
	for k, l := range lights {
		if err := e.light(ctx, l.scene, l.ask); err != nil {
			return err
		}
		for i, c := range chips {
			e.progress((float64(k)+float64(i)/float64(len(chips)))/2, "chip %s: gains, offsets and biases", e.name(c))
			for _, s := range bringup.TrimGrid(e.a, c) {
				p, err := e.trimPoint(ctx, c, s, k == 1)
				if err != nil {
					return err
				}
				points[c] = append(points[c], p)
			}
		}
	}
	chart := &bringup.Chart{Title: "Dark and lit levels over the offset register, nominal bias", X: "offset register", Y: "mean code"}
	for _, c := range chips {
		best, ok := bringup.ChooseTrim(e.a, c, points[c])
		if !ok {
			r.add(e.name(c), "gains that fit", 0, "", 1, none, fail, "no gain brings dark and lit into the range")
			r.act("Chip %s: narrow the light that it shall see, or check its biases and supplies.", e.name(c))
			continue
		}
		got, err := e.trimPoint(ctx, c, best.Trim, true)
		if err != nil {
			return err
		}
		e.judgeTrim(r, c, best, got)
		for _, lit := range []bool{false, true} {
			for g := range e.a.Chips[c].Class.Spec.GetTrimmed().GetGains() {
				chart.Series = append(chart.Series, trimLine(e.name(c), g, lit, points[c]))
			}
		}
	}
	r.chart(chart)
	r.conclude("a trim is proposed for every chip that has one")
	return nil
}

func trimLine(name string, gain int, lit bool, points []bringup.TrimPoint) bringup.Series {
	s := bringup.Series{Name: fmt.Sprintf("%s g%d dark", name, gain)}
	if lit {
		s.Name = fmt.Sprintf("%s g%d lit", name, gain)
	}
	nominal := -1
	for _, p := range points {
		if nominal < 0 {
			nominal = p.PixelBias // grids begin with it
		}
		if p.Gain == gain && p.Lit == lit && p.PixelBias == nominal {
			s.X, s.Y = append(s.X, float64(p.Offset)), append(s.Y, p.Mean)
		}
	}
	return s
}

func (e *engine) trimPoint(ctx context.Context, c int, s bringup.Trim, lit bool) (bringup.TrimPoint, error) {
	captures, err := e.program(ctx, e.p.Trimmed(c, s, bringup.Spread(e.a.Chips[c].Class, 128)))
	if err != nil {
		return bringup.TrimPoint{}, err
	}
	if len(captures) == 0 {
		return bringup.TrimPoint{}, skipf("chip %s gave no capture", e.name(c))
	}
	st := bringup.StatsOf(captures[0].Codes, e.lane(c).Bits)
	return bringup.TrimPoint{Trim: s, Lit: lit, Mean: st.Mean, Lowest: float64(st.Lowest), Highest: float64(st.Highest)}, nil
}

func (e *engine) judgeTrim(r *report, c int, best bringup.TrimChoice, got bringup.TrimPoint) {
	full := math.Exp2(float64(e.lane(c).Bits))
	r.tell(e.name(c), "best gain register", float64(best.Gain), "", fmt.Sprintf("gain %g", e.a.Chips[c].Class.Spec.GetTrimmed().GetGains()[best.Gain]))
	r.tell(e.name(c), "best offset register", float64(best.Offset), "", "")
	r.tell(e.name(c), "best pixel bias register", float64(best.PixelBias), "", "")
	r.add(e.name(c), "span from dark to lit", 100*best.Span/full, "% of the converter", 10, none, warn, "most of the converter lies idle")
	r.add(e.name(c), "lowest pixel, lit, checked with this setting", got.Lowest, "codes", 1, full-2, warn, "clipped")
	r.add(e.name(c), "highest pixel, lit, checked with this setting", got.Highest, "codes", 1, full-2, warn, "clipped")
	r.act("Chip %s: put trim: {gain: %d, offset: %d, pixel_bias: %d} into the views of its tasks.", e.name(c), best.Gain, best.Offset, best.PixelBias)
}

func counts(c *chipmodel.Class) bool { return c.Kind.Counts() }

// order checks that counters stand where they should.
func (e *engine) order(ctx context.Context, r *report) error {
	chips, err := e.chips("counter chips", counts)
	if err != nil {
		return err
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g", evenLux), "Light the whole array evenly. Is it lit?"); err != nil {
		return err
	}
	even := map[int][]uint16{}
	for _, c := range chips {
		captures, err := e.frame(ctx, c, 1)
		if err != nil {
			return err
		}
		even[c] = captures[0].Codes
	}
	if err := e.light(ctx, stripes, stripesText); err != nil {
		return err
	}
	var tiles []bringup.Tile
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: the order of its pixels", e.name(c))
		captures, err := e.frame(ctx, c, 2)
		if err != nil {
			return err
		}
		class := e.a.Chips[c].Class
		tiles = append(tiles, bringup.Tile{Rows: class.Rows, Columns: class.Columns, Codes: captures[0].Codes})
		if err := e.judgeOrder(ctx, r, c, captures, even[c]); err != nil {
			return err
		}
	}
	r.sheet("Stripes as the counter chips see them: every row should show them in the same place", tiles)
	r.conclude("full scans and windows show the same pixels in the same places")
	return nil
}

// judgeOrder compares two whole frames, windows after their own reset, and rows.
func (e *engine) judgeOrder(ctx context.Context, r *report, c int, frames []bus.Capture, even []uint16) error {
	class := e.a.Chips[c].Class
	bad := false
	judge := func(what string, w chipmodel.Window, codes []uint16) {
		shift, sure := bringup.Shift(class, frames[0].Codes, w, codes)
		if sure < 1.5 {
			r.tell(e.name(c), what, 0, "pixels", "pixels look too much alike to tell")
			return
		}
		note := "clocks were lost"
		if shift > 0 {
			note = "extra clocks were counted"
		}
		bad = r.add(e.name(c), what, float64(shift), "pixels", 0, 0, fail, note) == fail || bad
	}
	judge("a second full scan is off by", bringup.Whole(class), frames[1].Codes)
	// The last row is where the counter comes to the end of its frame.
	for _, row := range []int{class.Rows / 2, class.Rows - 1} {
		for _, column := range []int{0, class.Columns / 2} {
			w := chipmodel.Window{Row: row, Column: column, Rows: 1, Columns: class.Columns - column, RowStep: 1, ColumnStep: 1}
			captures, err := e.program(ctx, e.p.Frame(c, w, 1, 0))
			if err != nil {
				return err
			}
			if len(captures) > 0 {
				judge(fmt.Sprintf("a window from row %d, column %d on is off by", row, column), w, captures[0].Codes)
			}
		}
	}
	slips, sharp := bringup.Slips(class, frames[0].Codes, even)
	if sharp > 0.3 {
		r.tell(e.name(c), "stripes tell places to within", sharp, "pixels", "not sharp enough to see rows jump; use bolder stripes")
	} else {
		off, note := 0.0, ""
		for _, s := range slips {
			if math.Abs(s.Pixels) > math.Abs(off) {
				off, note = s.Pixels, fmt.Sprintf("the stripes jump at row %d", s.Row)
			}
		}
		bad = r.add(e.name(c), "stripes jump from row to row by", off, "pixels", -0.6, 0.6, fail, note) == fail || bad
	}
	if bad {
		r.act("Chip %s: look at its clock line with an oscilloscope at the chip: ringing counts twice, a slow edge not at all. A series resistor at the driver, a shorter wire or a longer step may mend it.", e.name(c))
	}
	return nil
}

// Limits in nanoseconds. Pixels lag a little differently after loads that follow each
// other sooner or later, which is why the second one is wider.
const (
	skewLoads     = 40
	skewLimit     = 20e3
	togetherLimit = 60e3
	// skewRest is a rest in which pixels in usual light have followed it.
	skewRest = 2 * time.Millisecond
	// skewSpread is over what loads are spread by the golden section, so that they meet
	// all phases of a lamp of 100 or 120 Hz whatever else takes time.
	skewSpread = 10 * time.Millisecond
)

// skew compares when chips sample the light of a lamp that flickers.
func (e *engine) skew(ctx context.Context, r *report) error {
	chips, err := e.chips("memory chips", hasMemory)
	if err != nil {
		return err
	}
	if len(chips) < 2 {
		return skipf("one memory chip alone has nothing to be compared with")
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g | flicker:mains=50,depth=0.5", evenLux),
		"Light all chips evenly with a lamp that flickers at twice the mains (a filament lamp, or a lamp of poor make). Is it on?"); err != nil {
		return err
	}
	together, alone, err := e.loads(ctx, chips)
	if err != nil {
		return err
	}
	hz := 100.0
	at := bringup.Delays(e.a, chips, together.times, together.levels, hz)
	if other := bringup.Delays(e.a, chips, together.times, together.levels, 120); amplitude(other) > 1.5*amplitude(at) {
		hz, at = 120, other
	}
	single := bringup.Delays(e.a, chips, alone.times, alone.levels, hz)
	if amplitude(at) < 3 {
		r.add("", "flicker seen", amplitude(at), "codes", 3, none, warn, "too little to compare chips by")
		r.act("Take a lamp that flickers more.")
		r.conclude("")
		return nil
	}
	chart := &bringup.Chart{Title: fmt.Sprintf("Light at each load over the phase of %g Hz", hz), X: "phase, periods", Y: "mean code"}
	for i, d := range at {
		bad := r.add(e.name(d.Chip), "samples later than its class", float64(d.Delay), "ns",
			-max(skewLimit, 4*float64(d.Sigma)), max(skewLimit, 4*float64(d.Sigma)), fail, fmt.Sprintf("it does not load with the others (± %v)", d.Sigma))
		if bad == fail {
			r.act("Chip %s: check its strobe line for a slow edge; frames across chips are not of one instant.", e.name(d.Chip))
		}
		later := bringup.Later(d.Phase, single[i].Phase, hz)
		limit := max(togetherLimit, 4*float64(d.Sigma+single[i].Sigma))
		r.add(e.name(d.Chip), "samples later with the others than alone", float64(later), "ns", -limit, limit, warn, "loading together delays it")
		line := bringup.Series{Name: e.name(d.Chip), Dots: true}
		for k, t := range together.times[i] {
			line.X = append(line.X, math.Mod(float64(t)*1e-9*hz, 1))
			line.Y = append(line.Y, together.levels[i][k])
		}
		chart.Series = append(chart.Series, line)
	}
	r.chart(chart)
	r.conclude("chips that are loaded together sample together")
	return nil
}

func amplitude(d []bringup.Delay) float64 {
	sum := 0.0
	for _, one := range d {
		sum += one.Amplitude / float64(len(d))
	}
	return sum
}

// loaded is what loads showed: bus times and mean codes by chip and load.
type loaded struct {
	times  [][]int64
	levels [][]float64
}

func (l *loaded) add(chip int, c *bus.Capture) {
	l.times[chip] = append(l.times[chip], c.LightNS)
	l.levels[chip] = append(l.levels[chip], bringup.Mean(c.Codes))
}

// loads loads chips together and each by itself, in turn, at phases of a lamp that
// spread over its periods.
func (e *engine) loads(ctx context.Context, chips []int) (together, alone loaded, err error) {
	n := len(chips)
	together = loaded{make([][]int64, n), make([][]float64, n)}
	alone = loaded{make([][]int64, n), make([][]float64, n)}
	for k := range skewLoads {
		e.progress(float64(k)/skewLoads, "%d loads under the lamp", k+1)
		captures, err := e.program(ctx, e.p.Together(chips, 64))
		if err != nil {
			return together, alone, err
		}
		for i := range captures {
			together.add(captures[i].Frame, &captures[i])
		}
		if err := e.rest(ctx, skewRest); err != nil {
			return together, alone, err
		}
		for i, c := range chips {
			captures, err := e.program(ctx, e.p.Together([]int{c}, 64))
			if err != nil {
				return together, alone, err
			}
			for k := range captures {
				alone.add(i, &captures[k])
			}
		}
		if err := e.rest(ctx, skewRest+time.Duration(math.Mod(float64(k)*math.Phi, 1)*float64(skewSpread))); err != nil {
			return together, alone, err
		}
	}
	return together, alone, nil
}

func (e *engine) warmer() float64 {
	if e.before == nil {
		return 0
	}
	return e.before.GetWarmerK()
}

func warmer(k float64) *facetdv1.SetSceneRequest { return &facetdv1.SetSceneRequest{WarmerK: &k} }
