// Package scheduler turns tasks into programs of bus operations and a timetable
// of when they run, with predictions, or into a refusal that says in numbers what
// does not fit.
//
// It is pure: no clock, goroutine, logger or bus. It is given tasks and returns
// plans. Tasks are compiled in scheduler/program, select words found in
// scheduler/selectword, start times in scheduler/timetable.
package scheduler

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// Plan is a set of tasks that fits, with everything needed to run it. It is
// read-only and may be shared.
type Plan struct {
	Array *chipmodel.Array
	// Tasks are the bus jobs, one for each task or for several whose loads are merged; Members says for which. Message
	// has the tasks as asked for.
	Tasks []TaskPlan
	// Initialization brings every register to the state that the table assumes; it runs
	// once, before the table.
	Initialization bus.Program
	// InitializationTime is how long Initialization takes.
	InitializationTime time.Duration
	// Hyperperiod is the length of the table, which repeats.
	Hyperperiod time.Duration
	// Entries are the table, in order of start.
	Entries []Entry
	// TriggerLead is how long before its start it is decided whether a reservation of a sporadic task is used.
	TriggerLead time.Duration
	// Queue is that of the bus that the table was made for.
	Queue timetable.Queue
	// Busy is the bus time of one hyperperiod by phase.
	Busy bus.Phases
	// Bound is the bus time that every correct program of the table's jobs needs at least, by phase; see
	// program.LeastTime.
	Bound bus.Phases
	// Message is the plan in the schema's form.
	Message *facetdv1.Plan
}

// TaskPlan is the compiled form of one bus job.
type TaskPlan struct {
	// Task is what the bus job does: the task as asked for, or that of all members.
	Task *program.Task
	// Members are the tasks as asked for whose frames it reads, in order of frames.
	Members []Member
	// JobsPerCycle is the number of jobs in one hyperperiod.
	JobsPerCycle int
	*program.Program
}

// Entry is one segment in the table. Times are from the table's start.
type Entry struct {
	Task, Job, Segment int // indices: of Plan.Tasks, within the cycle, within the job
	Start, End         time.Duration
	// Release and Deadline are those of the job; of a sporadic task those within which its reservation was placed.
	Release, Deadline time.Duration
}

// RefusalError is the error of tasks that do not fit. The caller shows the
// refusal; retrying without a change gives the same answer.
type RefusalError struct{ Refusal *facetdv1.Refusal }

func (e *RefusalError) Error() string { return e.Refusal.GetMessage() }
