package program

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Limits of what may be asked for. They keep a mistyped number from asking for hours of planning; none of them is a
// property of the hardware.
const (
	maxRateHz    = 1e6
	minRateHz    = 1e-3
	maxViews     = 64
	maxShares    = 64
	maxSmoothing = 64
	maxNameBytes = 64
	maxLimit     = time.Hour
)

// NewTasks checks tasks for an array and makes them ready to plan. It reports
// every error of all of them, with paths that begin with "tasks[i]"; the list of
// tasks is nil when there is any.
func NewTasks(a *chipmodel.Array, specs []*facetdv1.Task) ([]*Task, invalid.Errors) {
	c := &checker{a: a}
	if a.WiringOnly {
		c.add("", "the array file describes only the wiring", "add classes, lanes and timing to run tasks")
		return nil, c.m
	}
	if len(specs) == 0 {
		c.add("tasks", "there are no tasks", "give at least one")
	}
	seen := map[string]int{}
	tasks := make([]*Task, len(specs))
	for i, spec := range specs {
		path := fmt.Sprintf("tasks[%d]", i)
		c.taskName(path+".name", spec.GetName(), seen, i)
		tasks[i] = c.task(path, spec)
	}
	if len(c.m) > 0 {
		return nil, c.m
	}
	return tasks, nil
}

// checker gathers the errors of an input.
type checker struct {
	a        *chipmodel.Array
	m        invalid.Errors
	onDemand bool // the views are those of a capture
	// Of the task at hand.
	chips      []int
	rateHz     float64 // at which its jobs are released at most
	slots      []bus.Slot
	parameters []Parameter
}

func (c *checker) add(path, message, hint string) { c.m.Add(path, message, hint) }

func (c *checker) addf(path, hint, format string, args ...any) {
	c.m.Add(path, fmt.Sprintf(format, args...), hint)
}

func (c *checker) taskName(path, name string, seen map[string]int, i int) {
	if !c.name(path, name, "task") {
		return
	}
	if first, taken := seen[name]; taken {
		c.addf(path, "names are unique", "the name %q is taken by task %d", name, first+1)
		return
	}
	seen[name] = i
}

// name checks the form of a name and reports whether it is valid.
func (c *checker) name(path, name, what string) bool {
	switch {
	case name == "":
		c.add(path, "the "+what+" has no name", "give it one")
	case len(name) > maxNameBytes:
		c.addf(path, fmt.Sprintf("use at most %d", maxNameBytes), "the name has %d bytes", len(name))
	case invalid.BadName(name):
		c.addf(path, invalid.BadNameHint, "the name %q %s", name, invalid.BadNameMessage)
	default:
		return true
	}
	return false
}

func (c *checker) task(path string, spec *facetdv1.Task) *Task {
	t := &Task{spec: spec, Name: spec.GetName()}
	t.Chips, t.Class = c.target(path+".target", spec)
	t.Touches = touches(c.a, t.Chips)
	if spec.GetLeastInterval() != nil {
		c.sporadic(path, spec, t)
	} else {
		c.periodic(path, spec, t)
	}
	t.MaxHold = c.limit(path+".max_hold", spec.GetMaxHold(), "no limit")
	t.MaxSkew = c.limit(path+".max_skew", spec.GetMaxSkew(), "no limit")
	c.pair(path, spec, t)
	if t.Class == nil {
		return t
	}
	if spec.GetMaxHold() != nil && !t.Class.HasMemory() {
		c.addf(path+".max_hold", "leave it out", "chips of class %q have no memory and hold nothing (%s)", t.Class.Name,
			t.Class.Parts())
	}
	c.slots, c.parameters, c.chips, c.rateHz = nil, nil, t.Chips, t.RateHz
	if t.Sporadic != nil { // of its triggers, not of its reservations
		c.rateHz = 1 / t.Sporadic.LeastInterval.Seconds()
	}
	t.Views = c.views(path+".views", spec.GetViews(), t.Class)
	t.Slots, t.Parameters = c.slots, c.parameters
	return t
}

// periodic sets when the jobs of a task with a rate are released, and are to be finished.
func (c *checker) periodic(path string, spec *facetdv1.Task, t *Task) {
	t.RateHz, t.OwnDeadline = spec.GetRateHz(), spec.GetDeadline() != nil
	period := time.Duration(0)
	if c.rate(path+".rate_hz", t.RateHz) {
		t.Period = periodOf(t.RateHz)
		period = time.Duration(floor(t.Period))
	}
	t.Deadline = c.deadline(path+".deadline", spec.GetDeadline(), period)
}

// target resolves a target whose chips must all be of one class.
func (c *checker) target(path string, spec *facetdv1.Task) ([]int, *chipmodel.Class) {
	chips, m := c.a.Resolve(spec.GetTarget())
	if len(m) > 0 {
		c.m = append(c.m, m.Under(path)...)
		return nil, nil
	}
	class := c.a.Chips[chips[0]].Class
	for _, chip := range chips[1:] {
		if c.a.Chips[chip].Class != class {
			c.mixed(path, spec, chips)
			return nil, nil
		}
	}
	return chips, class
}

// rate checks a rate and reports whether it is valid.
func (c *checker) rate(path string, hz float64) bool {
	switch {
	case math.IsNaN(hz) || math.IsInf(hz, 0):
		c.addf(path, "give jobs per second", "%g is not a number", hz)
	case hz == 0:
		c.add(path, "the task has no rate", "give jobs per second, or a least_interval between triggers")
	case hz < 0:
		c.addf(path, "give jobs per second", "%g Hz is negative", hz)
	case hz > maxRateHz:
		c.addf(path, fmt.Sprintf("use at most %g", float64(maxRateHz)), "%g Hz is out of range", hz)
	case hz < minRateHz:
		c.addf(path, fmt.Sprintf("use %g or more, or capture single frames when they are wanted", float64(minRateHz)),
			"%g Hz is out of range", hz)
	default:
		return true
	}
	return false
}

// periodOf is the exact period in nanoseconds of a rate, which is taken as the decimal number that was typed: the float
// nearest to 0.3 would have a period of a huge denominator, and a hyperperiod beyond any limit.
func periodOf(hz float64) *big.Rat {
	rate := decimal(hz)
	if rate.Sign() <= 0 {
		return new(big.Rat).SetInt64(int64(time.Second))
	}
	return rate.Quo(new(big.Rat).SetInt64(int64(time.Second)), rate)
}

// decimal is the shortest decimal number that reads as a float; 0 for what is no number.
func decimal(f float64) *big.Rat {
	r, ok := new(big.Rat).SetString(strconv.FormatFloat(f, 'g', -1, 64))
	if !ok {
		return new(big.Rat)
	}
	return r
}

func floor(r *big.Rat) int64 {
	return new(big.Int).Quo(r.Num(), r.Denom()).Int64()
}

// deadline returns the relative deadline: one period when none is given.
func (c *checker) deadline(path string, d *durationpb.Duration, period time.Duration) time.Duration {
	if d == nil {
		return period
	}
	v := d.AsDuration()
	switch {
	case d.CheckValid() != nil || v > maxLimit:
		c.add(path, "is longer than an hour", "leave it out for one period")
	case v <= 0:
		c.addf(path, "give a time above zero, or leave it out for one period", "%v is not a time to finish in", v)
	case period > 0 && roundedUp(v, period):
		return period
	case period > 0 && v > period:
		c.addf(path, "use at most one period", "%v is above the period of %v", v, period)
	}
	return v
}

// leastDigits is how many digits a deadline must have been given with to count as a rounded period.
const leastDigits = 3

// roundedUp reports that a deadline above a period is that period, rounded to the digits that were typed: people type
// 16.6667ms, or 16.7ms, for the period of 60 Hz.
func roundedUp(deadline, period time.Duration) bool {
	unit := time.Duration(1)
	for deadline%(10*unit) == 0 {
		unit *= 10
	}
	digits := len(strconv.FormatInt(int64(deadline/unit), 10))
	return deadline > period && digits >= leastDigits && 2*(deadline-period) <= unit
}

// limit returns an optional limit, 0 when unset.
func (c *checker) limit(path string, d *durationpb.Duration, without string) time.Duration {
	if d == nil {
		return 0
	}
	v := d.AsDuration()
	switch {
	case d.CheckValid() != nil || v > maxLimit:
		c.add(path, "is longer than an hour", "leave it out for "+without)
	case v < 0:
		c.addf(path, "give a time above zero", "%v is negative", v)
	case v == 0:
		c.add(path, "is zero", "give a time above zero, or leave it out for "+without)
	}
	return v
}
