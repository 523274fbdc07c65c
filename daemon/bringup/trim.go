package bringup

import (
	"context"
	"fmt"

	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

// movable reports whether registers of a class move the level of its output.
func movable(c *chipmodel.Class) bool {
	return c.HasRegister(chipmodel.PixelBias) || c.HasRegister(chipmodel.Gain)
}

// trim finds the gain, offset and bias that use most of the converter's range.
func (e *engine) trim(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "chips with bias or gain registers", movable)
	if err != nil {
		return err
	}
	points := map[int][]measure.TrimPoint{}
	lights := []struct{ scene, ask string }{
		{darkScene, "Cover the array, or give it the darkest scene that it is to see. Is it done?"},
		{fmt.Sprintf("uniform:%g", uniformLux),
			"Light the array evenly, as bright as anything that it is to see. Is it done?"},
	}
	for k, l := range lights {
		if err := e.light(ctx, l.scene, l.ask); err != nil {
			return err
		}
		for i, c := range chips {
			e.progress((float64(k)+float64(i)/float64(len(chips)))/2, "chip %s: gains, offsets and biases", e.name(c))
			for _, s := range measure.TrimGrid(e.a, c) {
				p, err := e.trimPoint(ctx, c, s, k == 1)
				if err != nil {
					return err
				}
				points[c] = append(points[c], p)
			}
		}
	}
	chart := &measure.Chart{Title: "Dark and lit levels over the offset register, nominal bias", X: "offset register",
		Y: "mean code"}
	for _, c := range chips {
		best, ok := measure.ChooseTrim(e.a, c, points[c])
		if !ok {
			measure.JudgeUntrimmable(r, c)
			continue
		}
		got, err := e.trimPoint(ctx, c, best.Trim, true)
		if err != nil {
			return err
		}
		measure.JudgeTrim(r, c, best, got)
		for _, lit := range []bool{false, true} {
			for g := range measure.Gains(e.a.Chips[c].Class) {
				chart.Series = append(chart.Series, trimLine(e.name(c), g, lit, points[c]))
			}
		}
	}
	r.Chart(chart)
	r.Conclude("a trim is proposed for " + r.Of(len(chips), all) + " that have one")
	return nil
}

func trimLine(name string, gain int, lit bool, points []measure.TrimPoint) measure.Series {
	s := measure.Series{Name: fmt.Sprintf("%s g%d dark", name, gain)}
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

func (e *engine) trimPoint(ctx context.Context, c int, s measure.Trim, lit bool) (measure.TrimPoint, error) {
	captures, err := e.program(ctx, e.p.Trimmed(c, s, measure.Spread(e.a.Chips[c].Class, 128)))
	if err != nil {
		return measure.TrimPoint{}, err
	}
	if len(captures) == 0 {
		return measure.TrimPoint{}, skipf("chip %s gave no capture", e.name(c))
	}
	st := measure.StatsOf(captures[0].Codes, e.lane(c).Bits)
	return measure.TrimPoint{Trim: s, Lit: lit, Mean: st.Mean, Lowest: float64(st.Lowest),
		Highest: float64(st.Highest)}, nil
}
