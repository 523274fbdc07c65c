package campaign

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// faultKind is what goes wrong.
type faultKind int

// The kinds. Those of segments strike the first segments that start within the fault's window.
const (
	failBefore  faultKind = iota // a segment fails before its first operation
	failHalfway                  // a segment breaks off after some of its operations
	failAfter                    // a segment fails although all of it was executed
	scramble                     // a segment breaks off, and leaves anything in the registers of its chips
	slowBus                      // segments take longer than they say
	hostStall                    // the process stands still
	clockStep                    // the host's clock is set
	wiring                       // select lines, inputs, lanes: see package virtual
	driverPanic                  // the driver panics, and the process ends
	diskFull                     // of recordings
	syncRefused                  // of recordings
	diskSlow                     // of recordings
	journalFull
	journalSync // refused
	mapsFull    // the disk of correction maps
	mapsSync    // refused
	linkLoses   // messages, between the host and a remote executor
	linkDoubles // messages
	linkDelays  // messages, which overtake each other
	linkCut     // for a while, all of them
	reboot      // of a remote executor
	overload    // everything takes the process so long that it is always behind
	numKinds
	liar = numKinds // a canary, never drawn: the bus gives another code than it read
)

func (k faultKind) String() string {
	return [...]string{
		"before", "halfway", "after", "scramble", "slow", "stall", "clock", "wiring", "panic", "disk-full",
		"sync-refused",
		"disk-slow", "journal-full", "journal-sync", "maps-full", "maps-sync", "link-loses", "link-doubles",
		"link-delays", "link-cut", "reboot", "overload", "liar",
	}[k]
}

// fault is one thing that goes wrong, at a bus time that the seed gives.
type fault struct {
	kind      faultKind
	at, until bus.Time
	times     int           // how many segments are hit at most
	demands   bool          // only what is not of the timetable is hit: initializations and on-demand jobs
	delay     time.Duration // of slow buses and disks, of a stall; the step of a clock
	part      float64       // of the operations, after which a segment breaks off
	bytes     int           // that a disk still takes
	lines     []*facetdv1.Fault
	seed      uint64 // of what a scrambled register holds
}

func (f *fault) String() string {
	s := fmt.Sprintf("%v from %v to %v", f.kind, f.at.Elapsed(), f.until.Elapsed())
	for _, l := range f.lines {
		s += fmt.Sprintf(" %v", l)
	}
	if f.demands {
		s += " beside the timetable"
	}
	if f.delay != 0 {
		s += fmt.Sprintf(" by %v", f.delay)
	}
	if f.times != 0 {
		s += fmt.Sprintf(" %d times", f.times)
	}
	return s
}

// weights are how often each kind is drawn; a seed draws its own mix of them. An overload is drawn beside the mix.
var weights = [numKinds]int{
	failBefore: 6, failHalfway: 8, failAfter: 5, scramble: 6, slowBus: 6, hostStall: 4, clockStep: 2, wiring: 3,
	driverPanic: 1, diskFull: 2, syncRefused: 2, diskSlow: 2, journalFull: 3, journalSync: 2,
	mapsFull: 2, mapsSync: 2,
	linkLoses: 6, linkDoubles: 6, linkDelays: 6, linkCut: 4, reboot: 6,
}

// possible reports whether a fault of a kind can be on the bus of a scenario.
func (s *scenario) possible(k faultKind) bool {
	switch k {
	case failBefore, failHalfway, failAfter, scramble, wiring, driverPanic: // of dies and a driver in this process
		return !s.boarded
	case linkLoses, linkDoubles, linkDelays, linkCut, reboot:
		return s.remote != nil
	case slowBus: // segments that were handed over ahead do not wait for each other
		return s.remote == nil
	}
	return true
}

// randomFaults draws a mix of kinds, and faults of it.
func randomFaults(r *rand.Rand, s *scenario) []fault {
	var mix []faultKind
	for range 1 + r.IntN(6) {
		n := r.IntN(sum(weights[:]))
		k := faultKind(0)
		for ; n >= weights[k]; k++ {
			n -= weights[k]
		}
		if s.possible(k) {
			mix = append(mix, k)
		}
	}
	if len(mix) == 0 {
		mix = []faultKind{failHalfway}
		if s.boarded {
			mix[0] = linkLoses
		}
	}
	n := r.IntN(4)
	if s.large {
		n = 3 + r.IntN(5)
	}
	var out []fault
	for range n {
		kind := mix[r.IntN(len(mix))]
		if kind == driverPanic && slices.ContainsFunc(out, func(f fault) bool { return f.kind == driverPanic }) {
			continue // the process that it ends does not come back before the liveness phase
		}
		out = append(out, randomFault(r, s, kind))
	}
	slices.SortFunc(out, func(a, b fault) int { return int(a.at - b.at) })
	return out
}

func sum(v []int) (n int) {
	for _, x := range v {
		n += x
	}
	return n
}

func randomFault(r *rand.Rand, s *scenario, kind faultKind) fault {
	f := fault{kind: kind, times: 1, seed: r.Uint64(), part: r.Float64()}
	// One fault in ten strikes already while the first timetable is initialized.
	f.at = bus.Time(begin + time.Duration(r.Int64N(int64(s.safety-begin))))
	if r.IntN(10) == 0 {
		f.at = 0
	}
	f.until = min(f.at.Add(time.Duration(1+r.IntN(200))*time.Millisecond), bus.Time(s.safety))
	switch kind {
	case failBefore, failHalfway, failAfter, scramble:
		if r.IntN(3) == 0 {
			f.times = 1 + r.IntN(7)
		}
		if f.demands = r.IntN(4) == 0; f.demands {
			f.until = bus.Time(s.safety)
		}
	case slowBus:
		f.times = 1 + r.IntN(20)
		f.delay = time.Duration(1+r.IntN(3000)) * time.Microsecond
		if r.IntN(3) == 0 {
			f.times, f.delay = 1+r.IntN(3), time.Duration(1+r.IntN(40))*time.Millisecond
		}
	case hostStall:
		f.delay = time.Duration(1+r.IntN(200)) * time.Millisecond
	case clockStep:
		f.delay = time.Duration(r.IntN(7_200_000)-3_600_000) * time.Millisecond
	case wiring:
		f.lines = randomWiring(r, s)
	case diskFull:
		f.bytes, f.until = r.IntN(100_000), bus.Time(s.safety)
	case syncRefused:
		f.until = bus.Time(s.safety)
	case diskSlow:
		f.delay = time.Duration(20+r.IntN(200)) * time.Millisecond
	case linkDelays:
		f.delay = time.Duration(1+r.IntN(40_000)) * time.Microsecond
	case mapsFull:
		f.bytes, f.until = r.IntN(1000), bus.Time(s.safety)
	case mapsSync, journalSync:
		f.until = bus.Time(s.safety)
	case journalFull:
		f.bytes, f.until = r.IntN(3000), bus.Time(s.safety)
	}
	return f
}

// randomWiring is one fault of the select lines, of a chip or of a lane.
func randomWiring(r *rand.Rand, s *scenario) []*facetdv1.Fault {
	a := s.array
	lines := a.Message.GetSelectLines()
	x, y := r.IntN(len(lines)), r.IntN(len(lines))
	f := &facetdv1.Fault{Kind: facetdv1.FaultKind(1 + r.IntN(int(facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED)))}
	chip := &a.Chips[r.IntN(len(a.Chips))]
	switch f.GetKind() {
	case facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED:
		if x == y {
			return randomWiring(r, s)
		}
		f.Line, f.OtherLine = lines[x], lines[y]
	case facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE:
		f.Line = lines[x]
	case facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
		f.Lane = a.Lanes[chip.Lane].Name
	case facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD:
		f.Chip = chip.Name
	case facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED:
		if slices.Contains(chip.Selects, x) {
			return randomWiring(r, s)
		}
		f.Chip, f.Input, f.OtherLine = chip.Name, uint32(r.IntN(len(chip.Selects))), lines[x]
	default:
		f.Chip, f.Input = chip.Name, uint32(r.IntN(len(chip.Selects)))
	}
	return []*facetdv1.Fault{f}
}
