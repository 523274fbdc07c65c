package scheduler

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/scheduler/program"
)

// report puts a plan into the schema's form.
type report struct {
	*planner
	plan *Plan
	at   *attempt
}

func (p *report) message() *facetdv1.Plan {
	plan, at := p.plan, p.at
	hyper := float64(plan.Hyperperiod)
	m := &facetdv1.Plan{
		Array:  p.array.Name,
		Method: at.result.Method,
		Timetable: &facetdv1.Timetable{
			HyperperiodNs: int64(plan.Hyperperiod), InitializationNs: int64(plan.InitializationTime),
		},
		Utilization: float64(plan.Busy.Total()) / hyper,
		Phases:      phaseUtilizations(plan.Busy, 1, hyper),
	}
	for _, t := range p.wanted {
		m.Tasks = append(m.Tasks, t.Spec())
	}
	m.Timetable.Segments = segmentMessages(plan)
	byTask := make([][]*Entry, len(plan.Tasks))
	for i := range plan.Entries {
		e := &plan.Entries[i]
		byTask[e.Task] = append(byTask[e.Task], e)
	}
	m.Predictions = make([]*facetdv1.Prediction, len(m.Tasks))
	for i, bounds := range p.bounds() {
		t := &plan.Tasks[i]
		costs := opsOfMembers(p.array, t.Segments, t.Members)
		for k, b := range bounds {
			pr := p.predict(i, &t.Members[k], costs[k], byTask[i])
			pr.JobLowerBoundNs = int64(b.Total())
			m.LowerBoundNs += pr.JobLowerBoundNs * int64(t.JobsPerCycle)
			m.Predictions[t.Members[k].Asked] = pr
			for ph := range b {
				plan.Bound[ph] += b[ph] * time.Duration(t.JobsPerCycle)
			}
		}
	}
	m.Efficiency = float64(m.LowerBoundNs) / float64(plan.Busy.Total())
	return m
}

// segmentMessages are the table's entries. Those of different jobs point to the same lists where they are alike: a
// table may have thousands of segments.
func segmentMessages(plan *Plan) []*facetdv1.Segment {
	reads, holds := segmentChips(plan)
	phases, names := make([][][]*facetdv1.PhaseUtilization, len(plan.Tasks)), make([][]string, len(plan.Tasks))
	for i := range plan.Tasks {
		names[i] = program.NamesOf(plan.Tasks[i].Task.Name)
		for _, cost := range plan.Tasks[i].Costs {
			phases[i] = append(phases[i], phaseUtilizations(cost, 1, float64(cost.Total())))
		}
	}
	all := make([]facetdv1.Segment, len(plan.Entries))
	out := make([]*facetdv1.Segment, len(plan.Entries))
	for i := range plan.Entries {
		e, s := &plan.Entries[i], &all[i]
		s.Tasks, s.Job, s.Index = names[e.Task], int64(e.Job), uint32(e.Segment)
		s.StartNs, s.EndNs, s.ReleaseNs, s.DeadlineNs = int64(e.Start), int64(e.End), int64(e.Release),
			int64(e.Deadline)
		s.Reserved = plan.Tasks[e.Task].Task.Sporadic != nil
		s.Reads, s.Holds, s.Phases = reads[e.Task][e.Segment], holds[e.Task][e.Segment], phases[e.Task][e.Segment]
		out[i] = s
	}
	return out
}

// phaseUtilizations are the phases of times that occur n times in a span.
func phaseUtilizations(busy bus.Phases, n int64, spanNS float64) []*facetdv1.PhaseUtilization {
	var out []*facetdv1.PhaseUtilization
	for ph, d := range busy {
		if d > 0 {
			total := int64(d) * n
			out = append(out, &facetdv1.PhaseUtilization{Phase: facetdv1.Phase(ph), BusyNs: total,
				Fraction: float64(total) / spanNS})
		}
	}
	return out
}

// segmentChips names, for each task and segment, the chips that are read in it and
// those that hold a load not yet read when it ends.
func segmentChips(plan *Plan) (reads, holds [][][]string) {
	names := func(segments [][]int) [][]string {
		out := make([][]string, len(segments))
		for i, chips := range segments {
			out[i] = plan.Array.ChipNames(chips)
		}
		return out
	}
	for i := range plan.Tasks {
		r, h := plan.Tasks[i].Chips(plan.Tasks[i].Task)
		reads, holds = append(reads, names(r)), append(holds, names(h))
	}
	return reads, holds
}

// courses follows the jobs of one program, each distinct course once.
type courses struct {
	prog  *program.Program
	known map[string]bool
	key   []byte
}

// of returns the course of a job whose segments begin at starts, or nil when an earlier job had its segments just as
// far apart, and so the same hold and skew.
func (c *courses) of(starts []time.Duration) *program.Course {
	key := c.keyOf(starts)
	if c.known[key] {
		return nil
	}
	if c.known == nil {
		c.known = map[string]bool{}
	}
	c.known[key] = true
	return c.prog.Follow(starts)
}

// keyOf stands for how far apart the segments of a job are.
func (c *courses) keyOf(starts []time.Duration) string {
	c.key = c.key[:0]
	for _, s := range starts[1:] {
		c.key = binary.AppendVarint(c.key, int64(s-starts[0]))
	}
	return string(c.key)
}

// predict says what one member of a bus job will see under its entries of the table.
// job is its part of the bus time of a job.
func (p *report) predict(task int, m *Member, job bus.Phases, entries []*Entry) *facetdv1.Prediction {
	plan, at := p.plan, p.at
	t := &plan.Tasks[task]
	prog := at.programs[task]
	hyper := float64(plan.Hyperperiod)
	out := &facetdv1.Prediction{
		Task: m.Task.Name, RequestedRateHz: m.Task.RateHz, PlannedRateHz: at.cad.rateHz(task),
		BestResponseNs: math.MaxInt64, LeastSlackNs: math.MaxInt64,
		JobNs:    int64(job.Total()),
		Segments: uint32(len(prog.Segments)), Frames: uint32(m.Frames),
	}
	for k := range t.Members {
		if other := &t.Members[k]; other.Asked != m.Asked {
			out.MergedWith = append(out.MergedWith, other.Task.Name)
		}
	}
	out.BusUtilization = float64(out.JobNs*at.cad.jobs[task]) / hyper
	out.Phases = phaseUtilizations(job, at.cad.jobs[task], hyper)

	c := courses{prog: prog}
	starts := make([][]time.Duration, at.cad.jobs[task])
	early, late := time.Duration(math.MaxInt64), time.Duration(math.MinInt64)
	holds := make([]time.Duration, len(p.array.Chips))
	for _, e := range entries {
		if e.Segment == 0 {
			early, late = min(early, e.Start-e.Release), max(late, e.Start-e.Release)
			starts[e.Job] = make([]time.Duration, 0, len(prog.Segments))
		}
		starts[e.Job] = append(starts[e.Job], e.Start)
		if e.Segment < len(prog.Segments)-1 {
			continue
		}
		response := int64(e.End - e.Release)
		out.WorstResponseNs = max(out.WorstResponseNs, response)
		out.BestResponseNs = min(out.BestResponseNs, response)
		out.LeastSlackNs = min(out.LeastSlackNs, int64(plan.MemberDeadline(e, m)-e.End))
		if seen := c.of(starts[e.Job]); seen != nil {
			first := m.FirstFrame
			out.SkewNs = max(out.SkewNs, int64(seen.SkewOf(first, m.Frames)))
			for f, h := range seen.Held[first : first+m.Frames] {
				c := t.Frames[first+f].Chip
				holds[c] = max(holds[c], h)
			}
		}
	}
	out.JitterNs = int64(late - early)
	p.motion(out, t, m, starts)
	if class := t.Task.Class; class.HasMemory() {
		gain := m.Task.GreatestGain()
		out.DroopLux = p.array.LightLux()
		for _, c := range t.Task.Chips {
			out.WorstHoldNs = max(out.WorstHoldNs, int64(holds[c]))
			out.Holds = append(out.Holds, &facetdv1.ChipHold{
				Chip: p.array.Chips[c].Name, HoldNs: int64(holds[c]),
				DroopVolts: class.Droop(holds[c], out.DroopLux, gain),
			})
		}
		out.WorstDroopVolts = class.Droop(time.Duration(out.WorstHoldNs), out.DroopLux, gain)
	}
	return out
}

// bounds is the proved least time of every bus job, by members. Only a task whose chips no other task uses can rely on
// the registers that its last job left.
func (p *report) bounds() [][]bus.Phases {
	users := make([]int, len(p.array.Chips))
	for _, t := range p.tasks {
		for _, c := range t.Touches {
			users[c]++
		}
	}
	out := make([][]bus.Phases, len(p.tasks))
	for i, t := range p.tasks {
		shared := slices.ContainsFunc(t.Touches, func(c int) bool { return users[c] > 1 })
		out[i] = p.boundsOfMembers(t, !shared)
	}
	return out
}

// boundsOfMembers splits the lower bound of a job among its members: each gets what it adds to those before it.
func (p *report) boundsOfMembers(t *program.Task, alone bool) []bus.Phases {
	out := make([]bus.Phases, 0, 1)
	var before bus.Phases
	part := *t
	views := 0
	for _, m := range t.Members() {
		views += len(m.Views)
		part.Views = t.Views[:views]
		b := program.LeastTime(p.words, &part, alone)
		added := b
		for ph := range added {
			added[ph] -= before[ph]
		}
		out, before = append(out, added), b
	}
	return out
}
