package bringup

import (
	"context"
	"fmt"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

const suppliesText = "Before power: wrist strap on, nothing loose on the board, lines at rest. Set the current " +
	"limit of the supply " +
	"a little above what the data sheets give for the whole array. Bring up supplies first, then biases, then " +
	"digital lines, " +
	"as the data sheets of your chips say. Measure every supply at the board and note volts and amperes here. " +
	"Are all within their data sheets?"

// supplies asks for what was measured, works out what reserve the regulators have, and reads every
// lane while it is undriven.
func (e *engine) supplies(ctx context.Context, r *measure.Report) error {
	if err := e.confirm(ctx, suppliesText); err != nil {
		return err
	}
	last := e.run.Answers[len(e.run.Answers)-1]
	confirmed := 1.0
	if last.GetAssumed() {
		confirmed = 0
		r.LeftOut("the supplies at the board", "nobody was asked")
	}
	r.Tell("", "supplies confirmed by an operator", confirmed, "", last.GetNote())
	measure.JudgeRegulators(r)
	chart := &measure.Chart{Title: "Lanes while undriven", X: "conversion", Y: "code from the mean"}
	for i := range e.a.Lanes {
		lane := &e.a.Lanes[i]
		e.progress(float64(i)/float64(len(e.a.Lanes)), "lane %s at rest", lane.Name)
		ops, ok := e.p.Idle(i, 0, 256)
		if !ok {
			r.LeftOut("lane "+lane.Name, "no chip is on it")
			continue
		}
		captures, err := e.program(ctx, ops)
		if err != nil {
			return err
		}
		if len(captures) > 0 {
			measure.JudgeIdleLane(r, i, captures[0].Codes, chart)
		}
	}
	r.Chart(chart)
	r.Conclude("every lane with chips is quiet while it is undriven")
	return nil
}

// selects runs the probe of the select lines and excludes the chips that it finds unusable.
func (e *engine) selects(ctx context.Context, r *measure.Report) error {
	result, err := e.cfg.Probe(ctx, func(p *facetdv1.ProbeProgress) error {
		e.progress(0, "%d readouts, %d explanations left", p.GetReadouts(), p.GetRemaining())
		return nil
	})
	if err != nil && ctx.Err() == nil {
		return skipf("the probe could not run: %v; bring-up works best without tasks", err)
	}
	if err != nil {
		return err
	}
	measure.JudgeProbe(r, result, e.exclude)
	r.Conclude(fmt.Sprintf("every chip was measured to answer to its own select word, and no fault of the select "+
		"lines is left to explain what %d readouts showed", result.GetReadouts()))
	return nil
}

// levels reads every chip alone.
func (e *engine) levels(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "chips", every)
	if err != nil {
		return err
	}
	noises := map[int]float64{}
	chart := &measure.Chart{Title: "Codes of each chip: lowest, mean, highest", X: "chip", Y: "code"}
	low, mean, high := measure.Series{Name: "lowest", Dots: true}, measure.Series{Name: "mean", Dots: true},
		measure.Series{Name: "highest", Dots: true}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s", e.name(c))
		captures, err := e.program(ctx, e.p.BesideIdle(c, measure.Spread(e.a.Chips[c].Class, 256), 4))
		if err != nil {
			return err
		}
		if len(captures) < 2 {
			return skipf("chip %s gave no capture", e.name(c))
		}
		idle, captures := captures[0].Codes, captures[1:]
		if len(captures[0].Codes) > 8 {
			noises[c] = measure.Noise(captures)
		}
		s, unusable := measure.JudgeAlive(r, c, idle, captures)
		if unusable != "" {
			e.exclude(c, unusable)
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
	measure.JudgeNoise(r, noises)
	chart.Series = []measure.Series{low, mean, high}
	r.Chart(chart)
	r.Conclude(r.Of(len(chips), all) + " drive their lanes, whose undriven level was measured just before each")
	return nil
}

// testLevel moves the output of a chip with an amplifier by its offset register, which
// needs no light.
func (e *engine) testLevel(ctx context.Context, r *measure.Report, c int, mean float64) error {
	class := e.a.Chips[c].Class
	if class.Spec.GetAmplifier().GetOffsetStepVolts() == 0 {
		return nil
	}
	setting := measure.Trim{Offset: measure.TestOffset(e.a, c, mean),
		PixelBias: int(class.PowerOn(chipmodel.PixelBias))}
	captures, err := e.program(ctx, e.p.Trimmed(c, setting, measure.Spread(class, 64)))
	if err != nil || len(captures) == 0 {
		return err
	}
	measure.JudgeTestLevel(r, c, setting.Offset, measure.Mean(captures[0].Codes)-mean)
	return nil
}

// darkFrame reads every chip in the dark.
func (e *engine) darkFrame(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, darkScene, "Cover the array so that no light reaches any chip, and wait for slow pixels. "+
		"Is it dark?"); err != nil {
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
		measure.JudgeDark(r, c, codes)
		tiles = append(tiles, measure.Tile{Rows: class.Rows, Columns: class.Columns, Codes: codes})
	}
	r.Sheet("Dark frames, each stretched to its own range, in the order of the array file", tiles)
	if len(r.Actions) == 0 {
		r.Act("Where a mean is off: look for light that gets in, then for the bias, then for offset_volts and " +
			"dark_lux of the class.")
	}
	r.Conclude("dark frames of " + r.Of(len(chips), all) + " are in range")
	return nil
}

// flatFrame reads every chip in uniform illumination.
func (e *engine) flatFrame(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g", uniformLux),
		"Light the whole array evenly and steadily: a diffuser or a white card, and "+
			"no lamp on the mains. Is it lit?"); err != nil {
		return err
	}
	var tiles []measure.Tile
	unanswered := 0 // whose answer was not looked at
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s in uniform illumination", e.name(c))
		captures, err := e.frame(ctx, c, 1)
		if err != nil {
			return err
		}
		class := e.a.Chips[c].Class
		codes := captures[0].Codes
		if !measure.JudgeLit(r, c, e.dark[c], codes, uniformLux, e.run.VirtualLight) {
			unanswered++
		}
		tiles = append(tiles, measure.Tile{Rows: class.Rows, Columns: class.Columns, Codes: codes})
	}
	r.Sheet("Frames in uniform illumination, each stretched to its own range, in the order of the array file", tiles)
	r.Conclude(r.Of(len(chips)-unanswered, all) + " answer to light")
	return nil
}
