// Package history keeps what was measured: the last hour second by second, and further back in longer steps. Its
// memory is bounded: a series takes 121 KB after a day, there are at most MaxSeries of them, 46 MB, and those
// of an array as in the demo (33) take 4 MB. Steps without values take none.
package history

import (
	"math"
	"time"
)

// Second is the number of a second since the history began; times in this package are such numbers.
type Second = int64

// tier is one resolution: steps of so many seconds, kept for at least so many steps.
type tier struct{ step, steps int64 }

// tiers begin with the finest; each step divides the next.
var tiers = [...]tier{{1, 3600}, {10, 2160}, {60, 1440}}

// MaxSpan is how far back anything is kept.
const MaxSpan = 24 * time.Hour

// chunk is how many steps stand together. A ring has one chunk more than its steps need, so that all of them are there
// while the newest chunk fills.
const chunk = 60

// Point is what was measured in one step.
type Point struct {
	Mean, Least, Most float32
	// Count of values that it is of; 0 where there was none.
	Count uint32
}

func (p *Point) add(q Point) {
	if q.Count == 0 {
		return
	}
	if p.Count == 0 {
		*p = q
		return
	}
	n := p.Count + q.Count
	p.Mean += (q.Mean - p.Mean) * float32(float64(q.Count)/float64(n))
	p.Least, p.Most, p.Count = min(p.Least, q.Least), max(p.Most, q.Most), n
}

// Series is the history of one quantity. The zero value is empty. It is owned by one goroutine.
type Series struct {
	rings  [len(tiers)][]*points
	newest Second
}

// points are a chunk of steps, and which one it is.
type points struct {
	index int64
	steps [chunk]Point
}

// Add adds a value that was measured in a second, not before that of the last one. One that is no number is left out.
func (s *Series) Add(at Second, value float64) {
	v := float32(value)
	if math.IsNaN(value) || math.IsInf(float64(v), 0) {
		return
	}
	s.newest = at
	for i, t := range tiers {
		s.step(i, at/t.step).add(Point{v, v, v, 1})
	}
}

// step is a step of a tier, to write to.
func (s *Series) step(i int, n int64) *Point {
	if s.rings[i] == nil {
		s.rings[i] = make([]*points, tiers[i].steps/chunk+1)
	}
	ring := s.rings[i]
	index := n / chunk
	place := &ring[index%int64(len(ring))]
	if *place == nil {
		*place = new(points)
	}
	if (*place).index != index { // that of a round before
		**place = points{index: index}
	}
	return &(*place).steps[n%chunk]
}

// at is a step of a tier, to read; empty where it was not kept.
func (s *Series) at(i int, n int64) Point {
	ring := s.rings[i]
	if len(ring) == 0 || n < 0 {
		return Point{}
	}
	held := ring[n/chunk%int64(len(ring))]
	if held == nil || held.index != n/chunk {
		return Point{}
	}
	return held.steps[n%chunk]
}

// Points are the steps of a grid, in the order of time.
func (s *Series) Points(g Grid) []Point {
	out := make([]Point, g.Steps)
	each := g.Seconds / tiers[g.tier].step
	for k := range out {
		for j := range each {
			out[k].add(s.at(g.tier, g.first+int64(k)*each+j))
		}
	}
	return out
}

// Grid is how a span is divided into steps.
type Grid struct {
	// Seconds is how long a step is.
	Seconds int64
	// Steps is how many there are.
	Steps int
	tier  int
	first int64 // step of the tier
}

// First is the first second of the grid; before the beginning of the history it is below zero.
func (g Grid) First() Second { return g.first * tiers[g.tier].step }

// round are the lengths of steps in seconds. Those that a tier is used for are whole numbers of its steps.
var round = [...]int64{1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 21600, 43200, 86400}

// GridOf divides the span of so many seconds that ends with a second into at most so many steps: the shortest that are
// kept so far back. The span is 1 to the seconds of MaxSpan, and there is at least 1 step. Where steps further back
// are longer, the last of the grid may reach beyond the second, to be filled.
func GridOf(now Second, span int64, steps int) Grid {
	g := Grid{}
	for g.tier < len(tiers)-1 && span > tiers[g.tier].step*tiers[g.tier].steps {
		g.tier++
	}
	step := tiers[g.tier].step
	for _, g.Seconds = range round {
		if g.Seconds%step == 0 && (span+g.Seconds-1)/g.Seconds <= int64(steps) {
			break
		}
	}
	g.Steps = int((span + g.Seconds - 1) / g.Seconds)
	g.first = now/step - int64(g.Steps)*(g.Seconds/step) + 1
	return g
}
