package server

import (
	"fmt"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// notesOf says what connects an array to the rest of a robot in another way than whoever wrote it may have meant: tasks
// of the array file that the file of tasks does not have, which is no error, as callers may add them; inputs that
// trigger what cannot be; and marks that are not at the light time of frames.
func notesOf(a *chipmodel.Array, tasks []*program.Task) (notes []string) {
	if a.Device == nil {
		return nil
	}
	named := func(name string) (of []*program.Task) { // several where a target mixes classes
		for _, t := range tasks {
			if t.Name == name {
				of = append(of, t)
			}
		}
		return of
	}
	for i, name := range a.Device.Mark.Tasks {
		of := named(name)
		if path := invalid.Index("device.mark.tasks", i); len(of) == 0 {
			notes = append(notes, fmt.Sprintf("%s: there is no task %q: nothing of it is marked until one is added",
				path, name))
		}
		for _, t := range of {
			if path := invalid.Index("device.mark.tasks", i); t.Class.Exposure() > 0 {
				notes = append(notes, fmt.Sprintf("%s: pixels of class %s integrate: task %q is marked at the end of "+
					"their exposure, and light_bus_ns of its frames is the middle", path, t.Class.Name, name))
			}
		}
	}
	for i, in := range a.Device.Inputs {
		if in.Triggers == "" {
			continue
		}
		path := invalid.Index("device.inputs", i) + ".triggers"
		switch of := named(in.Triggers); {
		case len(of) == 0:
			notes = append(notes, fmt.Sprintf("%s: there is no task %q: edges are refused until one is added", path,
				in.Triggers))
		case of[0].Sporadic == nil:
			notes = append(notes, fmt.Sprintf("%s: task %q has a rate, and is not triggered: edges are refused", path,
				in.Triggers))
		}
	}
	return notes
}
