package campaign

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/failure"
)

// path is a way in which the daemon deals with a fault.
type path int

// The recovery paths, as they show from outside. That a job fails because another does, in the middle of it and on a
// chip of both, is not among them: no seed was seen to reach it; package dispatch tests it.
const (
	pathLate      path = iota // a job late
	pathFailed                // a job failed with the fault's cause
	pathRefused               // a job refused because registers were not restored in time
	pathRestored              // an initialization within a timetable, which goes on
	pathAlone                 // single chips restored beside the others
	pathRetried               // an initialization that failed, and was tried again
	pathChange                // a change of tasks that took effect beside faults
	pathNoChange              // a change that its caller gave up, or that failed
	pathCapture               // a capture that gave frames
	pathNoCapture             // a capture or command that failed on the bus
	pathGivenUp               // the bus given up, and the process started again
	pathPanic                 // a panic, and the process started again
	pathBehind                // the host behind the timetable, and caught up
	pathDropped               // frame sets dropped for a slow subscriber
	pathLeft                  // frame sets left behind by a subscriber that went
	pathLost                  // frame sets lost by a recording whose disk is slow
	pathSalvaged              // a recording that failed, its file closed
	pathUnwritten             // events that the disk refused
	pathStopped               // the array stopped, and resumed
	pathKept                  // a stop that outlived the process
	pathStays                 // an array that could not be resumed at once
	pathMapped                // a correction map made
	pathUnmapped              // a correction map that the disk refused
	pathSet                   // parameters of a task set between its jobs
	pathNotSet                // parameters refused, as they were outside their bounds
	pathRoom                  // jobs failed to make room for a change or a restoration on a host too far behind
	pathQueue                 // a change that waited for another caller's
	pathAdjusted              // exposure, gain or offset set by the daemon itself
	pathPaused                // a release left out as its task was paused
	pathResumed               // a job after a pause
	pathShared                // a job of the bus of which one task was paused and another was not
	pathTogether              // several tasks changed together
	pathNone                  // several of which one could not be changed, so that none was
	pathHidden                // a frame set without a view that was off
	pathTriggered             // a job of a sporadic task
	pathTooSoon               // a trigger refused within the least interval
	pathPromise               // a response that was held against the promise
	pathRepeated              // a request sent once more under its id
	pathOnGrid                // a release on its grid after a change of others
	pathMoved                 // a release off its grid, as its frame set tells
	numPaths
)

func (p path) String() string {
	return [...]string{
		"late", "failed", "refused", "restored", "restored alone", "retried", "changed", "change failed",
		"captured", "capture failed", "given up", "panicked", "behind", "dropped", "left behind", "recording lost",
		"recording failed", "events unwritten", "stopped", "stop kept", "not resumed", "maps made",
		"maps refused", "parameters set", "parameters refused", "room made", "queued", "adjusted",
		"paused", "went on", "shared job paused", "changed together", "none of several", "view off",
		"triggered", "too soon", "promises kept", "sent again",
		"on their grid", "off their grid",
	}[p]
}

// tally counts what a run reached.
type tally struct {
	faults [numKinds]int
	paths  [numPaths]int
}

func (t *tally) add(o *tally) {
	for i := range t.faults {
		t.faults[i] += o.faults[i]
	}
	for i := range t.paths {
		t.paths[i] += o.paths[i]
	}
}

func (t *tally) total() int { return sum(t.faults[:]) }

// byKind is the faults that struck, by kind.
func (t *tally) byKind() string {
	var parts []string
	for k, n := range t.faults {
		parts = append(parts, fmt.Sprintf("%v %d", faultKind(k), n))
	}
	return strings.Join(parts, ", ")
}

// unreached names what was never reached.
func (t *tally) unreached() []string {
	var out []string
	for k, n := range t.faults {
		if n == 0 {
			out = append(out, "fault "+faultKind(k).String())
		}
	}
	for p, n := range t.paths {
		if n == 0 {
			out = append(out, "path "+path(p).String())
		}
	}
	return out
}

// count counts what a life reached.
func (o *outcome) count(l *life) {
	t := &o.tally
	for _, s := range l.bus.strikes {
		t.faults[s.fault.kind]++
	}
	for f := range l.disk.hit {
		t.faults[f.kind]++
	}
	for _, f := range o.faults {
		if f.kind == clockStep && l.finish > f.at && l == o.lives[0] {
			t.faults[clockStep]++
		}
	}
	for _, fs := range l.ledger.sets {
		switch cause := fs.GetFailure(); {
		case fs.GetTask() == "" && cause == "":
			t.paths[pathCapture]++
		case fs.GetTask() == "":
			t.paths[pathNoCapture]++
		case cause == "" && fs.GetLate():
			t.paths[pathLate]++
		case strings.Contains(cause, "do not hold the registers"):
			t.paths[pathRefused]++
		case strings.Contains(cause, "too far behind the timetable to"), strings.Contains(cause, "came too late to"):
			t.paths[pathRoom]++
		case strings.Contains(cause, errInjected.Error()):
			t.paths[pathFailed]++
		}
	}
	t.paths[pathShared] += l.sharedPaused
	t.paths[pathHidden] += l.hidden
	o.countAutomatic(l)
	o.countTables(l)
	o.countEnds(l)
	o.countMaps(l)
}

// countTables counts what became of timetables and of changes.
func (o *outcome) countTables(l *life) {
	t := &o.tally
	epochs := map[int64]bool{}
	for _, p := range l.ledger.plans {
		epochs[p.epoch.NS()] = true
	}
	for i := range l.driven.log {
		e := &l.driven.log[i]
		if e.job.Task != "" || e.job.Deadline == bustime.Forever || len(l.s.array.Chips) == 1 {
			continue // it is on demand
		}
		switch {
		case len(e.job.Chips) < len(l.s.array.Chips):
			if e.err == nil {
				t.paths[pathAlone]++
			}
		case e.err != nil:
			t.paths[pathRetried]++
		case !epochs[e.res.End.NS()]:
			t.paths[pathRestored]++
		}
	}
	t.paths[pathQueue] += l.queued()
	for _, c := range l.changed {
		if len(c.several) > 0 && c.err == nil {
			t.paths[pathTogether]++
		} else if len(c.several) > 0 && errors.As(c.err, new(*failure.NotFound)) {
			t.paths[pathNone]++
		}
		if c.err == nil {
			t.paths[pathChange]++
		} else {
			t.paths[pathNoChange]++
		}
	}
}

// countEnds counts what became of the daemon, its subscribers and its files.
func (o *outcome) countEnds(l *life) {
	t := &o.tally
	if l != o.lives[len(o.lives)-1] {
		p := pathGivenUp
		if slices.ContainsFunc(l.bus.strikes, func(s strike) bool { return s.fault.kind == driverPanic }) {
			p = pathPanic
		}
		t.paths[p]++
	}
	for _, b := range l.ledger.behind {
		if b.CaughtUp {
			t.paths[pathBehind]++
		}
	}
	t.paths[pathDropped] += int(l.stats.DroppedTotal())
	t.paths[pathLeft] += int(l.stats.Abandoned)
	for _, r := range l.recorded {
		switch {
		case r.info.GetState() == facetdv1.RecordingState_RECORDING_STATE_FAILED:
			t.paths[pathSalvaged]++
		case r.info.GetLost() > 0:
			t.paths[pathLost]++
		}
	}
	for _, x := range l.stops {
		switch {
		case x.resumed > 0 && x.answer == nil:
			t.paths[pathKept]++
		case x.resumed > 0:
			t.paths[pathStopped]++
		}
		if x.cause != nil {
			t.paths[pathStays]++
		}
	}
	for _, x := range l.sets {
		if x.err == nil {
			t.paths[pathSet]++
		} else if x.outside {
			t.paths[pathNotSet]++
		}
	}
	t.paths[pathUnwritten] += int(l.journal.Stats().DiskRefused)
}
