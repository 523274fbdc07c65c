package scheduler_test

import (
	"errors"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
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

// TestCapturesBesideEveryCombination: a capture of other views of the same chips, in a gap of
// the table and again in every cycle, leaves the registers as the tasks need them and violates
// no rule, whatever the class is made of.
func TestCapturesBesideEveryCombination(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	judged := 0
	for n := range chiptest.Combinations {
		var p *scheduler.Plan
		for p == nil {
			p = planOf(t, r, n)
		}
		a, class := p.Array, p.Tasks[0].Task.Class
		first, second := randomView(r, class), randomView(r, class)
		if class.HasMemory() {
			second.Trim = proto.CloneOf(first.GetTrim()) // one load, under one bias
		}
		state := program.Overlay(program.PowerOn(a), p.Assumes())
		one, err := scheduler.OnDemand(a, list(a.ChipNames(p.Tasks[0].Task.Chips)...),
			[]*facetdv1.View{first, second}, state)
		if err != nil {
			t.Fatalf("combination %d (%s): %v", n, class.Parts(), err)
		}
		for c, after := range program.RegistersAfter(a, one.Ops, state) {
			for reg, v := range state[c] {
				if v >= 0 && after[reg] != v {
					t.Errorf("combination %d (%s): %v of %s was %d, is %d", n, class.Parts(), facetdv1.Register(reg),
						a.Chips[c].Name, v, after[reg])
				}
			}
		}
		table, start := p.Table(), p.Entries[len(p.Entries)-1].End
		if start+one.Time > p.Hyperperiod {
			continue
		}
		judged++
		job := &bus.Job{Task: "on-demand job", Release: bus.Time(start), Deadline: bus.Time(start + one.Time),
			Chips: one.Chips, Segments: 1}
		table.Entries = append(table.Entries, rules.TimedEntry{Start: bus.Time(start),
			Segment: &bus.Segment{Job: job, Program: &bus.Program{Ops: one.Ops}}})
		for _, v := range rules.Judge(a, table, 3) {
			t.Errorf("combination %d (%s): %v", n, class.Parts(), v)
		}
		if t.Failed() {
			t.Fatalf("task %v; capture of %v and %v", p.Message.GetTasks(), first, second)
		}
	}
	if judged < chiptest.Combinations/2 {
		t.Errorf("only %d of %d captures found a gap", judged, chiptest.Combinations)
	}
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
