package scheduler_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/budget"
)

// leaky are memory chips that leak by light too, behind an amplifier, under the light that the array states.
func leaky(lux float64) func(*facetdv1.Array) {
	return func(msg *facetdv1.Array) {
		if lux > 0 {
			msg.LightLux = &lux
		}
		for _, c := range msg.Classes {
			if c.GetMemory() != nil {
				c.Memory.LightLeakFaPerLux = 0.03
				c.Amplifier = &facetdv1.Amplifier{Gains: []float64{1, -3, 2}, MidVolts: proto.Float64(1),
					OffsetStepVolts: proto.Float64(0.005), LowVolts: 0, HighVolts: 2}
			}
		}
	}
}

// TestPlanAndBudgetGiveOneDroop: for each chip, at the hold that the plan tells, the budget reckons the same droop,
// leak and light, behind the same gain.
func TestPlanAndBudgetGiveOneDroop(t *testing.T) {
	plain := func(*facetdv1.Task) {}
	for name, c := range map[string]struct {
		lux, stated float64
		gain        int
		task        func(*facetdv1.Task)
	}{
		"light as it is taken when nothing is said": {0, 100, 0, plain},
		"light that the array states":               {2500, 2500, 0, plain},
		"gain of the task": {50, 50, 2, func(s *facetdv1.Task) {
			s.Views = []*facetdv1.View{{Trim: &facetdv1.TrimSettings{GainIndex: 2}}}
		}},
		"the largest of the gains that it may be set to": {50, 50, 1, func(s *facetdv1.Task) {
			s.Views = []*facetdv1.View{{Movable: &facetdv1.Movable{GainIndex: &facetdv1.Bounds{Low: 0, High: 2}}}}
		}},
		"the largest of its views'": {50, 50, 2, func(s *facetdv1.Task) {
			s.Views = []*facetdv1.View{{Name: "a"}, {Name: "b", Trim: &facetdv1.TrimSettings{GainIndex: 2}}}
		}},
	} {
		t.Run(name, func(t *testing.T) {
			a := bench(t, [5]int{4}, leaky(c.lux))
			spec := task("ring", "mems", 10)
			c.task(spec)
			pr := mustBuild(t, a, spec).Message.GetPredictions()[0]
			if pr.GetDroopLux() != c.stated {
				t.Errorf("the plan says that its droop is at %g lux, want %g", pr.GetDroopLux(), c.stated)
			}
			if len(pr.GetHolds()) != 4 {
				t.Fatalf("holds of %d chips", len(pr.GetHolds()))
			}
			worst := 0.0
			for _, h := range pr.GetHolds() {
				want := droopOf(t, a, h.GetChip(), budget.Conditions{Lux: pr.GetDroopLux(), GainIndex: c.gain,
					Hold: time.Duration(h.GetHoldNs())})
				if math.Abs(h.GetDroopVolts()/want-1) > 1e-12 {
					t.Errorf("%s held for %d ns: %v V in the plan, %v V in the budget", h.GetChip(), h.GetHoldNs(),
						h.GetDroopVolts(), want)
				}
				worst = max(worst, want)
			}
			if pr.GetWorstDroopVolts() != worst {
				t.Errorf("worst droop of %v V, of its chips %v V", pr.GetWorstDroopVolts(), worst)
			}
		})
	}
}

// droopOf is the droop that the budget tells of a chip.
func droopOf(t *testing.T, a *chipmodel.Array, chip string, c budget.Conditions) float64 {
	t.Helper()
	b, m := budget.New(a, a.Chip(chip), c)
	if len(m) > 0 {
		t.Fatal(m)
	}
	for _, term := range b.Terms {
		if term.Name == "droop" {
			return term.Volts
		}
	}
	t.Fatalf("%s has no droop:\n%s", chip, b.Table())
	return 0
}
