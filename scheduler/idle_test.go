package scheduler_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// randomTable is a table of segments at random times with a queue in which each finds its place in time; nil where they
// do not. Task 1 is sporadic.
func randomTable(rng *rand.Rand) *scheduler.Plan {
	const h = 40
	one := &program.Program{Segments: make([][]bus.Op, 1)}
	p := &scheduler.Plan{Hyperperiod: h, Tasks: []scheduler.TaskPlan{
		{Task: &program.Task{}, Program: one},
		{Task: &program.Task{Sporadic: &program.Sporadic{}}, Program: one},
	}}
	var t timetable.Table
	t.Hyperperiod = h
	for at := time.Duration(rng.IntN(6)); len(p.Entries) < 5; {
		e := scheduler.Entry{Task: rng.IntN(2), Job: len(p.Entries), Start: at,
			End: at + 1 + time.Duration(rng.IntN(3))}
		if e.End > h {
			break
		}
		p.Entries = append(p.Entries, e)
		t.Placements = append(t.Placements, timetable.Placement{Start: int64(e.Start), End: int64(e.End)})
		at = e.End + time.Duration(rng.IntN(12))
	}
	if rng.IntN(4) > 0 {
		p.Queue = timetable.Queue{Places: 1 + rng.IntN(4), Ahead: 1 + rng.Int64N(20)}
	}
	if p.Queue.Check(t) != nil {
		return nil
	}
	return p
}

// putIn reports whether a segment may run between two times in a table of which some entries are left out in the middle
// one of many cycles: whether it overlaps nothing and all find their places in the queue.
func putIn(p *scheduler.Plan, from, to time.Duration, leftOut func(int) bool) bool {
	type span struct{ start, end time.Duration }
	all := []span{{from, to}}
	for cycle := time.Duration(-6); cycle <= 6; cycle++ {
		for i, e := range p.Entries {
			if cycle != 0 || !leftOut(i) {
				all = append(all, span{e.Start + cycle*p.Hyperperiod, e.End + cycle*p.Hyperperiod})
			}
		}
	}
	slices.SortFunc(all, func(x, y span) int { return int(x.start - y.start) })
	for i := 1; i < len(all); i++ {
		if all[i].start < all[i-1].end {
			return false
		}
		if k := i - p.Queue.Places; p.Queue.Limits() && k >= 0 &&
			all[i].start < all[k].end+time.Duration(p.Queue.Ahead) {
			return false
		}
	}
	return true
}

// TestIdleIsWhereASegmentMayBePutIn: the idle parts of random tables beside trying every place of one segment more.
func TestIdleIsWhereASegmentMayBePutIn(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	yes, closed := 0, 0
	for range peertest.Cases(100, 20_000) {
		p := randomTable(rng)
		if p == nil {
			continue
		}
		idle := p.Idle()
		for i := range p.Entries {
			for _, unused := range []bool{false, true} {
				if unused && p.Tasks[p.Entries[i].Task].Task.Sporadic == nil {
					continue
				}
				left := func(k int) bool { return unused && k == i }
				first, next := p.Entries[i].End, p.Entries[0].Start+p.Hyperperiod
				if unused {
					first = p.Entries[i].Start
				}
				if i+1 < len(p.Entries) {
					next = p.Entries[i+1].Start
				}
				for from := first; from < next; from++ {
					for to := from + 1; to <= next; to++ {
						want := putIn(p, from, to, left)
						got := slices.ContainsFunc(idle, func(g scheduler.Idle) bool {
							return g.Unused == unused && from >= g.From && to <= g.To
						})
						if got != want {
							t.Fatalf("from %d to %d after entry %d, not used %v: %v, want %v; %+v %+v", from, to, i,
								unused,
								got, want, p.Queue, p.Entries)
						}
						if want {
							yes++
						} else {
							closed++
						}
					}
				}
			}
		}
	}
	if yes < 300 || closed < 300 {
		t.Errorf("%d places, %d closed", yes, closed)
	}
}
