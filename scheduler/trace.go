package scheduler

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

const settlePhase = facetdv1.Phase_PHASE_SETTLE

// trace is when the events of one segment that matter to hold and skew happen, in
// nanoseconds from its start.
type trace struct {
	loads []loadEvent
	scans []scanEvent
}

type loadEvent struct {
	at    int64
	chips []int
}

type scanEvent struct {
	first, last int64 // sampling of the first and the last pixel
	scan        *bus.Scan
}

func traceOf(a *chipmodel.Array, ops []bus.Op) trace {
	var t trace
	var now int64
	var word chipmodel.LineSet
	for i := range ops {
		op := &ops[i]
		switch op.Kind {
		case bus.OpSelect:
			word = op.Word
		case bus.OpStrobe:
			if op.Strobe == chipmodel.Load {
				t.loads = append(t.loads, loadEvent{now, a.Reach(word)})
			}
		case bus.OpScan, bus.OpClockOut:
			s := op.Scan.Timing(a)
			last := s.SampleAt(op.Scan.Window.Rows-1, op.Scan.Window.Columns-1)
			t.scans = append(t.scans, scanEvent{now + int64(s.First), now + int64(last), op.Scan})
		}
		now += int64(bus.Cost(a, op).Total())
	}
	return t
}

// course is what one job sees, given the starts of its segments.
type course struct {
	light []int64 // of each frame: the start of its load, or its first sample
	hold  []int64 // of each chip of the array: load to last sample; 0 without memory
	held  []int64 // of each frame, likewise
	// Earliest and latest light.
	firstLight, lastLight int64
}

func (c *course) skew() int64 { return c.lastLight - c.firstLight }

func (c *course) worstHold() int64 {
	var most int64
	for _, h := range c.hold {
		most = max(most, h)
	}
	return most
}

// follow walks a job whose segments begin at starts.
func (p *program) follow(a *chipmodel.Array, frames int, starts []int64) *course {
	c := &course{light: make([]int64, frames), hold: make([]int64, len(a.Chips)), held: make([]int64, frames)}
	loaded := make([]int64, len(a.Chips))
	any := false
	for s, t := range p.traces {
		// A batch loads before it reads, and the loads of one segment all come before
		// the readouts of those chips.
		loads := t.loads
		for _, ev := range t.scans {
			for len(loads) > 0 && loads[0].at < ev.first {
				for _, chip := range loads[0].chips {
					loaded[chip] = starts[s] + loads[0].at
				}
				loads = loads[1:]
			}
			for i, chip := range ev.scan.Chips {
				light := starts[s] + ev.first
				if a.Chips[chip].Class.Kind.HasMemory() {
					light = loaded[chip]
					held, f := starts[s]+ev.last-light, ev.scan.Frames[i]
					c.hold[chip], c.held[f] = max(c.hold[chip], held), max(c.held[f], held)
				}
				if ev.scan.FirstRow > 0 {
					continue
				}
				c.light[ev.scan.Frames[i]] = light
				if !any {
					c.firstLight, c.lastLight, any = light, light, true
				}
				c.firstLight, c.lastLight = min(c.firstLight, light), max(c.lastLight, light)
			}
		}
		for _, l := range loads {
			for _, chip := range l.chips {
				loaded[chip] = starts[s] + l.at
			}
		}
	}
	return c
}

// backToBack is the starts of the segments of a job that nothing interrupts.
func (p *program) backToBack() []int64 {
	starts := make([]int64, len(p.segments))
	var now int64
	for i := range starts {
		starts[i] = now
		now += int64(p.costs[i].Total())
	}
	return starts
}

// within returns, for each segment, the latest end after the start of the job's
// first segment that keeps hold and skew within the task's limits; 0 is none. Only
// jobs of one batch are cut so that it matters, or batches that are one segment
// each and hold nothing longer.
func (p *program) within(a *chipmodel.Array, t *Task) []int64 {
	out := make([]int64, len(p.segments))
	tighten := func(s int, end int64) {
		if out[s] == 0 || end < out[s] {
			out[s] = end
		}
	}
	// light is the earliest that the first light can be, from the job's start.
	light, known := int64(0), false
	loaded := make([]int64, len(a.Chips))
	loadedIn := make([]int, len(a.Chips))
	starts := p.backToBack()
	for s, tr := range p.traces {
		cost := int64(p.costs[s].Total())
		for _, l := range tr.loads {
			for _, chip := range l.chips {
				loaded[chip], loadedIn[chip] = l.at, s
			}
			if !known {
				light, known = starts[s]+l.at, true
			}
			if s > 0 && t.MaxSkew > 0 {
				tighten(s, light+int64(t.MaxSkew)-l.at+cost)
			}
		}
		for _, ev := range tr.scans {
			memory := a.Chips[ev.scan.Chips[0]].Class.Kind.HasMemory()
			if memory && t.MaxHold > 0 {
				for _, chip := range ev.scan.Chips {
					if loadedIn[chip] == 0 && s > 0 {
						tighten(s, loaded[chip]+int64(t.MaxHold)-ev.last+cost)
					}
				}
			}
			if !memory {
				if !known {
					light, known = starts[s]+ev.first, true
				}
				if s > 0 && t.MaxSkew > 0 && ev.scan.FirstRow == 0 {
					tighten(s, light+int64(t.MaxSkew)-ev.first+cost)
				}
			}
		}
	}
	return out
}

// Hold is how long one chip holds a load within a table.
type Hold struct {
	Chip int
	From int64 // start of the load, nanoseconds from the table's start
	For  int64 // to the last sample, nanoseconds
}

// Held returns the holds of a task's jobs in one hyperperiod: job by job, and for each job one of every chip of the task
// in order. It is of use for chips with memory only.
func (p *Plan) Held(task int) []Hold {
	tp := &p.Tasks[task]
	prog := &program{segments: tp.Segments, costs: tp.Costs}
	for _, ops := range tp.Segments {
		prog.traces = append(prog.traces, traceOf(p.Array, ops))
	}
	starts := make([][]int64, tp.JobsPerCycle)
	for k := range p.Entries {
		if e := &p.Entries[k]; e.Task == task {
			starts[e.Job] = append(starts[e.Job], e.Start)
		}
	}
	var out []Hold
	for _, s := range starts {
		c := prog.follow(p.Array, len(tp.Frames), s)
		for at, chip := range tp.Task.Chips {
			// The first view's frames come first, and all views are of one load.
			out = append(out, Hold{Chip: chip, From: c.light[at], For: c.hold[chip]})
		}
	}
	return out
}
