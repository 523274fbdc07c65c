package scheduler_test

import (
	"errors"
	"math/rand/v2"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
)

// grains are steps of the clocks of possible buses: of 1 GHz, 200, 100, 40 and 8 MHz, and two that divide no usual
// period.
var grains = []time.Duration{1, 5, 10, 25, 125, 7, 333}

func mustOnGrain(t *testing.T, a *chipmodel.Array, grain time.Duration) *chipmodel.Array {
	t.Helper()
	out, err := a.OnGrain(grain)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// roundedUp describes a bus all of whose parts take whole grains by themselves. It is the reference for what a grain
// does to the time of an operation: nothing but this. Holds are not part of the description; they stand in the
// operations.
func roundedUp(t *testing.T, a *chipmodel.Array, grain time.Duration) *chipmodel.Array {
	t.Helper()
	msg := proto.CloneOf(a.Message)
	up := func(d *durationpb.Duration) *durationpb.Duration {
		if d == nil {
			return nil
		}
		v := d.AsDuration()
		for v%grain != 0 {
			v++
		}
		return durationpb.New(v)
	}
	tm := msg.GetTiming()
	tm.DeadTime, tm.SelectSetup, tm.Write, tm.Strobe = up(tm.DeadTime), up(tm.SelectSetup), up(tm.Write), up(tm.Strobe)
	for _, l := range msg.GetLanes() {
		l.Converter.Conversion = up(l.Converter.Conversion)
	}
	for _, c := range msg.GetClasses() {
		c.Readout.Step, c.Readout.RowStep, c.Readout.Settle = up(c.Readout.Step), up(c.Readout.RowStep),
			up(c.Readout.Settle)
		if c.GetCounter() != nil {
			c.GetCounter().Reset_ = up(c.GetCounter().GetReset_())
		}
	}
	out, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return out
}

// settleOf is the settling that a readout at nominal bias is given on a grain.
func settleOf(a *chipmodel.Array, s *bus.Scan, grain time.Duration) time.Duration {
	var most time.Duration
	for _, c := range s.Chips {
		most = max(most, a.LaneSettle(c))
	}
	for most%grain != 0 {
		most++
	}
	return most
}

// costsOnGrid holds the operations of a plan against the reference.
func costsOnGrid(t *testing.T, p *scheduler.Plan, described *chipmodel.Array, grain time.Duration) {
	t.Helper()
	reference := roundedUp(t, described, grain)
	programs := [][]bus.Op{p.Initialization.Ops}
	for i := range p.Tasks {
		programs = append(programs, p.Tasks[i].Segments...)
	}
	for _, ops := range programs {
		for i := range ops {
			op := ops[i]
			got := bus.Cost(p.Array, &op).Total()
			if op.Scan != nil && op.Scan.Settle == 0 {
				s := *op.Scan
				s.Settle = settleOf(described, &s, grain)
				op.Scan = &s
			}
			want := bus.Cost(reference, &op).Total()
			for want%grain != 0 { // a load is timed as one
				want++
			}
			if op.Strobe == chipmodel.Load && op.Kind == bus.OpStrobe {
				want = bus.Cost(described, &op).Total()
				for want%grain != 0 {
					want++
				}
			}
			if got != want || got%grain != 0 || op.Hold%grain != 0 {
				t.Fatalf("grain %v: operation %d, a %s with hold %v, takes %v, want %v", grain, i, op.Kind, op.Hold,
					got,
					want)
			}
		}
	}
}

// tableOnGrid: nothing of a table begins or ends between two grains, or before the release.
func tableOnGrid(t *testing.T, p *scheduler.Plan, grain time.Duration) {
	t.Helper()
	if p.Hyperperiod%grain != 0 || p.InitializationTime%grain != 0 {
		t.Fatalf("a table of %v after an initialization of %v is not on a grain of %v", p.Hyperperiod,
			p.InitializationTime, grain)
	}
	for _, e := range p.Entries {
		if e.Start%grain != 0 || e.End%grain != 0 || e.Start < e.Release || e.End > e.Deadline {
			t.Fatalf("grain %v: an entry from %d to %d, released %d, due %d", grain, e.Start, e.End, e.Release,
				e.Deadline)
		}
	}
}

// TestPlansOnEveryGrain: on buses of any grain, all operations of the plans of random arrays begin and end on it and
// take exactly the described times rounded up, and the virtual bus of that grain runs them as planned to the
// nanosecond, with no rule broken. FACETD_GRAINS raises the number of arrays.
func TestPlansOnEveryGrain(t *testing.T) {
	t.Parallel()
	cases, seed := 105, uint64(time.Now().UnixNano())
	if s := os.Getenv("FACETD_GRAINS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		cases = n
	}
	t.Logf("seed %d", seed)
	// Few tasks are cut: the first array on each grain is of a seed that has some, so that a short run has them too. A
	// change of the draw may need another such seed.
	r := rand.New(rand.NewPCG(1, 9))
	planned := map[time.Duration]int{}
	cut, held := 0, 0
	for i := range cases {
		if i == len(grains) {
			r = rand.New(rand.NewPCG(seed, 9))
		}
		grain := grains[i%len(grains)]
		described := randomArray(r, smallDies(r))
		p := randomPlanOf(t, r, mustOnGrain(t, described, grain))
		if p == nil {
			continue
		}
		costsOnGrid(t, p, described, grain)
		tableOnGrid(t, p, grain)
		o := observe(t, p, uint64(i), 2)
		o.compare(2)
		if t.Failed() {
			t.Fatalf("case %d, grain %v", i, grain)
		}
		planned[grain]++
		for k := range p.Tasks {
			cut += min(len(p.Tasks[k].Segments)-1, 1)
		}
		for _, pr := range p.Message.GetPredictions() {
			held += min(int(pr.GetWorstHoldNs()), 1)
		}
	}
	t.Logf("%v planned by grain; %d tasks cut, %d held", planned, cut, held)
	if len(planned) < len(grains) || held == 0 || cut == 0 {
		t.Error("the draw is one-sided")
	}
}

// TestFinestGrainChangesNothing: a plan on a grain of one nanosecond is the plan as before.
func TestFinestGrainChangesNothing(t *testing.T) {
	a, specs := crawler(t)
	fine := mustOnGrain(t, a, 1)
	if x, y := mustBuild(t, a, specs...), mustBuild(t, fine, specs...); !proto.Equal(x.Message, y.Message) {
		t.Error("the plans differ")
	}
	if coarse := mustOnGrain(t, a, 125); coarse.Digest != a.Digest {
		t.Error("the digest of an array depends on the bus that it is on")
	}
}

// TestCoarseGrainIsPaidFor: the bus time that a coarse grain costs is counted, and breaks limits that the described
// times keep. The refusal says that the grain has a part in it.
func TestCoarseGrainIsPaidFor(t *testing.T) {
	a, specs := crawler(t)
	fine := mustBuild(t, a, specs...)
	var last float64
	for _, grain := range []time.Duration{1, 25, 125, 300} {
		u := mustBuild(t, mustOnGrain(t, a, grain), specs...).Message.GetUtilization()
		if u < last {
			t.Errorf("on a grain of %v the bus is used for %g, less than on a finer one, %g", grain, u, last)
		}
		last = u
	}
	k := -1
	for i, pr := range fine.Message.GetPredictions() {
		if pr.GetWorstHoldNs() > 0 {
			k = i
		}
	}
	held := proto.CloneOf(specs[k])
	held.MaxHold = durationpb.New(time.Duration(fine.Message.GetPredictions()[k].GetWorstHoldNs()))
	if _, err := build(t, a, held); err != nil {
		t.Fatalf("alone and on a fine grain: %v", err)
	}
	_, err := build(t, mustOnGrain(t, a, 333), held)
	var refusal *scheduler.RefusalError
	if !errors.As(err, &refusal) || refusal.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_HOLD ||
		!strings.Contains(err.Error(), "grain of 333ns") {
		t.Errorf("a hold that a coarse grain lengthens beyond its limit gives %v", err)
	}
}
