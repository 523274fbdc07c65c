package server

import (
	"context"

	"facetd.example/bus"
	"facetd.example/bus/virtual"
)

// inputSetter plays the rest of a robot at the inputs of a virtual bus: at the bus time that was allowed, where that is
// held.
func inputSetter(b *virtual.Bus, act func(context.Context, func(bus.Time) error) error) setsInput {
	return func(ctx context.Context, input int, high bool) (at bus.Time, changed bool, err error) {
		if act == nil {
			at, changed = b.SetInput(0, input, high)
			return at, changed, nil
		}
		err = act(ctx, func(now bus.Time) error {
			at, changed = b.SetInput(now, input, high)
			return nil
		})
		return at, changed, err
	}
}

// setsInput gives an input a level, by its index in the array file, and returns when, and whether that changed it.
type setsInput func(ctx context.Context, input int, high bool) (at bus.Time, changed bool, err error)
