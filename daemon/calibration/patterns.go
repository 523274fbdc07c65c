package calibration

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/calibration/correction"
)

// ChipMap is the active correction map of a chip for one view.
type ChipMap struct {
	Chip string
	Map  *correction.Map
}

// MapsFor returns the active correction maps for the view of a raw frame of a task: that of the frame's own chip, nil
// where there is none, and those of all other chips of its class, in no order.
func (s *Maps) MapsFor(task string, f *facetdv1.Frame) (own *correction.Map, others []ChipMap) {
	view, known := (*s.views.Load())[task][f.GetView()]
	if !known {
		return nil, nil
	}
	settings := view.of(f)
	for k, m := range *s.active.Load() {
		c := s.cfg.Array.Chip(k.chip)
		switch {
		case k.settings != settings || c < 0 || s.cfg.Array.Chips[c].Class != view.class:
		case k.chip == f.GetChip():
			own = m.cmap
		default:
			others = append(others, ChipMap{k.chip, m.cmap})
		}
	}
	return own, others
}

// Described are all active correction maps as they are now, without their numbers.
func (s *Maps) Described() []*facetdv1.CorrectionMap {
	var out []*facetdv1.CorrectionMap
	for _, m := range s.inOrder() {
		out = append(out, s.shown(m))
	}
	return out
}

// MaxAge is how old a correction map may be.
func (s *Maps) MaxAge() time.Duration { return s.cfg.MaxAge }
