package scheduler

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/scheduler/program"
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
		got, ok := exactCadence(periods, deadlines, time.Minute, 20000)
		if ok != (c.want > 0) {
			t.Errorf("%v: %v %v", c.rates, got, ok)
			continue
		}
		if ok && (got.hyperperiod != int64(c.want) || fmt.Sprint(got.jobs) != fmt.Sprint(c.jobs)) {
			t.Errorf("%v: %d ns, jobs %v; expected %v, %v", c.rates, got.hyperperiod, got.jobs, c.want, c.jobs)
		}
	}
}

// TestSnappedCadence: no rate falls, and the table stays small even for rates very
// far apart.
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
		c, ok := snappedCadence(periods, deadlines, costs, 1000)
		if !ok || c.total() > 1000 {
			t.Fatalf("%v: %d jobs", periods, c.total())
		}
		for i, p := range periods {
			asked, _ := p.Float64()
			if real := float64(c.hyperperiod) / float64(c.jobs[i]); real > asked {
				t.Fatalf("%v: period %v became %v", periods, asked, real)
			}
			for k := range c.jobs[i] {
				if c.release(i, k+1)-c.release(i, k) < c.window(i) || c.deadline(i, k) > c.release(i, k+1) {
					t.Fatalf("%v: job %d of task %d has the window %d to %d", periods, k, i, c.release(i, k), c.deadline(i, k))
				}
			}
		}
	}
}
