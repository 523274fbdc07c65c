package dispatch

import (
	"facetd.example/bus"
	"facetd.example/scheduler"
)

// programs are what a timetable has the bus run, made once.
type programs struct {
	initialization *bus.Program     // nil where there is nothing to initialize
	segments       [][]*bus.Program // of each of plan.Tasks
	all            []*bus.Program
}

// programsOf are the programs of a plan; nil is none.
func programsOf(plan *scheduler.Plan) *programs {
	p := &programs{}
	if plan == nil {
		return p
	}
	if len(plan.Initialization.Ops) > 0 {
		p.initialization = &plan.Initialization
		p.all = append(p.all, p.initialization)
	}
	p.segments = make([][]*bus.Program, len(plan.Tasks))
	for i := range plan.Tasks {
		for _, ops := range plan.Tasks[i].Segments {
			p.segments[i] = append(p.segments[i], &bus.Program{Ops: ops, Slots: plan.Tasks[i].Task.Slots})
		}
		p.all = append(p.all, p.segments[i]...)
	}
	return p
}
