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
	for _, idle := range p.Idle() {
		if !idle.Unused && !p.Clash(idle.Open, chips) {
			out = append(out, timetable.Gap{From: int64(idle.From), To: int64(idle.To)})
		}
	}
	return out
}

// Clash reports whether one of some bus jobs, by index in Tasks, touches one of some chips.
func (p *Plan) Clash(tasks, chips []int) bool {
	return slices.ContainsFunc(tasks, func(task int) bool {
		return slices.ContainsFunc(p.Tasks[task].Task.Touches,
			func(c int) bool { return slices.Contains(chips, c) })
	})
}
