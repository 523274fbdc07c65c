package scheduler

import (
	"errors"
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// OnDemand compiles a capture of a target. state is what the registers hold before
// it; every register with a known value holds that value again afterwards. Errors:
// invalid.Errors with paths from "target" and "views", *RefusalError when no
// select words do it.
func OnDemand(a *chipmodel.Array, target *facetdv1.Target, views []*facetdv1.View,
	state program.Registers) (*program.OnDemandPlan, error) {
	plan, err := program.OnDemand(a, target, views, state)
	return plan, refused(err)
}

// CompileCommand compiles a single command. state is what the registers hold, p the active plan or nil. Errors:
// invalid.Errors with paths as in the message, *program.DisturbError, *RefusalError when no select words reach exactly
// the target.
func CompileCommand(a *chipmodel.Array, cmd *facetdv1.Command, state program.Registers, p *Plan) (*program.OnDemandPlan,
	error) {
	c, err := program.NewCommand(a, cmd, state)
	if err != nil {
		return nil, err
	}
	if p != nil {
		if err := p.disturbed(c); err != nil {
			return nil, err
		}
	}
	plan, err := c.Compile()
	return plan, refused(err)
}

// refused turns the error of a target that no select words reach into a refusal, and leaves other errors as they are.
func refused(err error) error {
	if wordless := new(program.SelectError); errors.As(err, &wordless) {
		return &RefusalError{&facetdv1.Refusal{Reason: facetdv1.RefusalReason_REFUSAL_REASON_SELECT,
			Message: err.Error()}}
	}
	return err
}

// disturbed refuses a write of what a running task relies on.
func (p *Plan) disturbed(cmd *program.Command) error {
	reg, value, isWrite := cmd.Write()
	if !isWrite {
		return nil
	}
	assumes := p.Assumes()
	for i := range p.Tasks {
		t := p.Tasks[i].Task
		_, used := program.Wishes(t)[reg]
		used = used || reg == chipmodel.OutputEnable
		// Of members, one that needs the register.
		name := p.Tasks[i].Members[0].Task.Name
		for _, m := range p.Tasks[i].Members {
			if _, needs := program.Wishes(m.Task)[reg]; needs {
				name = m.Task.Name
			}
		}
		for _, c := range cmd.Chips {
			v := assumes[c][reg]
			if used && v >= 0 && v != int32(value) && slices.Contains(t.Touches, c) {
				return &program.DisturbError{
					Task: name, Chips: p.Array.ChipNames([]int{c}),
					Reason: fmt.Sprintf("task %s relies on the %s of chip %s being %d; remove the task first, or "+
						"leave the chip out",
						name, bus.RegisterName(reg), p.Array.Chips[c].Name, v),
				}
			}
		}
	}
	return nil
}
