package timetable

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// anyTable tries every order of all segments and, where spans are limited, every
// start tick. It knows nothing of the order of a task's jobs, and prunes nothing
// but what is late already.
func anyTable(h int64, jobs []Job) bool {
	limited := slices.ContainsFunc(jobs, func(j Job) bool { return j.Within != nil })
	next := make([]int, len(jobs))
	began := make([]int64, len(jobs))
	left := 0
	for _, j := range jobs {
		left += len(j.Costs)
	}
	shares := func(a, b Job) bool {
		return slices.ContainsFunc(a.Resources, func(r int) bool { return slices.Contains(b.Resources, r) })
	}
	var try func(now int64) bool
	try = func(now int64) bool {
		if left == 0 {
			return true
		}
		for i, j := range jobs {
			if next[i] == len(j.Costs) {
				continue
			}
			held := false
			for k, other := range jobs {
				held = held || k != i && next[k] > 0 && next[k] < len(other.Costs) && shares(j, other)
			}
			if held {
				continue
			}
			n, was := next[i], began[i]
			for start := max(now, j.Release); start+j.Costs[n] <= min(j.Deadline, h); start++ {
				if n == 0 {
					began[i] = start
				}
				end := start + j.Costs[n]
				if j.Within != nil && j.Within[n] > 0 && end > began[i]+j.Within[n] {
					break
				}
				next[i]++
				left--
				found := try(end)
				next[i]--
				left++
				if found {
					return true
				}
				if !limited {
					break // starting later helps nobody
				}
			}
			began[i] = was
		}
		return false
	}
	return try(0)
}

// randomJobs makes a few jobs, of few tasks, whose windows may overlap within a
// task too.
func randomJobs(rng *rand.Rand, limits bool) (names []string, h int64, jobs []Job) {
	h = 8 + rng.Int64N(8)
	tasks := 1 + rng.IntN(3)
	for task := range tasks {
		names = append(names, fmt.Sprint("t", task))
		var release, deadline int64
		for n := range 1 + rng.IntN(3) {
			release = min(release+rng.Int64N(5), h-2)
			deadline = min(max(deadline, release+2+rng.Int64N(9)), h)
			j := Job{Task: task, Number: n, Release: release, Deadline: deadline}
			for range 1 + rng.IntN(2)*rng.IntN(3) {
				j.Costs = append(j.Costs, 1+rng.Int64N(2))
			}
			if rng.IntN(2) == 0 {
				j.Resources = []int{rng.IntN(2)}
			}
			if limits && len(j.Costs) > 1 && rng.IntN(2) == 0 {
				j.Within = make([]int64, len(j.Costs))
				j.Within[len(j.Costs)-1] = j.total() + rng.Int64N(3)
			}
			jobs = append(jobs, j)
		}
	}
	return names, h, jobs
}

// TestPlanAgainstAnyTable: a verdict of feasible comes with a table that the
// checker accepts, one of infeasible only where no table exists at all, whatever
// the order of a task's jobs.
func TestPlanAgainstAnyTable(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for _, limits := range []bool{false, true} {
		count := map[string]int{}
		for n := range peertest.Cases(1500, 6000) {
			names, h, jobs := randomJobs(rng, limits)
			if len(jobs) > 5 {
				jobs = jobs[:5]
			}
			r, err := Plan(names, h, jobs, Options{})
			if err != nil {
				t.Fatal(err)
			}
			exists := anyTable(h, jobs)
			count[fmt.Sprint(r.Verdict, " ", exists)]++
			switch r.Verdict {
			case Feasible:
				if err := Check(h, jobs, r.Table); err != nil {
					t.Fatalf("set %d: %v\n%+v", n, err, jobs)
				}
			case Infeasible:
				if exists {
					t.Fatalf("set %d: infeasible by %s, but a table exists: h %d %+v", n, r.Method, h, jobs)
				}
			case Unknown:
				t.Fatalf("set %d: unknown: h %d %+v", n, h, jobs)
			}
		}
		t.Log("limits", limits, count)
	}
}

// TestLimitsAgainstAnyTable: jobs cut into segments that may not be far apart, among
// others with little room; some fit only when a job begins later than it could.
func TestLimitsAgainstAnyTable(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 7))
	count := map[string]int{}
	later := 0
	for n := range 2000 {
		h := 12 + rng.Int64N(5)
		var names []string
		var jobs []Job
		for pin := range 1 + rng.IntN(3) {
			names = append(names, fmt.Sprint("pin", pin))
			j := Job{Task: pin, Release: rng.Int64N(h - 4), Costs: []int64{1 + rng.Int64N(2)}}
			j.Deadline = j.Release + j.Costs[0] + rng.Int64N(2)
			jobs = append(jobs, j)
		}
		for held := range 1 + rng.IntN(2) {
			names = append(names, fmt.Sprint("held", held))
			j := Job{Task: len(jobs), Release: rng.Int64N(3), Deadline: h - rng.Int64N(3),
				Resources: []int{held * rng.IntN(2)}}
			var sum int64
			for range 2 + rng.IntN(2) {
				c := 1 + rng.Int64N(3)
				sum += c
				j.Costs = append(j.Costs, c)
				j.Within = append(j.Within, []int64{0, sum + rng.Int64N(4)}[rng.IntN(2)])
			}
			jobs = append(jobs, j)
		}
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if exists := anyTable(h, jobs); (r.Verdict == Feasible) != exists || r.Verdict == Unknown {
			t.Fatalf("set %d: %v by %s, a table exists: %v: h %d %+v", n, r.Verdict, r.Method, exists, h, jobs)
		}
		count[fmt.Sprint(r.Verdict, " by ", r.Method)]++
		if r.Verdict != Feasible {
			continue
		}
		if err := Check(h, jobs, r.Table); err != nil {
			t.Fatalf("set %d: %v: %+v", n, err, jobs)
		}
		var busy int64
		for _, pl := range r.Table.Placements {
			if pl.Start > max(busy, jobs[pl.Task].Release) {
				later++
				break
			}
			busy = pl.End
		}
	}
	t.Log(count, later, "begin something later than they could")
	if count["feasible by "+MethodSearch] < 20 || count["infeasible by "+MethodSearch] < 20 || later < 3 {
		t.Errorf("the sets exercise too little: %v, %d later", count, later)
	}
}

// anyOrder tries every order of the segments, and times each by raising starts until
// all limits are kept or something is late. It knows no times but those.
func anyOrder(h int64, jobs []Job) bool {
	next := make([]int, len(jobs))
	var order []Placement // Task is the job's index
	total := 0
	for _, j := range jobs {
		total += len(j.Costs)
	}
	start := make([]int64, total)
	fits := func() bool {
		for i, pl := range order {
			start[i] = jobs[pl.Task].Release
		}
		for changed := true; changed; {
			changed = false
			raise := func(i int, to int64) {
				if to > start[i] {
					start[i], changed = to, true
				}
			}
			for i, pl := range order {
				j := &jobs[pl.Task]
				end := start[i] + j.Costs[pl.Segment]
				if end > min(j.Deadline, h) {
					return false
				}
				if i+1 < len(order) {
					raise(i+1, end)
				}
				for k := range i + 1 {
					if order[k].Task == pl.Task && order[k].Segment == 0 && j.Within != nil &&
						j.Within[pl.Segment] > 0 {
						raise(k, end-j.Within[pl.Segment])
					}
				}
			}
		}
		return true
	}
	var try func() bool
	try = func() bool {
		if !fits() {
			return false // nor does any order that begins so
		}
		if len(order) == total {
			return true
		}
		for i, j := range jobs {
			if next[i] == len(j.Costs) {
				continue
			}
			order = append(order, Placement{Task: i, Segment: next[i]})
			next[i]++
			found := try()
			next[i]--
			order = order[:len(order)-1]
			if found {
				return true
			}
		}
		return false
	}
	return try()
}

// TestManyLimitsAgainstAnyOrder: several jobs at once whose spans are limited, with
// fixed slots in between, so that beginning one later moves the others.
func TestManyLimitsAgainstAnyOrder(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 8))
	count := map[string]int{}
	for n, all := 0, peertest.Cases(300, 1200); n < all; {
		h := 24 + rng.Int64N(12)
		names := []string{"slots"}
		var jobs []Job
		at := rng.Int64N(6)
		for k := 0; at < h-6; k++ {
			j := Job{Task: 0, Number: k, Release: at, Costs: []int64{1 + rng.Int64N(3)}}
			j.Deadline = at + j.Costs[0] + rng.Int64N(2)
			at = j.Deadline + 2 + rng.Int64N(9)
			jobs = append(jobs, j)
		}
		for range 2 + rng.IntN(2) {
			j := Job{Task: len(names), Release: rng.Int64N(6), Deadline: h - rng.Int64N(6)}
			names = append(names, "held")
			var sum int64
			for range 2 + rng.IntN(2) {
				c := 1 + rng.Int64N(4)
				sum += c
				j.Costs = append(j.Costs, c)
				j.Within = append(j.Within, []int64{0, sum + rng.Int64N(9), sum + rng.Int64N(9)}[rng.IntN(3)])
			}
			jobs = append(jobs, j)
		}
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Method != MethodSearch {
			continue // the search is what this is about
		}
		n++
		if exists := anyOrder(h, jobs); (r.Verdict == Feasible) != exists {
			t.Fatalf("set %d: %v by %s, an order exists: %v: h %d %+v", n, r.Verdict, r.Method, exists, h, jobs)
		}
		count[r.Verdict.String()]++
		if r.Verdict == Feasible {
			if err := Check(h, jobs, r.Table); err != nil {
				t.Fatalf("set %d: %v: %+v", n, err, jobs)
			}
		}
	}
	t.Log(count)
	if count["feasible"] < 30 || count["infeasible"] < 30 {
		t.Errorf("the sets exercise too little: %v", count)
	}
}

// TestDemandAgainstPlain: the demand test says what a sum over every stretch from a
// release to a deadline says.
func TestDemandAgainstPlain(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	refused := 0
	for range 3000 {
		names, h, jobs := randomJobs(rng, false)
		over := func(from, to int64) int64 {
			demand := from - to
			for _, j := range jobs {
				if j.Release >= from && j.Deadline <= to {
					demand += j.total()
				}
			}
			return demand
		}
		full := false
		for _, a := range jobs {
			for _, b := range jobs {
				full = full || a.Release < b.Deadline && over(a.Release, b.Deadline) > 0
			}
		}
		w := newProblem(names, h, jobs, Options{}).rejectDemand()
		if (w != nil) != full {
			t.Fatalf("%+v refuses, plain sums say %v: %+v", w, full, jobs)
		}
		if w != nil {
			refused++
		}
	}
	if refused < 300 || refused > 2700 {
		t.Errorf("%d of 3000 refused, which exercises too little", refused)
	}
}
