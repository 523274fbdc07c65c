package bringup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/fit"
)

const (
	skewLoads = 40
	// skewRest is a rest in which pixels in usual light have followed it.
	skewRest = 2 * time.Millisecond
	// skewSpread is over what loads are spread by the golden section, so that they meet
	// all phases of a lamp of 100 or 120 Hz whatever else takes time.
	skewSpread = 10 * time.Millisecond
)

// skew compares when chips sample the light of a lamp that flickers.
func (e *engine) skew(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "memory chips", hasMemory)
	if err != nil {
		return err
	}
	if len(chips) < 2 {
		return skipf("one memory chip alone has nothing to be compared with")
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g | flicker:mains=50,depth=0.5", uniformLux),
		"Light all chips evenly with a lamp that flickers at twice the mains (a filament lamp, or a lamp of poor "+
			"make). Is it on?"); err != nil {
		return err
	}
	together, alone, err := e.loads(ctx, chips)
	if err != nil {
		return err
	}
	at, single, hz, err := e.lags(chips, together, alone)
	var few *fit.ConditionError
	if errors.As(err, &few) {
		measure.JudgeCondition(r, few)
		r.Conclude("")
		return nil
	}
	if err != nil {
		return err
	}
	if !measure.JudgeFlicker(r, at) {
		r.Conclude("")
		return nil
	}
	chart := &measure.Chart{Title: fmt.Sprintf("Light at each load over the phase of %g Hz", hz), X: "phase, periods",
		Y: "mean code"}
	for i, d := range at {
		measure.JudgeDelay(r, d, single[i], hz)
		line := measure.Series{Name: e.name(d.Chip), Dots: true}
		for k, t := range together.times[i] {
			line.X = append(line.X, math.Mod(float64(t)*1e-9*hz, 1))
			line.Y = append(line.Y, together.levels[i][k])
		}
		chart.Series = append(chart.Series, line)
	}
	r.Chart(chart)
	r.Conclude(r.Of(len(chips), all) + " with memory sample together when they are loaded together")
	return nil
}

// lags are the delays of chips that load together and of each alone, and the frequency of
// the lamp: twice 50 Hz, or twice 60 Hz where that fits better by far.
func (e *engine) lags(chips []int, together, alone loaded) (at, single []measure.Delay, hz float64, err error) {
	hz = 100
	at, err = measure.Delays(e.a, chips, together.times, together.levels, hz)
	other, otherErr := measure.Delays(e.a, chips, together.times, together.levels, 120)
	if err = errors.Join(err, otherErr); err != nil {
		return nil, nil, 0, err
	}
	if measure.Amplitude(other) > 1.5*measure.Amplitude(at) {
		hz, at = 120, other
	}
	single, err = measure.Delays(e.a, chips, alone.times, alone.levels, hz)
	return at, single, hz, err
}

// loaded is what loads showed: bus times and mean codes by chip and load.
type loaded struct {
	times  [][]bus.Time
	levels [][]float64
}

func (l *loaded) add(chip int, c *bus.Capture) {
	l.times[chip] = append(l.times[chip], c.Light)
	l.levels[chip] = append(l.levels[chip], measure.Mean(c.Codes))
}

// loads loads chips together and each by itself, in turn, at phases of a lamp that
// spread over its periods.
func (e *engine) loads(ctx context.Context, chips []int) (together, alone loaded, err error) {
	n := len(chips)
	together = loaded{make([][]bus.Time, n), make([][]float64, n)}
	alone = loaded{make([][]bus.Time, n), make([][]float64, n)}
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
		if err := e.rest(ctx, skewRest+time.Duration(math.Mod(float64(k)*math.Phi,
			1)*float64(skewSpread))); err != nil {
			return together, alone, err
		}
	}
	return together, alone, nil
}

func (e *engine) temperatureOffset() float64 {
	if e.before == nil {
		return 0
	}
	return e.before.GetTemperatureOffsetK()
}

func temperatureOffset(k float64) *facetdv1.SetSceneRequest {
	return &facetdv1.SetSceneRequest{TemperatureOffsetK: &k}
}
