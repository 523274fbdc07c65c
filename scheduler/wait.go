package scheduler

import (
	"slices"
	"time"

	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// CaptureWait is how long an on-demand capture may wait in a timetable.
type CaptureWait struct {
	// Start is the longest from when it is asked for to its beginning, whenever that is; the others are from when it is
	// asked for as well, to its first sample and its end.
	Start, FirstSample, End time.Duration
	// Bounded is false where no gap is long enough unless a reservation is not used.
	Bounded bool
}

// Wait is how long an on-demand program may wait beside a plan, nil where there are no tasks, while no other waits and
// every reservation is used: one that is not can only make it shorter. lead is how long before its beginning it is
// handed over, margin how long before its own start what follows it is; with both 0 the wait is exact. Why is said in
// scheduler/timetable.
func (p *Plan) Wait(o *program.OnDemandPlan, lead, margin time.Duration) CaptureWait {
	w := CaptureWait{Start: lead, Bounded: true}
	if p != nil && len(p.Entries) > 0 {
		longest, fits := timetable.NewWaiting(int64(p.Hyperperiod), p.gapsFor(o.Chips), int64(o.Time), int64(lead),
			int64(margin)).Longest()
		if !fits {
			return CaptureWait{}
		}
		w.Start = time.Duration(longest)
	}
	w.FirstSample, w.End = w.Start+o.FirstSample, w.Start+o.Time
	return w
}

// gapsFor are the idle parts of one cycle over which no job is open that touches some chips.
func (p *Plan) gapsFor(chips []int) []timetable.Gap {
	var out []timetable.Gap
	open := map[int]bool{}
	for i := range p.Entries {
		e := &p.Entries[i]
		open[e.Task] = e.Segment < len(p.Tasks[e.Task].Segments)-1
		next := p.Entries[0].Start + p.Hyperperiod
		if i+1 < len(p.Entries) {
			next = p.Entries[i+1].Start
		}
		if next <= e.End || p.clash(open, chips) {
			continue
		}
		out = append(out, timetable.Gap{From: int64(e.End), To: int64(next)})
	}
	return out
}

func (p *Plan) clash(open map[int]bool, chips []int) bool {
	for task, is := range open {
		if is && slices.ContainsFunc(p.Tasks[task].Task.Touches,
			func(c int) bool { return slices.Contains(chips, c) }) {
			return true
		}
	}
	return false
}
