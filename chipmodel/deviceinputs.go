package chipmodel

import (
	"fmt"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
)

// MaxInputs is how many inputs from the rest of a robot a device has at most.
const MaxInputs = 8

// Bounds of how long a mark lasts, and what it lasts where nothing is said.
const (
	defaultMarkWidth = 10 * time.Microsecond
	maxMarkWidth     = 100 * time.Millisecond
)

// Mark is an output that becomes active whenever light of chosen tasks is sampled.
type Mark struct {
	Pin   Pin
	Tasks []string
	Width time.Duration
}

// Input is an input whose edges are told with the time at which they were measured.
type Input struct {
	Name string
	Pin  Pin
	// Rising and Falling say which edges are told.
	Rising, Falling bool
	// Triggers is the sporadic task that those trigger; empty for none.
	Triggers string
}

// Told reports whether an edge to a level is told.
func (i *Input) Told(high bool) bool { return high && i.Rising || !high && i.Falling }

// Marks reports whether the light of a task is marked.
func (d *Device) Marks(task string) bool {
	return d != nil && d.Mark.Pin != NoPin && slices.Contains(d.Mark.Tasks, task)
}

// Synchronized reports whether a device has to do with the rest of a robot.
func (d *Device) Synchronized() bool { return d != nil && (d.Mark.Pin != NoPin || len(d.Inputs) > 0) }

// Triggered reports whether an input triggers a task.
func (d *Device) Triggered() bool {
	return d != nil && slices.ContainsFunc(d.Inputs, func(i Input) bool { return i.Triggers != "" })
}

// mark checks what marks light.
func (b *builder) mark(msg *facetdv1.DeviceMark) Mark {
	m := Mark{Pin: NoPin, Width: defaultMarkWidth}
	if msg == nil {
		return m
	}
	if msg.GetPin() == "" {
		b.m.Add("device.mark.pin", invalid.Missing, pinForm)
	}
	m.Pin = b.pin("device.mark.pin", msg.GetPin())
	if len(msg.GetTasks()) == 0 {
		b.m.Add("device.mark.tasks", invalid.Missing, "name the tasks whose light is marked")
	}
	for i, name := range msg.GetTasks() {
		path := invalid.Index("device.mark.tasks", i)
		switch {
		case invalid.BadName(name):
			b.m.Add(path, "the name "+quote(name)+" "+invalid.BadNameMessage, invalid.BadNameHint)
		case slices.Contains(m.Tasks, name):
			b.m.Add(path, "task "+quote(name)+" is named twice", "name each task once")
		}
		m.Tasks = append(m.Tasks, name)
	}
	if w := msg.GetWidth(); w != nil {
		if m.Width = w.AsDuration(); w.CheckValid() != nil || m.Width <= 0 || m.Width > maxMarkWidth {
			b.m.Add("device.mark.width", fmt.Sprintf("a mark cannot last %v", m.Width),
				fmt.Sprintf("give a time above zero and up to %v", maxMarkWidth))
		}
	}
	return m
}

// inputs checks the inputs from the rest of the robot, once it is known what the other pins serve.
func (b *builder) inputs(d *Device, msgs []*facetdv1.DeviceInput) {
	if len(msgs) > MaxInputs {
		b.m.Add("device.inputs", fmt.Sprintf("%d inputs are too many", len(msgs)), fmt.Sprintf("at most %d", MaxInputs))
	}
	serves := map[Pin]string{}
	for _, u := range d.Outputs(b.a.Lines) {
		serves[u.Pin] = u.Serves
	}
	for _, p := range d.Loopback {
		serves[p] = "the self-test"
	}
	names := map[string]bool{}
	for i, msg := range msgs {
		path := invalid.Index("device.inputs", i)
		in := Input{Name: msg.GetName(), Pin: b.pin(path+".pin", msg.GetPin()), Triggers: msg.GetTriggers(),
			Rising: msg.GetEdge() != facetdv1.Edge_EDGE_FALLING, Falling: msg.GetEdge() >= facetdv1.Edge_EDGE_FALLING}
		switch {
		case in.Name == "" || invalid.BadName(in.Name):
			b.m.Add(path+".name", "the name "+quote(in.Name)+" "+invalid.BadNameMessage, invalid.BadNameHint)
		case names[in.Name]:
			b.m.Add(path+".name", "input "+quote(in.Name)+" is given twice", "give each input a name of its own")
		}
		names[in.Name] = true
		if msg.GetPin() == "" {
			b.m.Add(path+".pin", invalid.Missing, pinForm)
		}
		if other, taken := serves[in.Pin]; taken && in.Pin != NoPin {
			b.m.Add(path+".pin", fmt.Sprintf("pin %v serves %s already", in.Pin, other), "no pin serves twice")
		}
		serves[in.Pin] = "input " + in.Name
		if in.Triggers != "" && invalid.BadName(in.Triggers) {
			b.m.Add(path+".triggers", "the name "+quote(in.Triggers)+" "+invalid.BadNameMessage, invalid.BadNameHint)
		}
		if msg.GetEdge() < 0 || msg.GetEdge() > facetdv1.Edge_EDGE_BOTH {
			b.m.Add(path+".edge", fmt.Sprintf("there is no edge %d", msg.GetEdge()), "write rising, falling or both")
		}
		d.Inputs = append(d.Inputs, in)
	}
}
