package scheduler

import (
	"fmt"

	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/scheduler/timetable"
)

// judgedCycles is how many cycles of a table the inspector sees before the table is used: the second begins in the
// state that the first leaves behind, as all later ones do.
const judgedCycles = 2

// Table returns the plan's timetable in the form that the inspector judges.
func (p *Plan) Table() rules.TimedTable {
	t := rules.TimedTable{Initialization: p.Initialization.Ops, Hyperperiod: p.Hyperperiod}
	first := make([]int, len(p.Tasks)) // of each task's jobs
	n := 0
	for i := range p.Tasks {
		if of := p.Tasks[i].Task; of.Sporadic != nil {
			t.Triggered = append(t.Triggered, rules.Triggered{Task: of.Name, Deadline: of.Sporadic.Deadline,
				Lead: p.TriggerLead})
		}
		first[i] = n
		n += p.Tasks[i].JobsPerCycle
	}
	jobs := make([]bus.Job, n)
	segments, programs := make([]bus.Segment, len(p.Entries)), make([]bus.Program, len(p.Entries))
	t.Entries = make([]rules.TimedEntry, len(p.Entries))
	for i := range p.Entries {
		e := &p.Entries[i]
		tp := &p.Tasks[e.Task]
		job := &jobs[first[e.Task]+e.Job]
		*job = bus.Job{
			Task: tp.Task.Name, Number: uint64(e.Job), Release: bus.Time(e.Release), Deadline: bus.Time(e.Deadline),
			MaxHold: tp.Task.MaxHold, MaxSkew: tp.Task.MaxSkew, Pair: tp.Task.Pair, Chips: tp.Task.Touches,
			Segments: len(tp.Segments),
		}
		programs[i] = bus.Program{Ops: tp.Segments[e.Segment], Slots: tp.Task.Slots}
		segments[i] = bus.Segment{Job: job, Index: e.Segment, Program: &programs[i]}
		t.Entries[i] = rules.TimedEntry{Segment: &segments[i], Start: bus.Time(e.Start), NotBefore: bus.Time(e.Release)}
	}
	return t
}

// check has a plan judged by the checker of timetables and by the inspector, neither of which shares code with the
// planner. Everything they find is an error of the planner.
func check(p *Plan, jobs []timetable.Job, table timetable.Table) error {
	if err := timetable.Check(int64(p.Hyperperiod), jobs, table); err != nil {
		return &InternalError{"the timetable is wrong: " + err.Error()}
	}
	if err := p.Queue.Check(table); err != nil {
		return &InternalError{"the timetable is wrong: " + err.Error()}
	}
	if v := rules.Judge(p.Array, p.Table(), judgedCycles); len(v) > 0 {
		return &InternalError{fmt.Sprintf("the plan violates %d rules, first: %s", len(v), v[0])}
	}
	return nil
}
