// Package dispatch owns the bus: one goroutine runs the active timetable, changes it at instants when no job is open,
// fits on-demand captures and commands into its idle gaps, and hands finished frame sets to an observer.
//
// It has three parts behind one front, Dispatcher, whose methods may be called from any goroutine: the runner drives
// the bus and has no lock, as all its state belongs to the goroutine of Run; the mailbox holds what callers want of it;
// the board shows readers what it did. Mailbox and board have a lock each, under which nobody is called.
//
// Segments are handed over ahead of their start, as far as the bus needs it: on one with lead 0 each at its start,
// and then its end is waited for; on others up to the bus's queue, some 30 ms earlier than they must, so that a short
// stop of the host costs nothing. Everything that was not foreseen starts no earlier than the lead from now. What the
// bus refuses, because the host stood still or for another reason, fails its job with the cause, and the timetable
// goes on at the next release. While the bus is lost every job fails when it is due.
//
// After a failed segment nobody knows what its job's chips hold. Jobs that have begun on one of them fail too, and
// before the next that relies on their registers these chips are restored, one by one and beside open jobs of others:
// in the first idle time that is long enough, or before that job where every other job still ends by its deadline.
// Where neither can be, it fails with that cause, and its own time is idle. Of a task whose chips no other job holds at
// most two jobs in a row do; the next restoration is run whatever it makes late, unless a job is open that has a limit
// of hold or skew. A whole array is restored, after a loss of the bus or when asked to, at the first instant when no
// job is open. Either way the timetable goes on as it was: releases stay on their grid, and what waits is run
// afterwards.
//
// A change takes effect at an instant when no job is open and nothing that was released waits, which for a bus with a
// lead is found that far ahead: the timetable before it runs up to it. Where no such instant is found within a
// hyperperiod, as the queue of the bus is too short for that, or as the host has been behind by more than MaxLag for as
// long again, jobs fail to make room for it. Where the host comes too late for its initialization again and again, it
// takes effect without, and the registers are restored afterwards: removing load is what helps such a host. It waits
// 10 s at most for a bus that is lost.
//
// Through a change the releases of tasks that are not changed stay on their grid: its table begins as if it had run
// before, in the middle of a cycle where need be, at an instant from which its jobs can wait for the initialization and
// all end in time. For such an instant it waits two seconds at most. Where there is none, or where the new timetable
// has another period for a task, the answer says by how much the releases move, and so does the task's next frame set.
// The planner keeps to the periods of what runs where it can.
//
// A task that is paused keeps its place in the timetable. To pause and resume it is no change of that: the runner looks
// at what is paused when it decides about a job, passes over the jobs of paused tasks, and leaves paused tasks out of
// what is reported of jobs that they share with others. What is passed over was not released, and is counted nowhere.
//
// A panic on the goroutine that owns the bus ends Run.
package dispatch

import (
	"context"
	"time"

	"go.uber.org/zap"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/daemon/failure"
	"facetd.example/scheduler"
)

// Observer is notified of what happens on the bus, on the goroutine that owns it: it
// must not block, and must not keep what it is given except frame sets, which
// nobody changes afterwards.
type Observer interface {
	// SegmentRun is called after every segment with the select words it used by scope. task is
	// empty for on-demand jobs and initializations; of a job that several tasks share it is all
	// their names with commas between them.
	SegmentRun(task string, r *bus.Result, words WordCount)
	// JobEnded is called once for every job of every task: on time, late, or failed
	// (then fs.Failure says why); jobs of the bus that several tasks share end once for
	// each. fs.Task is empty for on-demand jobs.
	JobEnded(fs *facetdv1.FrameSet)
	// PlanChanged is called when a timetable takes effect, at a bus time. Its first cycle began at epoch, or would
	// have begun, where it took over in the middle of a cycle.
	PlanChanged(plan *facetdv1.Plan, at, epoch bus.Time)
	// Violated is called for every bus rule that was violated.
	Violated(v rules.Violation)
}

// LaterObserver is an observer that takes frame sets whose pixels were put off, as nobody was known to want them.
type LaterObserver interface {
	Observer
	// JobEndedLater is JobEnded for such a frame set. Data of its frames, and the counts of clipped pixels, are only
	// there once look has returned, which may be called on any goroutine and as often as wanted; everything else is.
	JobEndedLater(fs *facetdv1.FrameSet, look func())
}

// WordCount counts select words by what they reach.
type WordCount struct{ Broadcast, Group, Single int }

// Config is what a dispatcher needs.
type Config struct {
	Array    *chipmodel.Array
	Bus      bus.Bus
	Observer Observer
	Logger   *zap.Logger
	// Instant is what the clocks of the host show at a bus time; nil means that UTC is the bus's host time, and nothing
	// else is known.
	Instant func(at bus.Time) clocksync.Instant
	// Inspector, where the bus has one, is notified of frame sets and job ends.
	Inspector *rules.Inspector
	// Tasks run from the start.
	Tasks []*facetdv1.Task
	// Revision of Tasks, from 1; 0 means 1.
	Revision uint64
	// Wanted, where set, says whether somebody is known to want the pixels of a task's next frame set. Where nobody is,
	// and the bus can put them off, they are read for those who look after all, if anybody does. It must not block.
	Wanted func(task string) bool
	// StopAt ends Run at this bus time, at an instant when no job is open; 0
	// means never.
	StopAt bus.Time
	// Held says that bus time may stand still for as long as others want (lockstep): the runner has the bus wait also
	// while nothing is planned, so that it goes on, and is alive while a segment waits.
	Held bool
	// Applied, where set, is called with the tasks that run once a change of them is active, and their revision, on
	// the goroutine that owns the bus or, where tasks are only paused or resumed, on the caller's: it must not block,
	// and must not change them. It is not called twice at once.
	Applied func(tasks []*facetdv1.Task, revision uint64)
	// Paused, where set, is called once a task is paused or resumed, after Applied and where that is: it must not
	// block.
	Paused func(Pausing)
	// MaxLag is how far the host may be behind the timetable before Behind is called; 0 means
	// never.
	MaxLag time.Duration
	// Behind, where set, is called on the goroutine that owns the bus: it must not block.
	Behind func(Behind)
	// Stopped is a safe stop from before the start, nil where there is none: nothing is driven before it is resumed.
	Stopped *SafeStop
	// Halted, where set, is called on the goroutine that owns the bus once the lines were released for a safe stop: it
	// must not block.
	Halted func()
}

// Snapshot is the dispatcher at one instant.
type Snapshot struct {
	State facetdv1.State
	Fault string
	Now   bus.Time
	Epoch bus.Time // when the active table began
	Plan  *facetdv1.Plan
	// Active is what Plan says for clients, with its operations; nil where nothing is planned here.
	Active *scheduler.Plan
	Tasks  []*facetdv1.RunningTask
	// Revision of the tasks.
	Revision uint64
	// Busy is the bus time used since Epoch, over the whole cycles of the table
	// that have passed, or until now in the first; Measured is how long that is.
	Busy     bus.Phases
	Measured time.Duration
	// Uncertainty is how far host times given for bus times may be off.
	Uncertainty time.Duration
	Violations  uint64
	LastBroken  []rules.Violation
	PlannedUtil float64
	Lag         Lag
	// SafeStop is the one that is latched, nil where there is none.
	SafeStop *SafeStop
}

// Done is what became of an on-demand job.
type Done struct {
	FrameSet *facetdv1.FrameSet     // captures
	Words    []*facetdv1.SelectWord // commands
	Start    bus.Time
	Waited   time.Duration // bus time from the request to its start
}

// Service is what the daemon's API needs of a dispatcher. Errors: invalid.Errors for bad input,
// *scheduler.RefusalError for what does not fit, *failure.NotFound, *failure.Exists, *failure.Stale,
// *failure.Exhausted, *NoGapError, *UnavailableError, *StoppedError, the context's.
type Service interface {
	// Apply makes changes to the tasks, all or none, and returns once they are active. Paths in errors are those in
	// the changes.
	Apply(ctx context.Context, c *facetdv1.TaskChanges) (Change, error)
	// Preview plans changes without making them, with every operation if asked; tasks that do not fit come back
	// as a plan with a refusal, bad input as an error.
	Preview(ctx context.Context, c *facetdv1.TaskChanges, operations bool) (*facetdv1.Plan, error)
	Capture(ctx context.Context, r *facetdv1.CaptureFramesRequest) (Done, error)
	// PreviewCapture says how long a capture may wait, and captures nothing.
	PreviewCapture(ctx context.Context, r *facetdv1.PreviewCaptureRequest) (
		*facetdv1.PreviewCaptureResponse, error)
	Send(ctx context.Context, c *facetdv1.Command) (Done, error)
	// SetParameters sets what of a task may be set between its jobs.
	SetParameters(ctx context.Context, r *facetdv1.SetTaskParametersRequest) (*facetdv1.SetTaskParametersResponse,
		error)
	// Trigger releases a job of a sporadic task, now. Errors besides: *TooSoonError, *SafeStopError,
	// *failure.Precondition for a task with a rate, or one that is paused.
	Trigger(ctx context.Context, task string) (*facetdv1.TriggerTaskResponse, error)
	Snapshot() Snapshot
}

// NoGapError says that an on-demand job fits no idle gap of the timetable. The caller
// may ask for less, or remove a task.
type NoGapError struct {
	Needed, Longest time.Duration
	Reason          string
}

func (e *NoGapError) Error() string { return e.Reason }

func (e *NoGapError) Unwrap() error {
	return &failure.Precondition{Kind: failure.NoGap, Subject: "timetable"}
}

// UnavailableError says that the bus could not run something, and why; it may be asked for again.
type UnavailableError struct{ Cause error }

func (e *UnavailableError) Error() string { return e.Cause.Error() }

func (e *UnavailableError) Unwrap() []error { return []error{new(failure.Unavailable), e.Cause} }

// StoppedError says that the dispatcher has ended or is in a fault.
type StoppedError struct{ Reason string }

func (e *StoppedError) Error() string { return "the bus is stopped: " + e.Reason }

func (e *StoppedError) Unwrap() error { return new(failure.Unavailable) }
