package health

import (
	"math"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/budget"
	"facetd.example/scheduler/program"
)

// Expected is what the array's description says of the frames of one view of a chip, in codes.
type Expected struct {
	// LaneNoise is the deviation of one reading of a lane that nothing drives: converter noise and quantisation.
	LaneNoise float64
	// Pattern is the least deviation that the pixels' own fixed pattern makes, over all lights and gains at which
	// nothing clips; 0 where nothing is said of it.
	Pattern float64
	// Noise is the largest temporal noise of one pixel, over the same.
	Noise float64
	// Rails are the codes at which the chip stops following the light.
	Rails []float64
	// Highest is the highest code.
	Highest float64
}

// UndrivenLimit is the largest spread from pixel to pixel, in codes, that is taken for that of an undriven lane.
func (e *Expected) UndrivenLimit() float64 { return 1.5*e.LaneNoise + 0.2 }

// Tells reports whether a chip that drives its lane can be told from one that does not.
func (e *Expected) Tells() bool { return e.Pattern >= leastContrast*e.UndrivenLimit() }

// NoiseLimit is the temporal noise, in codes, above which a chip is called noisy: far above the budget, since a picture
// with fine detail that creeps cannot be told from noise (our choice, no source).
func (e *Expected) NoiseLimit() float64 { return 4*e.Noise + 1 }

// Our choice, no source.
const (
	// leastContrast is how far the pattern of a chip must lie above the undriven limit.
	leastContrast = 2.5
	// leastPixels is of how many pixels a spread is judged.
	leastPixels = 32
	// railFraction is how near to a rail, as a part of the converter's range, nothing is concluded from even pixels.
	railFraction = 0.02
)

// lights are those at which a class is worked out, in lux: from a moonless night to the sun.
var lights = [...]float64{1e-9, 1e-3, 1e-2, 0.1, 1, 10, 100, 1e3, 1e4, 1e5, 1e9}

// Views works out what to expect of every view that is read of a chip, by name.
func Views(a *chipmodel.Array, chip int, specs []*facetdv1.View) (map[string]*Expected, error) {
	class := a.Chips[chip].Class
	views, err := program.ResolveViews(a, class, specs)
	if err != nil {
		return nil, err
	}
	out := map[string]*Expected{}
	var before []budget.Share // views of one load work on what those before them left
	for i := range views {
		v := &views[i]
		for _, s := range v.Shares {
			before = append(before, budget.Share{Columns: s.Columns, Rows: s.Rows})
		}
		e, m := expect(a, chip, budget.Conditions{Shares: before, Columns: v.Patterns.Columns, Rows: v.Patterns.Rows,
			Exposure: v.Exposure})
		if len(m) > 0 {
			return nil, m
		}
		out[v.Name] = e
	}
	return out, nil
}

// expect adds the budget up at every light and gain.
func expect(a *chipmodel.Array, chip int, c budget.Conditions) (*Expected, invalid.Errors) {
	lane := &a.Lanes[a.Chips[chip].Lane]
	step := lane.StepVolts()
	e := &Expected{
		LaneNoise: math.Hypot(lane.Spec.GetConverter().GetNoiseVolts()/step, 1/math.Sqrt(12)),
		Pattern:   math.Inf(1), Highest: math.Exp2(float64(lane.Bits)) - 1,
	}
	for c.GainIndex = range max(len(a.Chips[chip].Class.Spec.GetAmplifier().GetGains()), 1) {
		for _, c.Lux = range lights {
			b, m := budget.New(a, chip, c)
			if len(m) > 0 {
				return nil, m
			}
			if b.Saturation.By != "" {
				e.Rails = append(e.Rails, lane.CodeOf(b.SignalVolts))
				continue
			}
			e.Noise = max(e.Noise, b.Random.Codes)
			var squares float64
			for _, t := range b.Terms {
				if t.Nature == budget.Fixed {
					squares += t.Codes * t.Codes
				}
			}
			e.Pattern = min(e.Pattern, math.Sqrt(squares))
		}
	}
	if math.IsInf(e.Pattern, 1) {
		e.Pattern = 0
	}
	e.Noise = max(e.Noise, e.LaneNoise)
	return e, nil
}

// onRail reports whether a mean code is where the chip stops following the light, or at an end of the converter.
func (e *Expected) onRail(mean float64) bool {
	near := railFraction * e.Highest
	for _, rail := range e.Rails {
		if math.Abs(mean-rail) < near {
			return true
		}
	}
	return mean < 1 || mean > e.Highest-1
}
