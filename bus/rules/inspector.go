// Package rules judges what happens on a bus: an inspector that holds a stream of operations against the bus rules, and
// a judge that runs a timetable past it. It shares no code with the planner, so that an error of one is not repeated by
// the other.
package rules

import (
	"fmt"
	"math"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

const (
	// keptViolations limits both lists of violations: one wrong program can violate rules thousands of times a second.
	// All are counted.
	keptViolations = 128
	// keptWords limits the memory of what each select word reaches. Timetables use few words; a probe may go through
	// thousands.
	keptWords = 4096
)

// Inspector judges a stream of operations and their times by the bus rules. It
// shares no code with the planner: what listens, what drives, what each register
// holds and how long a lane must settle it works out itself, from the array's
// description and the operations alone.
//
// The stream is BeginSegment, Op for every operation, EndSegment (or GiveUp), for
// one segment after another; FrameSet and JobEnded for every job, Released for
// every stop. An Inspector is owned by one goroutine.
//
// Registers hold 0 after power-on, biases their nominal value.
type Inspector struct {
	a      *chipmodel.Array
	grain  time.Duration   // of the bus: nothing happens between two of its steps
	settle []time.Duration // least settling time of a chip's lane after a change
	paces  []pace          // of each chip's readout
	reach  map[chipmodel.LineSet][]int
	blocks map[blockSize]time.Duration // least holds of shares that were met

	word      chipmodel.LineSet
	listening []int
	chips     []chipState
	lanes     []laneState

	now      bus.Time // end of the last operation
	segment  *bus.Segment
	job      *jobRecord // of the running segment
	commands commandLog
	tasks    map[string]*taskRecord
	spare    []*jobRecord

	pending, history []Violation
	total            uint64
	broken           uint64
}

// chipState is what is known of one chip.
type chipState struct {
	registers [chipmodel.NumRegisters]uint16
	// patternAt is when a pattern register last changed.
	patternAt bus.Time

	loaded   bool
	loadedAt bus.Time       // start of the load
	loadedBy *jobRecord     // nil once that job has ended
	loadBias uint16         // of the pixels at the load
	exposure time.Duration  // of the load, as the bus timed it; 0 where the chip did
	torn     string         // why the load or a share since is not what it claims to be
	shares   []bus.Patterns // since the load

	holder *jobRecord // the job whose load is in the chip, until it is read
	read   bool       // some of it has been read
	// disturbed says that another job acted on the chip after a first readout. The chip alone does not show whether its
	// load was still needed: rule 5 is violated only if the holder reads on.
	disturbed   bool
	disturbedAt bus.Time
	disturbance string

	exposing  bool // the bus has begun an exposure, and the chip was selected ever since
	exposedAt bus.Time

	counted bool // counter chips: the counter's position is known
	counter int
}

// laneState is what is known of one lane.
type laneState struct {
	changed   bus.Time // last change of what drives it
	busyUntil bus.Time // end of the last conversion
}

// NewInspector returns an inspector of an array that was just switched on: every
// line inactive.
func NewInspector(a *chipmodel.Array) *Inspector {
	in := &Inspector{
		a:      a,
		grain:  a.Grain(),
		settle: make([]time.Duration, len(a.Chips)),
		paces:  make([]pace, len(a.Chips)),
		reach:  map[chipmodel.LineSet][]int{},
		blocks: map[blockSize]time.Duration{},
		chips:  make([]chipState, len(a.Chips)),
		lanes:  make([]laneState, len(a.Lanes)),
		tasks:  map[string]*taskRecord{},
		now:    bustime.Never,
	}
	for i := range in.lanes {
		in.lanes[i] = laneState{bustime.Never, bustime.Never}
	}
	for i := range a.Chips {
		in.settle[i] = requiredSettle(a, i)
		in.paces[i] = paceOf(a, i)
		in.chips[i].patternAt = bustime.Never
		if class := a.Chips[i].Class; class != nil {
			in.chips[i].registers[chipmodel.PixelBias] = uint16(class.Spec.GetPixelBias().GetNominal())
			in.chips[i].registers[chipmodel.OutputBias] = uint16(class.Spec.GetOutputBias().GetNominal())
		}
	}
	return in
}

// requiredSettle is the least time between the last change of a chip's lane and the sample: the measured one, or what a
// single pole of the output resistance and the whole line's capacitance needs to come within half a step of the
// converter. It counts the chips of the lane itself, where the planner asks the chip model.
func requiredSettle(a *chipmodel.Array, chip int) time.Duration {
	c := &a.Chips[chip]
	if c.Class == nil || c.Lane < 0 {
		return 0
	}
	readout := c.Class.Spec.GetReadout()
	if readout.GetSettle() != nil {
		return readout.GetSettle().AsDuration()
	}
	spec := a.Lanes[c.Lane].Spec
	picofarads := spec.GetLineCapacitancePf()
	for i := range a.Chips {
		if a.Chips[i].Lane == c.Lane {
			picofarads += spec.GetChipCapacitancePf()
		}
	}
	steps := math.Exp2(float64(spec.GetConverter().GetBits() + 1)) // half steps of the full range
	ns := readout.GetOutputResistanceOhms() * picofarads * 1e-3 * math.Log(steps)
	// A millionth of a nanosecond is rounding; it must not cost a whole one.
	return time.Duration(math.Ceil(ns - 1e-6))
}

// needed is the least settling time of a chip's lane at the output bias that the chip holds. A bias below nominal takes
// bandwidth from the output, down to a hundredth of it, and settling takes longer in proportion; a bias above nominal
// is not credited, as nobody has measured what it gains.
func (in *Inspector) needed(chip int) time.Duration {
	return in.neededAt(chip, in.chips[chip].registers[chipmodel.OutputBias])
}

func (in *Inspector) neededAt(chip int, bias uint16) time.Duration {
	class := in.a.Chips[chip].Class
	if class == nil {
		return in.settle[chip]
	}
	spec := class.Spec.GetOutputBias()                  // without one nothing is short
	short := float64(spec.GetNominal()) - float64(bias) // steps below nominal
	if short <= 0 {
		return in.settle[chip]
	}
	left := math.Max(1-short*spec.GetBandwidthPerStep(), 0.01)
	return time.Duration(math.Ceil(float64(in.settle[chip])/left - 1e-6))
}

// BeginSegment begins a segment at bus time start; notBefore is the earliest time
// that it may begin. (Rule 8.)
func (in *Inspector) BeginSegment(s *bus.Segment, notBefore, start bus.Time) {
	early := func(than bus.Time, what string) {
		if start < than {
			var chips []int
			if s.Job != nil {
				chips = s.Job.Chips
			}
			in.breach(RuleOrder, start, chips, "segment %d of %s begins %d ns before %s", s.Index, jobName(s.Job),
				than.Sub(start), what)
		}
	}
	early(in.now, "the end of the one before it")
	early(notBefore, "its time")
	if s.Job != nil {
		early(s.Job.Release, "the job's release")
	}
	in.onGrid("a segment", start)
	in.now = max(in.now, start)
	in.segment = s
	in.job = in.begin(s, start)
	in.commands.reset()
}

// Op judges one operation that ran from bus time from until to, with the captures
// that a scan gave. (Rules 1 to 6, and 7 for what a capture says of its hold.)
func (in *Inspector) Op(op *bus.Op, from, to bus.Time, caps []bus.Capture) {
	if from < in.now {
		in.breach(RuleOrder, from, nil, "a %s begins %d ns before the end of the operation before it", op.Kind,
			in.now.Sub(from))
	}
	if to < from {
		in.breach(RuleOrder, from, nil, "a %s ends %d ns before it begins", op.Kind, from.Sub(to))
	}
	in.onGrid("an operation", to)
	switch op.Kind {
	case bus.OpSelect:
		in.selectWord(op, from, to)
	case bus.OpWrite:
		in.addressed(op, from)
		in.lasting(op, from, to)
		in.write(op, to)
	case bus.OpStrobe:
		in.addressed(op, from)
		in.lasting(op, from, to)
		in.strobe(op, from, to)
	case bus.OpScan, bus.OpClockOut:
		in.scan(op, from, to, caps)
	}
	in.now = max(in.now, to)
}

// onGrid judges that something happens at a time that the bus can keep: one between two steps of its clock is not what
// will happen. (Rule 8.)
func (in *Inspector) onGrid(what string, at bus.Time) {
	if off := at % bus.Time(in.grain); off != 0 {
		in.breach(RuleOrder, at, nil, "%s begins or ends %d ns after a step of the bus's clock, whose grain is %v",
			what,
			off.Elapsed(), in.grain)
	}
}

// EndSegment ends the running segment at bus time end. (Rule 3: its commands have
// reached their whole targets.)
func (in *Inspector) EndSegment(end bus.Time) {
	if in.segment == nil {
		return
	}
	if end < in.now {
		in.breach(RuleOrder, end, nil, "a segment ends %d ns before its last operation", in.now.Sub(end))
	}
	in.now = max(in.now, end)
	for i := range in.commands.list {
		in.complete(i)
	}
	if in.job != nil {
		in.job.ran++
		in.job.end = end
		// The last segment has read all that it will: others may load the chips before the job is accounted for.
		if in.job.ran >= in.job.segments {
			in.unhold(in.job)
		}
	}
	in.segment, in.job = nil, nil
}

// GiveUp ends the running segment at bus time at, in the middle of an operation
// unless op is nil; Released says when the lines went inactive.
func (in *Inspector) GiveUp(op *bus.Op, at bus.Time) {
	// A strobe that was cut short may have loaded some rows and moved a counter by any number.
	if op != nil && op.Kind == bus.OpStrobe {
		for _, c := range in.listening {
			in.chips[c].loaded = false
			in.chips[c].counted = false
		}
	}
	in.now = max(in.now, at)
	in.segment, in.job = nil, nil
}

// Violations returns the last violations, oldest first. Total counts those that were not kept, too.
func (in *Inspector) Violations() []Violation { return append([]Violation(nil), in.history...) }

// Take returns the violations since the last call. When there are too many, the newest are dropped; Total still counts
// them.
func (in *Inspector) Take() []Violation {
	taken := in.pending
	in.pending = nil
	return taken
}

// Total counts all violations.
func (in *Inspector) Total() uint64 { return in.total }

// Broken counts the violations after which a bus must stop: those of rules 1 to 6 and 8. The other rules are about what
// is reported of a job, not about what the lines do: stopping the bus would make nothing safer.
func (in *Inspector) Broken() uint64 { return in.broken }

// breach notes a violation.
func (in *Inspector) breach(rule int, at bus.Time, chips []int, format string, args ...any) {
	v := Violation{Rule: rule, At: at, Message: fmt.Sprintf(format, args...), Chips: in.a.ChipNames(chips)}
	in.total++
	if rule <= RuleClaim || rule == RuleOrder {
		in.broken++
	}
	// pending keeps the first ones, which caused the others; history the last ones, which are what is happening now.
	if len(in.pending) < keptViolations {
		in.pending = append(in.pending, v)
	}
	if len(in.history) == keptViolations {
		in.history = append(in.history[:0], in.history[1:]...)
	}
	in.history = append(in.history, v)
}

func (r *jobRecord) name() string { return jobName(&r.job) }

// jobName is what messages call a job.
func jobName(j *bus.Job) string {
	switch {
	case j == nil:
		return "no job"
	case j.Task == "":
		return fmt.Sprintf("on-demand job %d", j.Number)
	}
	return fmt.Sprintf("job %d of %s", j.Number, j.Task)
}
