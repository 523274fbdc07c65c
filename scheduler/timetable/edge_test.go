package timetable

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"facetd.example/api/peertest"
)

// edgeSets is how many random sets at the edge are looked at; .ci/long raises it.
func edgeSets(t *testing.T, few int) int {
	t.Helper()
	text := os.Getenv("FACETD_EDGE_SETS")
	if text == "" {
		return few
	}
	n, err := strconv.Atoi(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// atTheEdge makes random task sets that just do not fit: 2 to 4 tasks with periods on a small grid.
func atTheEdge(rng *rand.Rand) []Task {
	periods := []int64{12, 16, 20, 24, 30, 36, 40, 48, 60}
	for {
		var tasks []Task
		for i := range 2 + rng.IntN(3) {
			period := periods[rng.IntN(len(periods))]
			tasks = append(tasks, Task{Name: fmt.Sprint("t", i), Cost: 1 + rng.Int64N(period/2), Period: period})
			if rng.IntN(4) == 0 {
				tasks[i].Deadline = period - rng.Int64N(period-tasks[i].Cost+1)
			}
		}
		if u, _ := utilizationOf(tasks).Float64(); u < 0.75 || u > 1.25 {
			continue
		}
		if r, err := PlanPeriodic(tasks, Options{}); err == nil && r.Verdict == Infeasible {
			return tasks
		}
	}
}

// anyOrderOf reports whether whole jobs can be run in some order, by trying them all. For equal numbers of jobs done of
// each task it goes on from the earliest end alone, and not at all where a job is late already.
func anyOrderOf(tasks []Task) bool {
	if utilizationOf(tasks).Cmp(one) > 0 {
		return false
	}
	h, _ := Hyperperiod(tasks)
	type done [4]int64
	ends := map[done]int64{{}: 0}
	var total int64
	for _, t := range tasks {
		total += h / t.Period
	}
	for range total {
		next := map[done]int64{}
		for d, end := range ends {
			late := false
			for i, t := range tasks {
				late = late || d[i] < h/t.Period && max(end, d[i]*t.Period)+t.Cost > d[i]*t.Period+t.deadline()
			}
			if late {
				continue
			}
			for i, t := range tasks {
				if d[i] == h/t.Period {
					continue
				}
				at := max(end, d[i]*t.Period) + t.Cost
				if at > d[i]*t.Period+t.deadline() {
					continue
				}
				e := d
				e[i]++
				if was, seen := next[e]; !seen || at < was {
					next[e] = at
				}
			}
		}
		ends = next
	}
	return len(ends) > 0
}

// withPeriod is tasks with another period of one, whose own deadline stays where it has one.
func withPeriod(tasks []Task, i int, period int64) []Task {
	out := append([]Task(nil), tasks...)
	if out[i].Deadline == 0 || out[i].Deadline == out[i].Period {
		out[i].Deadline = period
	}
	out[i].Period = period
	return out
}

// TestHighestRates: of random sets that do not fit, a period that is said to fit does; where it is said to be that of
// the highest rate, no shorter one fits, by trying every order; where none is said to fit, none does, and without the
// task in the way it is not so. More than half are proved, and the others say how far was searched.
func TestHighestRates(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	proved, open, none := 0, 0, 0
	for range edgeSets(t, 6) {
		tasks := atTheEdge(rng)
		rates, err := Rates(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for i, r := range rates {
			if r.Period > 0 && !anyOrderOf(withPeriod(tasks, i, r.Period)) {
				t.Fatalf("%+v: task %d does not fit with a period of %d", tasks, i, r.Period)
			}
			switch {
			case r.Witness != "":
				none++
				checkNone(t, tasks, i, r)
			case r.Highest:
				proved++
				checkHighest(t, tasks, i, r)
			default:
				open++
			}
		}
	}
	if proved == 0 || none == 0 || proved+none < open {
		t.Errorf("%d proved the highest, %d proved that none fits, %d open", proved, none, open)
	}
	t.Logf("%d proved the highest, %d proved that none fits, %d open", proved, none, open)
}

// checkHighest tries every shorter period whose table is no longer than what was searched.
func checkHighest(t *testing.T, tasks []Task, i int, r TaskRate) {
	t.Helper()
	for period := tasks[i].Period; period < r.Period; period++ {
		faster := withPeriod(tasks, i, period)
		h, _ := Hyperperiod(faster)
		if h <= r.Searched && len(jobsOf(faster, h)) < 1500 && anyOrderOf(faster) {
			t.Fatalf("%+v: task %d fits with a period of %d, shorter than the %d that is said to be the shortest",
				tasks, i, period, r.Period)
		}
	}
}

// checkNone tries long and short periods where none is said to fit.
func checkNone(t *testing.T, tasks []Task, i int, r TaskRate) {
	t.Helper()
	known := false
	for k := range tasks {
		known = known || tasks[k].Name == r.InTheWay
	}
	if !known || r.Period != 0 || r.Highest {
		t.Fatalf("%+v: %+v", tasks, r)
	}
	h, _ := Hyperperiod((&rateFinder{tasks: tasks, task: i}).without(i))
	for _, period := range []int64{tasks[i].Period, 2 * tasks[i].Period, 97, 120, h, 3 * h} {
		slower := withPeriod(tasks, i, max(period, tasks[i].Period))
		if total, _ := Hyperperiod(slower); len(jobsOf(slower, total)) < 150 && anyOrderOf(slower) {
			t.Fatalf("%+v: no period of task %d is said to fit (%s), but %d does", tasks, i, r.Witness, period)
		}
	}
}

// TestTheTaskInTheWay: the slow task needs 15 in one piece, and the fast one leaves 12 between its jobs. No rate of the
// slow one fits beside the fast one, nor of the third, which suffers from both.
func TestTheTaskInTheWay(t *testing.T) {
	tasks := []Task{{Name: "small", Cost: 3, Period: 60}, {Name: "fast", Cost: 6, Period: 12},
		{Name: "slow", Cost: 15, Period: 40}}
	rates, err := Rates(tasks, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range []TaskRate{{Task: "small", InTheWay: "fast"}, {Task: "fast", Period: 14},
		{Task: "slow", InTheWay: "fast"}} {
		if r := rates[i]; r.InTheWay != want.InTheWay || r.Period != want.Period || r.Highest != (want.Period > 0) ||
			(r.Witness == "") != (want.InTheWay == "") {
			t.Errorf("%+v, expected %+v", r, want)
		}
	}
}

// TestRatesAreNotMonotone: a rate may fit although a lower one does not, so halving the interval finds no highest rate.
func TestRatesAreNotMonotone(t *testing.T) {
	tasks := []Task{{Name: "steady", Cost: 8, Period: 10}, {Name: "x", Cost: 1, Period: 4}}
	for period, fits := range map[int64]bool{4: false, 5: true, 6: false, 7: true} {
		if got := anyOrderOf(withPeriod(tasks, 1, period)); got != fits {
			t.Errorf("a period of %d fits: %v, expected %v", period, got, fits)
		}
	}
	rates, err := Rates(tasks, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r := rates[1]; r.Period != 5 || !r.Highest {
		t.Errorf("%+v", r)
	}
}

// TestRelaxation: what is refuted for all periods from one to another fits with none of them.
func TestRelaxation(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 4))
	refuted := 0
	for range 200 {
		tasks := atTheEdge(rng)
		f := &rateFinder{tasks: tasks, task: 0}
		base, _ := periodicProblem(f.without(0), Options{})
		r := &Relaxation{Names: append(base.names, "x"), Hyperperiod: base.h, Others: base.jobs, Cost: tasks[0].Cost,
			Deadline: ownDeadline(&tasks[0])}
		short := tasks[0].Period - rng.Int64N(3)
		if tasks[0].Deadline > 0 {
			short = tasks[0].Period
		}
		long := short + rng.Int64N(4)
		r.DemandOnly = rng.IntN(4) == 0
		if yes, work := r.Refutes(short, long); !yes || work == 0 {
			continue
		}
		refuted++
		for period := short; period <= long; period++ {
			if anyOrderOf(withPeriod(tasks, 0, period)) {
				t.Fatalf("%+v: periods from %d to %d are refuted, but %d fits", tasks, short, long, period)
			}
		}
	}
	if refuted < 50 {
		t.Errorf("only %d of 200 are refuted", refuted)
	}
}

// TestHighestRatesAgainstMiniZinc asks a general-purpose solver about every period shorter than the one that is said to
// be the shortest, up to the length of table that was searched.
func TestHighestRatesAgainstMiniZinc(t *testing.T) {
	t.Parallel()
	solver := peertest.Program(t, "minizinc")
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	file := filepath.Join(t.TempDir(), "model.mzn")
	if err := os.WriteFile(file, []byte(model), 0o644); err != nil {
		t.Fatal(err)
	}
	sets, asked, undecided, fitting, refuted := 0, 0, 0, 0, 0
	most := 3 // shorter periods of a set; in a long run all
	if os.Getenv("FACETD_EDGE_SETS") != "" {
		most = math.MaxInt
	}
	// A few sets take the solver very long; they decide nothing, and are counted.
	ask := func(tasks []Task) (fits, decided bool) {
		fits, decided = decide(t, solver, file, dataOf(tasks), peertest.Cases(1, 2))
		switch {
		case !decided:
			undecided++
		case fits:
			fitting++
		default:
			refuted++
		}
		return fits, decided
	}
	for sets < edgeSets(t, 2) {
		tasks := atTheEdge(rng)
		i := rng.IntN(len(tasks))
		if sets == 0 { // one that the solver decides in no time, so that every run asserts something
			tasks, i = []Task{{Name: "small", Cost: 3, Period: 60}, {Name: "fast", Cost: 6, Period: 12},
				{Name: "slow", Cost: 15, Period: 40}}, 1
		}
		rates, err := Rates(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r := rates[i]
		if !r.Highest || r.Period == tasks[i].Period {
			continue
		}
		if fits, decided := ask(withPeriod(tasks, i, r.Period)); decided && !fits {
			t.Fatalf("%+v: MiniZinc says that task %d does not fit with a period of %d", tasks, i, r.Period)
		}
		sets++
		shorter := rng.Perm(int(r.Period - tasks[i].Period))
		if len(shorter) > most {
			shorter = shorter[:most]
		}
		for _, more := range shorter {
			period := tasks[i].Period + int64(more)
			faster := withPeriod(tasks, i, period)
			h, _ := Hyperperiod(faster)
			if u := utilizationOf(faster); h > r.Searched || u.Cmp(one) > 0 || len(jobsOf(faster, h)) > 400 {
				continue
			}
			asked++
			if fits, _ := ask(faster); fits {
				t.Fatalf("%+v: MiniZinc says that task %d fits with a period of %d", tasks, i, period)
			}
		}
	}
	if fitting == 0 || refuted == 0 {
		t.Errorf("the solver found %d periods that fit, and refuted %d", fitting, refuted)
	}
	if sets >= 20 && undecided > sets/2+asked/4 { // of few sets all may be such
		t.Errorf("the solver decided nothing %d times, of %d shorter periods of %d sets", undecided, asked, sets)
	}
	t.Logf("%d shorter periods of %d sets: %d questions were not decided, %d fit, %d do not", asked, sets, undecided,
		fitting, refuted)
}

// TestRatesWithoutTable: periods without a common multiple that could be laid out still get a period that fits, which
// is not called the shortest.
func TestRatesWithoutTable(t *testing.T) {
	tasks := []Task{{Name: "a", Cost: 3e6, Period: 10e6}, {Name: "b", Cost: 9e6, Period: 20e6},
		{Name: "c", Cost: 9.1e6, Period: 33333333}}
	rates, err := Rates(tasks, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r := rates[0]; r.Period == 0 || r.Highest || r.Searched != 0 {
		t.Errorf("%+v", r)
	} else if fits, _ := AnyPhase(withPeriod(tasks, 0, r.Period)); !fits {
		t.Errorf("%+v does not fit in any phase", r)
	}
	if r := rates[1]; r.Period != 0 || r.Highest || r.Witness != "" { // a and c may meet in a phase that does not fit
		t.Errorf("%+v", r)
	}
	if r := rates[2]; r.Period != 40e6 || !r.Highest {
		t.Errorf("%+v", r)
	}
}
