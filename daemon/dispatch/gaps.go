package dispatch

import (
	"maps"
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

// gapsOf lists the idle stretches of one cycle, the one over its end included, and those that there are when one
// reservation is not used, which is known at its start.
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
		gaps = gaps.with(next-e.End, open)
		if p.Tasks[e.Task].Task.Sporadic != nil && e.Segment == 0 {
			gaps = gaps.with(afterUnused(p, i)-e.Start, without(open, e.Task))
		}
	}
	return gaps
}

// with is the list with one more stretch, where it has a length.
func (gs gapList) with(length time.Duration, open map[int]bool) gapList {
	if length <= 0 {
		return gs
	}
	g := gap{length: length}
	for task := range open {
		g.open = append(g.open, task)
	}
	return append(gs, g)
}

func without(open map[int]bool, task int) map[int]bool {
	out := maps.Clone(open)
	delete(out, task)
	return out
}

// afterUnused is the start of what comes after a reservation that is not used, by the index of its first entry.
func afterUnused(p *scheduler.Plan, i int) time.Duration {
	job := &p.Entries[i]
	for k := 1; k < len(p.Entries); k++ {
		e := &p.Entries[(i+k)%len(p.Entries)]
		cycle := time.Duration((i+k)/len(p.Entries)) * p.Hyperperiod
		if e.Task != job.Task || e.Job != job.Job || cycle > 0 {
			return e.Start + cycle
		}
	}
	return job.Start + p.Hyperperiod // it is alone
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
