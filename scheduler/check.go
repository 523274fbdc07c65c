package scheduler

import (
	"fmt"

	"facetd.example/bus"
	"facetd.example/scheduler/timetable"
)

// judgedCycles is how many cycles of a table the inspector sees before it is used:
// the second shows what the first leaves to it.
const judgedCycles = 2

// Table returns the plan's timetable in the form that the inspector judges.
func (p *Plan) Table() bus.TimedTable {
	t := bus.TimedTable{Opening: p.Opening.Ops, Hyperperiod: p.Hyperperiod}
	type jobKey struct{ task, job int }
	jobs := map[jobKey]*bus.Job{}
	for i := range p.Entries {
		e := &p.Entries[i]
		tp := &p.Tasks[e.Task]
		key := jobKey{e.Task, e.Job}
		if jobs[key] == nil {
			jobs[key] = &bus.Job{
				Task: tp.Task.Name, Number: uint64(e.Job), Release: e.Release, Deadline: e.Deadline,
				MaxHold: tp.Task.MaxHold, MaxSkew: tp.Task.MaxSkew, Chips: tp.Task.Chips, Segments: len(tp.Segments),
			}
		}
		t.Entries = append(t.Entries, bus.TimedEntry{
			Segment: &bus.Segment{Job: jobs[key], Index: e.Segment, Ops: tp.Segments[e.Segment]},
			Start:   e.Start, NotBefore: e.Release,
		})
	}
	return t
}

// check lets the checker of timetables and the inspector judge a plan. Everything
// they find is a mistake of the planner.
func check(p *Plan, jobs []timetable.Job, table timetable.Table) error {
	if err := timetable.Check(int64(p.Hyperperiod), jobs, table); err != nil {
		return &InternalError{"the timetable is wrong: " + err.Error()}
	}
	if v := bus.Judge(p.Array, p.Table(), judgedCycles); len(v) > 0 {
		return &InternalError{fmt.Sprintf("the plan breaks %d laws, first: %s", len(v), v[0])}
	}
	return nil
}
