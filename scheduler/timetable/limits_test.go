package timetable

import (
	"errors"
	"fmt"
	"math/big"
	"strings"
	"testing"
)

// TestRateOfATaskAlone: beside nothing every period from its cost on fits, however long that is.
func TestRateOfATaskAlone(t *testing.T) {
	rates, err := Rates([]Task{{Name: "a", Cost: 7_000_001, Period: 7_000_000}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r := rates[0]; r.Period != 7_000_001 || !r.Highest || r.Witness != "" {
		t.Errorf("%+v", r)
	}
}

// TestWhatARelaxationLooksAt: hundreds of jobs of the others, and no more of them for a period however long; a job that
// is too long to be looked at beside them is not refuted.
func TestWhatARelaxationLooksAt(t *testing.T) {
	others := func(n int) *Relaxation {
		r := &Relaxation{Names: []string{"a", "mine"}, Hyperperiod: int64(10 * n), Cost: 1}
		for i := range n {
			r.Others = append(r.Others, Job{Task: 0, Number: i, Release: int64(10 * i), Deadline: int64(10*i + 10),
				Costs: []int64{1}})
		}
		return r
	}
	for _, n := range []int{1, 40, 400} {
		for _, long := range []int64{100 * int64(10*n), 1 << 30} {
			yes, work := others(n).Refutes(long, long)
			if yes || work < 400 || work > 1300 {
				t.Errorf("%d jobs, period %d: refuted %v, work %d", n, long, yes, work)
			}
		}
	}
	if yes, work := others(401).Refutes(4010, 4010); yes || work != 1 {
		t.Errorf("too many jobs: refuted %v, work %d", yes, work)
	}
	long := others(1)
	if long.Cost = 12; !long.NoRoom() { // 9 ticks of every 10 are free, but no more than 18 at once
		long.Cost = 19
	}
	if !long.NoRoom() {
		t.Error("a job of 19 ticks has room where at most 18 are free at once")
	}
	if long.Cost = 10 * rateJobs; long.NoRoom() {
		t.Error("more jobs than are looked at refute a task")
	}
}

// TestEdgeWithoutRefutation: the highest rate is found by trying each where nothing rules out many at once.
func TestEdgeWithoutRefutation(t *testing.T) {
	tried := 0
	e := &Edge{Hyperperiod: 12, Shortest: big.NewRat(3, 1), MaxTables: 2, MaxJobs: 100, Work: 1000,
		Fits: func(n, m int64) (Verdict, int64) {
			tried++
			if n*10 <= 25*m { // 2.5 jobs a hyperperiod
				return Feasible, 1
			}
			return Infeasible, 1
		}}
	// 4, 3 and 2 in one hyperperiod, 7 and 5 in two.
	if got := e.Search(); got != (Highest{Jobs: 5, Tables: 2, Searched: 2}) || tried != 5 {
		t.Errorf("found %+v in %d tries", got, tried)
	}
}

// TestInstancesThatAreLookedAt: a hundred thousand of a busy period, and not one more.
func TestInstancesThatAreLookedAt(t *testing.T) {
	for n, want := range map[int64]bool{maxInstances: true, maxInstances + 1: false} {
		// The two upper tasks take the whole bus, n jobs of the second in its hyperperiod, and are blocked by the
		// third.
		tasks := []Task{{"long", n, 2 * n, 0}, {"short", 1, 2, 0}, {"below", 2, 4 * n, 0}}
		l := levelOf(tasks, []int{0, 1, 2}, 1, FixedOptions{})
		r, err := l.response()
		var limit *LimitError
		if want && (err != nil || int64(len(r.Instance)) != n) || !want && !errors.As(err, &limit) {
			t.Errorf("%d instances: %d, %v", n, len(r.Instance), err)
		}
	}
}

// TestALevelWithoutAHyperperiod: where the whole bus is asked for and blocked, and the periods have no common multiple
// that could be counted to, the analysis is too long.
func TestALevelWithoutAHyperperiod(t *testing.T) {
	const x, y, z, k, l = 4_000_001, 4_000_002, 4_000_003, 1_000_000, 1_000_000
	tasks := []Task{{"a", k * y, x * y, 0}, {"b", l * y, y * z, 0}, {"c", x*z - k*z - l*x, x * z, 0},
		{"below", 10, maxTime, 0}}
	if u := utilizationOf(tasks[:3]); u.Cmp(one) != 0 {
		t.Fatalf("they ask for %v of the bus", u)
	}
	_, err := levelOf(tasks, []int{0, 1, 2, 3}, 2, FixedOptions{}).response()
	var limit *LimitError
	if !errors.As(err, &limit) || limit.Task != "c" {
		t.Errorf("%v", err)
	}
}

// TestEverySetOfJobsOnce: without limits on spans the search visits each set of jobs once, whatever the order in which
// it was done. No job of these can be put before another without looking.
func TestEverySetOfJobsOnce(t *testing.T) {
	for n := 2; n <= 9; n++ {
		var names []string
		var jobs []Job
		for i := range n {
			names = append(names, fmt.Sprint(i))
			jobs = append(jobs, Job{Task: i, Deadline: 1000, Costs: []int64{int64(1 + i)}})
		}
		p := newProblem(names, 1000, jobs, Options{})
		if _, v := p.search(1 << 20); v != Feasible || p.visited != 1<<n-1 {
			t.Errorf("%d jobs: %v after %d sets, want %d", n, v, p.visited, 1<<n-1)
		}
	}
}

// TestStretchFactorsOutOfRange: a factor with which times would be too large gives no problem.
func TestStretchFactorsOutOfRange(t *testing.T) {
	s, ok := newStretcher([]Task{{"a", 3, 10, 10}, {"b", 4, 20, 20}}, Options{})
	if !ok {
		t.Fatal("no stretcher")
	}
	for f, want := range map[fraction]bool{{1, 1}: true, {0, 1}: false, {-1, 2}: false, {maxTime, 1}: false,
		{1, maxTime}: false} {
		if p, ok := s.at(f); ok != want || (p != nil) != want {
			t.Errorf("a factor of %d/%d: %v, %v", f.num, f.den, p, ok)
		}
	}
}

// TestStartOfAStretch: halving comes to the least factor of these sets, which the order of twice their load, a third
// above, is not good for.
func TestStartOfAStretch(t *testing.T) {
	for _, tasks := range [][]Task{
		{{"a", 2, 4, 3}, {"b", 6, 24, 24}, {"c", 4, 12, 8}},
		{{"a", 2, 4, 2}, {"b", 5, 12, 5}, {"c", 5, 24, 24}},
		{{"a", 15, 24, 16}, {"b", 3, 20, 8}, {"c", 8, 12, 11}},
		{{"a", 5, 12, 12}, {"b", 6, 16, 8}, {"c", 1, 4, 4}, {"d", 6, 20, 10}},
	} {
		s, ok := newStretcher(tasks, Options{})
		if !ok {
			t.Fatal("no stretcher")
		}
		least, v, err := MinStretch(tasks, Options{})
		if err != nil || v != Feasible {
			t.Fatal(v, err)
		}
		from, ok := s.start()
		if !ok || s.factor(from).Cmp(least) != 0 {
			t.Errorf("%v: begins at %v, the least factor is %v", tasks, s.factor(from), least)
		}
	}
}

// TestPeriodsInAnyPhase: the shortest of them to the tick where it is short.
func TestPeriodsInAnyPhase(t *testing.T) {
	for _, tasks := range [][]Task{
		{{"a", 30, 40, 0}, {"b", 50, 110, 0}},
		{{"a", 3, 4, 0}, {"b", 5, 23, 0}, {"c", 4, 50, 0}},
		{{"a", 100, 101, 0}, {"b", 301, 900, 0}},
	} {
		r := &rateFinder{tasks: tasks, opt: Options{}}
		period := r.anyPhase()
		if fits, _ := AnyPhase(r.at(period)); !fits {
			t.Errorf("%v: a period of %d does not fit", tasks, period)
		}
		if fits, _ := AnyPhase(r.at(period - 1)); fits {
			t.Errorf("%v: not %d, but %d fits", tasks, period, period-1)
		}
	}
}

// TestWhoAsksForMost: the five that ask for most are named in the refusal, and how many there are besides.
func TestWhoAsksForMost(t *testing.T) {
	var names []string
	var jobs []Job
	for i, cost := range []int64{5, 40, 10, 30, 6, 20, 7} {
		names = append(names, string(rune('a'+i)))
		jobs = append(jobs, Job{Task: i, Deadline: 100, Costs: []int64{cost}})
	}
	p := newProblem(names, 100, jobs, Options{})
	if got, want := p.demands(), "b 40 %, d 30 %, f 20 %, c 10 %, g 7 %, and 2 more"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	p = newProblem(names[:5], 100, jobs[:5], Options{})
	if got := p.demands(); strings.Contains(got, "more") {
		t.Errorf("of five: %q", got)
	}
}
