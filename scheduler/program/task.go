// Package program turns checked tasks, captures on demand and single commands into the operations of a bus, with exact
// durations: which select words reach the chips, what is written where, in which order chips are read, and where a job
// may be cut. When jobs run is left to the planner.
//
// It is pure: no clock, goroutine, logger or bus.
package program

import (
	"cmp"
	"math/big"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Task is a checked task.
type Task struct {
	Name  string
	Chips []int // ascending, all of one class
	// Touches are the chips that commands of its jobs reach, ascending: Chips, and those of other lanes that listen
	// whenever one of them does.
	Touches []int
	Class   *chipmodel.Class
	Views   []View
	// RateHz is the rate asked for, Period its exact period in nanoseconds.
	RateHz float64
	Period *big.Rat
	// Kept is a period at most as long, in nanoseconds, that the planner keeps to where it can: the one at which the
	// task runs already. nil where there is none.
	Kept *big.Rat
	// Deadline is relative to the release; it is at most one period, and one period where none was asked for
	// (OwnDeadline says whether one was).
	Deadline    time.Duration
	OwnDeadline bool
	// MaxHold and MaxSkew are 0 where there is no limit.
	MaxHold, MaxSkew time.Duration
	// Pair is the time from the light of the first frame of a pair to that of the second, on the grain of the bus; 0
	// where every job has one load.
	Pair time.Duration
	// Sporadic is nil for a task with a rate. Rate, period and deadline of a sporadic one are of its reservations.
	Sporadic *Sporadic
	// Slots are what may be set between jobs, Parameters what each of them gives.
	Slots      []bus.Slot
	Parameters []Parameter
	// spec is the task as asked for, which is returned by Spec and decides nothing; nil for a task that Merge made.
	spec *facetdv1.Task
	// merged are the tasks as asked for that this one stands for; none where it is one of them itself.
	merged []*Task
}

// View is a checked view.
type View struct {
	Name string
	// BinRows and BinColumns are the sides of a block that is read as one pixel; 1 where the view does not bin.
	BinRows, BinColumns int
	// Shares are all shares in order: explicit ones, then smoothing, then binning.
	// Empty for chips without memory.
	Shares []bus.Patterns
	// Patterns are the switch patterns set before sensing (chips with pixel switches).
	Patterns bus.Patterns
	// Trim are the values of the registers of biases and amplifier that the chips have.
	Trim   []bus.RegisterValue
	Window chipmodel.Window
	// RowSlot and ColumnSlot are the slots that give the window's first row and column, TrimSlots those that give the
	// values of Trim, by index; they count from 1, and 0 is none. Window and Trim then are what the slots hold at
	// first.
	RowSlot, ColumnSlot int
	TrimSlots           []int
	// Exposure is that of the load, where the bus times it, and ExposureSlot the slot that gives it; 0 where the chips
	// expose for the time of their class, or not at all. The views of one load agree in both.
	Exposure     time.Duration
	ExposureSlot int
	// Automatic is what the daemon sets of it; nil where that is nothing. Its slots count among those of the task that
	// was asked for.
	Automatic *Automatic
	// ActiveSlot is the slot that says whether frame sets have its frames; 0 where they always do. No operation depends
	// on it.
	ActiveSlot int
	// slow is the least value that the output bias register can have.
	slow uint16
}

// Spec returns a copy of the task as it was asked for; nil for a task that Merge made.
func (t *Task) Spec() *facetdv1.Task { return proto.CloneOf(t.spec) }

// Members are the tasks as asked for that a task stands for, in the order of its views: itself, unless Merge made it.
func (t *Task) Members() []*Task {
	if len(t.merged) == 0 {
		return []*Task{t}
	}
	return t.merged
}

// At returns the task at another rate. A deadline of its own stays, where it is not longer than the new period.
func (t *Task) At(rateHz float64) *Task {
	out := *t
	out.RateHz, out.Period, out.Kept = rateHz, periodOf(rateHz), nil
	out.Deadline = time.Duration(floor(out.Period))
	if t.OwnDeadline {
		out.Deadline = min(out.Deadline, t.Deadline)
	}
	return &out
}

// Slower returns the task with its rate multiplied by a number and its own deadline, where it has one, divided by it.
// The rate is the decimal number nearest to that.
func (t *Task) Slower(by *big.Rat) *Task {
	hz, _ := new(big.Rat).Mul(decimal(t.RateHz), by).Float64()
	out := t.At(hz)
	if t.OwnDeadline {
		longer := new(big.Rat).Quo(new(big.Rat).SetInt64(int64(t.Deadline)), by)
		out.Deadline = min(time.Duration(floor(out.Period)), time.Duration(floor(longer))+1)
	}
	return out
}

// WithoutDeadline returns the task with a deadline of one period.
func (t *Task) WithoutDeadline() *Task {
	out := *t
	out.Deadline, out.OwnDeadline = time.Duration(floor(t.Period)), false
	return &out
}

// Unlimited returns the task without max_hold, max_skew and a deadline of its own.
func (t *Task) Unlimited() *Task {
	out := t.WithoutDeadline()
	out.MaxHold, out.MaxSkew = 0, 0
	out.spec = t.Spec()
	out.spec.MaxHold, out.spec.MaxSkew, out.spec.Deadline = nil, nil, nil
	return out
}

// shares are all shares of a job.
func (t *Task) shares() []bus.Patterns {
	var all []bus.Patterns
	for i := range t.Views {
		all = append(all, t.Views[i].Shares...)
	}
	return all
}

// pixelBias is the bias of the pixels in the first view, and whether there is such a register. The views of
// one load agree in it.
func (t *Task) pixelBias() (value uint16, ok bool) { return t.Views[0].pixelBias() }

// Shares is how many shares a job makes.
func (t *Task) Shares() int { return t.Loads() * len(t.shares()) }

// Loads is how often a job loads its chips, or begins to read them where they have no memory: 2 for a pair.
func (t *Task) Loads() int {
	if t.Pair > 0 {
		return 2
	}
	return 1
}

// MayFollow reports whether a task's views may be read after those of another from one load: the same memory chips at
// the same rate, neither of them sporadic or of pairs, exposed for the same time and loaded under the same pixel bias,
// neither of which moves, and a first view that begins with every share of the other task, since a share cannot be
// undone.
func (t *Task) MayFollow(first *Task) bool {
	if x, y := &t.Views[0], &first.Views[0]; x.Exposure != y.Exposure || x.ExposureSlot+y.ExposureSlot > 0 {
		return false
	}
	bias, _ := t.pixelBias()
	if other, _ := first.pixelBias(); bias != other || t.biasMoves() || first.biasMoves() {
		return false
	}
	if t.Sporadic != nil || first.Sporadic != nil || t.Pair > 0 || first.Pair > 0 ||
		t.Kept != nil && first.Kept != nil && t.Kept.Cmp(first.Kept) != 0 {
		return false
	}
	if !t.Class.HasMemory() || t.RateHz != first.RateHz || !slices.Equal(t.Chips, first.Chips) ||
		len(t.Views)+len(first.Views) > maxViews {
		return false
	}
	done, shares := first.shares(), t.Views[0].Shares
	return len(done) <= len(shares) && slices.Equal(done, shares[:len(done)])
}

// Merge is the task of one bus job for two tasks, of which the second may follow the first. It keeps the tightest of
// their limits: what holds for it holds for both. Names of tasks have no comma, so its name belongs to no other task.
func Merge(first, second *Task) *Task {
	t := &Task{
		Name: first.Name + "," + second.Name, Chips: first.Chips, Touches: first.Touches, Class: first.Class,
		RateHz: first.RateHz, Period: first.Period, Kept: cmp.Or(first.Kept, second.Kept),
		Deadline: min(first.Deadline, second.Deadline), OwnDeadline: first.OwnDeadline || second.OwnDeadline,
		MaxHold: tightest(first.MaxHold, second.MaxHold),
		MaxSkew: tightest(first.MaxSkew, second.MaxSkew),
		Views:   slices.Concat(first.Views, shifted(second.Views, len(first.Slots))),
		Slots:   slices.Concat(first.Slots, second.Slots), Parameters: slices.Clone(first.Parameters),
		merged: slices.Concat(first.Members(), second.Members()),
	}
	for _, p := range second.Parameters {
		t.Parameters = append(t.Parameters, Parameter{p.View + len(first.Views), p.Field})
	}
	v := &t.Views[len(first.Views)]
	v.Shares = v.Shares[len(first.shares()):]
	return t
}

// NamesOf are the names of the tasks of which a task of the bus, by its name, is merged.
func NamesOf(busTask string) []string { return strings.Split(busTask, ",") }

// tightest is the shorter of two limits, where 0 is none.
func tightest(a, b time.Duration) time.Duration {
	if a == 0 || b > 0 && b < a {
		return b
	}
	return a
}
