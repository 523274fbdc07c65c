package stream

import (
	"sync"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Corrector corrects frame sets for the subscribers that want it.
type Corrector interface {
	// Begin is called by Publish, on the goroutine that owns the bus, and must be quick:
	// it notes what a later correction needs to know. What it returns makes a corrected
	// copy; it is called at most once, on the goroutine of a reader.
	Begin(*facetdv1.FrameSet) func() *facetdv1.FrameSet
}

// SetCorrector sets the hub's corrector. Call it before the first Publish. Without one, subscribers
// that want corrected frames get them as they are.
func (h *Hub) SetCorrector(c Corrector) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.corrector = c
}

// correctedOnce is the correction of a frame set that its first reader makes and all share;
// nil where nobody wants it. The caller holds mu.
func (h *Hub) correctedOnce(fs *facetdv1.FrameSet) func() *facetdv1.FrameSet {
	if h.corrector == nil {
		return nil
	}
	for _, s := range h.subs {
		if s.corrected && s.filter.wants(fs) {
			return sync.OnceValue(h.corrector.Begin(fs))
		}
	}
	return nil
}

// correctedOf is the correction for this subscriber, nil where it wants none.
func (s *Subscription) correctedOf(once func() *facetdv1.FrameSet) func() *facetdv1.FrameSet {
	if !s.corrected {
		return nil
	}
	return once
}
