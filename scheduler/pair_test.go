package scheduler_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"

	"google.golang.org/protobuf/proto"
)

// paired are tasks at a quarter of their rates that make pairs, without limits of their own.
func paired(specs []*facetdv1.Task, apart time.Duration) []*facetdv1.Task {
	var out []*facetdv1.Task
	for _, s := range specs {
		x := proto.CloneOf(s)
		x.RateHz, x.MaxHold, x.MaxSkew, x.Deadline, x.PairInterval = x.GetRateHz()/4, nil, nil, nil, dur(apart)
		out = append(out, x)
	}
	return out
}

// leastPair is the least time between the two loads of a pair of a task, as a refusal tells it.
func leastPair(t *testing.T, a *chipmodel.Array, x *facetdv1.Task) time.Duration {
	t.Helper()
	x.PairInterval = dur(a.Grain())
	tasks, m := program.NewTasks(a, []*facetdv1.Task{x})
	if len(m) > 0 {
		t.Fatal(m)
	}
	_, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true})
	var refusal *scheduler.RefusalError
	if !errors.As(err, &refusal) {
		t.Fatalf("a pair of no time: %v", err)
	}
	if refusal.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_PAIR {
		return 0 // it does not fit for another reason
	}
	return time.Duration(refusal.Refusal.GetNeededNs())
}

// TestPairsOnTheBus: pairs of random tasks on random arrays, of every combination of parts, on grains of the bus as
// well: the least time between two loads that a refusal names fits, anything less does not; on the simulated bus every
// chip has exactly the time that was asked for between its two frames, and everything else is as predicted.
func TestPairsOnTheBus(t *testing.T) {
	t.Parallel()
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 17))
	ran, batched, beside := 0, 0, 0
	for ran < peertest.Cases(40, 1000) {
		a := randomArray(r, smallDies(r))
		if r.IntN(3) == 0 {
			a = mustOnGrain(t, a, grains[r.IntN(len(grains))])
		}
		x := randomTask(r, a, "pairs")
		x.RateHz, x.MaxHold, x.MaxSkew, x.Deadline = 4, nil, nil, nil
		least := leastPair(t, a, x)
		if least == 0 {
			continue
		}
		apart := least
		if r.IntN(2) == 0 {
			apart = a.Up(least + time.Duration(r.IntN(3_000_000)))
		}
		x.PairInterval = dur(apart)
		other := randomTask(r, a, "other")
		other.RateHz, other.MaxHold, other.MaxSkew, other.Deadline = 8, nil, nil, nil
		p, err := build(t, a, x)
		if err != nil {
			t.Fatalf("%v apart, where %v was the least: %v", apart, least, err)
		}
		if both, err := build(t, a, x, other); err == nil {
			p, beside = both, beside+1
		}
		o := observe(t, p, uint64(ran), 2)
		o.compare(2)
		if m := &o.tasks[0]; m.near != apart || m.far != apart {
			t.Errorf("the frames of pairs are %v to %v apart, asked for %v", m.near, m.far, apart)
		}
		if got := p.Message.GetPredictions()[0]; got.GetLeastLightIntervalNs() != int64(apart) ||
			got.GetGreatestLightIntervalNs() != int64(apart) {
			t.Errorf("predicted %d to %d ns, asked for %v", got.GetLeastLightIntervalNs(),
				got.GetGreatestLightIntervalNs(), apart)
		}
		if t.Failed() {
			t.Fatalf("case %d: %v", ran, x)
		}
		ran++
		batched += max(0, loadsOf(p.Tasks[0].Segments)-2)
	}
	t.Logf("%d runs, %d beside another task; %d loads more than two", ran, beside, batched)
	if beside < ran/4 {
		t.Error("the draw is one-sided")
	}
}

// loadsOf is how many loads a program makes.
func loadsOf(segments [][]bus.Op) (n int) {
	for _, ops := range segments {
		for i := range ops {
			if ops[i].Kind == bus.OpStrobe && ops[i].Strobe == chipmodel.Load {
				n++
			}
		}
	}
	return n
}

// TestPairsFollowFasterTurns: on the demo, frames of pairs are as far apart as was asked for, however its tasks get in
// each other's way, and the fastest turn is that of the geometry: half of the 24 columns of a view of the bow over 2
// ms.
func TestPairsFollowFasterTurns(t *testing.T) {
	a, specs := crawler(t)
	bow := proto.CloneOf(specs[2])
	single := mustBuild(t, a, specs...).Message.GetPredictions()[2]
	bow.RateHz, bow.MaxSkew, bow.PairInterval = 20, nil, dur(2*time.Millisecond)
	p := mustBuild(t, a, specs[0], specs[1], bow, specs[3])
	got := p.Message.GetPredictions()[2]
	if got.GetLeastLightIntervalNs() != 2e6 || got.GetGreatestLightIntervalNs() != 2e6 || got.GetFrames() != 4 {
		t.Errorf("pairs: %v", got)
	}
	if single.GetGreatestLightIntervalNs() < 20e6 || single.GetLeastLightIntervalNs() > 20e6 {
		t.Errorf("without pairs, at 50 Hz: %v", single)
	}
	ratio := got.GetFastestTurnRadPerS() / single.GetFastestTurnRadPerS()
	// Nine digits are told.
	if want := float64(single.GetGreatestLightIntervalNs()) / 2e6; math.Abs(ratio/want-1) > 2e-8 {
		t.Errorf("pairs follow turns %g times as fast, want %g", ratio, want)
	}
	// From the array file alone: the lens of the bow, rectilinear, 32 columns over its field.
	chip := a.Chips[a.Chip("bow-left")]
	lens, lattice := chip.Spec.GetLens(), chip.Class.Spec.GetLattice()
	perColumn := 2 * math.Tan(lens.GetHorizontalFovDeg()/2*math.Pi/180) / float64(lattice.GetColumns())
	if want := perColumn * float64(lattice.GetColumns()/2) / 2e-3; math.Abs(got.GetFastestTurnRadPerS()/want-1) > 0.02 {
		t.Errorf("turns of up to %g rad/s, by the lens %g", got.GetFastestTurnRadPerS(), want)
	}
}

// TestFramesThatAreNotComparedFollowNoTurn: of frames too far apart, and of windows that leave no lattice that is
// compared, plans name no turn that they follow.
func TestFramesThatAreNotComparedFollowNoTurn(t *testing.T) {
	a, specs := crawler(t)
	slow := proto.CloneOf(specs[0])
	slow.RateHz = 0.4
	hexagonal := func(rowStep, columnStep uint32) *facetdv1.Task {
		x := proto.CloneOf(specs[3])
		x.Views = []*facetdv1.View{{Window: &facetdv1.Window{RowStep: rowStep, ColumnStep: columnStep}}}
		return x
	}
	for _, c := range []struct {
		name string
		task *facetdv1.Task
		told bool
	}{
		{"2.5 s apart", slow, false},
		{"a hexagonal chip", hexagonal(1, 1), true},
		{"every other row of it", hexagonal(2, 1), true},
		{"every third row", hexagonal(3, 1), false},
		{"every other column", hexagonal(1, 2), false},
	} {
		got := mustBuild(t, a, c.task).Message.GetPredictions()[0]
		if told := got.GetFastestTurnRadPerS() > 0; told != c.told || got.GetGreatestLightIntervalNs() == 0 {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}

// TestPairsAreJudged: the inspector finds frames of a pair that are not as far apart as the task asks.
func TestPairsAreJudged(t *testing.T) {
	a, specs := crawler(t)
	for _, by := range []time.Duration{-50 * time.Microsecond, 50 * time.Microsecond} {
		s := newSpoilable(mustBuild(t, a, paired(specs[:1], 12*time.Millisecond)...))
		seg, wait := s.find(func(op *bus.Op) bool { return op.Kind == bus.OpWait && op.Hold > 200*time.Microsecond })
		seg.Ops[wait].Hold += by
		found := rules.Judge(a, s.table, 2)
		if len(found) == 0 || found[0].Rule != rules.RuleHoldSkew || !strings.Contains(found[0].Message, "not 12ms") {
			t.Errorf("%v: %v", by, found)
		}
	}
}

// TestPairsAreChecked: what cannot be a pair is said with its place.
func TestPairsAreChecked(t *testing.T) {
	a, specs := crawler(t)
	for _, c := range []struct {
		change func(*facetdv1.Task)
		want   string
	}{
		{func(x *facetdv1.Task) { x.PairInterval = dur(0) },
			"tasks[0].pair_interval: is zero (give a time above zero, or leave it out for one load)"},
		{func(x *facetdv1.Task) { x.PairInterval = dur(2 * time.Hour) },
			"tasks[0].pair_interval: is longer than an hour (leave it out for one load)"},
		{func(x *facetdv1.Task) { x.PairInterval = dur(-1) }, "tasks[0].pair_interval: -1ns is negative"},
		{func(x *facetdv1.Task) { x.PairInterval = dur(70 * time.Millisecond) }, "tasks[0].pair_interval: both frames"},
		{func(x *facetdv1.Task) { x.PairInterval, x.MaxSkew = dur(12*time.Millisecond), dur(time.Millisecond) },
			"tasks[0].max_skew: the frames of a set with pairs are at least 12ms apart"},
	} {
		x := proto.CloneOf(specs[0])
		x.MaxSkew = nil
		c.change(x)
		_, m := program.NewTasks(a, []*facetdv1.Task{x})
		if len(m) != 1 || !strings.Contains(m.Error(), c.want) {
			t.Errorf("%v, want %q", m, c.want)
		}
	}
	x := proto.CloneOf(specs[2]) // without memory, and no two read apart
	x.MaxSkew, x.PairInterval = nil, dur(100*time.Microsecond)
	_, err := build(t, a, x)
	var refusal *scheduler.RefusalError
	if !errors.As(err, &refusal) || refusal.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_PAIR ||
		refusal.Refusal.GetNeededNs() < 1e6 {
		t.Errorf("a pair that is too close: %v", err)
	}
}
