package probe

import (
	"context"
	"testing"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/exclusive"
	"facetd.example/scheduler/program"
)

// bench plays the dispatcher's part by running every program at once on a virtual bus.
type bench struct {
	a    *chipmodel.Array
	bus  *virtual.Bus
	jobs uint64
}

func (b *bench) Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error) {
	b.jobs++
	job := &bus.Job{Number: b.jobs, Deadline: 1 << 62, Chips: b.a.All(), Segments: 1}
	res, err := bustest.Run(ctx, b.bus, b.bus.Now(), &bus.Segment{Job: job, Program: &bus.Program{Ops: ops}})
	return res.Captures, err
}

func (b *bench) Registers() program.Registers               { return make(program.Registers, len(b.a.Chips)) }
func (b *bench) Resync()                                    {}
func (b *bench) Do(_ context.Context, f func() error) error { return f() }

// atOnce is the stream of a caller who acts on a message before the service goes on.
type atOnce struct {
	grpc.ServerStream
	ctx  context.Context
	read func(*facetdv1.ProbeSelectsResponse)
}

func (s atOnce) Context() context.Context { return s.ctx }

func (s atOnce) Send(m *facetdv1.ProbeSelectsResponse) error {
	s.read(m)
	return nil
}

// TestAResultHoldsNothing: whoever is told the result of a probe may measure something
// else in the same instant.
func TestAResultHoldsNothing(t *testing.T) {
	a := bustest.MustArray()
	simulated, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE,
		Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	var array exclusive.Array
	s := New(Config{
		Array: a, Runner: &bench{a: a, bus: simulated}, Now: simulated.Now, Claim: array.Claim,
	})
	var explained bool
	err = s.ProbeSelects(&facetdv1.ProbeSelectsRequest{},
		atOnce{ctx: t.Context(), read: func(m *facetdv1.ProbeSelectsResponse) {
			release, err := array.Claim("a bring-up")
			switch {
			case m.GetResult() == nil && err == nil:
				t.Error("the probe does not have the array to itself")
				release()
			case m.GetResult() == nil:
			case err != nil:
				t.Errorf("with the result told the array is not free: %v", err)
			default:
				// On this array two lines could be swapped and nothing would show.
				explained = m.GetResult().GetVerdict() == facetdv1.ProbeVerdict_PROBE_VERDICT_NOT_EXCLUDED
				release()
			}
		}})
	if err != nil || !explained {
		t.Errorf("explained %v, %v", explained, err)
	}
}
