package bringup

import (
	"context"
	"fmt"
	"math"
	"strconv"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/fit"
)

const suppliesText = "Before power: wrist strap on, nothing loose on the board, lines at rest. Set the current limit of the supply " +
	"a little above what the data sheets give for the whole array. Bring up supplies first, then biases, then digital lines, " +
	"as the data sheets of your chips say. Measure every supply at the board and note volts and amperes here. " +
	"Are all within their data sheets?"

// supplies asks for what was measured, adds up what regulators have left, and looks at
// every lane while nobody drives it.
func (e *engine) supplies(ctx context.Context, r *report) error {
	if err := e.confirm(ctx, suppliesText); err != nil {
		return err
	}
	last := e.run.Answers[len(e.run.Answers)-1]
	confirmed := 1.0
	if last.GetAssumed() {
		confirmed = 0
	}
	r.tell("", "supplies confirmed by an operator", confirmed, "", last.GetNote())
	for _, class := range e.a.Classes {
		if g := class.Spec.GetRegulator(); g != nil {
			left := g.GetSupplyVolts() - g.GetSupplyRippleVolts() - g.GetDropoutVolts() - g.GetOutputVolts()
			r.add(class.Name, "supply left above regulator and dropout, at the trough of the ripple", left, "V", 0, none, fail, "the regulator runs out of supply")
			if left < 0 {
				r.act("Class %s: raise the supply or take less ripple; the data sheet of the regulator says what it needs.", class.Name)
			}
		}
	}
	chart := &measure.Chart{Title: "Lanes while nobody drives them", X: "conversion", Y: "code from the mean"}
	for i := range e.a.Lanes {
		lane := &e.a.Lanes[i]
		e.progress(float64(i)/float64(len(e.a.Lanes)), "lane %s at rest", lane.Name)
		ops, ok := e.p.Idle(i, 0, 256)
		if !ok {
			continue
		}
		captures, err := e.program(ctx, ops)
		if err != nil {
			return err
		}
		e.idleLane(r, lane, i, captures, chart)
	}
	r.chart(chart)
	r.conclude("every lane is quiet while nobody drives it")
	return nil
}

// idleLane judges one lane at rest.
func (e *engine) idleLane(r *report, lane *chipmodel.Lane, index int, captures []bus.Capture, chart *measure.Chart) {
	if len(captures) == 0 {
		return
	}
	codes := captures[0].Codes
	s := measure.StatsOf(codes, lane.Bits)
	top := math.Exp2(float64(lane.Bits)) - 1
	r.add(lane.Name, "level of the idle lane", s.Mean, "codes", 0, 0.98*top, fail, "the converter reads full scale while nobody drives the lane")
	step := measure.VoltsPerCode(lane)
	declared := lane.Spec.GetConverter().GetNoiseVolts() / step
	limit := 1.5*math.Sqrt(declared*declared+1.0/12) + 0.5
	if r.add(lane.Name, "noise of the idle lane", s.Deviation, "codes", none, limit, warn, "noisier than described") == warn {
		volts := math.Sqrt(max(s.Deviation*s.Deviation-1.0/12, 0)) * step
		r.propose(fmt.Sprintf("lanes[%d].converter.noise_volts", index), strconv.FormatFloat(volts, 'g', 3, 64),
			strconv.FormatFloat(lane.Spec.GetConverter().GetNoiseVolts(), 'g', -1, 64), "noise measured on the idle lane")
		r.act("Lane %s: look for supply ripple, missing decoupling and clock lines beside the analog line, before you believe the noise.", lane.Name)
	}
	if s.Mean > 0.98*top {
		r.act("Lane %s: check the reference and the input of its converter for an open or a short to the supply.", lane.Name)
	}
	line := measure.Series{Name: lane.Name}
	for i, c := range codes[:min(len(codes), 200)] {
		line.X, line.Y = append(line.X, float64(i)), append(line.Y, float64(c)-s.Mean)
	}
	chart.Series = append(chart.Series, line)
}

// selects runs the probe of the select lines and leaves out what it condemns.
func (e *engine) selects(ctx context.Context, r *report) error {
	result, err := e.cfg.Probe(ctx, func(p *facetdv1.ProbeProgress) error {
		e.progress(0, "%d readouts, %d explanations left", p.GetReadouts(), p.GetRemaining())
		return nil
	})
	if err != nil && ctx.Err() == nil {
		return skipf("the probe could not run: %v; bring-up goes best without tasks", err)
	}
	if err != nil {
		return err
	}
	r.tell("", "readouts", float64(result.GetReadouts()), "", "")
	others := 0
	for _, f := range result.GetFaults() {
		switch f.GetKind() {
		case facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD:
			r.add(f.GetChip(), "drives its lane", 0, "", 1, 1, fail, "it never drives its lane")
			e.exclude(e.a.Chip(f.GetChip()), "it never drives its lane")
		case facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
			r.add(f.GetLane(), "shows its chips", 0, "", 1, 1, fail, "the lane shows none of its chips")
			for c := range e.a.Chips {
				if e.lane(c).Name == f.GetLane() {
					e.exclude(c, "its lane shows none of its chips")
				}
			}
		default:
			others++
		}
	}
	if others > 0 || !result.GetExplained() {
		r.add("", "faults of the select lines", float64(max(others, 1)), "", 0, 0, fail, "chips do not listen where the description says")
		for c := range e.a.Chips {
			e.exclude(c, "the select lines are not as described: see the probe")
		}
	}
	if r.Measurements[len(r.Measurements)-1].Verdict != pass {
		r.Actions = append(r.Actions, result.GetReport(),
			"Switch off before you touch the wiring. A chip that listens with another can destroy both: mend this before any other step.")
	}
	r.conclude(fmt.Sprintf("every chip answers to its own select word, after %d readouts", result.GetReadouts()))
	return nil
}

// levels reads every chip alone.
func (e *engine) levels(ctx context.Context, r *report) error {
	chips, err := e.chips("chips", every)
	if err != nil {
		return err
	}
	noises := map[int]float64{}
	chart := &measure.Chart{Title: "Codes of each chip: lowest, mean, highest", X: "chip", Y: "code"}
	low, mean, high := measure.Series{Name: "lowest", Dots: true}, measure.Series{Name: "mean", Dots: true}, measure.Series{Name: "highest", Dots: true}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s", e.name(c))
		captures, err := e.program(ctx, e.p.Frame(c, measure.Spread(e.a.Chips[c].Class, 256), 4, 0))
		if err != nil {
			return err
		}
		if len(captures) == 0 {
			return skipf("chip %s gave no capture", e.name(c))
		}
		s := measure.StatsOf(captures[0].Codes, e.lane(c).Bits)
		r.add(e.name(c), "pixels at a rail", 100*s.AtRails, "%", none, 95, fail, "the output is stuck at a rail")
		if len(captures[0].Codes) > 8 {
			noises[c] = measure.Noise(captures)
			r.add(e.name(c), "different codes", float64(s.Different), "", 2, none, fail, "every pixel gives the same code: the output is stuck")
		}
		if s.AtRails > 0.95 || s.Different < 2 && len(captures[0].Codes) > 8 {
			e.exclude(c, "its output is stuck")
			r.act("Chip %s: check its supplies, its bias pins, and that its output is wired to lane %s and not to ground or a supply.", e.name(c), e.lane(c).Name)
			continue
		}
		if err := e.testLevel(ctx, r, c, s.Mean); err != nil {
			return err
		}
		for k, v := range []float64{float64(s.Lowest), s.Mean, float64(s.Highest)} {
			series := []*measure.Series{&low, &mean, &high}[k]
			series.X, series.Y = append(series.X, float64(i)), append(series.Y, v)
		}
	}
	e.noisy(r, noises)
	chart.Series = []measure.Series{low, mean, high}
	r.chart(chart)
	r.conclude("every chip is alive")
	return nil
}

// noisy compares the noise of chips with the others of their class.
func (e *engine) noisy(r *report, noises map[int]float64) {
	for _, class := range e.a.Classes {
		var of []float64
		for c, n := range noises {
			if e.a.Chips[c].Class == class {
				of = append(of, n)
			}
		}
		if len(of) == 0 {
			continue
		}
		limit := 4*fit.Median(of) + 1
		for c := range e.a.Chips {
			if n, is := noises[c]; is && e.a.Chips[c].Class == class {
				r.add(e.name(c), "temporal noise", n, "codes", none, limit, warn, "much noisier than the others of its class")
			}
		}
	}
}

// testLevel moves the output of a chip with an amplifier by its offset register, which
// needs no light.
func (e *engine) testLevel(ctx context.Context, r *report, c int, mean float64) error {
	class := e.a.Chips[c].Class
	step := class.Spec.GetAmplifier().GetOffsetStepVolts()
	if step == 0 {
		return nil
	}
	top := math.Exp2(float64(e.lane(c).Bits))
	by := 32
	if mean > top/2 == (step > 0) {
		by = -by
	}
	setting := measure.Trim{Offset: by, PixelBias: int(class.PowerOn(chipmodel.PixelBias))}
	captures, err := e.program(ctx, e.p.Trimmed(c, setting, measure.Spread(class, 64)))
	if err != nil || len(captures) == 0 {
		return err
	}
	expected := float64(by) * step / measure.VoltsPerCode(e.lane(c))
	moved := measure.Mean(captures[0].Codes) - mean
	r.add(e.name(c), fmt.Sprintf("test level: offset register at %d moves the output", by), moved/expected*100, "% of what is described", 50, 150, warn, "the offset register does not do what is described")
	return nil
}

// darkFrame reads every chip in the dark.
func (e *engine) darkFrame(ctx context.Context, r *report) error {
	chips, err := e.chips("chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, darkScene, "Cover the array so that no light reaches any chip, and wait for slow pixels. Is it dark?"); err != nil {
		return err
	}
	var tiles []measure.Tile
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s in the dark", e.name(c))
		captures, err := e.frame(ctx, c, 1)
		if err != nil {
			return err
		}
		class := e.a.Chips[c].Class
		codes := captures[0].Codes
		e.dark[c] = codes
		s := measure.StatsOf(codes, e.lane(c).Bits)
		room := 0.15 * math.Exp2(float64(e.lane(c).Bits))
		expected := measure.Expected(e.a, c, 0)
		r.add(e.name(c), "mean in the dark", s.Mean, "codes", expected-room, expected+room, warn, "far from what the class describes")
		r.add(e.name(c), "pixels at a rail in the dark", 100*s.AtRails, "%", none, 1, warn, "part of the frame is clipped in the dark")
		r.tell(e.name(c), "fixed pattern in the dark", s.Deviation, "codes", "")
		tiles = append(tiles, measure.Tile{Rows: class.Rows, Columns: class.Columns, Codes: codes})
	}
	r.sheet("Dark frames, each stretched to its own range, in the order of the array file", tiles)
	if len(r.Actions) == 0 {
		r.act("Where a mean is off: look for light that gets in, then for the bias, then for offset_volts and dark_lux of the class.")
	}
	r.conclude("dark frames are in range")
	return nil
}

// litFrame reads every chip in even light.
func (e *engine) litFrame(ctx context.Context, r *report) error {
	chips, err := e.chips("chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g", evenLux), "Light the whole array evenly and steadily: a diffuser or a white card, and no lamp on the mains. Is it lit?"); err != nil {
		return err
	}
	var tiles []measure.Tile
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s in even light", e.name(c))
		captures, err := e.frame(ctx, c, 1)
		if err != nil {
			return err
		}
		class := e.a.Chips[c].Class
		codes := captures[0].Codes
		s := measure.StatsOf(codes, e.lane(c).Bits)
		r.tell(e.name(c), "mean in light", s.Mean, "codes", "")
		r.add(e.name(c), "pixels at a rail in light", 100*s.AtRails, "%", none, 1, warn, "part of the frame is clipped in light")
		if before := e.dark[c]; before != nil {
			e.answer(r, c, before, codes)
		}
		tiles = append(tiles, measure.Tile{Rows: class.Rows, Columns: class.Columns, Codes: codes})
	}
	r.sheet("Frames in even light, each stretched to its own range, in the order of the array file", tiles)
	r.conclude("every chip answers to light")
	return nil
}

// answer judges what light does to a chip.
func (e *engine) answer(r *report, c int, dark, lit []uint16) {
	dead, median := measure.Dead(dark, lit)
	expected := measure.Expected(e.a, c, evenLux) - measure.Expected(e.a, c, 0)
	relative := 100 * median / expected
	low := 1.0 // how bright the operator's lamp is nobody knows
	if e.run.VirtualLight {
		low = 50
	}
	if r.add(e.name(c), "answer to light", relative, "% of what is described", low, none, fail, "it does not answer to light as described") == fail {
		r.act("Chip %s: is it lit? If so check its pixel bias and the sign of volts_per_decade.", e.name(c))
		return
	}
	r.add(e.name(c), "dead pixels", 100*float64(dead)/float64(len(lit)), "%", none, 0.5, warn, "more dead pixels than usual")
}
