package bringup

import (
	"context"
	"fmt"
	"math"
	"strings"

	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

// movable reports whether registers of a class move the level of its output.
func movable(c *chipmodel.Class) bool {
	return c.HasRegister(chipmodel.PixelBias) || c.HasRegister(chipmodel.Gain)
}

// trim looks for the gain, offset and bias that use most of the converter.
func (e *engine) trim(ctx context.Context, r *report) error {
	chips, err := e.chips("chips with bias or gain registers", movable)
	if err != nil {
		return err
	}
	points := map[int][]measure.TrimPoint{}
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
			for _, s := range measure.TrimGrid(e.a, c) {
				p, err := e.trimPoint(ctx, c, s, k == 1)
				if err != nil {
					return err
				}
				points[c] = append(points[c], p)
			}
		}
	}
	chart := &measure.Chart{Title: "Dark and lit levels over the offset register, nominal bias", X: "offset register", Y: "mean code"}
	for _, c := range chips {
		best, ok := measure.ChooseTrim(e.a, c, points[c])
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
			for g := range measure.Gains(e.a.Chips[c].Class) {
				chart.Series = append(chart.Series, trimLine(e.name(c), g, lit, points[c]))
			}
		}
	}
	r.chart(chart)
	r.conclude("a trim is proposed for every chip that has one")
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
	return measure.TrimPoint{Trim: s, Lit: lit, Mean: st.Mean, Lowest: float64(st.Lowest), Highest: float64(st.Highest)}, nil
}

func (e *engine) judgeTrim(r *report, c int, best measure.TrimChoice, got measure.TrimPoint) {
	full := math.Exp2(float64(e.lane(c).Bits))
	class := e.a.Chips[c].Class
	var settings []string
	if class.HasRegister(chipmodel.Gain) {
		r.tell(e.name(c), "best gain register", float64(best.Gain), "", fmt.Sprintf("gain %g", class.Spec.GetAmplifier().GetGains()[best.Gain]))
		r.tell(e.name(c), "best offset register", float64(best.Offset), "", "")
		settings = append(settings, fmt.Sprintf("gain_index: %d, offset: %d", best.Gain, best.Offset))
	}
	if class.HasRegister(chipmodel.PixelBias) {
		r.tell(e.name(c), "best pixel bias register", float64(best.PixelBias), "", "")
		settings = append(settings, fmt.Sprintf("pixel_bias: %d", best.PixelBias))
	}
	r.add(e.name(c), "span from dark to lit", 100*best.Span/full, "% of the converter", 10, none, warn, "most of the converter lies idle")
	r.add(e.name(c), "lowest pixel, lit, checked with this setting", got.Lowest, "codes", 1, full-2, warn, "clipped")
	r.add(e.name(c), "highest pixel, lit, checked with this setting", got.Highest, "codes", 1, full-2, warn, "clipped")
	r.act("Chip %s: put trim: {%s} into the views of its tasks.", e.name(c), strings.Join(settings, ", "))
}
