package scheduler_test

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// edgeSets is how many random sets at the edge are planned; .ci/long raises it.
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

// edgeSet draws tasks of a test array until some do not fit although they ask for less than all of the bus.
func edgeSet(t *testing.T, r *rand.Rand) (*chipmodel.Array, []*facetdv1.Task, *facetdv1.Refusal) {
	t.Helper()
	a, specs, _ := refusedSet(t, r)
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		t.Fatal(m)
	}
	_, err := scheduler.Build(a, tasks, scheduler.Options{})
	var refused *scheduler.RefusalError
	if !errors.As(err, &refused) {
		t.Fatalf("refused, and with what would fit %v\n%v", err, specs)
	}
	oneUtilization(t, specs, refused.Refusal)
	return a, specs, refused.Refusal
}

// refusedSet is edgeSet without what would fit, which takes most of the time.
func refusedSet(t *testing.T, r *rand.Rand) (*chipmodel.Array, []*facetdv1.Task, *facetdv1.Refusal) {
	t.Helper()
	for {
		a := bench(t, [5]int{r.IntN(5), r.IntN(4), 0, r.IntN(2), 1 + r.IntN(6)})
		var specs []*facetdv1.Task
		for i := range 2 + r.IntN(2) {
			x := randomTask(r, a, fmt.Sprint("t", i))
			x.MaxHold, x.MaxSkew, x.Deadline = nil, nil, nil
			if x.RateHz = []float64{10, 20, 25, 30, 40, 50, 60, 100, 120, 200, 240, 400,
				500}[r.IntN(13)]; r.IntN(4) == 0 {
				x.Deadline = dur(time.Duration(float64(time.Second) / x.RateHz * (0.3 + 0.7*r.Float64())))
			}
			specs = append(specs, x)
		}
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatal(m)
		}
		_, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true})
		var refused *scheduler.RefusalError
		if err == nil || !errors.As(err, &refused) {
			continue
		}
		if u := refused.Refusal.GetUtilization(); u < 0.5 || u > 1.2 {
			continue
		}
		return a, specs, refused.Refusal
	}
}

// plannedAt plans tasks with another rate of one. It reports whether they fit, and whether the others then run exactly
// at the rates asked for.
func plannedAt(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task, i int, hz float64) (fits, exact bool) {
	t.Helper()
	tasks, m := program.NewTasks(a, changed(specs, func(x *facetdv1.Task, k int) {
		if k == i {
			if x.RateHz = hz; x.Deadline != nil {
				x.Deadline = dur(min(x.GetDeadline().AsDuration(), time.Duration(1e9/hz)))
			}
		}
	}))
	if len(m) > 0 {
		t.Fatal(m)
	}
	p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true})
	if err != nil {
		return false, false
	}
	for k, pr := range p.Message.GetPredictions() {
		if ratio := pr.GetPlannedRateHz() / pr.GetRequestedRateHz(); k != i && ratio > 1+1e-9 {
			return true, false
		}
	}
	return true, true
}

// TestRatesAtTheEdge: of random tasks that do not fit, a rate that is said to fit does; above one that is said to be
// the highest none fits, and beside one that is said to be in the way of all none does. Of a hundred and more, half are
// proved.
func TestRatesAtTheEdge(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 21))
	proved, open, none := 0, 0, 0
	for range edgeSets(t, 2) {
		a, specs, refusal := edgeSet(t, r)
		for i, f := range refusal.GetFittingRates() {
			checkRate(t, a, f, specs, i)
			switch {
			case f.GetWitness() != "":
				none++
			case f.GetProvedHighest():
				proved++
				checkHighest(t, a, specs, i, f)
			default:
				open++
			}
		}
	}
	// A few sets say little about the share.
	if proved+none+open >= 100 && proved+none < open {
		t.Errorf("%d proved the highest, %d proved that none fits, %d open", proved, none, open)
	}
	t.Logf("%d proved the highest, %d proved that none fits, %d open", proved, none, open)
}

// checkHighest plans every higher rate whose table is no longer than what was searched: n jobs in m hyperperiods of
// the others, in an ordinary run for the first m. The planner may accept one by raising the rates of others; that is
// another matter.
func checkHighest(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task, i int, f *facetdv1.FittingRate) {
	t.Helper()
	base := new(big.Int) // the others' rates are whole numbers of hertz: their hyperperiod is that of the divisor
	for k, x := range specs {
		if k != i {
			base.GCD(nil, nil, base, big.NewInt(int64(x.GetRateHz())))
		}
	}
	hz := float64(base.Int64())
	most := float64(peertest.Cases(6, math.MaxInt))
	for m := 1.0; m <= most && m/hz <= float64(f.GetSearchedTableNs())/1e9*(1+1e-9); m++ {
		for n := math.Floor(f.GetRateHz()*m/hz*(1+1e-12)) + 1; n*hz/m <= specs[i].GetRateHz(); n++ {
			if _, exact := plannedAt(t, a, specs, i, n*hz/m); exact {
				t.Errorf("%v, but %g Hz fits too\n%v", f, n*hz/m, specs)
			}
		}
	}
}

// TestNearbyRates: what is refused is refused a hair's breadth above too.
func TestNearbyRates(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 22))
	for range edgeSets(t, 4) {
		a, specs, refusal := refusedSet(t, r)
		for i, x := range specs {
			hz := x.GetRateHz() * (1 + 2e-6)
			if fits, _ := plannedAt(t, a, specs, i, hz); fits {
				t.Errorf("task %d is refused at %g Hz and accepted at %g Hz: %s\n%v", i, x.GetRateHz(), hz,
					refusal.GetMessage(), specs)
			}
		}
	}
}

// TestTheTaskInTheWay: the ring takes 1464 us and has to be done in 1 ms, which it cannot at any rate. It is in the way
// of every rate of the comb, whose readout of 369.5 us would fit.
func TestTheTaskInTheWay(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	specs := []*facetdv1.Task{task("comb", "hexs", 20),
		with(task("ring", "mems", 100), func(x *facetdv1.Task) { x.Deadline = dur(time.Millisecond) })}
	r := refusalOf(t, a, specs...)
	for i, want := range []string{"without it too, reading ring takes 1.464 ms, but its deadline is 1 ms",
		"reading ring takes 1.464 ms, but its deadline is 1 ms"} {
		f := r.GetFittingRates()[i]
		if f.GetInTheWay() != "ring" || f.GetWitness() != want || f.GetRateHz() != 0 {
			t.Errorf("%v", f)
		}
	}
}

// TestRateAlone: alone the ring of 1464 us fits up to one job right after another.
func TestRateAlone(t *testing.T) {
	a := bench(t, [5]int{4})
	f := refusalOf(t, a, task("ring", "mems", 1000)).GetFittingRates()[0]
	if want := 1e9 / 1464000.0; !f.GetProvedHighest() || f.GetRateHz() > want || f.GetRateHz() < want*(1-1e-9) {
		t.Errorf("%v, expected %g Hz", f, want)
	}
}

// TestOneUtilization: a refusal does not give the bus time of jobs in one piece and that of jobs cut into many for the
// same thing. Cut short enough to leave gaps for the fast task, the pieces take more than all of the bus.
func TestOneUtilization(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 23))
	for range edgeSets(t, 20) {
		_, specs, refusal := refusedSet(t, r)
		oneUtilization(t, specs, refusal)
	}
}

func oneUtilization(t *testing.T, specs []*facetdv1.Task, refusal *facetdv1.Refusal) {
	t.Helper()
	said := refusal.GetMessage()
	if strings.Contains(said, "the tasks ask for") && refusal.GetUtilization() <= 1 {
		t.Errorf("at %.1f %% of the bus: %s\n%v", 100*refusal.GetUtilization(), said, specs)
	}
}

// TestRoundedDeadline: a period as people type it is that period; with fewer digits it is longer than the period.
func TestRoundedDeadline(t *testing.T) {
	a := bench(t, [5]int{0, 0, 0, 0, 1})
	for typed, valid := range map[time.Duration]bool{
		16666700: true, 16667 * time.Microsecond: true, 16700 * time.Microsecond: true, 16666666: true, 16666668: false,
		17 * time.Millisecond: false, 16800 * time.Microsecond: false, 16668 * time.Microsecond: false,
	} {
		spec := with(task("comb", "hexs", 60), func(x *facetdv1.Task) { x.Deadline = dur(typed) })
		tasks, m := program.NewTasks(a, []*facetdv1.Task{spec})
		switch {
		case (len(m) == 0) != valid:
			t.Errorf("a deadline of %v at 60 Hz: %v", typed, m)
		case valid && tasks[0].Deadline != 16666666:
			t.Errorf("a deadline of %v at 60 Hz is %v", typed, tasks[0].Deadline)
		}
	}
}
