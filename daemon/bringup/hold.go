package bringup

import (
	"context"
	"fmt"
	"math"
	"strconv"
	"time"

	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/fit"
)

func hasMemory(c *chipmodel.Class) bool { return c.HasMemory() }

// hold watches loads fade in the dark.
func (e *engine) hold(ctx context.Context, r *report) error {
	chips, err := e.chips("memory chips", hasMemory)
	if err != nil {
		return err
	}
	if err := e.light(ctx, darkScene, "Cover the array: light makes memories leak. Is it dark?"); err != nil {
		return err
	}
	chart := &measure.Chart{Title: "Loads that fade in the dark", X: "seconds after the first read", Y: "mean code from the first"}
	found := map[int]measure.Droop{}
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
		line := measure.Series{Name: e.name(c), X: d.Seconds}
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
		if d.Codes > 3 && d.Sigma < 0.01*math.Abs(d.VoltsPerSecond) || gap > 600*time.Millisecond {
			return d, true, nil
		}
	}
}

func (e *engine) judgeDroop(r *report, c int, d measure.Droop) {
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
func (e *engine) proposeLeak(r *report, found map[int]measure.Droop) {
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
		leak := fit.Median(leaks)
		described := e.described(class)
		if math.Abs(leak-described) <= 0.05*math.Abs(described)+3*fit.Median(sigmas) {
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

// warm repeats the measurement at another temperature, where the environment can be
// set.
func (e *engine) warm(ctx context.Context, r *report, cold map[int]measure.Droop) error {
	if !e.run.VirtualLight || len(cold) == 0 {
		return nil
	}
	up, down := warmingK+e.temperatureOffset(), e.temperatureOffset()
	if err := e.setEnvironment(ctx, temperatureOffset(up)); err != nil {
		r.tell("", "warmer dies", 0, "K", "not tried: "+err.Error())
		return nil
	}
	doubling, uncertain := map[*chipmodel.Class][]float64{}, map[*chipmodel.Class][]float64{}
	var failed error
	for c := range e.a.Chips {
		d, is := cold[c]
		if !is {
			continue
		}
		e.progress(0.9, "chip %s, %g K warmer", e.name(c), warmingK)
		hot, ok, err := e.droop(ctx, c)
		if err != nil {
			failed = err
			break
		}
		if k, sigma := measure.DoublingKelvin(d, hot, warmingK); ok && k > 0 {
			class := e.a.Chips[c].Class
			doubling[class] = append(doubling[class], k)
			uncertain[class] = append(uncertain[class], sigma)
		}
	}
	if err := e.setEnvironment(ctx, temperatureOffset(down)); err != nil || failed != nil {
		return cmpErr(failed, err)
	}
	for i, class := range e.a.Classes {
		of := doubling[class]
		if len(of) == 0 {
			continue
		}
		k := fit.Median(of)
		// Of the median of n: 1.25 times that of a mean, when normal.
		sigma := 1.25 * fit.Median(uncertain[class]) / math.Sqrt(float64(len(of)))
		r.tell(class.Name, "leakage doubles every", k, "K", fmt.Sprintf("± %.2g K", sigma))
		if described := class.Spec.GetMemory().GetLeakDoublingK(); math.Abs(k-described) > 0.05*k+4*sigma {
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
