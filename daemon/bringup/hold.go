package bringup

import (
	"cmp"
	"context"
	"time"

	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

func hasMemory(c *chipmodel.Class) bool { return c.HasMemory() }

// hold watches loads fade in the dark.
func (e *engine) hold(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "memory chips", hasMemory)
	if err != nil {
		return err
	}
	if err := e.light(ctx, darkScene, "Cover the array: light makes memories leak. Is it dark?"); err != nil {
		return err
	}
	chart := &measure.Chart{Title: "Loads that fade in the dark", X: "seconds after the first read",
		Y: "mean code from the first"}
	found := map[int]measure.Droop{}
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: how long it holds", e.name(c))
		d, ok, err := e.droop(ctx, c)
		if err != nil {
			return err
		}
		if !ok {
			measure.JudgeUnreadable(r, c)
			continue
		}
		found[c] = d
		line := measure.Series{Name: e.name(c), X: d.Seconds}
		for _, v := range d.Levels {
			line.Y = append(line.Y, v-d.Levels[0])
		}
		chart.Series = append(chart.Series, line)
		measure.JudgeDroop(r, c, d)
	}
	measure.ProposeLeak(r, found)
	if err := e.warm(ctx, r, found); err != nil {
		return err
	}
	r.Chart(chart)
	r.Conclude("the memories of " + r.Of(len(chips), all) + " hold as long as described")
	return nil
}

// droop watches one chip, longer and longer until the droop is known within 2 percent,
// or for a few seconds.
func (e *engine) droop(ctx context.Context, c int) (d measure.Droop, ok bool, err error) {
	const reads = 8
	for gap := 500 * time.Microsecond; ; gap *= 4 {
		captures, err := e.program(ctx, e.p.Hold(c, measure.Spread(e.a.Chips[c].Class, 128), reads, gap))
		if err != nil && d.Seconds != nil && ctx.Err() == nil {
			return d, true, nil // no longer gap; what is known so far must do
		}
		if err != nil {
			return d, false, err
		}
		next, ok := measure.FitDroop(e.a, c, captures)
		if !ok {
			return d, d.Seconds != nil, nil // it faded out of range
		}
		d = next
		if d.Known(gap) {
			return d, true, nil
		}
	}
}

// warm repeats the measurement at another temperature, where the environment can be
// set.
func (e *engine) warm(ctx context.Context, r *measure.Report, cold map[int]measure.Droop) error {
	if !e.run.VirtualLight || len(cold) == 0 {
		return nil
	}
	up, down := warmingK+e.temperatureOffset(), e.temperatureOffset()
	if err := e.setEnvironment(ctx, temperatureOffset(up)); err != nil {
		r.Tell("", "warmer dies", 0, "K", "not tried: "+err.Error())
		return nil
	}
	warm := map[int]measure.Droop{}
	var failed error
	for c := range e.a.Chips {
		if _, is := cold[c]; !is {
			continue
		}
		e.progress(0.9, "chip %s, %g K warmer", e.name(c), warmingK)
		hot, ok, err := e.droop(ctx, c)
		if err != nil {
			failed = err
			break
		}
		if ok {
			warm[c] = hot
		}
	}
	if err := e.setEnvironment(ctx, temperatureOffset(down)); err != nil || failed != nil {
		return cmp.Or(failed, err)
	}
	measure.ProposeDoubling(r, cold, warm, warmingK)
	return nil
}
