package rules

import (
	"cmp"
	"iter"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// TimedTable is a timetable to be judged. The table's first cycle begins at bus time 0.
type TimedTable struct {
	// Initialization runs once before the table; nil where there is none.
	Initialization []bus.Op
	// Hyperperiod is the length of the table, which repeats.
	Hyperperiod time.Duration
	// Entries are the segments of one cycle.
	Entries []TimedEntry
	// Triggered are the tasks whose jobs run only when they were triggered.
	Triggered []Triggered
}

// TimedEntry is one segment of the table. Its job's Number counts the jobs of the
// task within the cycle, from 0; Release and Deadline are from the table's start.
type TimedEntry struct {
	Segment *bus.Segment
	Start   bus.Time
	// NotBefore is the earliest start, where that is later than the job's release.
	NotBefore bus.Time
}

// Judge runs a timetable's initialization and a number of its cycles, at least two, past an inspector, with the exact
// times of every operation and every job counted as on time. A table with triggered tasks is judged with all their
// jobs, with none, and with every other one, and their jobs are to be close enough for their deadlines. It returns the
// violations; a timetable without any may be used. The second cycle shows what the first leaves to it: a word,
// registers, lanes that have just changed. Judging ends early where nothing new can come.
func Judge(a *chipmodel.Array, t TimedTable, cycles int) []Violation {
	v, _ := judged(a, t, cycles, true)
	if len(v) == 0 {
		v = checkTriggered(a, &t)
	}
	if len(v) == 0 {
		v = judgedUnused(a, &t)
	}
	return v
}

// judged is Judge, and says whether it ended before the last cycle did. early allows it to; tests compare both. A table
// with slots is judged at their bounds: with all at the least, all at the greatest, and every slot going from one to
// the other with each job, half of them against the other half. What is between two bounds takes no longer, settles no
// slower and lies no further out than one of them.
func judged(a *chipmodel.Array, t TimedTable, cycles int, early bool) (found []Violation, ended bool) {
	if v := checkTable(a, &t); v != nil {
		return v, false
	}
	if !slices.ContainsFunc(t.Entries, func(e TimedEntry) bool { return len(e.Segment.Slots) > 0 }) {
		return judgedWith(a, &t, choice{cycles, early, func(uint64) corner { return defaults }, nil})
	}
	for _, at := range []func(job uint64) corner{
		func(uint64) corner { return lows },
		func(uint64) corner { return highs },
		func(job uint64) corner { return [...]corner{mixed, mixedBack}[job%2] },
	} {
		if found, ended = judgedWith(a, &t, choice{cycles, early, at, nil}); len(found) > 0 {
			break
		}
	}
	return found, ended
}

// choice is one way in which a table may run.
type choice struct {
	cycles int
	early  bool
	at     func(job uint64) corner // the values of slots, by the number of a job
	used   usage
}

// judgedWith is judged for one choice.
func judgedWith(a *chipmodel.Array, t *TimedTable, by choice) (found []Violation, ended bool) {
	in := NewInspector(a)
	j := &judge{in: in, programs: map[*bus.Op]*judgedProgram{}, filled: map[filledKey]*bus.Program{}}
	if len(t.Initialization) > 0 {
		begin := bus.Time(0).Add(-bus.CostOf(a, t.Initialization).Total())
		job := &bus.Job{Release: begin, Chips: a.All(), Segments: 1}
		j.segmentAt(&bus.Segment{Job: job, Program: &bus.Program{Ops: t.Initialization}}, begin, begin)
		in.JobEnded(job, bus.Outcome{Kind: bus.OnTime})
	}
	jobs := map[string]uint64{}
	for _, e := range t.Entries {
		jobs[e.Segment.Job.Task] = max(jobs[e.Segment.Job.Task], e.Segment.Job.Number+1)
	}
	// One job and one segment serve for all: the inspector keeps neither after it has ended.
	job, s := new(bus.Job), new(bus.Segment)
	again := newRecurrence(in, t)
	ran := map[string]uint64{} // jobs of tasks of which some are left out
	for e := range t.unrolled(max(by.cycles, 2)) {
		shift := time.Duration(e.cycle) * t.Hyperperiod
		*job = *e.Segment.Job
		if by.used != nil && t.triggered(job.Task) {
			if !by.used(job.Number, e.cycle) {
				continue
			}
			job.Number = ran[job.Task]
		} else {
			job.Number += uint64(e.cycle) * jobs[job.Task]
		}
		job.Release = job.Release.Add(shift)
		job.Deadline = job.Deadline.Add(shift)
		*s = bus.Segment{Job: job, Index: e.Segment.Index, Program: j.fill(e.Segment.Program, by.at(job.Number))}
		j.segmentAt(s, e.NotBefore.Add(shift), e.Start.Add(shift))
		if s.Index == max(job.Segments, 1)-1 {
			in.JobEnded(job, bus.Outcome{Kind: bus.OnTime})
			ran[job.Task]++
			if by.early && e.place >= 0 && again.ended(job.Task, e.place, e.cycle) {
				ended = true
				break
			}
		}
	}
	in.Finish(in.now)
	return in.Take(), ended
}

// checkTable reports what cannot be run at all as broken claims, so that the inspector sees only operations that can.
func checkTable(a *chipmodel.Array, t *TimedTable) []Violation {
	var out []Violation
	add := func(at bus.Time, err error) {
		if err != nil {
			out = append(out, Violation{Rule: RuleClaim, At: at, Message: err.Error()})
		}
	}
	add(0, bus.CheckOps(a, t.Initialization))
	checked := map[*bus.Op]int{} // by first operation: jobs repeat their programs
	for _, e := range t.Entries {
		if e.Segment == nil || e.Segment.Job == nil {
			out = append(out, Violation{Rule: RuleAccounted, At: e.Start, Message: "a segment belongs to no job"})
			continue
		}
		if e.Segment.Program == nil {
			out = append(out, Violation{Rule: RuleClaim, At: e.Start, Message: "a segment has no program"})
			continue
		}
		if ops := e.Segment.Ops; len(ops) > 0 && checked[&ops[0]] < len(ops) {
			checked[&ops[0]] = len(ops)
			add(e.Start, bus.CheckProgram(a, e.Segment.Program))
		}
	}
	return out
}

type cycleEntry struct {
	*TimedEntry
	cycle int
	place int // within the cycle; -1 where cycles overlap
}

// unrolled yields the segments of a number of cycles in the order of their starts. Cycles overlap where a segment
// starts after the first of the next cycle; then all are sorted together.
func (t *TimedTable) unrolled(cycles int) iter.Seq[cycleEntry] {
	inCycle := make([]cycleEntry, len(t.Entries))
	for i := range t.Entries {
		inCycle[i].TimedEntry = &t.Entries[i]
	}
	slices.SortStableFunc(inCycle, func(x, y cycleEntry) int { return cmp.Compare(x.Start, y.Start) })
	h := t.Hyperperiod
	all := inCycle
	if n := len(inCycle); n > 0 && inCycle[n-1].Start.Sub(inCycle[0].Start) > h { // cycles overlap
		all = make([]cycleEntry, 0, cycles*n)
		for c := range cycles {
			for _, e := range inCycle {
				all = append(all, cycleEntry{e.TimedEntry, c, -1})
			}
		}
		slices.SortStableFunc(all, func(x, y cycleEntry) int {
			return cmp.Compare(x.Start.Add(time.Duration(x.cycle)*h), y.Start.Add(time.Duration(y.cycle)*h))
		})
		cycles = 1
	}
	return func(yield func(cycleEntry) bool) {
		for c := range cycles {
			for i, e := range all {
				if e.place >= 0 {
					e.place = i
				}
				e.cycle += c
				if !yield(e) {
					return
				}
			}
		}
	}
}

// judge runs segments past an inspector in exact times. Jobs repeat their programs,
// so what does not depend on the moment is worked out once for each.
type judge struct {
	in       *Inspector
	filled   map[filledKey]*bus.Program
	programs map[*bus.Op]*judgedProgram
	captures []bus.Capture // of the running operation
}

// judgedProgram is a run of operations with their lengths and the captures of a bus in exact time. Captures lack codes
// and holds, and their times count from the start of the operation.
type judgedProgram struct {
	lengths  []time.Duration
	captures [][]bus.Capture
}

// corner is a choice of the values of all slots from among their bounds.
type corner uint8

const (
	defaults corner = iota
	lows
	highs
	mixed     // every other one low
	mixedBack // the other ones
)

// of is the value of one of a program's slots.
func (c corner) of(i int, s bus.Slot) int {
	switch {
	case c == lows, c == mixed && i%2 == 0, c == mixedBack && i%2 == 1:
		return s.Low
	case c == defaults:
		return s.Default
	}
	return s.High
}

// filledKey is a program, by its first operation, with a choice of values.
type filledKey struct {
	program *bus.Op
	at      corner
}

// fill gives the operations of a program the values of a corner.
func (j *judge) fill(p *bus.Program, at corner) *bus.Program {
	if len(p.Slots) == 0 || len(p.Ops) == 0 {
		return p
	}
	key := filledKey{&p.Ops[0], at}
	if j.filled[key] == nil {
		values := make([]int, len(p.Slots))
		for i, slot := range p.Slots {
			values[i] = at.of(i, slot)
		}
		j.filled[key] = &bus.Program{Ops: bus.Fill(nil, p.Ops, p.Slots, values)}
	}
	return j.filled[key]
}

func (j *judge) program(ops []bus.Op) *judgedProgram {
	if len(ops) == 0 {
		return nil
	}
	if p := j.programs[&ops[0]]; p != nil && len(p.lengths) == len(ops) {
		return p
	}
	p := &judgedProgram{make([]time.Duration, len(ops)), make([][]bus.Capture, len(ops))}
	for i := range ops {
		p.lengths[i] = bus.Cost(j.in.a, &ops[i]).Total()
		p.captures[i] = expected(j.in.a, &ops[i])
	}
	j.programs[&ops[0]] = p
	return p
}

// segmentAt runs a segment past the inspector.
func (j *judge) segmentAt(s *bus.Segment, notBefore, start bus.Time) {
	j.in.BeginSegment(s, notBefore, start)
	now := start
	p := j.program(s.Ops)
	for i := range s.Ops {
		j.captures = append(j.captures[:0], p.captures[i]...)
		for k := range j.captures {
			c := &j.captures[k]
			c.FirstSample = now.Add(c.FirstSample.Elapsed())
			c.Converted = now.Add(c.Converted.Elapsed())
			if chip := &j.in.chips[c.Chip]; chip.loaded && j.in.a.Chips[c.Chip].Class.HasMemory() {
				c.Hold = c.LastSample().Sub(chip.loadedAt)
			}
		}
		end := now.Add(p.lengths[i])
		j.in.Op(&s.Ops[i], now, end, j.captures)
		now = end
	}
	j.in.EndSegment(now)
}

// expected are the captures of an operation that begins at 0.
func expected(a *chipmodel.Array, op *bus.Op) []bus.Capture {
	if op.Scan == nil {
		return nil
	}
	t := op.Scan.Timing(a)
	caps := make([]bus.Capture, len(op.Scan.Chips))
	for i, c := range op.Scan.Chips {
		caps[i] = bus.Capture{
			Chip: c, Frame: op.Scan.Frames[i], FirstRow: op.Scan.FirstRow, Window: op.Scan.Window,
			FirstSample: bus.Time(t.First), RowInterval: t.RowInterval, PixelInterval: t.PixelInterval,
			Converted: bus.Time(t.Duration),
		}
	}
	return caps
}
