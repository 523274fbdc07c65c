package program_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// nested is the test array with a chip, m1, that listens whenever another, m2, does.
func nested(t *testing.T) *chipmodel.Array {
	t.Helper()
	msg := bustest.Message()
	msg.Chips[bustest.M2].Selects = []string{"f", "x1", "x2"}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// tasksOf are tasks on chips of several classes, one of them with registers of its own.
func tasksOf(t *testing.T, a *chipmodel.Array) []*program.Task {
	t.Helper()
	task := func(name string, view *facetdv1.View, chips ...string) *facetdv1.Task {
		return &facetdv1.Task{Name: name, RateHz: 10, Views: []*facetdv1.View{view},
			Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: chips}}}}
	}
	binned := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}
	tasks, m := program.NewTasks(a, []*facetdv1.Task{
		task("mems", binned, "m0", "m1", "m2"), task("joined", binned, "s0"),
		task("trimmed", &facetdv1.View{Trim: &facetdv1.TrimSettings{GainIndex: 2, Offset: -3}}, "t0"),
	})
	if len(m) > 0 {
		t.Fatal(m)
	}
	return tasks
}

// TestRestorer: whatever registers hold before, the chips that are restored hold afterwards what the table relies on,
// no chip is written that is not said to be touched, no two outputs of a lane listen while both may be enabled, and it
// takes no longer than it was said to.
func TestRestorer(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for name, a := range map[string]*chipmodel.Array{"apart": bustest.MustArray(), "nested": nested(t)} {
		assumed := program.Assumed(a, tasksOf(t, a))
		r := program.NewRestorer(a, assumed)
		for range 200 {
			var doubt []int
			for c := range a.Chips {
				if rng.IntN(2) == 0 {
					doubt = append(doubt, c)
				}
			}
			if len(doubt) == 0 {
				continue
			}
			chips := r.Together(doubt[rng.IntN(len(doubt))], doubt)
			for _, c := range chips {
				if !slices.Contains(doubt, c) {
					t.Fatalf("%s: of %v chip %d is restored, which is not in doubt", name, doubt, c)
				}
			}
			touches := r.Touches(chips)
			ops := r.Program(chips)
			if took := bus.CostOf(a, ops).Total(); took > r.Time(chips) {
				t.Errorf("%s: restoring %v takes %v, more than %v", name, chips, took, r.Time(chips))
			}
			before := program.NewRegisters(a, program.Unknown)
			for c := range before {
				if !slices.Contains(doubt, c) {
					for reg, v := range assumed[c] {
						before[c][reg] = max(v, program.Unknown)
					}
				}
			}
			after := program.RegistersAfter(a, ops, before)
			for c := range after {
				if !slices.Contains(touches, c) && after[c] != before[c] {
					t.Errorf("%s: restoring %v writes chip %d", name, chips, c)
				}
				if !slices.Contains(chips, c) && slices.Contains(doubt, c) {
					continue
				}
				for reg, v := range assumed[c] {
					if v >= 0 && after[c][reg] != v {
						t.Errorf("%s: after restoring %v of %v chip %d holds %d in register %d, not %d", name, chips,
							doubt, c, after[c][reg], reg, v)
					}
				}
			}
			drives(t, a, ops, before)
		}
	}
	a := nested(t)
	r := program.NewRestorer(a, program.Assumed(a, tasksOf(t, a)))
	if got := r.Together(bustest.M1, []int{bustest.M1, bustest.M2, bustest.S0}); !slices.Equal(got,
		[]int{bustest.M1, bustest.M2}) {
		t.Errorf("chips that listen together are restored as %v", got)
	}
	if got := r.Touches([]int{bustest.M2}); !slices.Equal(got, []int{bustest.M1, bustest.M2}) {
		t.Errorf("restoring a chip alone that another listens with touches %v", got)
	}
}

// drives checks that at no time two chips of a lane listen whose outputs may be enabled.
func drives(t *testing.T, a *chipmodel.Array, ops []bus.Op, before program.Registers) {
	t.Helper()
	for n := range ops {
		regs := program.RegistersAfter(a, ops[:n], before)
		if ops[n].Kind != bus.OpSelect {
			continue
		}
		on := map[int]int{}
		for _, c := range a.Reach(ops[n].Word) {
			if regs[c][chipmodel.OutputEnable] != 0 {
				on[a.Chips[c].Lane]++
			}
		}
		for lane, chips := range on {
			if chips > 1 {
				t.Errorf("operation %d has %d chips drive lane %d", n, chips, lane)
			}
		}
	}
}
