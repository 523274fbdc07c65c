package rules

import (
	"fmt"
	"slices"
	"strconv"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Triggered is a task of a table whose jobs are reservations: each runs where the task was triggered before it, and
// leaves its time idle otherwise.
type Triggered struct {
	Task string
	// Deadline is the longest that a trigger may wait for the end of its job. Lead is how long before its start it is
	// decided whether a job runs: a trigger after that waits for the next.
	Deadline, Lead time.Duration
}

// usage says which jobs of triggered tasks run, by number within the cycle and cycle; nil is all of them.
type usage func(job uint64, cycle int) bool

// usages are what is judged besides all reservations being used: none, and every other one, either way, so that what
// comes after a reservation is seen after it was used and after it was not, and each after the other.
var usages = []usage{
	func(uint64, int) bool { return false },
	func(job uint64, cycle int) bool { return (job+uint64(cycle))%2 == 0 },
	func(job uint64, cycle int) bool { return (job+uint64(cycle))%2 == 1 },
}

// idleCycles is how many cycles are judged with reservations left out.
const idleCycles = 3

// judgedUnused judges a table with reservations left out; what its slots hold alternates between their bounds.
func judgedUnused(a *chipmodel.Array, t *TimedTable) []Violation {
	if len(t.Triggered) == 0 {
		return nil
	}
	at := func(job uint64) corner { return [...]corner{mixed, mixedBack}[job%2] }
	for _, used := range usages {
		if found, _ := judgedWith(a, t, choice{idleCycles, false, at, used}); len(found) > 0 {
			return found
		}
	}
	return nil
}

// checkTriggered holds the places of reservations against the deadlines: a trigger that comes just after one was
// decided is answered by the end of the next.
func checkTriggered(a *chipmodel.Array, t *TimedTable) []Violation {
	var out []Violation
	for _, of := range t.Triggered {
		var starts []bus.Time // of the jobs, in two cycles
		var ends []bus.Time
		for e := range t.unrolled(2) {
			j, shift := e.Segment.Job, time.Duration(e.cycle)*t.Hyperperiod
			if j.Task != of.Task {
				continue
			}
			if e.Segment.Index == 0 {
				starts = append(starts, e.Start.Add(shift))
			}
			if e.Segment.Index == max(j.Segments, 1)-1 {
				ends = append(ends, e.Start.Add(shift+bus.CostOf(a, e.Segment.Ops).Total()))
			}
		}
		if len(starts) == 0 || len(starts) != len(ends) {
			out = append(out, Violation{Rule: RuleAccounted,
				Message: "there are " + strconv.Itoa(len(ends)) + " whole jobs for the triggers of " + of.Task})
			continue
		}
		for k := range len(starts) - 1 {
			if waits := ends[k+1].Sub(starts[k]) + of.Lead; waits > of.Deadline {
				out = append(out, Violation{Rule: RuleAccounted, At: starts[k], Message: fmt.Sprintf(
					"a trigger of %s that is just too late for the job at this time has waited %v at the end of the "+
						"next, its deadline is %v", of.Task, waits, of.Deadline)})
			}
		}
	}
	return out
}

func (t *TimedTable) triggered(task string) bool {
	return slices.ContainsFunc(t.Triggered, func(of Triggered) bool { return of.Task == task })
}
