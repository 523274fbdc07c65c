package virtual

import (
	"sync"

	"facetd.example/bus"
)

// inputs are those from the rest of a robot, which somebody else plays.
type inputs struct {
	mu   sync.Mutex
	high map[int]bool
	tell func(bus.Edge)
}

// OnEdge says who is told of edges.
func (b *Bus) OnEdge(tell func(bus.Edge)) {
	b.inputs.mu.Lock()
	defer b.inputs.mu.Unlock()
	b.inputs.tell = tell
}

// SetInput gives an input of the array's device a level now, or at a later bus time that nothing is simulated beyond
// meanwhile, by its index, and tells of the edge where that changes it and the device section wants it told. It may be
// called from any goroutine.
func (b *Bus) SetInput(at bus.Time, input int, high bool) (when bus.Time, changed bool) {
	in := &b.inputs
	in.mu.Lock()
	defer in.mu.Unlock()
	if at = max(at, b.Now()); in.high[input] == high {
		return at, false
	}
	if in.high == nil {
		in.high = map[int]bool{}
	}
	in.high[input] = high
	if in.tell != nil && b.array.Device.Inputs[input].Told(high) {
		in.tell(bus.Edge{Input: input, High: high, At: at})
	}
	return at, true
}
