package scheduler_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// sporadic is a task of a group that is triggered.
func sporadic(name, group string, interval, deadline time.Duration, views ...*facetdv1.View) *facetdv1.Task {
	t := task(name, group, 0, views...)
	t.LeastInterval = dur(interval)
	if deadline > 0 {
		t.Deadline = dur(deadline)
	}
	return t
}

// TestSporadicBesideTasks: a sporadic task is planned beside others, which keep their rates; its promise is within its
// deadline and that of its table; the timetable says which segments are reservations.
func TestSporadicBesideTasks(t *testing.T) {
	a, tasks := crawler(t)
	flash := &facetdv1.Task{Name: "flash", Target: list("bow-comb"),
		LeastInterval: dur(400 * time.Millisecond), Deadline: dur(250 * time.Millisecond)}
	p := mustBuild(t, a, append(tasks, flash)...)
	pr := p.Message.GetPredictions()[len(tasks)]
	if worst := time.Duration(pr.GetWorstResponseNs()); worst > 250*time.Millisecond || worst < 20*time.Millisecond ||
		pr.GetLeastSlackNs() != int64(250*time.Millisecond-worst) {
		t.Errorf("%v", pr)
	}
	if pr.GetRequestedRateHz() != 0 || pr.GetPlannedRateHz() < 4 || pr.GetPlannedRateHz() > 10 ||
		pr.GetLeastIntervalNs() != 4e8 || pr.GetLongestReservationDistanceNs() <= 0 ||
		pr.GetWorstResponseInChangeNs() != pr.GetWorstResponseNs()+int64(p.InitializationTime) {
		t.Errorf("%v", pr)
	}
	for i, spec := range tasks {
		if got := p.Message.GetPredictions()[i].GetPlannedRateHz(); got < spec.GetRateHz()*(1-1e-9) {
			t.Errorf("%s is planned at %v Hz", spec.GetName(), got)
		}
	}
	reserved := 0
	for _, s := range p.Message.GetTimetable().GetSegments() {
		if s.GetReserved() != (s.GetTasks()[0] == "flash") {
			t.Errorf("%v", s)
		}
		if s.GetReserved() {
			reserved++
		}
	}
	if reserved == 0 || p.Message.GetTasks()[len(tasks)].GetRateHz() != 0 {
		t.Errorf("%d reservations of %v", reserved, p.Message.GetTasks()[len(tasks)])
	}
}

// TestSporadicRefusals: what no reservations can do is refused in numbers, with a deadline that fits.
func TestSporadicRefusals(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	for _, c := range []struct {
		name   string
		tasks  []*facetdv1.Task
		reason facetdv1.RefusalReason
		says   string
		fits   bool // with a longer deadline
	}{
		{"no time for two jobs", []*facetdv1.Task{sporadic("late", "mems", time.Second, 50*time.Microsecond)},
			facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, "twice", false},
		{"too many reservations", []*facetdv1.Task{task("ring", "mems", 2000),
			sporadic("late", "cnts", time.Second, 700*time.Microsecond)},
			facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION, "sporadic", false},
		{"between long jobs", []*facetdv1.Task{task("ring", "mems", 500),
			sporadic("late", "mems", time.Second, 2500*time.Microsecond)},
			facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, "with reservations: one for late every", true},
	} {
		_, err := build(t, a, c.tasks...)
		var refusal *scheduler.RefusalError
		if !errors.As(err, &refusal) {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		r := refusal.Refusal
		if r.GetReason() != c.reason || !strings.Contains(r.GetMessage(), c.says) {
			t.Errorf("%s: %v", c.name, r)
		}
		if !c.fits {
			continue
		}
		for _, f := range r.GetFittingRates() {
			if f.GetTask() != "late" || f.GetDeadlineNs() == 0 || f.GetRateHz() != 0 {
				t.Errorf("%s: %v", c.name, f)
				continue
			}
			fit := c.tasks[1]
			fit.Deadline = dur(time.Duration(f.GetDeadlineNs()))
			fit.LeastInterval = dur(max(time.Second, time.Duration(f.GetDeadlineNs())))
			mustBuild(t, a, c.tasks...)
		}
		if len(r.GetFittingRates()) != 1 {
			t.Errorf("%s: %v", c.name, r.GetFittingRates())
		}
	}
}

// TestSporadicErrors: what a sporadic task cannot be is told with its place.
func TestSporadicErrors(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	both := sporadic("x", "mems", time.Second, 0)
	both.RateHz = 5
	for _, c := range []struct {
		spec *facetdv1.Task
		path string
	}{
		{both, "tasks[0].rate_hz"},
		{sporadic("x", "mems", time.Microsecond, 0), "tasks[0].least_interval"},
		{sporadic("x", "mems", -time.Second, 0), "tasks[0].least_interval"},
		{sporadic("x", "mems", 2*time.Hour, 0), "tasks[0].least_interval"},
		{sporadic("x", "mems", time.Second, 1001*time.Millisecond), "tasks[0].deadline"},
		{sporadic("x", "mems", time.Second, time.Nanosecond), "tasks[0].deadline"},
	} {
		_, m := program.NewTasks(a, []*facetdv1.Task{c.spec})
		if len(m) != 1 || m[0].Path != c.path || m[0].Hint == "" {
			t.Errorf("%v: %v", c.spec, m)
		}
	}
}

// TestExploreSporadic: a sporadic task has no rate to explore; beside one, others have.
func TestExploreSporadic(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	late := sporadic("late", "cnts", time.Second, 50*time.Millisecond)
	var m invalid.Errors
	if _, err := scheduler.Explore(a, late, scheduler.ExploreOptions{}); !errors.As(err, &m) ||
		m[0].Path != "tasks[0].least_interval" {
		t.Error(err)
	}
	x, err := scheduler.Explore(a, task("ring", "mems", 20), scheduler.ExploreOptions{Beside: []*facetdv1.Task{late},
		Windows: []float64{1}, MaxBatches: 1})
	if err != nil || len(x.Points) == 0 || x.Points[0].RateHz < 20 {
		t.Errorf("%v, %v", x, err)
	}
}

// randomSporadic plans a few tasks with rates and one to three sporadic ones on a random array; nil where they do not
// fit, and the number of tasks with a rate.
func randomSporadic(t *testing.T, r *rand.Rand, lead time.Duration) *scheduler.Plan {
	t.Helper()
	a := randomArray(r, smallDies(r))
	var specs []*facetdv1.Task
	for k := range r.IntN(3) {
		x := randomTask(r, a, fmt.Sprint("t", k))
		x.Deadline, x.MaxHold, x.MaxSkew = nil, nil, nil
		specs = append(specs, x)
	}
	for k := range 1 + r.IntN(3) {
		x := randomTask(r, a, fmt.Sprint("s", k))
		x.RateHz, x.MaxHold, x.MaxSkew = 0, nil, nil
		deadline := lead + time.Duration(2+r.IntN(60))*time.Millisecond
		x.Deadline, x.LeastInterval = dur(deadline), dur(deadline+time.Duration(r.IntN(3)*r.IntN(1e8)))
		specs = append(specs, x)
	}
	for range 4 {
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatal(m)
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: 1000, TriggerLead: lead})
		var refusal *scheduler.RefusalError
		switch {
		case err == nil:
			return p
		case !errors.As(err, &refusal):
			t.Fatal(err)
		}
		for _, x := range specs {
			if x.RateHz /= 2; x.RateHz == 0 {
				x.Deadline = dur(2 * x.GetDeadline().AsDuration())
				x.LeastInterval = dur(2 * x.GetLeastInterval().AsDuration())
			}
		}
	}
	return nil
}

// TestRandomSporadicPlans: whatever is planned with sporadic tasks keeps every deadline by the judge, which knows
// nothing of how reservations are chosen; the promise is reached by a trigger that just misses one, and a deadline
// shorter than the promise is found broken.
func TestRandomSporadicPlans(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	planned := 0
	for range 60 {
		lead := time.Duration(r.IntN(2)*r.IntN(20)) * time.Millisecond
		p := randomSporadic(t, r, lead)
		if p == nil {
			continue
		}
		planned++
		if v := rules.Judge(p.Array, p.Table(), 2); len(v) > 0 {
			t.Fatalf("%v: %v", p.Message.GetTasks(), v)
		}
		tight := p.Table()
		for i := range tight.Triggered {
			of := &tight.Triggered[i]
			for _, pr := range p.Message.GetPredictions() {
				if pr.GetTask() == of.Task {
					of.Deadline = time.Duration(pr.GetWorstResponseNs())
				}
			}
		}
		if v := rules.Judge(p.Array, tight, 2); len(v) > 0 {
			t.Fatalf("the promise is too short: %v", v)
		}
		tight.Triggered[0].Deadline--
		if v := rules.Judge(p.Array, tight, 2); len(v) == 0 || v[0].Rule != rules.RuleAccounted {
			t.Fatalf("no trigger waits for as long as is promised: %v", p.Message.GetPredictions())
		}
	}
	if planned < 30 {
		t.Errorf("%d sets were planned", planned)
	}
}

// TestMixedTaskApart: the refusal of a task for chips of several classes holds a file of tasks that reads, plans, and
// releases them together, with everything that the task said and a class can have.
func TestMixedTaskApart(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	mixed := &facetdv1.Task{Name: "look", RateHz: 29.97, Target: list("mem-0", "cnt-1", "mem-1", "hex-0"),
		Deadline: dur(20 * time.Millisecond), MaxHold: dur(15 * time.Millisecond), MaxSkew: dur(12 * time.Millisecond),
		Views: []*facetdv1.View{{Name: "part", Window: &facetdv1.Window{Rows: 2, Columns: 3}}}}
	_, m := program.NewTasks(a, []*facetdv1.Task{mixed})
	if len(m) != 1 || m[0].Path != "tasks[0].target" {
		t.Fatal(m)
	}
	_, text, found := strings.Cut(m[0].Hint, "released together: ")
	if !found {
		t.Fatal(m[0].Hint)
	}
	specs, errs := arrayfile.ParseTasks("hint.yaml", []byte(text), nil)
	if len(errs) > 0 || len(specs) != 3 {
		t.Fatalf("%v: %s", errs, text)
	}
	p := mustBuild(t, a, append(specs, task("ring", "trims", 50))...)
	releases := map[string][]time.Duration{}
	chips := map[string]bool{}
	for _, e := range p.Entries {
		if e.Segment == 0 {
			name := p.Tasks[e.Task].Task.Name
			releases[name] = append(releases[name], e.Release)
		}
	}
	for i, spec := range specs {
		for _, c := range spec.GetTarget().GetList().GetNames() {
			chips[c] = true
		}
		if got := releases[spec.GetName()]; !slices.Equal(got, releases[specs[0].GetName()]) || len(got) == 0 {
			t.Errorf("%s is released at %v, %s at %v", spec.GetName(), got, specs[0].GetName(),
				releases[specs[0].GetName()])
		}
		if pr := p.Message.GetPredictions()[i]; pr.GetRequestedRateHz() != 29.97 {
			t.Error(pr)
		}
		if spec.GetDeadline().AsDuration() != 20*time.Millisecond || len(spec.GetViews()) != 1 ||
			(spec.GetMaxHold() != nil) != strings.Contains(spec.GetName(), "mem") {
			t.Error(spec)
		}
	}
	if len(chips) != 4 {
		t.Errorf("%v", chips)
	}
}

// TestMixedSporadicTaskApart: the tasks in place of a mixed sporadic one have triggers of their own, and the refusal
// says so.
func TestMixedSporadicTaskApart(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	_, m := program.NewTasks(a, []*facetdv1.Task{{Name: "look", LeastInterval: dur(time.Second),
		Target: list("mem-0", "cnt-1")}})
	if len(m) != 1 {
		t.Fatal(m)
	}
	_, text, found := strings.Cut(m[0].Hint, "not released together: ")
	specs, errs := arrayfile.ParseTasks("hint.yaml", []byte(text), nil)
	if !found || !strings.Contains(m[0].Hint, "trigger each") || len(errs) > 0 || len(specs) != 2 {
		t.Fatalf("%v: %s", errs, m[0].Hint)
	}
	mustBuild(t, a, specs...)
}
