package environment

import (
	"math"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel/scene"
)

// truth is how a scene really moves at a bus time.
func (s *Service) truth(is scene.Scene, at bus.Time) *facetdv1.MotionTruth {
	t, moves := scene.TruthAt(is, at)
	if !moves {
		return nil
	}
	out := &facetdv1.MotionTruth{RateRadPerS: t.RateRadPerS[:], VelocityMPerS: t.VelocityMPerS[:]}
	if s.cfg.Array == nil {
		return out
	}
	for i := range s.cfg.Array.Chips {
		c := &s.cfg.Array.Chips[i]
		if c.Class == nil {
			continue // its optics are not known
		}
		sees := scene.SeesAt(is, c.Camera(), 0, 0, at)
		out.Chips = append(out.Chips, &facetdv1.ChipTruth{Chip: c.Name, DistanceM: unlessFar(sees.DistanceM),
			ContactS: unlessFar(sees.ContactS)})
	}
	return out
}

// unlessFar is a value for a field that is unset where it is infinite.
func unlessFar(v float64) *float64 {
	if math.IsInf(v, 0) {
		return nil
	}
	return &v
}
