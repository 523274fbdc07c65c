package scheduler_test

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// jobNames are the bus jobs of a plan.
func jobNames(p *scheduler.Plan) string {
	var names []string
	for i := range p.Tasks {
		names = append(names, p.Tasks[i].Task.Name)
	}
	return strings.Join(names, " ")
}

func smoothed(steps uint32) *facetdv1.View { return &facetdv1.View{SmoothingSteps: steps} }

// TestSharedLoad: two tasks that may share a load cost what one task with both their
// views does, are predicted apart, and run as predicted.
func TestSharedLoad(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	small := &facetdv1.View{SmoothingSteps: 1, Window: &facetdv1.Window{Rows: 4, Columns: 4}}
	other := task("comb", "hexs", 10)
	soft := with(task("soft", "mems", 50, small), func(x *facetdv1.Task) { x.Deadline = dur(15 * time.Millisecond) })
	p := mustBuild(t, a, soft, other, task("plain", "mems", 50))
	one := mustBuild(t, a, task("both", "mems", 50, &facetdv1.View{Name: "plain"}, small), other)
	if jobNames(p) != "plain,soft comb" || len(p.Message.GetAdvice()) > 0 {
		t.Fatalf("bus jobs %s, advice %v", jobNames(p), p.Message.GetAdvice())
	}
	if p.Busy != one.Busy || p.Bound != one.Bound || p.Message.GetUtilization() != one.Message.GetUtilization() {
		t.Errorf("busy %v of at least %v; as one task %v, %v", p.Busy, p.Bound, one.Busy, one.Bound)
	}
	pr := p.Message.GetPredictions()
	if pr[0].GetTask() != "soft" || pr[1].GetTask() != "comb" || pr[2].GetTask() != "plain" || pr[0].GetFrames() != 4 ||
		pr[2].GetFrames() != 4 {
		t.Fatalf("predictions: %v", pr)
	}
	if !slices.Equal(pr[0].GetMergedWith(), []string{"plain"}) || len(pr[1].GetMergedWith()) > 0 ||
		!slices.Equal(pr[2].GetMergedWith(), []string{"soft"}) {
		t.Errorf("merged with %v, %v, %v", pr[0].GetMergedWith(), pr[1].GetMergedWith(), pr[2].GetMergedWith())
	}
	sum := pr[0].GetBusUtilization() + pr[1].GetBusUtilization() + pr[2].GetBusUtilization()
	if math.Abs(sum-p.Message.GetUtilization()) > 1e-12 {
		t.Errorf("the tasks' utilizations are %g together, the table uses %g", sum, p.Message.GetUtilization())
	}
	// The task that comes first bears the load: its part is what it takes alone.
	alone := mustBuild(t, a, task("plain", "mems", 50)).Message.GetPredictions()[0]
	if pr[2].GetJobNs() != alone.GetJobNs() || pr[2].GetWorstHoldNs() != alone.GetWorstHoldNs() {
		t.Errorf("plain takes %d ns and holds for %d ns, alone %d and %d", pr[2].GetJobNs(), pr[2].GetWorstHoldNs(),
			alone.GetJobNs(), alone.GetWorstHoldNs())
	}
	// Each has its own deadline: plain that of its period, 5 ms later.
	if more := pr[2].GetLeastSlackNs() - pr[0].GetLeastSlackNs(); more != 5e6 {
		t.Errorf("plain has %d ns more slack than soft", more)
	}
	for _, s := range p.Message.GetTimetable().GetSegments() {
		if name := strings.Join(s.GetTasks(), ","); name != "plain,soft" && name != "comb" {
			t.Errorf("a segment of %s", s.GetTasks())
		}
	}
	checkPlan(t, p)
	observe(t, p, 1, 2).compare(2)
	if v := rules.Judge(a, p.Table(), 3); len(v) > 0 {
		t.Error(v)
	}
	// Where one smooths first and another bins what is smoothed, all three share.
	coarse := &facetdv1.View{SmoothingSteps: 1, Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	three := mustBuild(t, a, task("coarse", "mems", 50, coarse), task("fine", "mems", 50, smoothed(1)),
		task("plain", "mems", 50))
	if jobNames(three) != "plain,fine,coarse" {
		t.Errorf("bus jobs %s", jobNames(three))
	}
	checkPlan(t, three)
	observe(t, three, 1, 2).compare(2)
}

// TestNotShared: what is not the same load stays apart.
func TestNotShared(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	plain := task("plain", "mems", 50)
	bins := func(n uint32) *facetdv1.View {
		return &facetdv1.View{Binning: &facetdv1.Binning{Rows: n, Columns: n}}
	}
	for name, tasks := range map[string][]*facetdv1.Task{
		"other rates": {plain, task("soft", "mems", 25, smoothed(1))},
		"other chips": {plain, with(task("soft", "mems", 50, smoothed(1)),
			func(x *facetdv1.Task) { x.Target = list("mem-0", "mem-1") })},
		"neither's shares before": {task("plain", "mems", 50, bins(4)), task("small", "mems", 50, bins(2))},
		"no memory":               {task("one", "hexs", 50), task("two", "hexs", 50)},
		// Read after the other's views, the second would be held too long.
		"the hold": {plain, with(task("soft", "mems", 50, bins(2)),
			func(x *facetdv1.Task) { x.MaxHold = dur(550 * time.Microsecond) })},
	} {
		p := mustBuild(t, a, tasks...)
		if len(p.Tasks) != 2 {
			t.Errorf("%s: bus jobs %s", name, jobNames(p))
		}
		advice := p.Message.GetAdvice()
		if name != "the hold" {
			if len(advice) > 0 {
				t.Errorf("%s: %v", name, advice)
			}
			continue
		}
		// Without the limit they share, and save as much as the advice says.
		if len(advice) != 1 || !strings.Contains(advice[0].GetMessage(), "max_hold of 550 us") ||
			!slices.Equal(advice[0].GetTasks(), []string{"plain", "soft"}) {
			t.Fatalf("advice: %v", advice)
		}
		free := mustBuild(t, a, plain, with(tasks[1], func(x *facetdv1.Task) { x.MaxHold = nil }))
		if saved := p.Message.GetUtilization() - free.Message.GetUtilization(); len(free.Tasks) != 1 ||
			math.Abs(saved-advice[0].GetSavedUtilization()) > 1e-9 || saved < 160.499e-6*50 {
			t.Errorf("bus jobs %s, saved %g; %s", jobNames(free), saved, advice[0].GetMessage())
		}
	}
}

// TestSharedInPart: where a bus job of all would break a limit, those that can share
// do.
func TestSharedInPart(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 0})
	quick := with(task("quick", "mems", 50, smoothed(2)), func(x *facetdv1.Task) { x.MaxHold = dur(time.Millisecond) })
	p := mustBuild(t, a, task("plain", "mems", 50), quick, task("soft", "mems", 50, smoothed(1)))
	if len(p.Tasks) != 2 || !strings.Contains(jobNames(p), "plain,soft") {
		t.Errorf("bus jobs %s", jobNames(p))
	}
	checkPlan(t, p)
}

// TestOnlySharedFits: tasks that ask for more than the bus apart fit together.
func TestOnlySharedFits(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 0})
	job := mustBuild(t, a, task("plain", "mems", 1)).Message.GetPredictions()[0].GetJobNs()
	both := mustBuild(t, a, task("both", "mems", 1, &facetdv1.View{Name: "x"},
		&facetdv1.View{Name: "y"})).Message.GetPredictions()[0].GetJobNs()
	rate := 2e9 / float64(2*job+both) // between the two
	rate = math.Floor(rate)
	if rate*float64(2*job) <= 1e9 || rate*float64(both) >= 1e9 {
		t.Fatalf("%g Hz shows nothing: %d ns apart, %d together", rate, 2*job, both)
	}
	p := mustBuild(t, a, task("one", "mems", rate), task("two", "mems", rate))
	if len(p.Tasks) != 1 || p.Message.GetUtilization() > 1 {
		t.Errorf("bus jobs %s", jobNames(p))
	}
	checkPlan(t, p)
}

// TestSharedRegisters: a command that would disturb a shared job is refused in the name
// of the task that relies on the register.
func TestSharedRegisters(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 0})
	p := mustBuild(t, a, task("plain", "mems", 50), task("soft", "mems", 50, smoothed(1)))
	if v := p.Assumes()[a.Chip("mem-0")][chipmodel.ColumnPattern]; len(p.Tasks) != 1 || v != 0x55 {
		t.Fatalf("bus jobs %s, assumed %d", jobNames(p), v)
	}
	cmd := &facetdv1.Command{Target: list("mem-0"),
		Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: chipmodel.ColumnPattern, Value: 3}}}
	_, err := scheduler.CompileCommand(a, cmd, p.Assumes(), p)
	var disturb *program.DisturbError
	if !errors.As(err, &disturb) || disturb.Task != "soft" {
		t.Errorf("got %v", err)
	}
}

// TestStretchOfSharers: where tasks that may share a load do not fit, the least stretch
// is of the tasks apart and not said to be the least of all: they fit at less.
func TestStretchOfSharers(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 0})
	job := mustBuild(t, a, task("plain", "mems", 1)).Message.GetPredictions()[0].GetJobNs()
	rate := math.Floor(1e9 / float64(job))
	_, err := build(t, a, task("one", "mems", rate), task("two", "mems", rate))
	var refused *scheduler.RefusalError
	if !errors.As(err, &refused) || refused.Refusal.GetLeastStretch() == nil || refused.Refusal.GetLeastStretchExact() {
		t.Fatalf("got %v: %v", err, refused)
	}
	least := fraction(refused.Refusal.GetLeastStretch())
	factor, _ := least.Float64()
	if p := mustBuild(t, a, task("one", "mems", rate/factor*1.02),
		task("two", "mems", rate/factor*1.02)); len(p.Tasks) != 1 {
		t.Errorf("bus jobs %s", jobNames(p))
	}
	// Tasks that may not share have an exact one.
	_, err = build(t, a, task("one", "mems", rate),
		with(task("two", "mems", rate), func(x *facetdv1.Task) { x.Target = list("mem-0", "mem-1") }))
	if !errors.As(err, &refused) || !refused.Refusal.GetLeastStretchExact() {
		t.Errorf("got %v: %v", err, refused)
	}
}

// TestManySharers: a great many tasks on the same chips are planned in bounded work,
// whether they may share or not.
func TestManySharers(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 0})
	for _, hold := range []time.Duration{0, 100 * time.Microsecond} {
		var specs []*facetdv1.Task
		for i := range 200 {
			x := task(fmt.Sprintf("t%03d", i), "mems", 4, &facetdv1.View{Window: &facetdv1.Window{Rows: 1, Columns: 1}})
			if hold > 0 {
				x.MaxHold = dur(hold + 160500)
			}
			specs = append(specs, x)
		}
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatal(m)
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true})
		if err != nil {
			t.Fatal(err)
		}
		if len(p.Tasks) >= 200 || len(p.Message.GetPredictions()) != 200 {
			t.Errorf("hold %v: %d bus jobs, %d predictions", hold, len(p.Tasks), len(p.Message.GetPredictions()))
		}
		for _, tp := range p.Tasks {
			if n := len(tp.Task.Views); n > 64 {
				t.Errorf("a bus job of %d views", n)
			}
		}
		asked(t, p)
	}
}
