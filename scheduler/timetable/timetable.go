// Package timetable decides whether jobs fit on one bus without preemption, and proves it: with a table that an
// independent checker accepts, or with a witness in numbers why there is none. Past a cap of work it says that it does
// not know: it never calls a set infeasible without proof.
//
// Plan takes jobs, cut into segments by the caller, that may hold resources and be limited in their spans; PlanPeriodic
// takes periodic tasks. Both climb one ladder and name the rung that decided: quick refusals (utilization, windows,
// gaps, demand), the test for any phase (periodic tasks only), non-preemptive EDF over the hyperperiod, and an exact
// search that may leave the bus idle although work waits, which EDF never does and some sets need. Where the search
// ends at its cap, an EDF that looks ahead is tried last; it can only find a table.
//
// MinStretch says by how much periods must grow to fit. FixedPriority and Assign are for jobs under fixed priorities,
// as on a serial bus.
//
// It is pure. Times are int64 ticks, nanoseconds in facetd, of at most 2^60.
package timetable

import (
	"cmp"
	"fmt"
	"math/big"
	"slices"
	"time"
)

// Task is an abstract periodic task; all tasks are released together at 0.
type Task struct {
	Name string
	// Cost of a job, and its period. Deadline is relative to the release; 0 means
	// one period, and it may not be longer.
	Cost, Period, Deadline int64
}

func (t Task) deadline() int64 {
	if t.Deadline == 0 {
		return t.Period
	}
	return t.Deadline
}

// Job is one release of a task, cut into segments that run in order. Nothing
// interrupts a segment; other jobs may run between two of them.
type Job struct {
	Task, Number int
	// Release and Deadline are absolute; the deadline is within the hyperperiod.
	Release, Deadline int64
	// Costs of the segments, each above 0.
	Costs []int64
	// Resources are held from the start of the first segment to the end of the
	// last: no segment of another job that shares one may run in between.
	Resources []int
	// Within limits, for each segment, how long after the start of the job's first
	// segment it may end; 0 is no limit. nil is none at all.
	Within []int64
}

func (j *Job) total() int64 {
	var sum int64
	for _, c := range j.Costs {
		sum = saturated(sum, c)
	}
	return sum
}

func (j *Job) within(segment int) int64 {
	if j.Within == nil {
		return 0
	}
	return j.Within[segment]
}

// Placement is one segment in a table.
type Placement struct {
	Task, Number, Segment int
	Start, End            int64
}

// Table gives every segment of one hyperperiod its start, in order; it repeats.
type Table struct {
	Hyperperiod int64
	Placements  []Placement
}

// Verdict is what was decided.
type Verdict int

// The verdicts.
const (
	Unknown Verdict = iota
	Feasible
	Infeasible
)

func (v Verdict) String() string {
	switch v {
	case Feasible:
		return "feasible"
	case Infeasible:
		return "infeasible"
	default:
		return "unknown"
	}
}

// Witness says why a set does not fit, or was not decided.
type Witness struct {
	// Message is one sentence with the tasks' names and the numbers.
	Message string
	// Task that does not fit, and Other that is in its way; empty where none is.
	Task, Other string
	// Needed and Available, in ticks.
	Needed, Available int64
}

// Result is the outcome of a plan.
type Result struct {
	Verdict Verdict
	// Method names the test or search that decided.
	Method string
	// Table is empty unless the verdict is Feasible. It is empty then too where
	// MethodAnyPhase accepts tasks whose hyperperiod has too many jobs to lay out.
	Table Table
	// Witness is nil when the verdict is Feasible.
	Witness *Witness
	// Utilization is the cost of all jobs over the hyperperiod.
	Utilization *big.Rat
	// States is how many states the exact search visited.
	States int
}

// Options limit the work. The zero value is the default.
type Options struct {
	// States is the most states that the exact search visits; 0 means 400,000, which
	// takes about half a second and 250 MB. 1 leaves the search out.
	States int
	// Jobs is the most jobs of a hyperperiod that PlanPeriodic lays out; 0 means
	// 200,000.
	Jobs int
	// Queue is that of the bus. Plan alone knows it; a table of another function may find too few places.
	Queue Queue
	// Ticks writes a time into messages; nil writes nanoseconds as a duration.
	Ticks func(int64) string
}

const (
	defaultStates = 400_000
	defaultJobs   = 200_000
)

func (o Options) states() int {
	if o.States == 0 {
		return defaultStates
	}
	return o.States
}

func (o Options) time(t int64) string {
	if o.Ticks != nil {
		return o.Ticks(t)
	}
	return time.Duration(t).String()
}

// The methods that decide, in the order in which they are tried.
const (
	MethodUtilization = "utilization"
	MethodWindow      = "job against its window"
	MethodDemand      = "demand bound"
	MethodGap         = "segment against another task's gaps"
	MethodQueue       = "segments against the queue of the bus"
	MethodAnyPhase    = "any-phase test for non-preemptive EDF"
	MethodEDF         = "non-preemptive EDF over the hyperperiod"
	MethodSearch      = "exact search with inserted idle time"
	MethodLookahead   = "non-preemptive EDF that looks ahead"
	MethodCap         = "search ended at its cap"
)

// InputError is the error of a set of jobs or tasks that is not valid.
type InputError struct{ Errors []string }

func (e *InputError) Error() string {
	if len(e.Errors) == 1 {
		return e.Errors[0]
	}
	return fmt.Sprintf("%s (and %d more errors)", e.Errors[0], len(e.Errors)-1)
}

// Plan decides a set of jobs over one hyperperiod. names are the tasks' names, for
// witnesses. The numbers of a task's jobs are all different, and follow their
// releases and deadlines; where windows overlap the jobs may run in another order.
// The only error is *InputError.
func Plan(names []string, hyperperiod int64, jobs []Job, opt Options) (Result, error) {
	if err := checkJobs(names, hyperperiod, jobs); err != nil {
		return Result{}, err
	}
	return newProblem(names, hyperperiod, jobs, opt).ladder(), nil
}

// ladder tries the quick refusals, EDF and search.
func (p *problem) ladder() Result {
	if w, method := p.reject(); w != nil {
		return p.infeasible(w, method)
	}
	return p.place(MethodEDF)
}

// place looks for a table by EDF, then by search, then by looking ahead. EDF is quick and mostly enough; only the
// search can prove that there is no table. method is named as the proof when EDF finds a table.
func (p *problem) place(method string) Result {
	table, miss := p.edf()
	if miss == nil {
		return Result{Verdict: Feasible, Method: method, Table: table, Utilization: p.utilization()}
	}
	r := p.searched(miss)
	r.States = p.visited
	return r
}

// searched goes on where EDF missed a deadline.
func (p *problem) searched(miss *Witness) Result {
	table, verdict := p.search(p.opt.states())
	queued := p.opt.Queue.Limits() && verdict != Infeasible
	if queued {
		var ok bool
		if table, ok = p.searchedQueued(table, verdict); ok {
			verdict = Feasible
		} else {
			verdict = Unknown
		}
	}
	switch verdict {
	case Feasible:
		return Result{Verdict: Feasible, Method: MethodSearch, Table: table, Utilization: p.utilization()}
	case Infeasible:
		miss.Message = "no order of the jobs keeps every limit; with the earliest deadline first, " + miss.Message
		return p.infeasible(miss, MethodSearch)
	}
	if table, late := p.lookahead(); late == nil {
		return Result{Verdict: Feasible, Method: MethodLookahead, Table: table, Utilization: p.utilization()}
	}
	miss.Message = "with the earliest deadline first, " + miss.Message
	if queued {
		q := p.opt.Queue
		miss.Message = fmt.Sprintf("no table was found for the queue of the bus, which takes %d segments, each %s "+
			"ahead; %s", q.Places, p.opt.time(q.Ahead), miss.Message)
	} else {
		miss.Message = fmt.Sprintf("the search ended after %d states; %s", p.opt.states(), miss.Message)
	}
	r := p.infeasible(miss, MethodCap)
	r.Verdict = Unknown
	return r
}

func (p *problem) infeasible(w *Witness, method string) Result {
	return Result{Verdict: Infeasible, Method: method, Witness: w, Utilization: p.utilization()}
}

// problem is a checked set of jobs.
type problem struct {
	names []string
	h     int64
	jobs  []Job
	opt   Options
	// byTask lists each task's jobs in the order of their numbers.
	byTask [][]int
	// visited counts the states of the search.
	visited int
}

func newProblem(names []string, h int64, jobs []Job, opt Options) *problem {
	p := &problem{names: names, h: h, jobs: jobs, opt: opt, byTask: make([][]int, len(names))}
	for i := range jobs {
		p.byTask[jobs[i].Task] = append(p.byTask[jobs[i].Task], i)
	}
	for _, list := range p.byTask {
		slices.SortFunc(list, func(a, b int) int { return cmp.Compare(jobs[a].Number, jobs[b].Number) })
	}
	return p
}

func (p *problem) name(job *Job) string { return p.names[job.Task] }

func (p *problem) total() int64 {
	var sum int64
	for i := range p.jobs {
		sum = saturated(sum, p.jobs[i].total())
	}
	return sum
}

func (p *problem) utilization() *big.Rat { return big.NewRat(p.total(), p.h) }

// maxTime limits every time, so that a few of them can be added without overflow.
// As nanoseconds it is 36 years.
const maxTime = 1 << 60

// maxResource limits the resources' numbers, which index a slice.
const maxResource = 1 << 20

// saturated adds times that are not negative, up to twice maxTime, which fits into no hyperperiod.
func saturated(a, b int64) int64 {
	if a > maxTime || b > maxTime {
		return 2 * maxTime
	}
	return a + b
}

// checkJobs reports what is wrong with a set of jobs.
func checkJobs(names []string, h int64, jobs []Job) error {
	c := &jobChecker{names: names, h: h}
	if h <= 0 || h > maxTime {
		c.bad("the hyperperiod of %d is not between 1 and %d", h, int64(maxTime))
	}
	order := make([]int, 0, len(jobs))
	for i := range jobs {
		if j := &jobs[i]; j.Task < 0 || j.Task >= len(names) {
			c.bad("job %d belongs to task %d of %d", i, j.Task, len(names))
			continue
		}
		c.one(&jobs[i])
		order = append(order, i)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Or(cmp.Compare(jobs[a].Task, jobs[b].Task), cmp.Compare(jobs[a].Number, jobs[b].Number))
	})
	for n := 1; n < len(order); n++ {
		if a, b := &jobs[order[n-1]], &jobs[order[n]]; a.Task == b.Task {
			c.pair(a, b)
		}
	}
	return c.m.err()
}

type jobChecker struct {
	names []string
	h     int64
	m     errs
}

func (c *jobChecker) bad(format string, args ...any) { c.m.add(format, args...) }

// one checks a job by itself.
func (c *jobChecker) one(j *Job) {
	name := c.names[j.Task]
	switch {
	case len(j.Costs) == 0 || slices.Min(j.Costs) <= 0:
		c.bad("job %d of %s has a segment without cost", j.Number, name)
	case j.Release < 0 || j.Deadline <= j.Release || j.Deadline > c.h:
		c.bad("job %d of %s is released at %d with its deadline at %d, in a hyperperiod of %d", j.Number, name,
			j.Release, j.Deadline, c.h)
	case j.Within != nil && len(j.Within) != len(j.Costs):
		c.bad("job %d of %s has %d limits for %d segments", j.Number, name, len(j.Within), len(j.Costs))
	case len(j.Within) > 0 && slices.Min(j.Within) < 0:
		c.bad("job %d of %s has a limit below 0", j.Number, name)
	case slices.ContainsFunc(j.Resources, func(r int) bool { return r < 0 || r > maxResource }):
		c.bad("job %d of %s holds a resource outside 0 to %d", j.Number, name, maxResource)
	}
}

// pair checks two jobs of one task that follow each other by number.
func (c *jobChecker) pair(a, b *Job) {
	switch {
	case a.Number == b.Number:
		c.bad("job %d of %s is listed twice", a.Number, c.names[a.Task])
	case a.Release > b.Release || a.Deadline > b.Deadline:
		c.bad("jobs %d and %d of %s are out of order", a.Number, b.Number, c.names[a.Task])
	}
}

// errs collects what is wrong with an input, up to a number that a person would read.
type errs struct {
	list []string
	more int
}

const maxErrors = 100

func (m *errs) add(format string, args ...any) {
	if len(m.list) == maxErrors {
		m.more++
		return
	}
	m.list = append(m.list, fmt.Sprintf(format, args...))
}

// err is nil without errors.
func (m *errs) err() error {
	if m.more > 0 {
		m.list = append(m.list, fmt.Sprintf("and %d more errors", m.more))
	}
	if len(m.list) > 0 {
		return &InputError{m.list}
	}
	return nil
}
