package scheduler

import (
	"encoding/binary"
	"math"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// message puts a plan into the schema's form.
func (p *planner) message(plan *Plan, at *attempt) *facetdv1.Plan {
	hyper := float64(plan.Hyperperiod)
	m := &facetdv1.Plan{
		Array:  p.a.Name,
		Method: at.result.Method,
		Timetable: &facetdv1.Timetable{
			HyperperiodNs: int64(plan.Hyperperiod), OpeningNs: int64(plan.OpeningTime),
		},
		Utilization: float64(plan.Busy.Total()) / hyper,
		Phases:      phaseShares(plan.Busy, 1, hyper),
	}
	m.Tasks = specsOf(p.wantedTasks())
	m.Timetable.Segments = segmentMessages(plan)
	byTask := make([][]*Entry, len(plan.Tasks))
	for i := range plan.Entries {
		e := &plan.Entries[i]
		byTask[e.Task] = append(byTask[e.Task], e)
	}
	m.Predictions = make([]*facetdv1.Prediction, len(m.Tasks))
	for i, bounds := range p.bounds() {
		t := &plan.Tasks[i]
		costs := opsOfMembers(p.a, t.Segments, t.Members)
		for k, b := range bounds {
			pr := p.predict(plan, at, i, &t.Members[k], costs[k], byTask[i])
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

// segmentMessages are the table's entries. What every job has alike they share.
func segmentMessages(plan *Plan) []*facetdv1.Segment {
	reads, holds := segmentChips(plan)
	phases := make([][][]*facetdv1.PhaseShare, len(plan.Tasks))
	for i := range plan.Tasks {
		for _, cost := range plan.Tasks[i].Costs {
			phases[i] = append(phases[i], phaseShares(cost, 1, float64(cost.Total())))
		}
	}
	all := make([]facetdv1.Segment, len(plan.Entries))
	out := make([]*facetdv1.Segment, len(plan.Entries))
	for i := range plan.Entries {
		e, s := &plan.Entries[i], &all[i]
		s.Task, s.Job, s.Index = plan.Tasks[e.Task].Task.Name, int64(e.Job), uint32(e.Segment)
		s.StartNs, s.EndNs, s.ReleaseNs, s.DeadlineNs = e.Start, e.End, e.Release, e.Deadline
		s.Reads, s.Holds, s.Phases = reads[e.Task][e.Segment], holds[e.Task][e.Segment], phases[e.Task][e.Segment]
		out[i] = s
	}
	return out
}

// phaseShares are the phases of times that occur n times in a span.
func phaseShares(busy bus.Phases, n int64, spanNS float64) []*facetdv1.PhaseShare {
	var out []*facetdv1.PhaseShare
	for ph, d := range busy {
		if d > 0 {
			total := int64(d) * n
			out = append(out, &facetdv1.PhaseShare{Phase: facetdv1.Phase(ph), BusyNs: total, Share: float64(total) / spanNS})
		}
	}
	return out
}

// segmentChips names, for each task and segment, the chips that are read in it and
// those that hold a load not yet read when it ends.
func segmentChips(plan *Plan) (reads, holds [][][]string) {
	a := plan.Array
	for i := range plan.Tasks {
		t := &plan.Tasks[i]
		left := make([]int, len(a.Chips)) // rows of the chip still to be read, over all frames
		for _, f := range t.Frames {
			left[f.Chip] += f.Window.Rows
		}
		loaded := make([]bool, len(a.Chips))
		var r, h [][]string
		for _, ops := range t.Segments {
			tr := traceOf(a, ops)
			for _, l := range tr.loads {
				for _, c := range l.chips {
					loaded[c] = true
				}
			}
			read := make([]bool, len(a.Chips))
			for _, ev := range tr.scans {
				for _, c := range ev.scan.Chips {
					read[c] = true
					left[c] -= ev.scan.Window.Rows
				}
			}
			var rs, hs []string
			for _, c := range t.Task.Chips {
				if read[c] {
					rs = append(rs, a.Chips[c].Name)
				}
				if loaded[c] && left[c] > 0 {
					hs = append(hs, a.Chips[c].Name)
				}
			}
			r, h = append(r, rs), append(h, hs)
		}
		reads, holds = append(reads, r), append(holds, h)
	}
	return reads, holds
}

// courses follows the jobs of one program, each distinct course once.
type courses struct {
	p      *chipmodel.Array
	prog   *program
	frames int
	known  map[string]bool
	key    []byte
}

// of returns the course of a job whose segments begin at starts, or nil when a job
// before had its segments just as far apart: hold and skew are the same.
func (c *courses) of(starts []int64) *course {
	c.key = c.key[:0]
	for _, s := range starts[1:] {
		c.key = binary.AppendVarint(c.key, s-starts[0])
	}
	if c.known[string(c.key)] {
		return nil
	}
	if c.known == nil {
		c.known = map[string]bool{}
	}
	c.known[string(c.key)] = true
	return c.prog.follow(c.p, c.frames, starts)
}

// predict says what one member of a bus job will see under its entries of the table.
// job is its part of the bus time of a job.
func (p *planner) predict(plan *Plan, at *attempt, task int, m *Member, job bus.Phases, entries []*Entry) *facetdv1.Prediction {
	t := &plan.Tasks[task]
	prog := at.programs[task]
	hyper := float64(plan.Hyperperiod)
	out := &facetdv1.Prediction{
		Task: m.Task.Name, RequestedRateHz: m.Task.Spec.GetRateHz(), PlannedRateHz: at.cad.rateHz(task),
		BestResponseNs: math.MaxInt64, LeastSlackNs: math.MaxInt64,
		JobNs:    int64(job.Total()),
		Segments: uint32(len(prog.segments)), Frames: uint32(m.Frames),
	}
	for k := range t.Members {
		if other := &t.Members[k]; other.Asked != m.Asked {
			out.SharedWith = append(out.SharedWith, other.Task.Name)
		}
	}
	out.BusShare = float64(out.JobNs*at.cad.jobs[task]) / hyper
	out.Phases = phaseShares(job, at.cad.jobs[task], hyper)

	c := courses{p: p.a, prog: prog, frames: len(t.Frames)}
	starts := make([][]int64, at.cad.jobs[task])
	early, late := int64(math.MaxInt64), int64(math.MinInt64)
	holds := make([]int64, len(p.a.Chips))
	for _, e := range entries {
		if e.Segment == 0 {
			early, late = min(early, e.Start-e.Release), max(late, e.Start-e.Release)
			starts[e.Job] = make([]int64, 0, len(prog.segments))
		}
		starts[e.Job] = append(starts[e.Job], e.Start)
		if e.Segment < len(prog.segments)-1 {
			continue
		}
		out.WorstResponseNs = max(out.WorstResponseNs, e.End-e.Release)
		out.BestResponseNs = min(out.BestResponseNs, e.End-e.Release)
		out.LeastSlackNs = min(out.LeastSlackNs, plan.MemberDeadline(e, m)-e.End)
		if seen := c.of(starts[e.Job]); seen != nil {
			first := m.FirstFrame
			light := seen.light[first : first+m.Frames]
			out.SkewNs = max(out.SkewNs, slices.Max(light)-slices.Min(light))
			for f, h := range seen.held[first : first+m.Frames] {
				c := t.Frames[first+f].Chip
				holds[c] = max(holds[c], h)
			}
		}
	}
	out.JitterNs = late - early
	if t.Task.Class.Kind.HasMemory() {
		for _, c := range t.Task.Chips {
			out.WorstHoldNs = max(out.WorstHoldNs, holds[c])
			out.Holds = append(out.Holds, &facetdv1.ChipHold{
				Chip: p.a.Chips[c].Name, HoldNs: holds[c], DroopVolts: droop(t.Task.Class, holds[c]),
			})
		}
		out.WorstDroopVolts = droop(t.Task.Class, out.WorstHoldNs)
	}
	return out
}

// droop is the volts that leak from a cell in a time: I t / C, with a leakage that
// doubles with every leak_doubling_k above 300 K. Light leakage is left out: it
// depends on the scene.
func droop(class *chipmodel.Class, holdNS int64) float64 {
	m := class.Spec.GetMemory()
	leak := m.GetLeakFa() * 1e-15
	if d := m.GetLeakDoublingK(); d > 0 {
		leak *= math.Exp2((class.Spec.GetTemperatureK() - 300) / d)
	}
	return leak * (time.Duration(holdNS).Seconds()) / (m.GetCellCapacitanceFf() * 1e-15)
}
