package bringup

import (
	"context"
	"math"
	"time"

	"facetd.example/bus"
	"facetd.example/daemon/bringup/measure"
)

const stripesText = "Put stripes in front of the array, dark and bright, several across each row (a printed grating " +
	"out of focus will do). Are they there?"

// settling sweeps the delay from a step to its sample, chip by chip.
func (e *engine) settling(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "chips", every)
	if err != nil {
		return err
	}
	if err := e.light(ctx, stripes, stripesText); err != nil {
		return err
	}
	chart := &measure.Chart{Title: "What is missing of a step", X: "delay, ns", Y: "part of the step", LogY: true}
	found := map[int]measure.Settling{}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: sweep of the settling time", e.name(c))
		s, missing, err := e.sweep(ctx, c)
		if err != nil {
			return err
		}
		line := measure.Series{Name: e.name(c)}
		for _, m := range missing {
			if m.Part > 3*m.Sigma {
				line.X, line.Y = append(line.X, float64(m.Delay)), append(line.Y, m.Part)
			}
		}
		chart.Series = append(chart.Series, line)
		if measure.JudgeSettling(r, c, s, missing) {
			found[c] = *s
			e.p.Settled(c, s.Settle)
			e.run.Chips[c].SettleNs = new(int64(s.Settle))
		}
	}
	measure.ProposeSettling(r, found)
	half := math.Exp2(-float64(e.a.Lanes[0].Bits) - 1)
	chart.MarkY = &half
	r.Chart(chart)
	r.Conclude(r.Of(len(chips), all) + " settle within the time that the description gives them")
	return nil
}

// sweep sweeps one chip until its time constant is known within 2 percent, or it turns
// out that it cannot be.
func (e *engine) sweep(ctx context.Context, c int) (*measure.Settling, []measure.Missing, error) {
	frame, err := e.frame(ctx, c, 1)
	if err != nil {
		return nil, nil, err
	}
	longest := e.p.Settle(c) * 3 / 4
	var missing []measure.Missing
	for range 9 {
		plan := measure.NewSweep(e.a, c, frame[0].Codes, longest)
		missing = nil
		var fit measure.Settling
		var ok bool
		for range 6 {
			captures, err := e.programs(ctx, e.p.Sweep(plan))
			if err != nil {
				return nil, nil, err
			}
			missing = plan.Accumulate(e.a, missing, captures)
			if fit, ok = measure.FitSettling(missing, e.lane(c).Bits); ok && fit.Relative < 0.015 {
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
	if fit, ok := measure.FitSettling(missing, e.lane(c).Bits); ok {
		return &fit, missing, nil
	}
	return nil, missing, nil
}

// converters compares the first conversions after a rest with those that follow.
func (e *engine) converters(ctx context.Context, r *measure.Report) error {
	chart := &measure.Chart{Title: "First conversions after a rest, less those that follow", X: "conversion",
		Y: "codes"}
	for i := range e.a.Lanes {
		lane := &e.a.Lanes[i]
		e.progress(float64(i)/float64(len(e.a.Lanes)), "lane %s after a rest", lane.Name)
		samples, rest, err := e.rested(ctx, i)
		if err != nil {
			return err
		}
		f := measure.FirstOf(samples)
		if len(f.Errors) == 0 {
			r.LeftOut("lane "+lane.Name, "no chip is on it")
			continue
		}
		measure.JudgeFirst(r, lane.Name, f, rest, chart)
	}
	r.Chart(chart)
	r.Conclude("first conversions are like those that follow; no need to discard any")
	return nil
}

// rested samples an idle lane after rests, as long ones as the timetable has gaps for.
func (e *engine) rested(ctx context.Context, lane int) (samples [][]uint16, rest time.Duration, err error) {
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
				samples = append(samples, c.Codes)
			}
		}
		if err == nil || ctx.Err() != nil {
			return samples, rest, err
		}
	}
	return nil, 0, err
}
