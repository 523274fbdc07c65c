package scheduler_test

import (
	"errors"
	"math/big"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

func refusalOf(t *testing.T, a *chipmodel.Array, specs ...*facetdv1.Task) *facetdv1.Refusal {
	t.Helper()
	_, err := build(t, a, specs...)
	var r *scheduler.RefusalError
	if !errors.As(err, &r) {
		t.Fatalf("not refused: %v", err)
	}
	return r.Refusal
}

func with(x *facetdv1.Task, f func(*facetdv1.Task)) *facetdv1.Task { f(x); return x }

// TestRefusals: the numbers are worked out by hand from the times of the test
// array. A memory or hexagonal pixel takes 2.5 us, a row 0.5 us more; a whole 16 x
// 16 readout 649 us, 12 x 12 367 us, 4 x 4 43 us; a readout's select and two writes
// 2.5 us; a load with its select 161 us.
func TestRefusals(t *testing.T) {
	t.Parallel()
	a := bench(t, [5]int{4, 0, 3, 0, 1})
	hold := func(h, s time.Duration) *facetdv1.Task {
		return with(task("ring", "mems", 100), func(x *facetdv1.Task) {
			x.MaxHold = dur(h)
			if s > 0 {
				x.MaxSkew = dur(s)
			}
		})
	}
	for _, c := range []struct {
		name              string
		tasks             []*facetdv1.Task
		reason            facetdv1.RefusalReason
		task              string
		needed, available int64
		message           string
	}{
		{"longer than its period", []*facetdv1.Task{task("fast", "hexs", 5000)},
			facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, "fast", 369500, 200000,
			"reading fast takes 369.5 us, but its period is 200 us"},
		{"longer than its deadline", []*facetdv1.Task{with(task("fast", "hexs", 1000),
			func(x *facetdv1.Task) { x.Deadline = dur(300 * time.Microsecond) })},
			facetdv1.RefusalReason_REFUSAL_REASON_JOB_TOO_LONG, "fast", 369500, 300000,
			"reading fast takes 369.5 us, but its deadline is 300 us"},
		// 2000 x 369.5 us + 250 x 1464 us = 739 ms + 366 ms a second.
		{"too much", []*facetdv1.Task{task("fast", "hexs", 2000), task("ring", "mems", 250)},
			facetdv1.RefusalReason_REFUSAL_REASON_UTILIZATION, "", 4420000, 4000000,
			"the tasks ask for 110.5 % of the bus: fast 73.9 %, ring 36.6 %"},
		// From the load: 160.5 us, twice 0.5 us + 1 us + 649 us + 1 us less the last
		// conversion of 1 us and its write of 1 us.
		{"held too long", []*facetdv1.Task{hold(800*time.Microsecond, 0)},
			facetdv1.RefusalReason_REFUSAL_REASON_HOLD, "ring", 1461500, 800000,
			"task ring would hold its last chip for 1.462 ms even when nothing interrupts it, but its max_hold is " +
				"800 us"},
		{"held too long without batches", []*facetdv1.Task{hold(900*time.Microsecond, 100*time.Microsecond)},
			facetdv1.RefusalReason_REFUSAL_REASON_HOLD, "ring", 1461500, 900000, "max_skew of 100 us"},
		// The second group of counter chips begins after the first: 2.5 us to its first
		// sample, 7 rows of 15 x 2.5 us + 3 us, the last row of 37.5 us, a conversion of
		// 1 us, and 4.5 us for a write, a select, a write and a reset.
		{"skew", []*facetdv1.Task{with(task("bed", "cnts", 10),
			func(x *facetdv1.Task) { x.MaxSkew = dur(100 * time.Microsecond) })},
			facetdv1.RefusalReason_REFUSAL_REASON_SKEW, "bed", 329000, 100000,
			"the frames of task bed would be sampled 329 us apart even when nothing interrupts it, but its max_skew " +
				"is 100 us"},
		// The load cannot be cut: 0.5 us + 160.5 us. Two periods less two readouts of 45.5 us.
		{"no gap", []*facetdv1.Task{task("fast", "hexs", 10000, tiny()), task("ring", "mems", 10)},
			facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, "ring", 161000, 109000,
			"a piece of reading ring, cut as short as it can be, takes 161 us, but task fast leaves at most 109 us " +
				"between its jobs"},
		// A job of the quick one: 161 us for the load, 1 us + 43 us + 1 us under the same
		// word. Two periods of 800 us less two jobs of 206 us. Cutting the ring, whose
		// 1464 us hold the chip, would not help.
		{"the same chip", []*facetdv1.Task{task("ring", "mems", 10),
			with(task("quick", "mems", 1250, tiny()), func(x *facetdv1.Task) { x.Target = list("mem-0") })},
			facetdv1.RefusalReason_REFUSAL_REASON_DEADLINE, "ring", 1464000, 1188000,
			"reading ring takes 1.464 ms, but task quick, which reads chip mem-0 too, leaves at most 1.188 ms " +
				"between its jobs"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := refusalOf(t, a, c.tasks...)
			if r.GetReason() != c.reason || r.GetTask() != c.task || r.GetNeededNs() != c.needed ||
				r.GetAvailableNs() != c.available || !strings.Contains(r.GetMessage(), c.message) {
				t.Errorf("refused with %v\nexpected %v %s, %d of %d: %s", r, c.reason, c.task, c.needed, c.available,
					c.message)
			}
			bounds(t, a, r, c.tasks)
		})
	}
}

// bounds checks that what a refusal says would fit does.
func bounds(t *testing.T, a *chipmodel.Array, r *facetdv1.Refusal, specs []*facetdv1.Task) {
	t.Helper()
	if s := r.GetLeastStretch(); s != nil {
		factor := big.NewRat(s.GetNumerator(), s.GetDenominator())
		if factor.Cmp(big.NewRat(1, 1)) <= 0 || factor.Denom().Int64() != s.GetDenominator() {
			t.Errorf("stretch %v", s)
		}
		p, refusal := scheduler.StretchedPlan(t, a, specs, factor)
		if refusal != nil {
			t.Errorf("stretched by %s: %v", s, refusal)
		} else if v := rules.Judge(a, p.Table(), 2); len(v) > 0 {
			t.Errorf("stretched by %s: %v", s, v)
		}
		step := scheduler.StretchStep
		if r.GetLeastStretchExact() {
			step = big.NewRat(1, 100_000)
		}
		if p, _ := scheduler.StretchedPlan(t, a, specs, factor.Sub(factor, step)); p != nil {
			t.Errorf("a stretch of %s less than %s fits", step, s)
		}
	}
	suggested(t, a, r, specs)
	asTyped(t, a, r, specs)
	for i, b := range r.GetFittingRates() {
		checkRate(t, a, b, specs, i)
	}
}

func fraction(f *facetdv1.Fraction) *big.Rat {
	return big.NewRat(f.GetNumerator(), max(f.GetDenominator(), 1))
}

// asTyped checks that the stretched rates, typed in, fit, and keep the ratio of the rates asked for.
func asTyped(t *testing.T, a *chipmodel.Array, r *facetdv1.Refusal, specs []*facetdv1.Task) {
	t.Helper()
	if len(r.GetStretched()) == 0 {
		if r.GetLeastStretch() != nil {
			t.Errorf("no rates to type for a stretch of %s", r.GetLeastStretch())
		}
		return
	}
	factor := fraction(r.GetLeastStretch())
	f, _ := factor.Float64()
	mustFit(t, a, specs, func(x *facetdv1.Task, k int) {
		s := r.GetStretched()[k]
		if got := x.GetRateHz() / s.GetRateHz(); s.GetTask() != x.GetName() || got < f*(1-1e-9) || got > f*1.12 {
			t.Errorf("%v of %g Hz, stretched by %g", s, x.GetRateHz(), f)
		}
		x.RateHz = s.GetRateHz()
		if (s.GetDeadlineNs() > 0) != (x.GetDeadline() != nil) {
			t.Errorf("%v of %v", s, x)
		}
		if s.GetDeadlineNs() > 0 {
			x.Deadline = dur(time.Duration(s.GetDeadlineNs()))
		}
	})
}

// checkRate checks what a refusal says of the rate of task i.
func checkRate(t *testing.T, a *chipmodel.Array, b *facetdv1.FittingRate, specs []*facetdv1.Task, i int) {
	t.Helper()
	switch {
	case b.GetTask() != specs[i].GetName() || b.GetSearchedUpToHz() != specs[i].GetRateHz():
		t.Errorf("rate %d is %v", i, b)
	case b.GetRateHz() > specs[i].GetRateHz():
		t.Errorf("the rate of %s is %g Hz, above the %g Hz asked for", b.GetTask(), b.GetRateHz(), specs[i].GetRateHz())
	case b.GetProvedHighest() && (b.GetRateHz() == 0 || b.GetSearchedTableNs() == 0):
		t.Errorf("proved without a search: %v", b)
	case (b.GetWitness() == "") != (b.GetInTheWay() == ""), b.GetWitness() != "" && b.GetRateHz() != 0:
		t.Errorf("no rate fits: %v", b)
	}
	if b.GetRateHz() > 0 {
		mustFit(t, a, specs, func(x *facetdv1.Task, k int) {
			if k == i {
				x.RateHz = b.GetRateHz()
			}
		})
	}
}

// suggested checks that every suggestion fits, that no block of fewer cells does, and no window of one more row.
func suggested(t *testing.T, a *chipmodel.Array, r *facetdv1.Refusal, specs []*facetdv1.Task) {
	t.Helper()
	for _, s := range r.GetSuggestions() {
		change := func(b *facetdv1.Binning, w *facetdv1.Window) func(*facetdv1.Task, int) {
			return func(x *facetdv1.Task, _ int) {
				if x.GetName() != s.GetTask() {
					return
				}
				if len(x.Views) == 0 {
					x.Views = []*facetdv1.View{{}}
				}
				for _, v := range x.Views {
					if v.Window = w; b != nil {
						v.Binning = b
					}
				}
			}
		}
		mustFit(t, a, specs, change(s.GetBinning(), s.GetWindow()))
		if b := s.GetBinning(); b != nil {
			for _, rows := range []uint32{1, 2, 4, 8} {
				for _, columns := range []uint32{1, 2, 4, 8} {
					less := &facetdv1.Binning{Rows: rows, Columns: columns}
					if rows*columns < b.Rows*b.Columns && fits(t, a, changed(specs, change(less, nil))) {
						t.Errorf("%s, but %v fits too", s.GetMessage(), less)
					}
				}
			}
			continue
		}
		more := proto.CloneOf(s.GetWindow())
		more.Rows++
		if more.Columns == s.GetWindow().Rows {
			more.Columns++
		}
		if fits(t, a, changed(specs, change(nil, more))) {
			t.Errorf("%s, but %v fits too", s.GetMessage(), more)
		}
	}
}

func changed(specs []*facetdv1.Task, change func(*facetdv1.Task, int)) []*facetdv1.Task {
	var out []*facetdv1.Task
	for i, x := range specs {
		x = proto.CloneOf(x)
		change(x, i)
		out = append(out, x)
	}
	return out
}

func fits(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task) bool {
	t.Helper()
	_, err := build(t, a, specs...)
	return err == nil
}

func mustFit(t *testing.T, a *chipmodel.Array, specs []*facetdv1.Task, change func(*facetdv1.Task, int)) {
	t.Helper()
	checkPlan(t, mustBuild(t, a, changed(specs, change)...))
}

// TestExactStretch: factors worked out by hand. The ring takes 1464 us and the comb
// 369.5 us for 12 x 12 pixels; both are due within one period.
func TestExactStretch(t *testing.T) {
	t.Parallel()
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	for _, c := range []struct {
		name  string
		tasks []*facetdv1.Task
		want  string
	}{
		{"one job", []*facetdv1.Task{task("ring", "mems", 1000)}, "183/125"},
		{"both at once", []*facetdv1.Task{task("comb", "hexs", 800), task("ring", "mems", 800)}, "3667/2500"},
	} {
		t.Run(c.name, func(t *testing.T) {
			r := refusalOf(t, a, c.tasks...)
			if !r.GetLeastStretchExact() || fraction(r.GetLeastStretch()).String() != c.want {
				t.Errorf("least stretch %v, exact: %v; by hand %s", r.GetLeastStretch(), r.GetLeastStretchExact(),
					c.want)
			}
			bounds(t, a, r, c.tasks)
		})
	}
}

// TestBatches: a hold that one load of all chips breaks is kept by loading in
// batches, at the price of skew.
func TestBatches(t *testing.T) {
	a := bench(t, [5]int{4})
	p := mustBuild(t, a, with(task("ring", "mems", 100),
		func(x *facetdv1.Task) { x.MaxHold = dur(900 * time.Microsecond) }))
	checkPlan(t, p)
	pr := p.Message.GetPredictions()[0]
	// A batch is loaded and read under one word: 160.5 us of load, 1 us write, 648 us to
	// the last sample; the second load follows after another 1 us + 1 us + 0.5 us.
	if pr.GetWorstHoldNs() != 809500 || pr.GetSkewNs() != 812000 {
		t.Errorf("hold %d, skew %d", pr.GetWorstHoldNs(), pr.GetSkewNs())
	}
}

// TestBatchesBetween: cut between chips, the other task's readout would lengthen
// the hold beyond its limit; loaded in two batches, nothing comes between.
func TestBatchesBetween(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	ring := func(hold time.Duration) *facetdv1.Task {
		return with(task("ring", "mems", 100), func(x *facetdv1.Task) { x.MaxHold = dur(hold) })
	}
	// Whole, the ring's 1464 us do not fit between two readouts of 369.5 us each ms.
	p := mustBuild(t, a, ring(1700*time.Microsecond), task("comb", "hexs", 1000))
	checkPlan(t, p)
	if pr := p.Message.GetPredictions()[0]; pr.GetWorstHoldNs() != 809500 || pr.GetSegments() != 2 {
		t.Errorf("hold %d in %d segments", pr.GetWorstHoldNs(), pr.GetSegments())
	}
	p = mustBuild(t, a, ring(3*time.Millisecond), task("comb", "hexs", 1000))
	checkPlan(t, p)
	if pr := p.Message.GetPredictions()[0]; pr.GetSkewNs() != 0 || pr.GetWorstHoldNs() < 1461500 {
		t.Errorf("hold %d, skew %d", pr.GetWorstHoldNs(), pr.GetSkewNs())
	}
}

// TestSelectRefusal: a chip under whose wires two chips of one other lane listen cannot be read at all.
func TestSelectRefusal(t *testing.T) {
	a := bench(t, [5]int{4}, func(m *facetdv1.Array) {
		// mem-0 has fm, x0, y0, mem-2 fm, x2, y0: both lane a
		m.Chips[1].Selects = []string{"fm", "x0", "y0", "x1", "x2"}
	})
	r := refusalOf(t, a, &facetdv1.Task{Name: "one", Target: list("mem-1"), RateHz: 1})
	if r.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_SELECT || r.GetTask() != "one" ||
		!strings.Contains(r.GetMessage(), "mem-0") || !strings.Contains(r.GetMessage(), "several drive one lane") {
		t.Errorf("refused with %v", r)
	}
	if got := program.Unreadable(a); !slices.Equal(got, []int{1}) {
		t.Errorf("%v cannot be read", got)
	}
	checkPlan(t, mustBuild(t, a, &facetdv1.Task{Name: "others", Target: list("mem-0", "mem-2", "mem-3"), RateHz: 1}))
}

// TestReadBesideAPartner: a chip under whose wires a chip of the other lane listens is read singly, while the other
// lane is not converted; also when the partner is read at another rate with other registers, held over cuts, or of
// another class.
func TestReadBesideAPartner(t *testing.T) {
	nested := func(m *facetdv1.Array) {
		// Whoever selects mem-1 selects mem-0 on lane a; cnt-1 does so with mem-2; trim-0 on lane a with cnt-1.
		m.Chips[1].Selects = []string{"fm", "x0", "y0", "x1"}
		m.Chips[5].Selects = append([]string{"fc"}, m.Chips[2].Selects...)
		m.Chips[5].Lane, m.Chips[6].Lane = "b", "a"
		m.Chips[6].Selects = []string{"ft", "x3", "y1"}
	}
	a := bench(t, [5]int{4, 0, 2, 1}, nested)
	if got := program.Unreadable(a); got != nil {
		t.Errorf("%v cannot be read", got)
	}
	one := func(name string, hz float64, views ...*facetdv1.View) *facetdv1.Task {
		return &facetdv1.Task{Name: name, Target: list(name), RateHz: hz, Views: views}
	}
	smooth, small := &facetdv1.View{SmoothingSteps: 2}, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	for name, specs := range map[string][]*facetdv1.Task{
		"alone":       {one("mem-1", 10)},
		"both":        {{Name: "both", Target: list("mem-0", "mem-1"), RateHz: 10}},
		"two rates":   {one("mem-1", 20, smooth), one("mem-0", 30, small)},
		"other class": {one("cnt-1", 10), one("mem-2", 15, smooth)},
		"all in parts": {one("mem-1", 20, smooth), one("mem-0", 25), one("cnt-1", 50), one("mem-2", 10),
			one("trim-0", 300)},
	} {
		t.Run(name, func(t *testing.T) {
			p := mustBuild(t, a, specs...)
			checkPlan(t, p)
			observe(t, p, 3, 2)
		})
	}
	// On demand, each chip alone.
	for c := range a.Chips {
		plan, err := scheduler.OnDemand(a, list(a.Chips[c].Name), nil, program.PowerOn(a))
		if err != nil {
			t.Fatal(err)
		}
		if err := bus.CheckOps(a, plan.Ops); err != nil {
			t.Error(err)
		}
		b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE,
			Seed: 2})
		if err != nil {
			t.Fatal(err)
		}
		job := &bus.Job{Number: 1, Chips: plan.Chips, Segments: 1, Deadline: bus.Time(time.Hour)}
		res, err := bustest.Run(t.Context(), b, 0, &bus.Segment{Job: job, Program: &bus.Program{Ops: plan.Ops}})
		if err != nil {
			t.Fatal(err)
		}
		if v := b.Inspector().Violations(); v != nil {
			t.Errorf("%s: %v", a.Chips[c].Name, v)
		}
		if len(res.Captures) != 1 || res.Captures[0].Chip != c {
			t.Errorf("%s: %d captures", a.Chips[c].Name, len(res.Captures))
		}
		_ = b.Close()
	}
}

// TestAPartnersRegisters: a task that would write registers of a partner of another class, where the values mean
// something else, is refused.
func TestAPartnersRegisters(t *testing.T) {
	a := bench(t, [5]int{2, 1}, func(m *facetdv1.Array) {
		m.Chips[1].Selects = append([]string{"x1"}, m.Chips[2].Selects...) // mem-1, lane b; sw-0 is on lane a
	})
	r := refusalOf(t, a, &facetdv1.Task{Name: "one", Target: list("mem-1"), RateHz: 1,
		Views: []*facetdv1.View{{SmoothingSteps: 1}}})
	if r.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_SELECT || !strings.Contains(r.GetMessage(), "sw-0") {
		t.Errorf("refused with %v", r)
	}
	checkPlan(t, mustBuild(t, a, &facetdv1.Task{Name: "one", Target: list("mem-1"), RateHz: 1}))
}

// TestUtilization: the utilization of a plan is the sum of C/T (Liu and Layland,
// Journal of the ACM 20(1), 1973, equation for U; from memory), with the times of
// the test array worked out by hand.
func TestUtilization(t *testing.T) {
	a := bench(t, [5]int{4, 0, 0, 0, 1})
	p := mustBuild(t, a, task("fast", "hexs", 1000, tiny()), task("slow", "hexs", 50))
	want := 45.5e-6*1000 + 369.5e-6*50
	if got := p.Message.GetUtilization(); got < want*(1-1e-12) || got > want*(1+1e-12) {
		t.Errorf("utilization %v, expected %v", got, want)
	}
	var shares float64
	for _, ph := range p.Message.GetPhases() {
		shares += ph.GetFraction()
	}
	if shares < want*(1-1e-12) || shares > want*(1+1e-12) {
		t.Errorf("the phases sum to %v, expected %v", shares, want)
	}
}

// TestRates: releases of a period that is no whole number of nanoseconds gather no
// error, and incommensurate periods come down a little.
func TestRates(t *testing.T) {
	a := bench(t, [5]int{1, 1, 1, 0, 1})
	p := mustBuild(t, a, task("third", "mems", 3), task("sevenths", "hexs", 7))
	if p.Hyperperiod != time.Second {
		t.Errorf("hyperperiod %v", p.Hyperperiod)
	}
	for _, e := range p.Entries {
		rate := []int64{3, 7}[e.Task]
		if want := int64(e.Job) * 1e9 / rate; int64(e.Release) != want {
			t.Errorf("job %d of task %d is released at %d, expected %d", e.Job, e.Task, e.Release, want)
		}
	}
	checkPlan(t, p)
	odd := mustBuild(t, a, task("ntsc", "mems", 29.97), task("prime", "hexs", 101.3), task("slow", "cnts", 0.77))
	checkPlan(t, odd)
	for i, most := range []float64{1.01 * 29.97, 1.01 * 101.3, 1.01 * 0.77} {
		if pr := odd.Message.GetPredictions()[i]; pr.GetPlannedRateHz() > most {
			t.Errorf("task %s asks for %g Hz and runs at %g", pr.GetTask(), pr.GetRequestedRateHz(),
				pr.GetPlannedRateHz())
		}
	}
	// Nearly powers of two apart: they are snapped to them.
	near := mustBuild(t, a, task("ntsc", "mems", 29.97), task("prime", "hexs", 59.3), task("slow", "cnts", 7.41))
	checkPlan(t, near)
	base := near.Message.GetPredictions()[0].GetPlannedRateHz()
	for i, ratio := range []float64{1, 2, 0.25} {
		if got := near.Message.GetPredictions()[i].GetPlannedRateHz() / base; got < ratio*(1-1e-9) ||
			got > ratio*(1+1e-9) {
			t.Errorf("task %d runs at %g of the first's rate, expected %g", i, got, ratio)
		}
	}
}

// TestDroop: V = I t / C, with a leakage that doubles every 10 K: at 310 K twice
// the 2 fA of 300 K leaves 4 fA on 100 fF, 40 mV a second.
func TestDroop(t *testing.T) {
	a := bench(t, [5]int{4})
	pr := mustBuild(t, a, task("ring", "mems", 10)).Message.GetPredictions()[0]
	want := 0.04 * float64(pr.GetWorstHoldNs()) * 1e-9
	if got := pr.GetWorstDroopVolts(); got < want*(1-1e-9) || got > want*(1+1e-9) || want == 0 {
		t.Errorf("droop %v, expected %v", got, want)
	}
}

// TestLongTable: rates very far apart make a table of bounded size, in which the
// slow task runs more often than asked for rather than less.
func TestLongTable(t *testing.T) {
	a := bench(t, [5]int{1, 0, 0, 0, 1})
	p := mustBuild(t, a, task("fast", "hexs", 5000, tiny()), task("slow", "mems", 0.01, tiny()))
	if n := len(p.Entries); n > 20000 || n < 2000 {
		t.Errorf("%d segments", n)
	}
	checkPlan(t, p)
}

// TestRatesThatSnapTooHigh: 29.97 and 20 Hz have no table within a minute. Snapped to
// powers of two of one base the faster runs at 40 Hz, which does not fit; whole
// numbers of jobs in some periods of the slower do.
func TestRatesThatSnapTooHigh(t *testing.T) {
	a := bench(t, [5]int{12, 0, 0, 0, 14})
	views := func(n int) []*facetdv1.View { return make([]*facetdv1.View, n) }
	p := mustBuild(t, a, task("slow", "mems", 20, views(6)...), task("fast", "hexs", 29.97, views(6)...))
	checkPlan(t, p)
	for i, most := range []float64{20.5, 30.7} {
		if pr := p.Message.GetPredictions()[i]; pr.GetPlannedRateHz() > most {
			t.Errorf("task %s runs at %g Hz, asked for %g", pr.GetTask(), pr.GetPlannedRateHz(),
				pr.GetRequestedRateHz())
		}
	}
}
