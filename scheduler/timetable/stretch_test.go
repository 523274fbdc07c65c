package timetable

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// plainStretch is the least factor over every order of the jobs, each from the sums
// of its runs.
func plainStretch(jobs []Job) *big.Rat {
	var best *big.Rat
	order := make([]Job, 0, len(jobs))
	used := make([]bool, len(jobs))
	var try func()
	try = func() {
		if len(order) == len(jobs) {
			worst := new(big.Rat)
			for i := range order {
				var sum int64
				for _, j := range order[i:] {
					sum += j.Costs[0]
					if j.Deadline <= order[i].Release {
						return // it would have to end before an earlier one begins
					}
					if f := big.NewRat(sum, j.Deadline-order[i].Release); f.Cmp(worst) > 0 {
						worst = f
					}
				}
			}
			if best == nil || worst.Cmp(best) < 0 {
				best = worst
			}
			return
		}
		for i := range jobs {
			if !used[i] {
				used[i] = true
				order = append(order, jobs[i])
				try()
				order = order[:len(order)-1]
				used[i] = false
			}
		}
	}
	try()
	return best
}

// TestMinStretchAgainstEveryOrder: the least factor is the least over all orders.
func TestMinStretchAgainstEveryOrder(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 5))
	above := 0
	for n := 0; n < 300; {
		unit := []int64{1, 7, 1000}[rng.IntN(3)]
		var tasks []Task
		for i := range 1 + rng.IntN(3) {
			period := []int64{4, 6, 8, 12}[rng.IntN(4)] * unit
			tasks = append(tasks, Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(6*unit), Period: period,
				Deadline: period - rng.Int64N(3)*unit})
		}
		h, _ := Hyperperiod(tasks)
		jobs := jobsOf(tasks, h)
		if len(jobs) > 6 {
			continue
		}
		n++
		want := plainStretch(jobs)
		got, verdict, err := MinStretch(tasks, Options{})
		if err != nil || verdict != Feasible || got.Cmp(want) != 0 {
			t.Fatalf("%+v: %v %v %v, want %v", tasks, got, verdict, err, want)
		}
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil || (r.Verdict == Feasible) != (want.Cmp(one) <= 0) {
			t.Fatalf("%+v: %v %v, yet the least factor is %v", tasks, r.Verdict, err, want)
		}
		if want.Cmp(one) > 0 {
			above++
		}
	}
	if above < 30 || above > 270 {
		t.Errorf("%d of 300 do not fit, which exercises too little", above)
	}
}

// TestFractionBelow: the next smaller fraction, against a look at all of them.
func TestFractionBelow(t *testing.T) {
	const most = 12
	for num := int64(1); num < 40; num++ {
		for den := int64(1); den <= most; den++ {
			f := lowest(num, den)
			want := fraction{0, 1}
			for q := int64(1); q <= most; q++ {
				p := (f.num*q - 1) / f.den
				if p*want.den > want.num*q {
					want = fraction{p, q}
				}
			}
			got, ok := f.below(most)
			if !ok || got.num*want.den != want.num*got.den {
				t.Errorf("below %v: %v %v, want %v", f, got, ok, want)
			}
		}
	}
}

// TestMinStretchAtTheCap: a factor that fits, and no claim that it is the least.
func TestMinStretchAtTheCap(t *testing.T) {
	tasks := []Task{{"a", 1, 4, 4}, {"b", 2, 8, 8}, {"c", 3, 16, 13}, {"d", 5, 16, 16}} // least factor 13/12
	got, verdict, err := MinStretch(tasks, Options{States: 1})
	if err != nil || verdict != Unknown || got == nil || got.Cmp(big.NewRat(13, 12)) < 0 {
		t.Errorf("%v %v %v", got, verdict, err)
	}
}

// TestScaling: larger sets of known feasibility (derived by dynamic programming and
// by simulation of EDF), and one whose hyperperiod cannot be laid out.
func TestScaling(t *testing.T) {
	var file struct {
		Scaling []struct {
			Name        string
			Tasks       []ctd
			Hyperperiod int64
			Jobs        int   `json:"n_jobs"`
			Feasible    *bool `json:"feasible"`
			Sync        bool  `json:"np_edf_sync"`
		}
	}
	load(t, "extras.json", &file)
	if len(file.Scaling) < 5 {
		t.Fatalf("%d sets", len(file.Scaling))
	}
	for _, e := range file.Scaling {
		if e.Feasible == nil {
			continue // its tasks are not in the file
		}
		tasks := tasksOf(e.Tasks)
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil || (r.Verdict == Feasible) != *e.Feasible || len(r.Table.Placements) != e.Jobs ||
			(r.Method != MethodSearch) != e.Sync {
			t.Errorf("%s: %v by %s, %d jobs (%v)", e.Name, r.Verdict, r.Method, len(r.Table.Placements), err)
		}
		if err := Check(e.Hyperperiod, jobsOf(tasks, e.Hyperperiod), r.Table); err != nil {
			t.Errorf("%s: %v", e.Name, err)
		}
		began := time.Now()
		factor, verdict, err := MinStretch(tasks, Options{})
		t.Logf("%s: least factor %v %v in %v", e.Name, factor, verdict, time.Since(began))
		if err != nil || factor == nil || verdict == Infeasible || factor.Cmp(one) > 0 {
			t.Errorf("%s: least factor %v %v (%v)", e.Name, factor, verdict, err)
		}
	}
}

// TestMinStretchOfNanoseconds: real periods and costs, which share only small
// factors with each other.
func TestMinStretchOfNanoseconds(t *testing.T) {
	tasks := []Task{{"ring", 9_876_543, 40_000_000, 0}, {"bed", 1_234_567, 10_000_000, 0},
		{"bow", 3_333_333, 25_000_000, 20_000_000}}
	factor, verdict, err := MinStretch(tasks, Options{})
	if err != nil || verdict != Feasible {
		t.Fatalf("%v %v %v", factor, verdict, err)
	}
	for _, c := range []struct {
		step int64
		want Verdict
	}{{0, Feasible}, {-1, Infeasible}} {
		// All times as many times as long as the factor's denominator says, so that the
		// periods at the factor are whole; then a little shorter.
		scaled := make([]Task, len(tasks))
		for i, task := range tasks {
			times := func(v int64) int64 {
				x := new(big.Int).Mul(big.NewInt(v), factor.Num())
				return x.Int64() + c.step*v/1000
			}
			scaled[i] = Task{task.Name, task.Cost * factor.Denom().Int64(), times(task.Period), times(task.deadline())}
		}
		r, err := PlanPeriodic(scaled, Options{})
		if err != nil || r.Verdict != c.want {
			t.Errorf("step %d: %v by %s (%v), want %v", c.step, r.Verdict, r.Method, err, c.want)
		}
	}
}
