package scheduler

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// windows are the parts of a sporadic task's deadline within which each of its reservations is placed, as sixteenths:
// the shorter, the fewer reservations there are, and the harder they are to place. Half is the most that helps.
var windows = []int64{2, 4, 6, 8}

// buildSporadic is Build for tasks of which some are sporadic: the plan with the fewest reservations of those that are
// tried. Why reservations so far apart keep the deadlines is said in scheduler/timetable.
func buildSporadic(a *chipmodel.Array, tasks []*program.Task, opt Options) (*Plan, error) {
	w := program.NewWords(a)
	var last *refusedWith
	for _, sixteenths := range windows {
		reserving, refusal := reserve(w, tasks, opt, sixteenths)
		if refusal != nil {
			return nil, (&planner{compiled: &compiled{array: a}}).refused(refusal)
		}
		if reserving == nil {
			continue // a job takes longer than the window
		}
		try := opt
		try.adviceAlone = true
		if sixteenths != windows[len(windows)-1] {
			try.states = stretchStates
		}
		plan, err := build(w, reserving, try)
		if err == nil {
			return plan, kept(plan)
		}
		r, refused := err.(*RefusalError)
		if !refused {
			return nil, err
		}
		// The wider the window, the more is left of the bus, until there are too many reservations.
		if last == nil || r.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION {
			last = &refusedWith{r.Refusal, reserving}
		}
	}
	last.name()
	if !opt.NoRemedies {
		last.remedy(w, tasks, opt)
	}
	return nil, &RefusalError{last.refusal}
}

// refusedWith is a refusal of tasks with their reservations.
type refusedWith struct {
	refusal   *facetdv1.Refusal
	reserving []*program.Task
}

// name adds which reservations were looked for.
func (r *refusedWith) name() {
	var each []string
	for _, t := range r.reserving {
		if t.Sporadic != nil {
			every, _ := t.Period.Float64()
			each = append(each, fmt.Sprintf("one for %s every %s", t.Name, Millis(time.Duration(every))))
		}
	}
	r.refusal.Message += " (with reservations: " + strings.Join(each, ", ") + ")"
}

// remedy adds what would fit.
func (r *refusedWith) remedy(w *program.Words, tasks []*program.Task, opt Options) {
	addDeadlines(w, tasks, opt, r.refusal)
	if p, refusal := newPlanner(w, r.reserving, opt); refusal == nil {
		newRemedies(p).suggest(r.refusal)
	}
}

func anySporadic(tasks []*program.Task) bool {
	return slices.ContainsFunc(tasks, func(t *program.Task) bool { return t.Sporadic != nil })
}

// reserve gives every sporadic task reservations of windows of some sixteenths of its deadline. It returns nil where a
// job is longer than that and a wider window is still to be tried, and a refusal for what no reservations can do.
func reserve(w *program.Words, tasks []*program.Task, opt Options, sixteenths int64) ([]*program.Task,
	*facetdv1.Refusal) {
	c, refusal := compileTasks(w, tasks)
	if refusal != nil {
		return nil, refusal
	}
	grain := int64(w.Array().Grain())
	var most, window []int64 // periods of the sporadic tasks at most, and windows
	var least float64
	for i, t := range tasks {
		if t.Sporadic == nil {
			least += c.whole[i].Total().Seconds() * t.RateHz
			continue
		}
		job, deadline := int64(c.whole[i].Total()), int64(t.Sporadic.Deadline-opt.TriggerLead)
		if 2*job > deadline {
			return nil, jobTooLong(t, job, opt.TriggerLead)
		}
		least += float64(job) / float64(deadline-job)
		d := max(down(deadline*sixteenths/16, grain), grain)
		if d < job {
			if sixteenths < windows[len(windows)-1] {
				return nil, nil
			}
			d = job
		}
		window, most = append(window, d), append(most, max(down(deadline-d, grain), grain))
	}
	if least > 1 {
		return nil, &facetdv1.Refusal{
			Reason: facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION, Utilization: least,
			NeededNs: int64(least * 1e9), AvailableNs: 1e9,
			Message: fmt.Sprintf("the tasks and the fewest reservations that keep the deadlines of the sporadic ones "+
				"ask for %.1f %% of the bus", 100*least),
		}
	}
	h := periodicTable(w.Array(), tasks, opt, slices.Min(most))
	out := slices.Clone(tasks)
	for i, t := range tasks {
		if t.Sporadic != nil {
			out[i] = t.Reserving(timetable.ReservationPeriod(h, most[0]), time.Duration(window[0]))
			most, window = most[1:], window[1:]
		}
	}
	return out, nil
}

// jobTooLong refuses a sporadic task of whose jobs a deadline does not have room for two: the one that a trigger has
// just missed, and its own.
func jobTooLong(t *program.Task, job int64, lead time.Duration) *facetdv1.Refusal {
	r := &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, Task: t.Name,
		NeededNs: 2*job + int64(lead), AvailableNs: int64(t.Sporadic.Deadline),
		Message: fmt.Sprintf("reading %s takes %s, and a trigger may just miss one reservation: a deadline of twice "+
			"that is needed, but it is %s", t.Name, ticks(job), Millis(t.Sporadic.Deadline)),
	}
	if lead > 0 {
		r.Message += fmt.Sprintf(", of which the way to the bus takes %s", Millis(lead))
	}
	return r
}

// periodicTable is the length of the table of the tasks with a rate alone, where it is exact; otherwise, and where
// there are none, the length given for that.
func periodicTable(a *chipmodel.Array, tasks []*program.Task, opt Options, none int64) int64 {
	var periods []*big.Rat
	var deadlines []time.Duration
	for _, t := range tasks {
		if t.Sporadic == nil {
			periods, deadlines = append(periods, t.Period), append(deadlines, t.Deadline)
		}
	}
	if len(periods) > 0 {
		c, ok := newTiming(periods, deadlines, a.Grain()).exact(opt.MaxHyperperiod, int64(opt.MaxSegments))
		if ok {
			return c.hyperperiod
		}
	}
	return none
}

// kept completes what a plan predicts of its sporadic tasks, from the table alone. It returns an error where one does
// not keep its deadline, which the planner then placed wrongly.
func kept(p *Plan) error {
	for i := range p.Tasks {
		t := &p.Tasks[i]
		s := t.Task.Sporadic
		if s == nil {
			continue
		}
		r := p.Response(i)
		if time.Duration(r.Worst) > s.Deadline {
			return &InternalError{fmt.Sprintf("a trigger of %s may wait for %s, longer than its deadline of %s",
				t.Task.Name, ticks(r.Worst), Millis(s.Deadline))}
		}
		m := p.Message.Predictions[t.Members[0].Asked]
		m.RequestedRateHz, m.LeastIntervalNs = 0, int64(s.LeastInterval)
		m.WorstResponseNs, m.BestResponseNs = r.Worst, r.Best
		m.LeastSlackNs = int64(s.Deadline) - r.Worst
		m.JitterNs = r.Distance
		m.LongestReservationDistanceNs = r.Distance
		// What comes while a table is initialized is handed over once the result of that is there.
		m.WorstResponseInChangeNs = r.Worst + int64(p.InitializationTime) + p.Queue.Ahead
	}
	return nil
}

// Reservations are those of a bus job of a sporadic task in one hyperperiod, in order; nil for other tasks.
func (p *Plan) Reservations(task int) []timetable.Reservation {
	t := &p.Tasks[task]
	if t.Task.Sporadic == nil {
		return nil
	}
	out := make([]timetable.Reservation, t.JobsPerCycle)
	for i := range p.Entries {
		e := &p.Entries[i]
		if e.Task != task {
			continue
		}
		if e.Segment == 0 {
			out[e.Job].Start = int64(e.Start)
		}
		out[e.Job].End = int64(e.End)
	}
	return out
}

// Response is what the triggers of a sporadic task, by its index in Tasks, get: exactly, over all times at which one
// may come while the table is active. See timetable.SporadicResponse.
func (p *Plan) Response(task int) timetable.TriggerResponse {
	return timetable.SporadicResponse(int64(p.Hyperperiod), int64(p.TriggerLead), p.Reservations(task))
}

// deadlineTries is how often a longer deadline is tried for a refusal.
const deadlineTries = 8

// addDeadlines adds to a refusal, for every sporadic task, a longer deadline with which all tasks fit, the others as
// asked. It is doubled until they do.
func addDeadlines(w *program.Words, tasks []*program.Task, opt Options, refusal *facetdv1.Refusal) {
	opt.NoRemedies, opt.states = true, rateStates
	for i, t := range tasks {
		if t.Sporadic == nil {
			continue
		}
		out := &facetdv1.FittingRate{Task: t.Name}
		longer := t.Sporadic.Deadline
		for range deadlineTries {
			if longer *= 2; longer > time.Hour {
				break
			}
			others := slices.Clone(tasks)
			own := *t
			own.Sporadic = &program.Sporadic{Deadline: longer,
				LeastInterval: max(longer, t.Sporadic.LeastInterval)}
			others[i] = &own
			if _, err := buildSporadic(w.Array(), others, opt); err == nil {
				out.DeadlineNs = int64(longer)
				break
			}
		}
		refusal.FittingRates = append(refusal.FittingRates, out)
	}
}
