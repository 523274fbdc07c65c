package timetable

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/peertest"
)

// exhaustive tries every order of the jobs, each as early as it can. It is slow and
// plain.
func exhaustive(jobs []Job) bool {
	done := make([]int, len(jobs)) // segments
	start := make([]int64, len(jobs))
	var try func(now int64, left int) bool
	try = func(now int64, left int) bool {
		if left == 0 {
			return true
		}
		for i := range jobs {
			j := &jobs[i]
			if done[i] == len(j.Costs) || blocked(jobs, done, i) {
				continue
			}
			at := max(now, j.Release)
			end := at + j.Costs[done[i]]
			if end > j.Deadline {
				if done[i] == 0 && now > j.Release {
					return false // it is late whatever comes
				}
				continue
			}
			was := start[i]
			if done[i] == 0 {
				start[i] = at
			}
			done[i]++
			if try(end, left-1) {
				return true
			}
			done[i]--
			start[i] = was
		}
		return false
	}
	total := 0
	for i := range jobs {
		total += len(jobs[i].Costs)
	}
	return try(0, total)
}

// blocked reports whether an earlier job of the task is open, or another job holds
// one of the resources.
func blocked(jobs []Job, done []int, i int) bool {
	for k := range jobs {
		if k == i {
			continue
		}
		if jobs[k].Task == jobs[i].Task && jobs[k].Number < jobs[i].Number && done[k] < len(jobs[k].Costs) {
			return true
		}
		if done[k] > 0 && done[k] < len(jobs[k].Costs) {
			for _, r := range jobs[k].Resources {
				for _, q := range jobs[i].Resources {
					if r == q {
						return true
					}
				}
			}
		}
	}
	return false
}

// TestAgainstExhaustive: 2,000 random small sets; the verdict equals exhaustive
// search, and every table passes the checker.
func TestAgainstExhaustive(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	periods := []int64{3, 4, 6, 8, 12}
	count := map[string]int{}
	for n := 0; n < 2000; {
		var tasks []Task
		for i := range 2 + rng.IntN(3) {
			period := periods[rng.IntN(len(periods))]
			tasks = append(tasks, Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(max(period/2, 1)), Period: period,
				Deadline: period - rng.Int64N(period/3+1)})
		}
		if u, _ := utilizationOf(tasks).Float64(); (u > 1 || u < 0.6) && rng.IntN(20) > 0 {
			continue // mostly too easy to tell
		}
		if fits, _ := AnyPhase(tasks); fits && rng.IntN(5) > 0 {
			continue
		}
		n++
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		h, _ := Hyperperiod(tasks)
		jobs := jobsOf(tasks, h)
		fits := utilizationOf(tasks).Cmp(big.NewRat(1, 1)) <= 0 && exhaustive(jobs)
		if (r.Verdict == Feasible) != fits || r.Verdict == Unknown {
			t.Fatalf("set %d %+v: %v by %s, exhaustive search says %v", n, tasks, r.Verdict, r.Method, fits)
		}
		if fits {
			if err := Check(h, jobs, r.Table); err != nil {
				t.Fatalf("set %d %+v: %v", n, tasks, err)
			}
		}
		count[fmt.Sprint(r.Verdict, " by ", r.Method)]++
	}
	t.Log(count)
	if count["feasible by "+MethodSearch] < 20 || count["infeasible by "+MethodSearch] < 20 ||
		count["feasible by "+MethodEDF] < 20 {
		t.Errorf("the sets exercise too little: %v", count)
	}
}

// TestSegmentsAgainstExhaustive does the same with jobs cut into segments that hold
// resources.
func TestSegmentsAgainstExhaustive(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	verdicts := map[Verdict]int{}
	for n := range 1000 {
		h := int64(12)
		var names []string
		var jobs []Job
		for task := range 2 + rng.IntN(2) {
			names = append(names, fmt.Sprint(task))
			period := []int64{6, 12}[rng.IntN(2)]
			costs := make([]int64, 1+rng.IntN(3))
			for i := range costs {
				costs[i] = 1 + rng.Int64N(2)
			}
			var resources []int
			if rng.IntN(2) == 0 {
				resources = []int{rng.IntN(2)}
			}
			for k := range h / period {
				jobs = append(jobs, Job{Task: task, Number: int(k), Release: k * period,
					Deadline: (k+1)*period - rng.Int64N(2), Costs: costs, Resources: resources})
			}
		}
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if fits := exhaustive(jobs); (r.Verdict == Feasible) != fits || r.Verdict == Unknown {
			t.Fatalf("set %d %+v: %v by %s, exhaustive search says %v", n, jobs, r.Verdict, r.Method, fits)
		}
		if r.Verdict == Feasible {
			if err := Check(h, jobs, r.Table); err != nil {
				t.Fatalf("set %d: %v", n, err)
			}
		}
		verdicts[r.Verdict]++
	}
	t.Log(verdicts)
	if verdicts[Feasible] < 100 || verdicts[Infeasible] < 100 {
		t.Errorf("the sets exercise too little: %v", verdicts)
	}
}

// TestLimits: a job that is held over another's keeps its limits; where nothing may
// come between and something must, that is proved.
func TestLimits(t *testing.T) {
	names := []string{"held", "fast"}
	jobs := []Job{{Task: 0, Release: 0, Deadline: 20, Costs: []int64{2, 3, 3}, Resources: []int{0},
		Within: []int64{0, 8, 11}}}
	for k := range int64(4) {
		jobs = append(jobs, Job{Task: 1, Number: int(k), Release: 5 * k, Deadline: 5*k + 5, Costs: []int64{2}})
	}
	r, err := Plan(names, 20, jobs, Options{})
	if err != nil || r.Verdict != Feasible {
		t.Fatalf("%v by %s: %v %v", r.Verdict, r.Method, r.Witness, err)
	}
	if err := Check(20, jobs, r.Table); err != nil {
		t.Error(err)
	}
	// The fast task leaves at most 5 + 5 - 2 - 2 = 6 between two of its jobs.
	jobs[0].Within = []int64{0, 5, 8}
	r, err = Plan(names, 20, jobs, Options{})
	if err != nil || r.Verdict != Infeasible || r.Method != MethodSearch || r.Witness == nil {
		t.Errorf("%v by %s (%v)", r.Verdict, r.Method, err)
	}
}

// TestLikeJobsOfOtherResources: a and b of one cost are not interchangeable when one
// of them may not run while the held job is open: the only table is held, b, slot,
// held, a.
func TestLikeJobsOfOtherResources(t *testing.T) {
	jobs := []Job{
		{Task: 0, Release: 0, Deadline: 6, Costs: []int64{2, 2}, Resources: []int{0}},
		{Task: 1, Release: 3, Deadline: 4, Costs: []int64{1}},
		{Task: 2, Number: 0, Release: 1, Deadline: 7, Costs: []int64{1}, Resources: []int{0}},
		{Task: 2, Number: 1, Release: 1, Deadline: 7, Costs: []int64{1}, Resources: []int{1}},
	}
	r, err := Plan([]string{"held", "slot", "ab"}, 7, jobs, Options{})
	if err != nil || r.Verdict != Feasible || r.Method != MethodSearch {
		t.Fatalf("%v by %s (%v)", r.Verdict, r.Method, err)
	}
	if err := Check(7, jobs, r.Table); err != nil {
		t.Error(err)
	}
	if first := r.Table.Placements[1]; first.Task != 2 || first.Number != 1 {
		t.Errorf("%+v", r.Table.Placements)
	}
}

// TestLongHyperperiod: sets too long to lay out are refused where the numbers by
// hand say so, and left undecided one tick below.
func TestLongHyperperiod(t *testing.T) {
	const p, q = 1_000_003, 50_000_017 // primes
	quick := Task{"quick", 300_000, p, 0}
	tight := Task{"tight", 300_000, p, 400_000}
	for _, c := range []struct {
		name   string
		tasks  []Task
		want   Verdict
		method string
	}{
		{"a gap of 2p - 600,000", []Task{quick, {"slow", 2*p - 600_000, q, 0}}, Unknown, MethodCap},
		{"one tick more", []Task{quick, {"slow", 2*p - 600_000 + 1, q, 0}}, Infeasible, MethodGap},
		{"a gap of p - 200,000", []Task{tight, {"slow", p - 200_000, q, 0}}, Unknown, MethodCap},
		{"one tick more", []Task{tight, {"slow", p - 200_000 + 1, q, 0}}, Infeasible, MethodGap},
		{"two at once in time", []Task{tight, {"also", 100_000, p + 30, 400_000}, {"slow", 1, q, 0}}, Feasible,
			MethodAnyPhase},
		{"two at once too long", []Task{tight, {"also", 100_001, p + 30, 400_000}, {"slow", 1, q, 0}}, Infeasible,
			MethodDemand},
		{"past its deadline", []Task{quick, {"slow", 1001, q, 1000}}, Infeasible, MethodWindow},
	} {
		r, err := PlanPeriodic(c.tasks, Options{})
		if err != nil || r.Verdict != c.want || r.Method != c.method || (r.Witness == nil) != (c.want == Feasible) {
			t.Errorf("%s: %v by %s: %+v (%v), want %v by %s", c.name, r.Verdict, r.Method, r.Witness, err, c.want,
				c.method)
		}
		if c.method == MethodGap && (r.Witness.Task != "slow" || r.Witness.Needed != r.Witness.Available+1) {
			t.Errorf("%s: %+v", c.name, r.Witness)
		}
	}
}

// TestUtilizationWitness: 3/5 and 3/6 of the bus are 33 of every 30.
func TestUtilizationWitness(t *testing.T) {
	tasks := []Task{{"b", 3, 6, 0}, {"a", 3, 5, 0}}
	r, err := PlanPeriodic(tasks, Options{})
	w := r.Witness
	if err != nil || r.Method != MethodUtilization || w == nil || w.Needed != 33 || w.Available != 30 ||
		w.Task != "a" || w.Message != "the tasks ask for 110 % of the bus" {
		t.Errorf("%v by %s: %+v (%v)", r.Verdict, r.Method, w, err)
	}
	r, err = Plan([]string{"b", "a"}, 30, jobsOf(tasks, 30), Options{})
	if w = r.Witness; err != nil || w == nil ||
		w.Message != "the tasks ask for 33ns of bus time in every 30ns: a 60 %, b 50 %" {
		t.Errorf("%+v (%v)", w, err)
	}
}

// TestLikeTasks: twenty tasks of two costs take 2190 of every 2400, so that a piece
// that runs from one period into the next has at most 2 x 210 = 420. Tasks of equal
// cost are interchangeable, or the search would not end.
func TestLikeTasks(t *testing.T) {
	tasks := twenty(2)
	long := &tasks[len(tasks)-1]
	for cost, want := range map[int64]Verdict{420: Feasible, 421: Infeasible} {
		long.Cost = cost
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil || r.Verdict != want {
			t.Errorf("%d: %v by %s (%v), want %v", cost, r.Verdict, r.Method, err, want)
		}
	}
	p, _ := periodicProblem(tasks, Options{})
	if n := len(p.chains()); n != 3 {
		t.Errorf("%d chains, want one for each cost", n)
	}
}

// TestCapIsUnknown: past the cap the answer is Unknown, never Infeasible, although
// the set does not fit (see TestLikeTasks; here the costs all differ).
func TestCapIsUnknown(t *testing.T) {
	r, err := PlanPeriodic(twenty(20), Options{States: 1000})
	if err != nil || r.Verdict != Unknown || r.Method != MethodCap || r.Witness == nil ||
		!strings.Contains(r.Witness.Message, "1000 states") {
		t.Errorf("%v by %s, %v %v", r.Verdict, r.Method, r.Witness, err)
	}
}

// TestLookahead: without the search a set that needs idle time is placed all the
// same; its tables pass the checker; and of random periodic sets that EDF misses most
// that fit are placed, none that does not.
func TestLookahead(t *testing.T) {
	tasks := []Task{{"a", 1, 4, 4}, {"b", 6, 10, 10}}
	r, err := PlanPeriodic(tasks, Options{States: 1})
	if err != nil || r.Verdict != Feasible || r.Method != MethodLookahead {
		t.Fatalf("%v by %s (%v)", r.Verdict, r.Method, err)
	}
	if err := Check(20, jobsOf(tasks, 20), r.Table); err != nil {
		t.Error(err)
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 10))
	for n := range 2000 {
		names, h, jobs := randomJobs(rng, true)
		if n%2 == 0 {
			h = 400
			names, jobs = nestedJobs(rng, h)
		}
		if table, late := newProblem(names, h, jobs, Options{}).lookahead(); late == nil {
			if err := Check(h, jobs, table); err != nil {
				t.Fatalf("%v: %+v", err, jobs)
			}
		}
	}
	found, fit := 0, 0
	for fit < 100 {
		var tasks []Task
		for i := range 3 + rng.IntN(4) {
			period := []int64{20, 30, 40, 60, 120}[rng.IntN(5)]
			tasks = append(tasks, Task{fmt.Sprint(i), 1 + rng.Int64N(period/2), period,
				period - rng.Int64N(period/3+1)})
		}
		p, _ := periodicProblem(tasks, Options{})
		if w, _ := p.reject(); w != nil {
			continue
		}
		if _, miss := p.edf(); miss == nil {
			continue
		}
		_, late := p.lookahead()
		_, verdict := p.search(defaultStates)
		switch {
		case late == nil && verdict == Infeasible:
			t.Fatalf("%+v: a table of what does not fit", tasks)
		case verdict == Feasible:
			fit++
			if late == nil {
				found++
			}
		}
	}
	t.Logf("%d of %d", found, fit)
	if found < 60 {
		t.Errorf("%d of %d found, expected around nine in ten", found, fit)
	}
}

// TestCheckCatches: the checker finds every sort of broken table.
func TestCheckCatches(t *testing.T) {
	jobs := []Job{
		{Task: 0, Release: 0, Deadline: 10, Costs: []int64{2, 2}, Resources: []int{0}, Within: []int64{0, 6}},
		{Task: 1, Release: 1, Deadline: 9, Costs: []int64{1}, Resources: []int{0}},
	}
	good := []Placement{{0, 0, 0, 0, 2}, {0, 0, 1, 2, 4}, {1, 0, 0, 4, 5}}
	if err := Check(10, jobs, Table{10, good}); err != nil {
		t.Fatal(err)
	}
	for name, bad := range map[string][]Placement{
		"missing":  good[:2],
		"overlap":  {{0, 0, 0, 0, 2}, {0, 0, 1, 1, 3}, {1, 0, 0, 4, 5}},
		"early":    {{1, 0, 0, 0, 1}, {0, 0, 0, 1, 3}, {0, 0, 1, 3, 5}},
		"late":     {{0, 0, 0, 0, 2}, {0, 0, 1, 2, 4}, {1, 0, 0, 9, 10}},
		"cost":     {{0, 0, 0, 0, 3}, {0, 0, 1, 3, 5}, {1, 0, 0, 5, 6}},
		"order":    {{0, 0, 1, 0, 2}, {0, 0, 0, 2, 4}, {1, 0, 0, 4, 5}},
		"resource": {{0, 0, 0, 0, 2}, {1, 0, 0, 2, 3}, {0, 0, 1, 3, 5}},
		"span":     {{0, 0, 0, 0, 2}, {0, 0, 1, 5, 7}, {1, 0, 0, 7, 8}},
		"stranger": {{0, 0, 0, 0, 2}, {0, 0, 1, 2, 4}, {1, 0, 0, 4, 5}, {1, 7, 0, 5, 6}},
		"twice":    {{0, 0, 0, 0, 2}, {0, 0, 1, 2, 4}, {1, 0, 0, 4, 5}, {1, 0, 0, 5, 6}},
	} {
		if Check(10, jobs, Table{10, bad}) == nil {
			t.Errorf("%s: not caught", name)
		}
	}
}

// TestIntegerResponses: in integer time the analysis equals the worst response over
// all phases, for random small sets.
func TestIntegerResponses(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 60 {
		tasks := []Task{}
		for i, period := range []int64{3 + rng.Int64N(3), 4 + rng.Int64N(3)} {
			tasks = append(tasks, Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(2), Period: period})
		}
		if utilizationOf(tasks).Cmp(big.NewRat(1, 1)) > 0 {
			continue
		}
		got, err := FixedPriority(tasks, []int{0, 1}, FixedOptions{IntegerTime: true})
		if err != nil {
			t.Fatal(err)
		}
		worst := []int64{0, 0}
		h, _ := Hyperperiod(tasks)
		for o0 := range tasks[0].Period {
			for o1 := range tasks[1].Period {
				for i, r := range simulateFixed(tasks, []int64{o0, o1}, 3*h) {
					worst[i] = max(worst[i], r)
				}
			}
		}
		for i := range tasks {
			if got[i].Response != worst[i] {
				t.Fatalf("%+v: task %d responds in %d, over all phases the worst is %d", tasks, i, got[i].Response,
					worst[i])
			}
		}
	}
}

// simulateFixed runs non-preemptive fixed priorities, index 0 highest, tick by tick.
func simulateFixed(tasks []Task, offset []int64, end int64) []int64 {
	worst := make([]int64, len(tasks))
	queue := make([][]int64, len(tasks))
	var free int64
	for now := range end {
		for i, t := range tasks {
			if now >= offset[i] && (now-offset[i])%t.Period == 0 {
				queue[i] = append(queue[i], now)
			}
		}
		for i := range tasks {
			if now >= free && len(queue[i]) > 0 {
				free = now + tasks[i].Cost
				worst[i] = max(worst[i], free-queue[i][0])
				queue[i] = queue[i][1:]
			}
		}
	}
	return worst
}

// TestAssignFindsOrders: whatever set some order suits, Audsley's algorithm finds
// one.
func TestAssignFindsOrders(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	found := 0
	for range 300 {
		tasks := make([]Task, 3)
		for i := range tasks {
			period := 4 + rng.Int64N(12)
			tasks[i] = Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(3), Period: period,
				Deadline: period - rng.Int64N(3)}
		}
		suits := false
		for _, order := range [][]int{{0, 1, 2}, {0, 2, 1}, {1, 0, 2}, {1, 2, 0}, {2, 0, 1}, {2, 1, 0}} {
			rs, err := FixedPriority(tasks, order, FixedOptions{})
			if err != nil {
				t.Fatal(err)
			}
			suits = suits || rs[0].Schedulable && rs[1].Schedulable && rs[2].Schedulable
		}
		order, ok, err := Assign(tasks, FixedOptions{})
		if err != nil || ok != suits {
			t.Fatalf("%+v: found %v %v (%v), some order suits: %v", tasks, ok, order, err, suits)
		}
		if ok {
			found++
		}
	}
	if found < 50 {
		t.Errorf("only %d sets had an order", found)
	}
}

func TestParseSet(t *testing.T) {
	tasks, m := ParseSet("f",
		[]byte(`{"tasks":[{"name":"a","cost_ns":1,"period_ns":4},{"cost_ns":2,"period_ns":8,"deadline_ns":6}]}`))
	if len(m) > 0 || len(tasks) != 2 || tasks[0] != (Task{"a", 1, 4, 0}) || tasks[1] != (Task{"task-2", 2, 8, 6}) {
		t.Errorf("%+v %v", tasks, m)
	}
	_, m = ParseSet("f", []byte("tasks:\n- name: a\n  cost_ns: 0\n  period: 4\n- cost_ns: x\n  period_ns: 5\n  "+
		"deadline_ns: 9\n"))
	if len(m) != 4 { // a cost of 0, no field period, a cost that is no number, a deadline above the period
		t.Fatalf("%v", m)
	}
	for _, e := range m {
		if e.Line == 0 || e.Column == 0 {
			t.Errorf("no place: %s", e)
		}
	}
}

func FuzzParseSet(f *testing.F) {
	f.Add([]byte(`{"tasks":[{"name":"a","cost_ns":1,"period_ns":4}]}`))
	f.Add([]byte("tasks:\n- {cost_ns: 1, period_ns: 2}\n"))
	f.Fuzz(func(t *testing.T, data []byte) {
		tasks, m := ParseSet("f", data)
		if (len(m) == 0) != (len(tasks) > 0) {
			t.Fatalf("%d tasks, %v", len(tasks), m)
		}
		if len(m) == 0 {
			if err := checkTasks(tasks); err != nil {
				t.Fatalf("a set was taken that is not one: %v", err)
			}
		}
	})
}
