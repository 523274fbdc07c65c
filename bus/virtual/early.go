package virtual

import (
	"runtime"

	"facetd.example/bus"
)

// early is the readout that the bus has simulated before its time has come: the operation that runs of the first
// segment in flight. What is not a readout is simulated when it ends, as it hands nothing over.
type early struct {
	is    bool
	n     int   // captures before it
	chips []int // whose dies it may have changed
	lanes []int
}

// simulateEarly simulates a readout that begins at the end of what ran of a segment.
func (b *Bus) simulateEarly(op *bus.Op, res *bus.Result) {
	// Who was given what came before hands it on first: there is time until this readout ends.
	runtime.Gosched()
	e := &b.early
	e.is, e.n = true, len(res.Captures)
	e.chips, e.lanes = append(e.chips[:0], op.Scan.Chips...), e.lanes[:0]
	if op.Scan.Levels || b.faults.Any() { // other dies may drive the lanes
		e.chips = append(e.chips[:0], b.listening...)
	}
	b.looking.Lock()
	for _, c := range op.Scan.Chips {
		lane := b.array.Chips[c].Lane
		e.lanes = append(e.lanes, lane)
		b.lanes[lane].Remember()
		b.lanes[lane].before = b.lanes[lane].rest
	}
	for _, c := range e.chips {
		b.chips[c].die.Remember()
	}
	b.looking.Unlock()
	b.do(op, res.End, res)
}

// keep lets what was simulated early count, and returns how many captures there were before it.
func (b *Bus) keep() int {
	b.looking.Lock()
	defer b.looking.Unlock()
	for _, c := range b.early.chips {
		b.chips[c].die.Forget()
	}
	b.early.is = false
	return b.early.n
}

// undo takes back what was simulated early, as something changes that it depends on, or its time will not come. It is
// simulated again, where it still runs.
func (b *Bus) undo() {
	if !b.early.is {
		return
	}
	b.looking.Lock()
	defer b.looking.Unlock()
	e := &b.early
	for _, c := range e.chips {
		b.chips[c].die.Undo()
	}
	for _, lane := range e.lanes {
		b.lanes[lane].Undo()
		b.lanes[lane].rest = b.lanes[lane].before
	}
	leaveOut(&b.queue[0].res, e.n)
	e.is = false
}
