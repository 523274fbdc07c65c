package program

import (
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// trace holds when the events of one segment that matter for hold and skew happen, from its start. Segments are the
// same for every job; only their starts differ, so the operations are walked once.
type trace struct {
	loads []loadEvent
	scans []scanEvent
}

type loadEvent struct {
	at    time.Duration
	chips []int
}

// scanEvent is one readout. Where a slot gives its window, it may be sampled earlier or later from job to job.
type scanEvent struct {
	first time.Duration // sampling of the first pixel, at the earliest
	late  time.Duration // by how much that may be later
	last  time.Duration // sampling of the last pixel, at the latest
	scan  *bus.Scan
}

func traceOf(a *chipmodel.Array, ops []bus.Op, slots []bus.Slot) trace {
	var t trace
	var now time.Duration
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
			near, far := bus.Extremes(op.Scan, slots)
			soon, late := near.Timing(a), far.Timing(a)
			last := late.SampleAt(op.Scan.Window.Rows-1, op.Scan.Window.Columns-1)
			t.scans = append(t.scans, scanEvent{now + soon.First, late.First - soon.First, now + last, op.Scan})
		}
		now += bus.Cost(a, op).Total()
	}
	return t
}

// Course is what the frames of one job will show of its timing, given the starts of its segments, with whatever values
// of its slots: holds and skews are the longest.
type Course struct {
	Light []time.Duration // of each frame: the start of its load, or its first sample, at the earliest
	Hold  []time.Duration // of each chip of the array: load to last sample; 0 without memory
	Held  []time.Duration // of each frame, likewise
	late  []time.Duration // by how much the light of each frame may be later
	view  []int           // of each frame
	start time.Duration   // of the first segment
}

// After is how long after the start of its job the light of a frame is, at the earliest.
func (c *Course) After(frame int) time.Duration { return c.Light[frame] - c.start }

// Late is by how much the light of a frame may be later than at the earliest.
func (c *Course) Late(frame int) time.Duration { return c.late[frame] }

// Skew is the spread of the light of all frames.
func (c *Course) Skew() time.Duration { return c.SkewOf(0, len(c.Light)) }

// SkewOf is the spread of the light of n frames, from one on. The frames of one view are sampled later all together,
// those of several views each by themselves: all are far apart when one view is at its latest and the other not.
func (c *Course) SkewOf(first, n int) time.Duration {
	type span struct{ from, to, late time.Duration }
	var views []span
	for f, last := first, -1; f < first+n; f++ {
		if c.view[f] != last {
			views, last = append(views, span{c.Light[f], c.Light[f], c.late[f]}), c.view[f]
		}
		s := &views[len(views)-1]
		s.from, s.to = min(s.from, c.Light[f]), max(s.to, c.Light[f])
	}
	var skew time.Duration
	for i, x := range views {
		for k, y := range views {
			if i == k {
				skew = max(skew, x.to-x.from)
			} else {
				skew = max(skew, x.to+x.late-y.from)
			}
		}
	}
	return skew
}

// WorstHold is the longest hold of all chips.
func (c *Course) WorstHold() time.Duration {
	var most time.Duration
	for _, h := range c.Hold {
		most = max(most, h)
	}
	return most
}

// Follow walks a job whose segments begin at starts.
func (p *Program) Follow(starts []time.Duration) *Course {
	a, frames := p.a, len(p.Frames)
	c := &Course{Light: make([]time.Duration, frames), Hold: make([]time.Duration, len(a.Chips)),
		Held: make([]time.Duration, frames), late: make([]time.Duration, frames), view: make([]int, frames),
		start: starts[0]}
	for f := range p.Frames {
		c.view[f] = p.Frames[f].View
	}
	loaded := make([]time.Duration, len(a.Chips))
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
				light, late := starts[s]+ev.first, ev.late
				if a.Chips[chip].Class.HasMemory() {
					light, late = loaded[chip], 0
					held, f := starts[s]+ev.last-light, ev.scan.Frames[i]
					c.Hold[chip], c.Held[f] = max(c.Hold[chip], held), max(c.Held[f], held)
				}
				if ev.scan.FirstRow > 0 {
					continue
				}
				c.Light[ev.scan.Frames[i]], c.late[ev.scan.Frames[i]] = light, late
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

// BackToBack is the starts of the segments of a job that nothing interrupts.
func (p *Program) BackToBack() []time.Duration {
	starts := make([]time.Duration, len(p.Segments))
	var now time.Duration
	for i := range starts {
		starts[i] = now
		now += p.Costs[i].Total()
	}
	return starts
}

// Within returns, for each segment, the latest end after the start of the job's first segment that keeps hold and skew
// within the task's limits; 0 is none. Holds count from loads in the first segment only: where a job has several
// batches, each is one segment, and nothing comes between its load and its readouts.
func (p *Program) Within(t *Task) []time.Duration {
	a := p.a
	out := make([]time.Duration, len(p.Segments))
	tighten := func(s int, end time.Duration) {
		if out[s] == 0 || end < out[s] {
			out[s] = end
		}
	}
	// light is the earliest that the first light can be, from the job's start.
	light, known := time.Duration(0), false
	loaded := make([]time.Duration, len(a.Chips))
	loadedIn := make([]int, len(a.Chips))
	starts := p.BackToBack()
	for s, tr := range p.traces {
		cost := p.Costs[s].Total()
		for _, l := range tr.loads {
			for _, chip := range l.chips {
				loaded[chip], loadedIn[chip] = l.at, s
			}
			if !known {
				light, known = starts[s]+l.at, true
			}
			if s > 0 && t.MaxSkew > 0 {
				tighten(s, light+t.MaxSkew-l.at+cost)
			}
		}
		for _, ev := range tr.scans {
			memory := a.Chips[ev.scan.Chips[0]].Class.HasMemory()
			if memory && t.MaxHold > 0 {
				for _, chip := range ev.scan.Chips {
					if loadedIn[chip] == 0 && s > 0 {
						tighten(s, loaded[chip]+t.MaxHold-ev.last+cost)
					}
				}
			}
			if !memory {
				if !known {
					light, known = starts[s]+ev.first, true
				}
				if s > 0 && t.MaxSkew > 0 && ev.scan.FirstRow == 0 {
					tighten(s, light+t.MaxSkew-ev.first-ev.late+cost)
				}
			}
		}
	}
	return out
}

// Chips returns, for each segment, the chips that are read in it and those that hold a load not yet read when it ends,
// ascending.
func (p *Program) Chips(t *Task) (reads, holds [][]int) {
	left := make([]int, len(p.a.Chips)) // rows of the chip still to be read, over all frames
	for _, f := range p.Frames {
		left[f.Chip] += f.Window.Rows
	}
	loaded := make([]bool, len(p.a.Chips))
	for _, tr := range p.traces {
		for _, l := range tr.loads {
			for _, c := range l.chips {
				loaded[c] = true
			}
		}
		read := make([]bool, len(p.a.Chips))
		for _, ev := range tr.scans {
			for _, c := range ev.scan.Chips {
				read[c] = true
				left[c] -= ev.scan.Window.Rows
			}
		}
		var r, h []int
		for _, c := range t.Chips {
			if read[c] {
				r = append(r, c)
			}
			if loaded[c] && left[c] > 0 {
				h = append(h, c)
			}
		}
		reads, holds = append(reads, r), append(holds, h)
	}
	return reads, holds
}
