package scheduler

import (
	"errors"
	"fmt"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// compiled is a set of tasks as programs: each job in one piece, and in shorter segments on demand.
type compiled struct {
	array *chipmodel.Array
	words *program.Words
	tasks []*program.Task // of the bus jobs

	compilers []*program.Compiler
	batches   []int
	whole     []*program.Program // each job in one segment
	// cut holds the programs by task and limit.
	cut map[cutKey]*program.Program
}

type cutKey struct {
	task  int
	limit time.Duration
}

// compileTasks compiles every job in one piece and decides in how many batches each is loaded. It refuses what no
// timetable could make fit, and returns what was compiled until then all the same.
func compileTasks(w *program.Words, tasks []*program.Task) (*compiled, *facetdv1.Refusal) {
	p := &compiled{array: w.Array(), words: w, tasks: tasks, cut: map[cutKey]*program.Program{}}
	start := program.Assumed(p.array, tasks)
	for _, t := range tasks {
		c, err := program.NewCompiler(w, t, start)
		if err != nil {
			return p, wordless(t, err)
		}
		whole, batches, refusal := uninterrupted(c, t)
		if refusal != nil {
			return p, refusal
		}
		p.compilers = append(p.compilers, c)
		p.batches = append(p.batches, batches)
		p.whole = append(p.whole, whole)
	}
	return p, nil
}

// wordless is the refusal of a task that no select words can do.
func wordless(t *program.Task, err error) *facetdv1.Refusal {
	return &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_SELECT, Task: t.Name,
		Message: fmt.Sprintf("task %s: %v", t.Name, err),
	}
}

// uninterrupted compiles a job in one piece, in the fewest batches that keep hold and skew within the task's limits
// when nothing interrupts it. The fewest batches have the best skew and cost the least bus time.
func uninterrupted(c *program.Compiler, t *program.Task) (*program.Program, int, *facetdv1.Refusal) {
	most := 1
	if t.Class.HasMemory() && t.MaxHold > 0 || t.Pair > 0 {
		most = c.Groups()
	}
	var pair *program.PairError
	var first *program.Course
	for batches := 1; batches <= most; batches++ {
		p, err := c.Compile(batches, 0)
		if err != nil {
			var soon *program.PairError
			if errors.As(err, &soon) { // with more batches fewer chips are read between the two loads
				if pair == nil || soon.Needed < pair.Needed {
					pair = soon
				}
				continue
			}
			if batches > 1 {
				continue // these batches cannot be reached apart; others may
			}
			return nil, 0, wordless(t, err)
		}
		seen := p.Follow(p.BackToBack())
		if first == nil {
			first = seen
		}
		held := t.MaxHold > 0 && seen.WorstHold() > t.MaxHold
		apart := t.MaxSkew > 0 && seen.Skew() > t.MaxSkew
		if !held && !apart {
			return p, batches, nil
		}
	}
	if first == nil {
		return nil, 0, pairRefusal(t, pair)
	}
	return nil, 0, limitRefusal(c, t, first)
}

// pairRefusal says that the two loads of a pair are too close together, however few chips a batch has.
func pairRefusal(t *program.Task, e *program.PairError) *facetdv1.Refusal {
	return &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_PAIR, Task: t.Name,
		NeededNs: int64(e.Needed), AvailableNs: int64(e.Asked),
		Message: fmt.Sprintf("the second load of a pair of task %s would come before what the first shows is read: "+
			"that "+
			"takes %s, but its pair_interval is %s", t.Name, Millis(e.Needed), Millis(e.Asked)),
	}
}

// limitRefusal says why a job exceeds its own limits even when nothing interrupts it, from its course in one batch.
func limitRefusal(c *program.Compiler, t *program.Task, one *program.Course) *facetdv1.Refusal {
	if t.MaxSkew > 0 && one.Skew() > t.MaxSkew {
		return &facetdv1.Refusal{
			Reason: facetdv1.RefusalReason_REFUSAL_REASON_SKEW, Task: t.Name,
			NeededNs: int64(one.Skew()), AvailableNs: int64(t.MaxSkew),
			Message: fmt.Sprintf("the frames of task %s would be sampled %s apart even when nothing interrupts it, "+
				"but its max_skew is %s",
				t.Name, Millis(one.Skew()), Millis(t.MaxSkew)),
		}
	}
	how := ""
	if t.MaxSkew > 0 {
		how = fmt.Sprintf(", and loading in batches would break its max_skew of %s or not help", Millis(t.MaxSkew))
	} else if c.Groups() > 1 {
		how = ", and loading in batches does not help"
	}
	return &facetdv1.Refusal{
		Reason: facetdv1.RefusalReason_REFUSAL_REASON_HOLD, Task: t.Name,
		NeededNs: int64(one.WorstHold()), AvailableNs: int64(t.MaxHold),
		Message: fmt.Sprintf("task %s would hold its last chip for %s even when nothing interrupts it, but its "+
			"max_hold is %s%s",
			t.Name, Millis(one.WorstHold()), Millis(t.MaxHold), how),
	}
}

// program returns a task's program with segments of at most limit.
func (p *compiled) program(task int, limit time.Duration) *program.Program {
	if limit == 0 || p.whole[task].Total() <= limit {
		return p.whole[task]
	}
	key := cutKey{task, limit}
	if have := p.cut[key]; have != nil {
		return have
	}
	prog, err := p.compilers[task].Compile(p.batches[task], limit)
	if err != nil {
		prog = p.whole[task] // it can only be too fine: its words were found when it was compiled whole
	}
	p.cut[key] = prog
	return prog
}

// batched returns a task's program in as many batches as it takes for every batch to be a segment of at most limit:
// then nothing runs between a load and its readout, and cutting lengthens no hold. Where the task's limits or words do
// not allow it, it is the program without batches.
func (p *compiled) batched(task int, limit time.Duration) *program.Program {
	plain := p.program(task, limit)
	c, t := p.compilers[task], p.tasks[task]
	if t.MaxHold == 0 || len(plain.Segments) == 1 {
		return plain
	}
	key := cutKey{task, -limit} // negative: limit itself is the key of program
	if have := p.cut[key]; have != nil {
		return have
	}
	p.cut[key] = plain
	for n := max(p.batches[task], 2); n <= c.Groups(); n++ {
		prog, err := c.Compile(n, limit)
		if err != nil || prog.Longest() > limit {
			continue
		}
		seen := prog.Follow(prog.BackToBack())
		if t.MaxSkew == 0 || seen.Skew() <= t.MaxSkew {
			p.cut[key] = prog
			break
		}
	}
	return p.cut[key]
}

// maxCuts is how many segment lengths are tried.
const maxCuts = 8

// limits lists the segment lengths to try: none, then what the tightest task leaves free, then half of it again and
// again. A longer segment than the first cannot fit between two jobs of that task.
func (p *compiled) limits(cad *cadence) []time.Duration {
	var longest time.Duration
	gap := int64(0)
	for i := range p.tasks {
		longest = max(longest, p.whole[i].Total())
		if g := p.gap(cad, i); gap == 0 || g < gap {
			gap = g
		}
	}
	out := []time.Duration{0}
	if len(p.tasks) == 1 {
		return out // nothing to interleave with
	}
	limit := time.Duration(gap)
	if limit >= longest {
		limit = longest / 2
	}
	for len(out) < maxCuts && limit > 0 {
		out = append(out, limit)
		limit /= 2
	}
	return out
}

// gap is the longest time that a task whose jobs are whole can leave free between two of them: the first runs as early
// as it can, the next as late as it can.
func (p *compiled) gap(cad *cadence, task int) int64 {
	c := int64(p.whole[task].Total())
	period := (cad.hyperperiod + cad.jobs[task] - 1) / cad.jobs[task]
	return max(period+cad.window(task)-2*c, 1)
}

func (p *compiled) names() []string {
	names := make([]string, len(p.tasks))
	for i, t := range p.tasks {
		names[i] = t.Name
	}
	return names
}

// jobs lists the jobs of one hyperperiod.
func (p *compiled) jobs(cad *cadence, programs []*program.Program) []timetable.Job {
	jobs := make([]timetable.Job, 0, cad.total())
	cut := slices.ContainsFunc(programs, func(p *program.Program) bool { return len(p.Segments) > 1 })
	for i, t := range p.tasks {
		prog := programs[i]
		costs := make([]int64, len(prog.Costs))
		for s := range costs {
			costs[s] = int64(prog.Costs[s].Total())
		}
		job := timetable.Job{Task: i, Costs: costs}
		if cut {
			job.Resources = t.Touches // a whole job must not touch what a cut one holds, either
		}
		if len(costs) > 1 {
			for _, end := range prog.Within(t) {
				job.Within = append(job.Within, int64(end))
			}
		}
		for k := range cad.jobs[i] {
			job.Number = int(k)
			job.Release, job.Deadline = cad.release(i, k), cad.deadline(i, k)
			jobs = append(jobs, job)
		}
	}
	return jobs
}

// divisible reports whether any job can be cut into pieces.
func (p *compiled) divisible() bool {
	return len(p.tasks) > 1 && slices.ContainsFunc(p.compilers, (*program.Compiler).Divisible)
}

// maxTick limits the parts that a nanosecond is divided into.
const maxTick = 1 << 20

// wholeTasks are the tasks with whole jobs, in ticks: a tick is such a part of a nanosecond that every period is a
// whole number of them, so that the analysis is exact. It returns false where a tick would be too small.
func (p *compiled) wholeTasks(cad *cadence) ([]timetable.Task, bool) {
	tick := int64(1)
	for _, n := range cad.jobs {
		part := n / gcd(cad.hyperperiod, n)
		if tick = tick / gcd(tick, part) * part; tick > maxTick {
			return nil, false
		}
	}
	if cad.hyperperiod > (1<<60)/tick {
		return nil, false
	}
	tasks := make([]timetable.Task, len(p.tasks))
	for i, t := range p.tasks {
		period := cad.hyperperiod / gcd(cad.hyperperiod,
			cad.jobs[i]) * tick / (cad.jobs[i] / gcd(cad.hyperperiod, cad.jobs[i]))
		tasks[i] = timetable.Task{
			Name: t.Name, Cost: int64(p.whole[i].Total()) * tick, Period: period,
			Deadline: min(cad.deadlines[i]*tick, period),
		}
	}
	return tasks, true
}

// utilization is the fraction of bus time that whole jobs take.
func (p *compiled) utilization(cad *cadence) float64 {
	var busy float64
	for i := range p.tasks {
		busy += float64(p.whole[i].Total()) * float64(cad.jobs[i])
	}
	return busy / float64(cad.hyperperiod)
}

// use is the fraction of bus time that an attempt takes.
func (p *compiled) use(at *attempt) float64 {
	var busy float64
	for i, prog := range at.programs {
		busy += float64(prog.Total()) * float64(at.cad.jobs[i])
	}
	return busy / float64(at.cad.hyperperiod)
}

// leastUse is the least fraction of bus time that jobs in one piece take at exactly the
// rates asked for; a table that cuts them or rounds periods takes more.
func (p *compiled) leastUse() float64 {
	var use float64
	for i, t := range p.tasks {
		use += p.whole[i].Total().Seconds() * t.RateHz
	}
	return use
}
