package motion

import (
	"math"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/motion"
)

func vector(v motion.Vector, by float64) []float64 {
	return []float64{v[0] * by, v[1] * by, v[2] * by}
}

func matrix(m motion.Matrix3, by float64) []float64 {
	out := make([]float64, 0, 9)
	for _, row := range m {
		for _, v := range row {
			out = append(out, v*by)
		}
	}
	return out
}

// finite is a number that JSON has.
func finite(v float64) float64 { return min(v, math.MaxFloat64) }

func bodyMessage(b *motion.Body, frames []*facetdv1.Frame) *facetdv1.BodyMotion {
	out := &facetdv1.BodyMotion{Told: b.Told}
	if !b.Told {
		return out
	}
	out.RotationOnly, out.ChiSquared = b.RotationOnly, b.ChiSquared
	out.RateRadPerS, out.RateCovariance = vector(b.Rate, 1), matrix(b.RateCovariance, 1)
	if !b.RotationOnly {
		out.Heading, out.HeadingCovariance = vector(b.Heading, 1), matrix(b.HeadingCovariance, 1)
	}
	if b.ContactSeconds > 0 {
		contact, sd := b.ContactSeconds, math.Sqrt(b.ContactVariance)
		out.ContactS, out.ContactSdS = &contact, &sd
	}
	for i := range b.Chips {
		c := &b.Chips[i]
		near := &facetdv1.ChipNearness{Chip: frames[i].GetChip(), LeftOut: c.LeftOut, ChiSquared: c.ChiSquared}
		if !c.LeftOut && c.Variance > 0 {
			nearness, sd := c.Nearness, math.Sqrt(c.Variance)
			near.NearnessPerS, near.NearnessSdPerS = &nearness, &sd
			if c.ContactSeconds > 0 {
				contact := c.ContactSeconds
				near.ContactS = &contact
			}
		}
		out.Chips = append(out.Chips, near)
	}
	return out
}
