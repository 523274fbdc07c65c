package dispatch

import (
	"slices"
	"time"

	"facetd.example/scheduler"
)

// gap is an idle stretch of a timetable, with those of plan.Tasks whose jobs are
// open over it.
type gap struct {
	length time.Duration
	open   []int
}

type gapList []gap

// gapsOf lists the idle stretches of one cycle, the one over its end included.
func gapsOf(p *scheduler.Plan) gapList {
	var gaps gapList
	open := map[int]bool{}
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Segment == len(p.Tasks[e.Task].Segments)-1 {
			delete(open, e.Task)
		} else {
			open[e.Task] = true
		}
		next := p.Entries[0].Start + p.Hyperperiod
		if i+1 < len(p.Entries) {
			next = p.Entries[i+1].Start
		}
		if length := next - e.End; length > 0 {
			g := gap{length: length}
			for task := range open {
				g.open = append(g.open, task)
			}
			gaps = append(gaps, g)
		}
	}
	return gaps
}

// longest is the longest gap over which no open job touches the chips.
func (gs gapList) longest(p *scheduler.Plan, chips []int) time.Duration {
	var most time.Duration
	for _, g := range gs {
		clash := slices.ContainsFunc(g.open, func(task int) bool { return overlap(p.Tasks[task].Task.Touches, chips) })
		if !clash {
			most = max(most, g.length)
		}
	}
	return most
}

// overlap reports whether two ascending lists share a member.
func overlap(a, b []int) bool {
	for i, j := 0, 0; i < len(a) && j < len(b); {
		switch {
		case a[i] == b[j]:
			return true
		case a[i] < b[j]:
			i++
		default:
			j++
		}
	}
	return false
}
