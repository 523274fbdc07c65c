package rules

import (
	"fmt"
	"strings"

	"facetd.example/bus"
)

// The bus rules, by number.
const (
	RuleOneDriver  = 1 // at most one chip drives each lane at any instant
	RuleTarget     = 2 // no command reaches a chip outside its target
	RuleStrobeOnce = 3 // a strobe reaches each chip of its target exactly once
	RuleSettle     = 4 // every conversion comes at least the settling time after the last change on its lane
	RuleHeld       = 5 // a chip with a load not yet read is not written, strobed or loaded by another job
	RuleClaim      = 6 // when a frame is read, the chip's registers hold what the frame claims
	// hold and skew stay within the task's limits, and what is reported is never below what happened
	RuleHoldSkew  = 7
	RuleOrder     = 8 // segments do not overlap, and none starts before its time
	RuleAccounted = 9 // every job ends as on time, late, or failed with a cause, and is counted
	// on a stop or fault every line goes inactive within the release limit; with the host lost, within the lease and
	// that
	RuleReleaseInTime = 10
)

// Violation is one violation of a bus rule.
type Violation struct {
	Rule    int // number, 1 to 10
	At      bus.Time
	Message string   // what happened, with names and numbers
	Chips   []string // chips concerned
}

func (v Violation) String() string {
	s := fmt.Sprintf("rule %d violated at %d ns: %s", v.Rule, v.At, v.Message)
	if len(v.Chips) > 0 {
		s += " [" + strings.Join(v.Chips, ", ") + "]"
	}
	return s
}

// ViolationError is the error of a bus on which rules were violated. The bus has released every line; the caller fails
// the job and lets the operator know.
type ViolationError struct{ Violations []Violation }

func (e *ViolationError) Error() string {
	lines := make([]string, len(e.Violations))
	for i, v := range e.Violations {
		lines[i] = v.String()
	}
	return strings.Join(lines, "; ")
}
