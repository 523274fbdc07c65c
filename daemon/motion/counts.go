package motion

import (
	"slices"
	"sync/atomic"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Counts are how often chips told something, and why not, over all streams. Its zero value is ready, for any goroutine.
type Counts struct {
	by            [8]atomic.Uint64 // by MotionReason
	dropped, lost atomic.Uint64
	open          atomic.Int64
}

// Stats are counts at one time.
type Stats struct {
	// Open is how many streams there are.
	Open int
	// Estimates is how often a chip's pair of frames told something; Refused how often not, by reason.
	Estimates uint64
	Refused   map[string]uint64
	// Dropped counts estimates for which no client had room, Lost frame sets that were not compared in time.
	Dropped, Lost uint64
}

func (c *Counts) add(r facetdv1.MotionReason) { c.by[r].Add(1) }

// Stats returns the counts.
func (c *Counts) Stats() Stats {
	s := Stats{Open: int(c.open.Load()), Estimates: c.by[0].Load(), Refused: map[string]uint64{},
		Dropped: c.dropped.Load(), Lost: c.lost.Load()}
	for r := 1; r < len(c.by); r++ {
		s.Refused[name(facetdv1.MotionReason(r))] = c.by[r].Load()
	}
	return s
}

// Reasons are the names of all reasons, sorted.
func Reasons() (out []string) {
	for r := range facetdv1.MotionReason_name {
		if r > 0 {
			out = append(out, name(facetdv1.MotionReason(r)))
		}
	}
	slices.Sort(out)
	return out
}
