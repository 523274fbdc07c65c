package scheduler_test

import (
	"math"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestAdvice: two tasks on the same chips at the same rate save a load
// when they are one, which is planned here as such.
func TestAdvice(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	plain := task("plain", "mems", 50)
	smooth := &facetdv1.View{SmoothingSteps: 1, Window: &facetdv1.Window{Rows: 4, Columns: 4}}
	soft := task("soft", "mems", 50, smooth)
	other := task("comb", "hexs", 10)
	apart := mustBuild(t, a, plain, soft, other)
	one := mustBuild(t, a, task("both", "mems", 50, &facetdv1.View{Name: "plain"}, smooth), other)
	advice := apart.Message.GetAdvice()
	if len(advice) != 1 || advice[0].GetTasks()[0] != "plain" || advice[0].GetTasks()[1] != "soft" {
		t.Fatalf("advice: %v", advice)
	}
	saved := apart.Message.GetUtilization() - one.Message.GetUtilization()
	if math.Abs(advice[0].GetSavedShare()-saved) > 1e-9 {
		t.Errorf("advice says %g, it saves %g: %s", advice[0].GetSavedShare(), saved, advice[0].GetMessage())
	}
	// A load of 160.5 us every 20 ms at least.
	if saved < 160.499e-6*50 {
		t.Errorf("saves %g", saved)
	}

	binned := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}
	for name, tasks := range map[string][]*facetdv1.Task{
		"other rates":             {plain, task("soft", "mems", 25, smooth)},
		"other chips":             {plain, with(task("soft", "mems", 50, smooth), func(x *facetdv1.Task) { x.Target = list("mem-0", "mem-1") })},
		"neither's shares before": {task("plain", "mems", 50, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}), task("small", "mems", 50, binned)},
		"no memory":               {task("one", "hexs", 50), task("two", "hexs", 50)},
		// Read after the other's views, the second would be held too long.
		"the hold": {plain, with(task("soft", "mems", 50, binned), func(x *facetdv1.Task) { x.MaxHold = dur(550 * time.Microsecond) })},
	} {
		if advice := mustBuild(t, a, tasks...).Message.GetAdvice(); len(advice) > 0 {
			t.Errorf("%s: %v", name, advice)
		}
	}
	// The other way round too: the second task asked for may be the one to go first.
	if advice := mustBuild(t, a, soft, plain).Message.GetAdvice(); len(advice) != 1 || advice[0].GetTasks()[0] != "plain" {
		t.Errorf("advice: %v", advice)
	}
	// Where one smooths first and the other bins what is smoothed, the share is saved as well.
	fine := task("fine", "mems", 50, &facetdv1.View{SmoothingSteps: 1})
	coarse := task("coarse", "mems", 50, &facetdv1.View{SmoothingSteps: 1, Binning: &facetdv1.Binning{Rows: 4, Columns: 4}})
	if advice := mustBuild(t, a, coarse, fine).Message.GetAdvice(); len(advice) != 1 || advice[0].GetSavedShare() < (160.499e-6+4.5e-6)*50 {
		t.Errorf("advice: %v", advice)
	}
}
