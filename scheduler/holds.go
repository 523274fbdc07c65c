package scheduler

import (
	"time"

	"facetd.example/scheduler/program"
)

// Assumes returns what the table relies on whenever no job is open: a value that must not be changed, Unknown for a
// register that its jobs write before they need it, Untouched for one that they do not use.
func (p *Plan) Assumes() program.Registers {
	tasks := make([]*program.Task, len(p.Tasks))
	for i := range p.Tasks {
		tasks[i] = p.Tasks[i].Task
	}
	return program.Assumed(p.Array, tasks)
}

// Hold is how long one chip holds a load within a table.
type Hold struct {
	Chip int
	From time.Duration // start of the load, from the table's start
	For  time.Duration // to the last sample
}

// Held returns the holds of a task's jobs in one hyperperiod: job by job, and for each job one of every chip of the
// task in order. It means something only for chips with memory.
func (p *Plan) Held(task int) []Hold {
	tp := &p.Tasks[task]
	starts := make([][]time.Duration, tp.JobsPerCycle)
	for k := range p.Entries {
		if e := &p.Entries[k]; e.Task == task {
			starts[e.Job] = append(starts[e.Job], e.Start)
		}
	}
	var out []Hold
	for _, s := range starts {
		c := tp.Follow(s)
		for at, chip := range tp.Task.Chips {
			// The first view's frames come first, and all views are of one load.
			out = append(out, Hold{Chip: chip, From: c.Light[at], For: c.Hold[chip]})
		}
	}
	return out
}
