package scheduler

import (
	"encoding/json"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/scheduler/program"
	"facetd.example/scheduler/timetable"
)

// TestExactCadence: the hyperperiod is the least time that holds whole jobs of
// every task and is a whole number of nanoseconds (worked out by hand).
func TestExactCadence(t *testing.T) {
	for _, c := range []struct {
		rates []float64
		want  time.Duration // 0: longer than a minute
		jobs  []int64
	}{
		{[]float64{15, 20}, 200 * time.Millisecond, []int64{3, 4}},
		{[]float64{15}, 200 * time.Millisecond, []int64{3}}, // 3 periods of 66666666 2/3 ns
		{[]float64{3, 7}, time.Second, []int64{3, 7}},
		{[]float64{0.1, 50}, 10 * time.Second, []int64{1, 500}},
		{[]float64{12.5, 30}, 400 * time.Millisecond, []int64{5, 12}},
		{[]float64{29.97}, 0, nil}, // 100/2997 s: 100 s hold 2997 of them
	} {
		var periods []*big.Rat
		deadlines := make([]time.Duration, len(c.rates))
		for _, r := range c.rates {
			periods = append(periods, (&program.Task{}).At(r).Period)
		}
		got, ok := newTiming(periods, deadlines, 1).exact(time.Minute, 20000)
		if ok != (c.want > 0) {
			t.Errorf("%v: %v %v", c.rates, got, ok)
			continue
		}
		if ok && (got.hyperperiod != int64(c.want) || fmt.Sprint(got.jobs) != fmt.Sprint(c.jobs)) {
			t.Errorf("%v: %d ns, jobs %v; expected %v, %v", c.rates, got.hyperperiod, got.jobs, c.want, c.jobs)
		}
	}
}

// TestSnappedCadence: no rate falls, the table stays small even for rates very far apart, and on any grain all of it is
// in whole ones.
func TestSnappedCadence(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	for range 500 {
		var periods []*big.Rat
		var deadlines, costs []time.Duration
		for range 1 + r.IntN(6) {
			p := int64(1000) << r.IntN(30)
			periods = append(periods, big.NewRat(p+r.Int64N(p), 1))
			deadlines = append(deadlines, time.Duration(p))
			costs = append(costs, time.Duration(1+r.IntN(500)))
		}
		grain := []int64{1, 1, 5, 7, 25, 125}[r.IntN(6)]
		c, ok := newTiming(periods, deadlines, time.Duration(grain)).snapped(costs, 1000)
		if !ok || c.total() > 1000 {
			t.Fatalf("%v: %d jobs", periods, c.total())
		}
		for i, p := range periods {
			asked, _ := p.Float64()
			if real := float64(c.hyperperiod) / float64(c.jobs[i]); real > asked {
				t.Fatalf("%v: period %v became %v", periods, asked, real)
			}
			for k := range c.jobs[i] {
				if c.hyperperiod%grain != 0 || c.release(i, k)%grain != 0 || c.deadline(i, k)%grain != 0 {
					t.Fatalf("%v: job %d of task %d, %d to %d of %d ns, is not on the grain of %d ns", periods, k, i,
						c.release(i, k), c.deadline(i, k), c.hyperperiod, grain)
				}
				if c.release(i, k+1)-c.release(i, k) < c.window(i) || c.deadline(i, k) > c.release(i, k+1) {
					t.Fatalf("%v: job %d of task %d has the window %d to %d", periods, k, i, c.release(i, k),
						c.deadline(i, k))
				}
			}
		}
	}
}

// snapped are the tasks of a cadence of their own periods, snapped.
func snapped(t *testing.T, tasks []timetable.Task) []timetable.Task {
	t.Helper()
	var periods []*big.Rat
	var deadlines, costs []time.Duration
	for _, k := range tasks {
		periods = append(periods, big.NewRat(k.Period, 1))
		deadlines, costs = append(deadlines, time.Duration(k.Period)), append(costs, time.Duration(k.Cost))
	}
	c, ok := newTiming(periods, deadlines, 1).snapped(costs, 1<<20)
	if !ok {
		t.Fatalf("%v are not snapped", tasks)
	}
	var out []timetable.Task
	for i, k := range tasks {
		k.Period = c.hyperperiod / c.jobs[i]
		k.Deadline = min(k.Deadline, k.Period)
		out = append(out, k)
	}
	return out
}

// TestSnappedExamples: periods snapped to a base times powers of two (derived), and whether the tasks fit then.
func TestSnappedExamples(t *testing.T) {
	var file struct {
		Examples []struct {
			Tasks    []struct{ C, T, D int64 }
			Periods  []int64 `json:"snap_periods"`
			Fits     bool    `json:"snap_feasible_with_idle"`
			AnyPhase bool    `json:"np_edf_any_offsets"`
		} `json:"snapping_examples"`
	}
	data, err := os.ReadFile("timetable/testdata/extras.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &file); err != nil || len(file.Examples) != 5 {
		t.Fatalf("%d examples, %v", len(file.Examples), err)
	}
	for _, e := range file.Examples {
		var tasks []timetable.Task
		for i, k := range e.Tasks {
			tasks = append(tasks, timetable.Task{Name: fmt.Sprint(i), Cost: k.C, Period: k.T, Deadline: k.D})
		}
		got := snapped(t, tasks)
		// Of bases that ask for the same bus time the planner may take another.
		want, have := new(big.Rat), new(big.Rat)
		for i, k := range e.Tasks {
			want.Add(want, big.NewRat(k.C, e.Periods[i]))
			have.Add(have, big.NewRat(k.C, got[i].Period))
		}
		if have.Cmp(want) != 0 {
			t.Errorf("%v: snapped to %v, which asks for %v of the bus, want %v", e.Tasks, got, have, want)
		}
		if r, err := timetable.PlanPeriodic(got, timetable.Options{}); err != nil ||
			(r.Verdict == timetable.Feasible) != e.Fits {
			t.Errorf("%v: snapped: %v %v, want fits %v", e.Tasks, r.Verdict, err, e.Fits)
		}
		if fits, _ := timetable.AnyPhase(tasks); fits != e.AnyPhase {
			t.Errorf("%v: any phase %v, want %v", e.Tasks, fits, e.AnyPhase)
		}
	}
}

// TestSnappedIsBest: no whole base asks for less bus time, by trying them all.
func TestSnappedIsBest(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 4))
	use := func(tasks []timetable.Task, period func(timetable.Task) int64) *big.Rat {
		sum := new(big.Rat)
		for _, k := range tasks {
			sum.Add(sum, big.NewRat(k.Cost, period(k)))
		}
		return sum
	}
	for range 500 {
		tasks := make([]timetable.Task, 1+rng.IntN(5))
		shortest := int64(1000)
		for i := range tasks {
			period := 5 + rng.Int64N(200)
			tasks[i] = timetable.Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(5), Period: period}
			shortest = min(shortest, period)
		}
		got := use(snapped(t, tasks), func(k timetable.Task) int64 { return k.Period })
		for base := int64(1); base <= shortest; base++ {
			other := use(tasks, func(k timetable.Task) int64 {
				period := base
				for period*2 <= k.Period {
					period *= 2
				}
				return period
			})
			if other.Cmp(got) < 0 {
				t.Fatalf("%v: base %d asks for %v, snapped for %v", tasks, base, other, got)
			}
		}
	}
}
