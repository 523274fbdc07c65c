// Package scheduler turns tasks into programs of bus operations and a timetable
// of when they run, with predictions, or into a refusal that says in numbers what
// does not fit.
//
// It is pure: no clock, goroutine, logger or bus. It is given tasks and returns
// plans. Select words are found in scheduler/selectword, start times in
// scheduler/timetable.
package scheduler

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Task is a checked task.
type Task struct {
	// Spec is the task as asked for.
	Spec  *facetdv1.Task
	Name  string
	Chips []int // ascending, all of one class
	Class *chipmodel.Class
	Views []View
	// Deadline is relative to the release; it is at most one period.
	Deadline time.Duration
	// MaxHold and MaxSkew are 0 where there is no limit.
	MaxHold, MaxSkew time.Duration
	// sharers are the tasks as asked for that this one, of a bus job, stands for;
	// none where it is one of them itself.
	sharers []*Task
}

// View is a checked view.
type View struct {
	Name string
	// Shares are all shares in order: explicit ones, then smoothing, then binning.
	// Empty for chips without memory.
	Shares []bus.Patterns
	// Patterns are the switch patterns set before sensing (in-array switch chips).
	Patterns bus.Patterns
	// Trim are the trim registers' values (trimmed chips).
	Trim   []bus.RegisterValue
	Window chipmodel.Window
}

// Plan is a set of tasks that fits, with everything needed to run it. It is
// read-only and may be shared.
type Plan struct {
	Array *chipmodel.Array
	// Tasks are the bus jobs, one for each task or for several that share their loads;
	// Members says for which. Message has the tasks as asked for.
	Tasks []TaskPlan
	// Opening brings every register to the state that the table assumes; it runs
	// once, before the table.
	Opening bus.Segment
	// OpeningTime is how long Opening takes.
	OpeningTime time.Duration
	// Hyperperiod is the length of the table, which repeats.
	Hyperperiod time.Duration
	// Entries are the table, in order of start.
	Entries []Entry
	// Busy is the bus time of one hyperperiod by phase.
	Busy bus.Phases
	// Bound is what every correct program of the table's jobs needs at least, by
	// phase.
	Bound bus.Phases
	// Message is the plan in the schema's form.
	Message *facetdv1.Plan
}

// TaskPlan is the compiled form of one bus job.
type TaskPlan struct {
	// Task is what the bus job does: the task as asked for, or that of all members.
	Task *Task
	// Members are the tasks as asked for whose frames it reads, in order of frames.
	Members []Member
	// JobsPerCycle is the number of jobs in one hyperperiod.
	JobsPerCycle int
	// Segments are the programs of a job, the same for every job.
	Segments [][]bus.Op
	// Costs are the segments' bus times by phase.
	Costs []bus.Phases
	// Frames are the frames of a job, in the order of the indices in bus.Scan.
	Frames []FrameSpec
}

// FrameSpec says what one frame of a job is of.
type FrameSpec struct {
	Chip   int
	View   int
	Window chipmodel.Window
}

// Entry is one segment in the table. Times are nanoseconds from the table's start.
type Entry struct {
	Task, Job, Segment int // indices: of Plan.Tasks, within the cycle, within the job
	Start, End         int64
	Release, Deadline  int64
}

// Registers is what is known of every chip's registers: [chip][register], -1
// where unknown.
type Registers [][chipmodel.NumRegisters]int32

// RefusalError is the error of tasks that do not fit. The caller shows the
// refusal; retrying without a change gives the same answer.
type RefusalError struct{ Refusal *facetdv1.Refusal }

func (e *RefusalError) Error() string { return e.Refusal.GetMessage() }
