package dispatch

import (
	"slices"
	"sync"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// keptEdges is how many edges of an input are kept for those who ask; older ones make room, which the numbers of those
// that are kept show.
const keptEdges = 64

// robot is what came from the rest of the robot, and what was marked for it.
type robot struct {
	mu     sync.Mutex
	array  *chipmodel.Array
	inputs []*facetdv1.InputStatus // by the array's device
	marks  uint64
	marked bus.Time        // the last mark
	lights []time.Duration // of the runner
}

func newRobot(a *chipmodel.Array) *robot {
	r := &robot{array: a}
	for i, in := range a.Message.GetDevice().GetInputs() {
		edge := in.GetEdge()
		if edge == facetdv1.Edge_EDGE_UNSPECIFIED {
			edge = facetdv1.Edge_EDGE_RISING
		}
		r.inputs = append(r.inputs, &facetdv1.InputStatus{Name: in.GetName(), Pin: a.Device.Inputs[i].Pin.String(),
			Edge: edge, Triggers: in.GetTriggers()})
	}
	return r
}

// edgeLead is by how much earlier it is decided whether reservations are used, where inputs trigger tasks: an edge is
// told of some time after it came.
func edgeLead(a *chipmodel.Array, l bus.Limits) time.Duration {
	if !a.Device.Triggered() {
		return 0
	}
	return a.Up(l.EdgeLatency)
}

// Edge takes an edge at an input of the bus: it is kept for those who ask, and triggers the task of the input, which is
// released at the time of the edge. Where that comes too late for what was decided already, it is released now, and
// counted as late. It does not block.
func (d *Dispatcher) Edge(e bus.Edge) {
	r := d.robot
	r.mu.Lock()
	defer r.mu.Unlock()
	s := r.inputs[e.Input]
	s.Missed = e.Missed
	if e.Count {
		return
	}
	s.Edges++
	if len(s.Recent) == keptEdges {
		s.Recent = slices.Delete(s.Recent, 0, 1)
	}
	s.Recent = append(s.Recent, &facetdv1.InputEdge{Number: s.Edges, High: e.High, AtBusNs: e.At.NS()})
	if s.GetTriggers() == "" {
		return
	}
	late := uint64(0)
	_, err := d.trigger(s.GetTriggers(), func(decided bus.Time) bus.Time {
		if e.At >= decided { // at that very instant as a caller's, whose bus time may stand still there
			return e.At
		}
		late = 1
		return max(d.bus.Now(), decided)
	})
	if err != nil {
		s.Refused++
		s.LastRefusal = err.Error()
		return
	}
	s.Taken++
	s.Late += late
}

// Inputs is what came from the rest of the robot, and what was marked for it.
func (d *Dispatcher) Inputs() *facetdv1.GetInputsResponse {
	r := d.robot
	r.mu.Lock()
	defer r.mu.Unlock()
	out := &facetdv1.GetInputsResponse{}
	for _, s := range r.inputs {
		out.Inputs = append(out.Inputs, &facetdv1.InputStatus{Name: s.Name, Pin: s.Pin, Edge: s.Edge,
			Triggers: s.Triggers, Edges: s.Edges, Missed: s.Missed, Taken: s.Taken, Refused: s.Refused, Late: s.Late,
			LastRefusal: s.LastRefusal, Recent: slices.Clone(s.Recent)})
	}
	dev := r.array.Device
	if dev == nil || dev.Mark.Pin == chipmodel.NoPin {
		return out
	}
	out.Mark = &facetdv1.MarkStatus{Pin: dev.Mark.Pin.String(), Tasks: dev.Mark.Tasks, Marks: r.marks}
	if r.marks > 0 {
		out.Mark.LastBusNs = new(r.marked.NS())
	}
	return out
}

// ran notes the marks of a segment that ran whole.
func (r *robot) ran(s *bus.Segment, start bus.Time) {
	if !s.Mark {
		return
	}
	ops := s.Ops
	if s.Values != nil {
		ops = bus.Fill(nil, ops, s.Slots, s.Values)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.lights = bus.Lights(r.lights[:0], r.array, ops)
	for _, light := range r.lights {
		r.marks++
		r.marked = start.Add(light)
	}
}

// marks reports whether the light of a job is marked: where it is that of a task that is, and not paused.
func (t *table) marks(a *chipmodel.Array, members []memberJob) bool {
	return a.Device != nil && slices.ContainsFunc(members,
		func(m memberJob) bool { return a.Device.Marks(m.Task.Name) })
}
