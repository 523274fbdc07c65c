// Package failure has the errors with which the rooms of the daemon refuse what they are
// asked, by what the caller can do next. They know nothing of a transport; package status
// makes gRPC statuses of them. What is wrong with the input itself is invalid.Errors.
//
// An error that carries data of its own wraps one of these, without a message, in its
// Unwrap.
package failure

import (
	"errors"
	"fmt"
)

// Precondition says that the state of the array, of the daemon or of its bus forbids it.
// The caller must change that first; trying again alone does not help.
type Precondition struct {
	// Kind is a constant for programs, such as "REPLAY".
	Kind string
	// Subject is what it is about, such as the name of a task.
	Subject string
	// Message says it to people, with what to do.
	Message string
}

// Kinds of preconditions, beside those that package status finds in refusals of the
// planner.
const (
	NoGap             = "NO_GAP"              // a job on demand fits no idle gap
	Replay            = "REPLAY"              // a recording is played, there is no array
	NoReplay          = "NO_REPLAY"           // no recording is played
	NotVirtual        = "NOT_VIRTUAL"         // the bus is a real one
	NoRecordingFolder = "NO_RECORDING_FOLDER" // the daemon has no folder for recordings
	NoFreeSpace       = "NO_FREE_SPACE"       // the disk has too little
	RecordingOpen     = "RECORDING_OPEN"      // it is being written, or was left open
	Bringup           = "BRINGUP"             // the run cannot go on
	Calibration       = "CALIBRATION"         // the calibration cannot go on
	SafeStop          = "SAFE_STOP"           // the array is stopped, and must be resumed first
	NotStopped        = "NOT_STOPPED"         // there is nothing to resume
	NotLockstep       = "NOT_LOCKSTEP"        // bus time does not wait for anybody
	NoPicture         = "NO_PICTURE"          // the scene has no picture in which to move
	NotSporadic       = "NOT_SPORADIC"        // a task has a rate, and is not triggered
	Paused            = "PAUSED"              // a sporadic task is paused, and is not triggered
	NoDevice          = "NO_DEVICE"           // no device drives the array
	OtherBoard        = "OTHER_BOARD"         // another board is named than that of the array
	TooSoon           = "TOO_SOON"            // a sporadic task was triggered within its least interval
)

func (e *Precondition) Error() string { return e.Message }

// IsPrecondition reports whether an error is a precondition of a kind.
func IsPrecondition(err error, kind string) bool {
	var p *Precondition
	return errors.As(err, &p) && p.Kind == kind
}

// NotFound names what there is none of. The caller should list what there is.
type NotFound struct {
	What, Name string
	// Hint says where to look; it may be empty.
	Hint string
}

func (e *NotFound) Error() string {
	text := fmt.Sprintf("there is no %s called %q", e.What, e.Name)
	if e.Hint != "" {
		text += "; " + e.Hint
	}
	return text
}

// Exists names what there is already. The caller should choose another name.
type Exists struct{ What, Name string }

func (e *Exists) Error() string {
	return fmt.Sprintf("there is already a %s called %q", e.What, e.Name)
}

// Reused says that the id of a request is that of another one. The caller should make up a new id for each.
type Reused struct{ ID string }

func (e *Reused) Error() string {
	return fmt.Sprintf("the request id %q was used for another request; make up a new one for each", e.ID)
}

// Stale says that something is not any more as the caller knew it: nothing was changed. The caller should read it anew,
// and decide again.
type Stale struct {
	// What, and its Name where it has one.
	What, Name string
	// Given is what the caller named, and Current what there is, by etag or revision.
	Given, Current string
}

func (e *Stale) Error() string {
	what := e.What
	if e.Name != "" {
		what += fmt.Sprintf(" %q", e.Name)
	}
	return fmt.Sprintf("the %s has changed since it was read: it is at %s, not at %s; nothing was changed", what,
		e.Current, e.Given)
}

// OutOfRange says that a position is not one that there has been. The caller should begin anew,
// without it.
type OutOfRange struct{ Message string }

func (e *OutOfRange) Error() string { return e.Message }

// InProgress says that something else must finish first. The caller may then try again.
type InProgress struct{ Message string }

func (e *InProgress) Error() string { return e.Message }

// Exhausted says that as many run or wait as may, or that memory would run out. The caller
// may try again when one has ended, or ask for less.
type Exhausted struct{ Message string }

func (e *Exhausted) Error() string { return e.Message }

// Unavailable says that what is asked has ended or is going down. The caller may try again
// when the daemon is back.
type Unavailable struct{ Reason string }

func (e *Unavailable) Error() string { return e.Reason }
