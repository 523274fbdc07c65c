package bus

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// Time is the time on a bus.
type Time = bustime.Time

// OpKind is the kind of one bus operation.
type OpKind uint8

// The operations.
const (
	// OpSelect makes all lines inactive, then those of Word active. Word 0 leaves
	// all inactive.
	OpSelect OpKind = iota + 1
	// OpWrite writes Value to Register of every chip that listens.
	OpWrite
	// OpStrobe gives Strobe to every chip that listens; Hold is how long the
	// switches of a share stay closed.
	OpStrobe
	// OpWait does nothing for Hold.
	OpWait
	// OpScan reads a window of addressed chips.
	OpScan
	// OpClockOut reads a window of counter chips, from a reset counter on.
	OpClockOut
)

func (k OpKind) String() string {
	return [...]string{"none", "select", "write", "strobe", "wait", "scan", "clock out"}[k]
}

// Op is one bus operation.
type Op struct {
	Kind     OpKind
	Word     chipmodel.LineSet // OpSelect
	Register facetdv1.Register // OpWrite
	Value    uint16            // OpWrite
	Strobe   facetdv1.Strobe   // OpStrobe
	Hold     time.Duration     // OpStrobe of a share, OpWait; of an exposure its length, which ends with the operation
	// Phase is what the time of an OpWait counts as.
	Phase facetdv1.Phase
	// Command numbers the command that a write or strobe is part of, within its
	// segment and from 1: one command may need several words. A command begins and
	// ends within one segment.
	Command int
	// Target is every chip that the command is meant for, ascending; the same for
	// all operations of one command.
	Target []int
	// Scan says what an OpScan or OpClockOut reads.
	Scan *Scan
	// Slot gives Value anew with every run of an OpWrite, and Hold with every run of an OpStrobe that exposes.
	Slot int
	// Lasts is how long the operation lasts, where that is more than it needs: what comes after it waits.
	Lasts time.Duration
}

// Scan is one readout under one select word.
type Scan struct {
	// Chips are read in parallel: one per lane, all of one class, since the same steps read them all.
	Chips []int
	// Beside are chips that listen as well and drive lanes of their own, which are not converted, ascending.
	Beside []int
	// Window is what is read of each; it may be some rows of a frame only.
	Window chipmodel.Window
	// Frames gives, for each chip, the index of the frame within the job.
	Frames []int
	// Settle is how long the lanes are given to settle after each change; 0 gives them
	// what they need at nominal output bias.
	Settle time.Duration
	// FirstRow is the row of the frame where the window's first row lands.
	FirstRow int
	// RowSlot and ColumnSlot give the first row and column of the window anew with every run: the window here is that
	// of the default values.
	RowSlot, ColumnSlot int
	// Claim is what the frame will say about the chip's settings.
	Claim Claim
	// Levels says that the lanes themselves are sampled, whether or not anything drives them: the captures claim
	// nothing about the chips, which only set the pace. With a Settle of its own it may sample before the lanes have
	// settled, which is how settling is measured.
	Levels bool
}

// Timing is the exact course of the readout.
func (s *Scan) Timing(a *chipmodel.Array) chipmodel.ScanTiming {
	return a.ScanTime(s.Chips, s.Window, s.Settle)
}

// Claim is the state that a frame says its chip was in when it was read.
type Claim struct {
	// Registers that must hold these values.
	Registers []RegisterValue
	// Slots give the values of the registers of the same index anew with every run; nil is none.
	Slots []int
	// Shares are the switch patterns closed since the load, in order (memory
	// chips only).
	Shares []Patterns
	// Exposure of the load, where the bus timed it, and the slot that gives it anew with every run; 0 where the chips
	// expose by themselves, or not at all.
	Exposure     time.Duration
	ExposureSlot int
}

// RegisterValue is a register and its value.
type RegisterValue = chipmodel.RegisterValue

// Patterns is one share's column and row pattern; bit i joins cells 8k+i and
// 8k+i+1.
type Patterns struct{ Columns, Rows uint8 }

// Job identifies the job that a segment belongs to, with its limits.
type Job struct {
	// Task is empty for on-demand captures and commands.
	Task string
	// Number counts the jobs of the task from 0; on-demand jobs have their own count.
	Number uint64
	// Release and Deadline in bus time; an on-demand job's deadline is far away.
	Release, Deadline Time
	// MaxHold and MaxSkew are the task's limits; 0 is none.
	MaxHold, MaxSkew time.Duration
	// Pair is the time from the light of a frame to that of the second of its pair, which is as many frames further on
	// as half of all; 0 where there is one load.
	Pair time.Duration
	// Chips are all chips that the job touches, ascending. Empty means that any may be touched.
	Chips []int
	// Segments is how many segments the job has.
	Segments int
}

// OutcomeKind is how a job ended.
type OutcomeKind uint8

// The outcomes.
const (
	OnTime OutcomeKind = iota + 1
	Late
	Failed
)

func (k OutcomeKind) String() string {
	return [...]string{"not at all", "on time", "late", "failed"}[k]
}

// Outcome is how a job ended; Cause says why it failed.
type Outcome struct {
	Kind  OutcomeKind
	Cause string
}

// Program is the operations of a segment. It is prepared once and run by reference, as often as wanted: once a bus has
// been given it, nobody changes it.
type Program struct {
	Ops []Op
	// Slots are values of the operations that are given anew with every run.
	Slots []Slot
}

// Segment is one run of a program, which nothing interrupts.
type Segment struct {
	Job   *Job
	Index int // within the job, from 0
	*Program
	// Values are those of the program's slots in this run; nil stands for the defaults.
	Values []int
	// Into, where it is not nil, has room for the codes of each frame of the job, row by row, by the index of the
	// frame. A bus may put the codes of its captures there, so that nobody needs to copy them; it leaves no others.
	Into [][]uint16
	// Later says that nobody is known to want what is read. A bus for which pixels are work of its own may then put
	// them off: see Capture.Later.
	Later bool
	// Mark says that the output of the array's device that marks light is to become active whenever light is sampled.
	Mark bool
}

// SamplesLight reports whether an operation samples light whose time frames tell: a load, at its start, and the first
// sample of a readout that begins a frame of chips without memory.
func SamplesLight(a *chipmodel.Array, op *Op) bool {
	if op.Scan == nil {
		return op.Kind == OpStrobe && op.Strobe == chipmodel.Load
	}
	return op.Scan.FirstRow == 0 && !op.Scan.Levels && !a.Chips[op.Scan.Chips[0]].Class.HasMemory()
}

// Lights appends to dst when a run of operations, with the values of its slots filled in, samples light, counted from
// its start.
func Lights(dst []time.Duration, a *chipmodel.Array, ops []Op) []time.Duration {
	var at time.Duration
	for i := range ops {
		op := &ops[i]
		if SamplesLight(a, op) {
			light := at
			if op.Scan != nil {
				light += op.Scan.Timing(a).First
			}
			dst = append(dst, light)
		}
		at += Cost(a, op).Total()
	}
	return dst
}

// Edge is an edge at an input of an array's device, with the bus time at which it was measured there.
type Edge struct {
	// Input is its index in the device section.
	Input int
	// High is what it has changed to.
	High bool
	At   Time
	// Missed is how many edges before this one of its input the device could not tell, since the bus was opened.
	Missed uint64
	// Count says that there is no edge: it tells of Missed alone, where none came that could.
	Count bool
}

// Room is where codes of a frame belong from one of its rows on, as many as there are pixels in a window: in Into
// where there is room, and otherwise anew.
func (s *Segment) Room(frame, firstRow int, w chipmodel.Window) []uint16 {
	n, from := w.Pixels(), firstRow*w.Columns
	if frame < len(s.Into) && from+n <= len(s.Into[frame]) {
		return s.Into[frame][from : from+n : from+n]
	}
	return make([]uint16, n)
}

// Capture is what one scan read of one chip.
type Capture struct {
	Chip     int
	Frame    int // index within the job
	FirstRow int // row of the frame where the window's first row lands
	Window   chipmodel.Window
	// Codes, row by row, right-aligned; nil where they were put off.
	Codes []uint16
	// Low and High count the codes at either end of the range.
	Low, High int
	// Later, where it is not nil, is for whoever wants the codes after all. They were put off; Codes is nil.
	Later Later
	// FirstSample is the bus time at which the first pixel was sampled; pixel
	// (r, c) follows RowInterval r + PixelInterval c later.
	FirstSample                Time
	RowInterval, PixelInterval time.Duration
	// Converted is the bus time at which the last conversion ended.
	Converted Time
	// Light is the bus time at which the light was sampled, or an exposure ended: the start of the
	// load, or the first sample of chips without memory.
	Light Time
	// Hold is the time from the start of the load to the last sample; 0 without
	// memory.
	Hold time.Duration
}

// Later is the codes of a capture that were put off. They take no memory until somebody wants them.
type Later interface {
	// Read puts the codes into a slice of as many, row by row, and returns how many are at either end of the range.
	// They are what they would have been at once. It may be called as often as wanted, by several at once and also once
	// the bus is closed.
	Read(codes []uint16) (low, high int)
}

// LastSample is the bus time at which the last pixel was sampled.
func (c *Capture) LastSample() Time {
	return c.RowStart(c.Window.Rows - 1).Add(time.Duration(c.Window.Columns-1) * c.PixelInterval)
}

// RowStart is the bus time at which the first pixel of a row of the window was sampled.
func (c *Capture) RowStart(r int) Time { return c.FirstSample.Add(time.Duration(r) * c.RowInterval) }

// NumPhases is one more than the highest phase.
const NumPhases = int(facetdv1.Phase_PHASE_CONVERT) + 1

// Phases is bus time by phase, indexed by facetdv1.Phase.
type Phases [NumPhases]time.Duration

// Add adds the times of q.
func (p *Phases) Add(q Phases) {
	for i := range p {
		p[i] += q[i]
	}
}

// Total is the sum over all phases.
func (p Phases) Total() time.Duration {
	var sum time.Duration
	for _, d := range p {
		sum += d
	}
	return sum
}

// Cost is the exact bus time of one operation by phase, a whole number of the grains of the array's bus.
func Cost(a *chipmodel.Array, op *Op) Phases {
	var p Phases
	switch op.Kind {
	case OpSelect:
		p[facetdv1.Phase_PHASE_SELECT] = a.SelectTime()
		if op.Word == 0 {
			p[facetdv1.Phase_PHASE_SELECT] = a.DeadTime()
		}
	case OpWrite:
		p[facetdv1.Phase_PHASE_WRITE] = a.WriteTime()
	case OpStrobe:
		phase, d := strobeCost(a, op)
		p[phase] = d
	case OpWait:
		p[op.Phase] = op.Hold
	case OpScan, OpClockOut:
		t := op.Scan.Timing(a)
		p[facetdv1.Phase_PHASE_SETTLE] = t.Settle
		p[facetdv1.Phase_PHASE_CONVERT] = t.Convert
	}
	if op.Lasts > 0 {
		rest := facetdv1.Phase_PHASE_SETTLE
		if op.Kind == OpStrobe && op.Strobe == chipmodel.Expose { // as long whenever it begins
			rest = facetdv1.Phase_PHASE_LOAD
		}
		p[rest] += max(op.Lasts-p.Total(), 0)
	}
	return p
}

// strobeCost is the time of a strobe: a load takes as long as the slowest of its chips, an exposure, which counts as
// part of it, as long as it is, a share as long as its switches stay closed, a reset the longest reset pulse, an
// advance one step.
func strobeCost(a *chipmodel.Array, op *Op) (facetdv1.Phase, time.Duration) {
	d := a.StrobeTime()
	switch op.Strobe {
	case chipmodel.Load:
		for _, c := range op.Target {
			if a.Chips[c].Class.HasMemory() {
				d = max(d, a.LoadTime(a.Chips[c].Class))
			}
		}
		return facetdv1.Phase_PHASE_LOAD, d
	case chipmodel.Expose:
		return facetdv1.Phase_PHASE_LOAD, a.ExposeTime(op.Hold)
	case chipmodel.Share:
		return facetdv1.Phase_PHASE_SHARE, a.StrobeTime() + op.Hold
	}
	for _, c := range op.Target {
		class := a.Chips[c].Class
		switch op.Strobe {
		case chipmodel.Reset:
			d = max(d, a.ResetTime(class))
		case chipmodel.Advance:
			d = max(d, a.AdvanceTime(class))
		}
	}
	return facetdv1.Phase_PHASE_SETTLE, d
}

// CostOf is the bus time of a run of operations by phase.
func CostOf(a *chipmodel.Array, ops []Op) Phases {
	var p Phases
	for i := range ops {
		p.Add(Cost(a, &ops[i]))
	}
	return p
}
