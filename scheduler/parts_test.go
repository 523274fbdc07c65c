package scheduler_test

import (
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// TestEveryCombinationOfParts: whatever a class is made of, a task on three of its chips
// runs on the simulated bus as planned, to the nanosecond, and its inspector sees no rule
// violated. The random plans draw their classes from the same combinations.
func TestEveryCombinationOfParts(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	for n := range chiptest.Combinations {
		var p *scheduler.Plan
		for p == nil {
			p = planOf(t, r, n)
		}
		observe(t, p, seed, 1).compare(1)
		if t.Failed() {
			t.Fatalf("combination %d: %s; tasks %v", n, p.Tasks[0].Task.Class.Parts(), p.Message.GetTasks())
		}
	}
}

// planOf plans a random task on chips of one class; nil where it does not fit.
func planOf(t *testing.T, r *rand.Rand, combination int) *scheduler.Plan {
	t.Helper()
	a := randomArray(r, func(msg *facetdv1.Array) {
		msg.Classes = []*facetdv1.ChipClass{chiptest.Class(combination)}
		msg.Chips = msg.Chips[:min(len(msg.Chips), 3)]
		for _, c := range msg.Chips {
			c.Class = msg.Classes[0].GetName()
		}
	}, smallDies(r))
	spec := randomTask(r, a, "only")
	spec.Deadline, spec.MaxHold, spec.MaxSkew = nil, nil, nil
	tasks, m := program.NewTasks(a, []*facetdv1.Task{spec})
	if len(m) > 0 {
		t.Fatalf("combination %d: %v", combination, m)
	}
	p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: 1000})
	var refusal *scheduler.RefusalError
	if err != nil && !errors.As(err, &refusal) {
		t.Fatal(err)
	}
	return p
}

// TestOneLoadHasOneBias: views of one load cannot be made under two pixel biases, and
// tasks that want different ones do not use each other's load.
func TestOneLoadHasOneBias(t *testing.T) {
	a := bench(t, [5]int{2, 0, 0, 0, 0}, func(msg *facetdv1.Array) {
		msg.Classes[0].PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(0.001)}
	})
	bias := func(v uint32) *facetdv1.View { return &facetdv1.View{Trim: &facetdv1.TrimSettings{PixelBias: &v}} }
	_, m := program.NewTasks(a, []*facetdv1.Task{task("two", "mems", 10, bias(90), &facetdv1.View{})})
	wantErrors(t, m, []string{"tasks[0].views[1].trim.pixel_bias: the bias of 100 is not that of the first view, 90"})

	for other, want := range map[uint32]int{90: 1, 91: 2} {
		p := mustBuild(t, a, task("one", "mems", 10, bias(90)), task("other", "mems", 10, bias(other)))
		if len(p.Tasks) != want {
			t.Errorf("biases 90 and %d: %d bus tasks, want %d", other, len(p.Tasks), want)
		}
		observe(t, p, 1, 1).compare(1)
	}
}
