package bringup

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"facetd.example/bus"
	"facetd.example/daemon/bringup/measure"
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
			captures, err := e.program(ctx, e.p.Sweep(plan))
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

func (e *engine) judgeSettling(r *report, c int, s *measure.Settling, missing []measure.Missing, found map[int]measure.Settling) {
	described := float64(e.a.LaneSettle(c))
	if contrast := measure.Contrast(missing); contrast < minContrast {
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
func (e *engine) proposeSettling(r *report, found map[int]measure.Settling) {
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
	chart := &measure.Chart{Title: "First conversions after a rest, less those that follow", X: "conversion", Y: "codes"}
	for i := range e.a.Lanes {
		lane := &e.a.Lanes[i]
		e.progress(float64(i)/float64(len(e.a.Lanes)), "lane %s after a rest", lane.Name)
		looks, rest, err := e.rested(ctx, i)
		if err != nil {
			return err
		}
		f := measure.FirstOf(looks)
		if len(f.Errors) == 0 {
			continue
		}
		limit := max(0.5, 4*f.Sigma)
		if r.add(lane.Name, fmt.Sprintf("first conversion after %v of rest", rest), f.Errors[0], "codes", -limit, limit, warn, "it differs from those that follow") == warn {
			r.act("Lane %s: throw away the first %d conversions after a rest: begin windows that many pixels early, or read a frame that nobody needs first. Check the decoupling of the reference.", lane.Name, f.Discard)
			r.tell(lane.Name, "conversions to discard", float64(f.Discard), "", "")
		}
		r.tell(lane.Name, "noise of single conversions", f.Noise, "codes", "")
		line := measure.Series{Name: lane.Name}
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
