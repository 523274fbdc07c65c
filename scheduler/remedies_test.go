package scheduler

import (
	"math"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// on is a task on some chips of the array of bustest.
func on(name string, hz float64, change func(*facetdv1.Task), chips ...string) *facetdv1.Task {
	t := &facetdv1.Task{Name: name, RateHz: hz,
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: chips}}}}
	if change != nil {
		change(t)
	}
	return t
}

// refusedTasks is the refusal of a set.
func refusedTasks(t *testing.T, a *chipmodel.Array, specs ...*facetdv1.Task) *facetdv1.Refusal {
	t.Helper()
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		t.Fatal(m)
	}
	_, err := Build(a, tasks, Options{})
	r, is := err.(*RefusalError)
	if !is {
		t.Fatalf("not refused: %v", err)
	}
	return r.Refusal
}

// TestLimitsToTheNanosecond: a skew and a hold of just the limit are kept, by jobs in one batch and in several; a
// nanosecond less is refused for the limit that is exceeded, and no other.
func TestLimitsToTheNanosecond(t *testing.T) {
	msg := bustest.Message()
	second := proto.CloneOf(msg.GetChips()[3]) // of the class of the first that counts, on the same lane
	second.Name, second.Selects = "c1", []string{"g", "x2"}
	msg.Chips = append(msg.Chips, second)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	hold := func(ns int64, chips ...string) *facetdv1.Task {
		return on("ring", 10, func(x *facetdv1.Task) { x.MaxHold = durationpb.New(time.Duration(ns)) }, chips...)
	}
	for name, make := range map[string]func(ns int64) *facetdv1.Task{
		"skew of one chip after another": func(ns int64) *facetdv1.Task {
			return on("ring", 10, func(x *facetdv1.Task) { x.MaxSkew = durationpb.New(time.Duration(ns)) }, "c0", "c1")
		},
		"hold": func(ns int64) *facetdv1.Task { return hold(ns, "m0") },
	} {
		r := refusedTasks(t, a, make(1))
		if name == "hold" && r.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_HOLD ||
			name != "hold" && r.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_SKEW || r.GetAvailableNs() != 1 {
			t.Errorf("%s: %v", name, r)
		}
		plannerOf(t, a, []*facetdv1.Task{make(r.GetNeededNs())})
		if less := refusedTasks(t, a, make(r.GetNeededNs()-1)); less.GetNeededNs() != r.GetNeededNs() ||
			less.GetReason() != r.GetReason() {
			t.Errorf("%s, a nanosecond less: %v", name, less)
		}
	}
	// Of two chips that are read one after the other: batches are what there could be, and of one they are not.
	if r := refusedTasks(t, a, hold(1000, "m0", "m1", "m2")); !strings.Contains(r.GetMessage(),
		"batches does not help") {
		t.Errorf("%v", r)
	}
	if r := refusedTasks(t, a, hold(1000, "m0")); strings.Contains(r.GetMessage(), "batches") {
		t.Errorf("%v", r)
	}
}

// TestRefusalsOnACoarseBus say that their numbers are of its grain.
func TestRefusalsOnACoarseBus(t *testing.T) {
	for grain, want := range map[time.Duration]bool{1: false, 2: true, 500: true} {
		a, err := bustest.MustArray().OnGrain(grain)
		if err != nil {
			t.Fatal(err)
		}
		r := refusedTasks(t, a, on("fast", 100_000, nil, "h0"))
		if got := strings.Contains(r.GetMessage(), "grain of "+grain.String()); got != want {
			t.Errorf("grain %v: %s", grain, r.GetMessage())
		}
	}
}

// TestBlocksBySize: every block of 1, 2, 4 and 8 cells a side once, smaller ones first and squarer ones before longer
// ones.
func TestBlocksBySize(t *testing.T) {
	seen := map[[2]int]bool{}
	all := blocks()
	for i, b := range all {
		if seen[b] || !slices.Contains([]int{1, 2, 4, 8}, b[0]) || !slices.Contains([]int{1, 2, 4, 8}, b[1]) {
			t.Errorf("block %v", b)
		}
		seen[b] = true
		if i == 0 {
			continue
		}
		if a := all[i-1]; a[0]*a[1] > b[0]*b[1] || a[0]*a[1] == b[0]*b[1] && max(a[0], a[1]) > max(b[0], b[1]) {
			t.Errorf("%v before %v", a, b)
		}
	}
	if len(all) != 16 || all[0] != [2]int{1, 1} {
		t.Errorf("%d blocks: %v", len(all), all)
	}
}

// TestWhatWouldFit: a refusal for too long a job suggests a binning and a window, with the bus time of a job; planned,
// they fit and take just that, and no block of fewer cells does.
func TestWhatWouldFit(t *testing.T) {
	a := bustest.MustArray()
	for _, chip := range []string{"m0", "s0"} {
		whole := plannerOf(t, a, []*facetdv1.Task{on("fast", 1, nil, chip)}).whole[0].Total()
		// A little more than a third of the time of a job.
		spec := on("fast", math.Floor(2e9/float64(whole)), nil, chip)
		r := refusedTasks(t, a, spec)
		kinds := map[string]bool{}
		for _, s := range r.GetSuggestions() {
			changed := on("fast", spec.GetRateHz(), nil, chip)
			changed.Views = []*facetdv1.View{{Binning: s.GetBinning(), Window: s.GetWindow()}}
			p := plannerOf(t, a, []*facetdv1.Task{changed})
			if found := p.search(p.tasks); found == nil || int64(p.whole[0].Total()) != s.GetJobNs() ||
				s.GetJobNs() <= 0 {
				t.Errorf("%s: %v does not fit, or takes %v", chip, s, p.whole[0].Total())
			}
			kinds[map[bool]string{true: "binning", false: "window"}[s.GetBinning() != nil]] = true
			for _, b := range blocks() {
				if s.GetBinning() == nil || b[0]*b[1] >= int(s.GetBinning().GetRows()*s.GetBinning().GetColumns()) {
					continue
				}
				changed.Views = []*facetdv1.View{{Binning: &facetdv1.Binning{Rows: uint32(b[0]),
					Columns: uint32(b[1])}}}
				if tasks, m := program.NewTasks(a, []*facetdv1.Task{changed}); len(m) == 0 {
					if _, err := Build(a, tasks, Options{NoRemedies: true}); err == nil {
						t.Errorf("%s: %v fits, %v is suggested", chip, b, s)
					}
				}
			}
		}
		if !kinds["binning"] || !kinds["window"] {
			t.Errorf("%s: suggested %v", chip, r.GetSuggestions())
		}
	}
	p := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("fast", 1, nil, "m0")}))
	if job := p.changed(0, nil); job != 0 {
		t.Errorf("a task that cannot be made takes %d ns", job)
	}
}

// TestRemediesOfAHold: what would keep a hold is suggested as well, unless nobody asks.
func TestRemediesOfAHold(t *testing.T) {
	tasks, m := program.NewTasks(bustest.MustArray(), []*facetdv1.Task{on("ring", 10, func(x *facetdv1.Task) {
		x.MaxHold = durationpb.New(20 * time.Microsecond)
	}, "m0")})
	if len(m) > 0 {
		t.Fatal(m)
	}
	for _, none := range []bool{false, true} {
		_, err := Build(bustest.MustArray(), tasks, Options{NoRemedies: none})
		r, is := err.(*RefusalError)
		if !is || r.Refusal.GetReason() != facetdv1.RefusalReason_REFUSAL_REASON_HOLD ||
			(len(r.Refusal.GetSuggestions()) == 0) != none {
			t.Errorf("no remedies %v: %v", none, err)
		}
	}
}

// TestLargeStretches: factors are told up to 64.
func TestLargeStretches(t *testing.T) {
	a := bustest.MustArray()
	job := plannerOf(t, a, []*facetdv1.Task{on("fast", 1, nil, "m0", "m1", "m2")}).whole[0].Total().Seconds()
	for factor, want := range map[float64]bool{20: true, 40: true, 63.9: true, 65: false, 90: false} {
		r := refusedTasks(t, a, on("fast", factor/job, nil, "m0", "m1", "m2"))
		s := r.GetLeastStretch()
		if (s != nil) != want {
			t.Errorf("a rate %g times too high: %v", factor, s)
			continue
		}
		if want && math.Abs(float64(s.GetNumerator())/float64(s.GetDenominator())/factor-1) > 1e-3 {
			t.Errorf("a rate %g times too high: stretched by %v", factor, s)
		}
	}
}

// TestStretchesOnTheGrid: the least on the grid from which on all fit, whether one that fits is known or not; none
// beyond 64.
func TestStretchesOnTheGrid(t *testing.T) {
	for _, least := range []*big.Rat{big.NewRat(1, 1), big.NewRat(3, 2)} {
		for _, at := range []*big.Rat{big.NewRat(17, 10), big.NewRat(53, 10), big.NewRat(31, 1), big.NewRat(599, 10)} {
			tries := 0
			fits := func(f *big.Rat) bool {
				tries++
				return f.Cmp(at) >= 0
			}
			steps := new(big.Rat).Mul(at, big.NewRat(stretchDen, 1))
			up := new(big.Int).Quo(new(big.Int).Add(steps.Num(), new(big.Int).Sub(steps.Denom(), big.NewInt(1))),
				steps.Denom())
			want := big.NewRat(up.Int64(), stretchDen)
			for _, fitting := range []*big.Rat{nil, new(big.Rat).Add(at, big.NewRat(1, 3))} {
				if fitting == nil && at.Cmp(big.NewRat(maxStretch/2, 1)) > 0 {
					continue // doubling passes by the last of them
				}
				if got := gridStretch(fits, least, fitting); got == nil || got.Cmp(want) != 0 {
					t.Errorf("from %v on, %v known: %v, want %v", at, fitting, got, want)
				}
			}
			if tries > 60 {
				t.Errorf("%d tries", tries)
			}
		}
		if got := gridStretch(func(*big.Rat) bool { return false }, least, nil); got != nil {
			t.Errorf("nothing fits: %v", got)
		}
	}
}

// TestWhoIsInTheWay: a task on the same chips that leaves too little time, wherever in the list the chip stands, and
// the
// busiest of those that leave no room, wherever that stands.
func TestWhoIsInTheWay(t *testing.T) {
	a := bustest.MustArray()
	job := func(chips ...string) float64 {
		return plannerOf(t, a, []*facetdv1.Task{on("x", 1, nil, chips...)}).whole[0].Total().Seconds()
	}
	// The quick one leaves about twice its period less two of its jobs, the long one reads three chips.
	quick := 1 / (0.72 * job("m0", "m1", "m2"))
	for _, shared := range []string{"m0", "m1", "m2"} {
		p := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("quick", quick, nil, shared),
			on("long", 1, nil, "m0", "m1", "m2")}))
		p.states = rateStates
		others, _ := p.without(1)
		witness, task := p.obstacle(1, others)
		if task != "quick" || !strings.Contains(witness, "reads chip "+shared) {
			t.Errorf("%s: %q, %q is in the way", shared, witness, task)
		}
	}
	for _, order := range [][]string{{"busy", "light"}, {"light", "busy"}} {
		var specs []*facetdv1.Task
		for _, name := range order {
			if name == "busy" {
				specs = append(specs, on("busy", 0.9/job("h0"), nil, "h0"))
			} else {
				specs = append(specs, on("light", 0.9/job("h0")/16, nil, "s0"))
			}
		}
		p := newRemedies(plannerOf(t, a, append(specs, on("late", 1, nil, "c0"))))
		p.states = rateStates
		others, _ := p.without(2)
		if witness, task := p.noRoom(2, others); witness != "" && task != "busy" || witness == "" {
			t.Errorf("%v: %q, %q is in the way", order, witness, task)
		}
	}
}

// TestRelaxationsKnowTheDeadline: both questions about a task are asked with the deadline that it has of its own.
func TestRelaxationsKnowTheDeadline(t *testing.T) {
	a := bustest.MustArray()
	for own, want := range map[time.Duration]int64{0: 0, 4 * time.Millisecond: 4e6} {
		p := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("one", 50, nil, "h0"), on("two", 100,
			func(x *facetdv1.Task) {
				if own > 0 {
					x.Deadline = durationpb.New(own)
				}
			}, "s0")}))
		others, _ := p.without(1)
		demand, pieces := p.relaxations(1, others)
		if demand.Deadline != want || pieces.Deadline != want || !demand.DemandOnly || pieces.DemandOnly {
			t.Errorf("%v: %+v, %+v", own, demand, pieces)
		}
	}
}

// TestPiecesThatNoCutDivides: of every job of the others there is the longest load, share or readout of its finest
// program, without what depends on what came before; what the two questions cost is added up.
func TestPiecesThatNoCutDivides(t *testing.T) {
	a := bustest.MustArray()
	p := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("one", 400, nil, "m0", "m1", "m2"),
		on("two", 100, nil, "s0")}))
	others, _ := p.without(1)
	demand, pieces := p.relaxations(1, others)
	if len(pieces.Others) != len(demand.Others) || len(pieces.Others) == 0 {
		t.Fatalf("%d pieces of %d jobs", len(pieces.Others), len(demand.Others))
	}
	fine, err := p.compilers[0].Compile(1, 1)
	if err != nil {
		t.Fatal(err)
	}
	longest := int64(0)
	for _, c := range fine.Costs {
		longest = max(longest, int64(c.Total()-c[facetdv1.Phase_PHASE_SELECT]-c[facetdv1.Phase_PHASE_WRITE]))
	}
	for i, j := range pieces.Others {
		if whole := demand.Others[i].Costs[0]; j.Costs[0] != longest || whole != int64(p.whole[0].Total()) {
			t.Errorf("job %d: a piece of %d in %d, want %d in %d", i, j.Costs[0], whole, longest, p.whole[0].Total())
		}
	}
	_, first := demand.Refutes(1e7, 1e7)
	_, second := pieces.Refutes(1e7, 1e7)
	if _, work := p.edge(1, others, 1000).Refutes(1e7, 1e7); first <= 0 || second <= 0 || work != first+second {
		t.Errorf("work of %d, want %d and %d", work, first, second)
	}
}

// TestRatesToType: no more digits than a float keeps, and a higher rate takes the place of one that is known.
func TestRatesToType(t *testing.T) {
	p := newRemedies(plannerOf(t, bustest.MustArray(), []*facetdv1.Task{on("one", 2000, nil, "h0"),
		on("two", 30_000, nil, "s0")}))
	p.states = rateStates
	for _, hz := range []float64{1000.0 / 3, 123.45678901234567, 0.1} {
		got := p.typed(1, hz)
		text := strconv.FormatFloat(got, 'e', -1, 64)
		if digits := strings.IndexByte(text, 'e') - 1; digits > 15 || got > hz || got < hz*(1-1e-5) {
			t.Errorf("%v Hz is typed as %v", hz, got)
		}
	}
	out := p.orRaised(1, &facetdv1.FittingRate{RateHz: proto.Float64(10), ProvedHighest: true})
	if out.GetRateHz() < 1000 || out.GetProvedHighest() || !p.planned(1, out.GetRateHz()) {
		t.Errorf("in place of 10 Hz: %v", out)
	}
	if out := p.orRaised(1, &facetdv1.FittingRate{Witness: "none"}); out.GetRateHz() != 0 {
		t.Errorf("where none fits: %v", out)
	}
}

// TestShortestPeriodBesideOthers: none is tried for which the others leave no bus time.
func TestShortestPeriodBesideOthers(t *testing.T) {
	a := bustest.MustArray()
	p := plannerOf(t, a, []*facetdv1.Task{on("one", 20_000, nil, "h0"), on("two", 40_000, nil, "s0")})
	r := newRemedies(p)
	others, _ := r.without(1)
	left := 1 - p.whole[0].Total().Seconds()*20_000
	want := p.whole[1].Total().Seconds() / left * 1e9
	got, _ := r.edge(1, others, 1000).Shortest.Float64()
	if want < 1e9/40_000 || math.Abs(got/want-1) > 1e-9 {
		t.Errorf("shortest period %v ns, want %v", got, want)
	}
	slow := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("one", 20_000, nil, "h0"), on("two", 10, nil, "s0")}))
	if got, _ := slow.edge(1, others, 1000).Shortest.Float64(); got != 1e8 { // its own
		t.Errorf("shortest period %v ns, want that of the task", got)
	}
}

// TestHalvingFindsARate: one that fits, and near the highest.
func TestHalvingFindsARate(t *testing.T) {
	a := bustest.MustArray()
	p := newRemedies(plannerOf(t, a, []*facetdv1.Task{on("one", 2000, nil, "h0"), on("two", 20_000, nil, "s0")}))
	p.states = rateStates
	others, _ := p.without(1)
	e := p.edge(1, others, rateWork)
	highest := e.Search()
	got := p.halved(1, others, e)
	if got.Jobs == 0 || !p.fitsAt(p.beside(1, others, got.Jobs, got.Tables)) {
		t.Fatalf("%+v does not fit", got)
	}
	rate := func(jobs, tables int64) float64 { return float64(jobs) / float64(tables) }
	if ratio := rate(got.Jobs, got.Tables) / rate(highest.Jobs, highest.Tables); ratio < 0.9 || ratio > 1.1 {
		t.Errorf("%+v, the highest is %+v", got, highest)
	}
}

// TestLeastUse is the sum of bus times by rates.
func TestLeastUse(t *testing.T) {
	p := plannerOf(t, bustest.MustArray(), []*facetdv1.Task{on("one", 100, nil, "h0"), on("two", 300, nil, "s0")})
	want := 100*p.whole[0].Total().Seconds() + 300*p.whole[1].Total().Seconds()
	if got := p.leastUse(); math.Abs(got-want) > 1e-12 {
		t.Errorf("%v, want %v", got, want)
	}
}

// TestTicksThatAreTooSmall: periods that no tick of a reasonable part of a nanosecond divides are not analysed.
func TestTicksThatAreTooSmall(t *testing.T) {
	p := plannerOf(t, bustest.MustArray(), []*facetdv1.Task{on("one", 100, nil, "h0"), on("two", 300, nil, "s0")})
	for _, c := range []struct {
		hyperperiod int64
		jobs        []int64
		want        bool
	}{{1 << 20, []int64{7, 11}, true}, {1 << 20, []int64{1021, 1031}, false}, {1 << 20, []int64{1 << 12, 1031}, true},
		{1 << 50, []int64{1021, 1}, true}, {1 << 51, []int64{1021, 1}, false}} {
		cad := &cadence{grain: 1, hyperperiod: c.hyperperiod, jobs: c.jobs, deadlines: []int64{1 << 19, 1 << 19}}
		tasks, ok := p.wholeTasks(cad)
		if ok != c.want || (tasks != nil) != c.want {
			t.Errorf("%v jobs in %d ns: %v, %v", c.jobs, c.hyperperiod, tasks, ok)
		}
	}
}

// TestCutsAreShorterThanJobs: every length that is tried after none at all is shorter than the longest job, or cutting
// would do nothing; each is half of the one before.
func TestCutsAreShorterThanJobs(t *testing.T) {
	for _, hz := range []float64{1, 1000} {
		p := plannerOf(t, bustest.MustArray(),
			[]*facetdv1.Task{on("one", hz, nil, "h0"), on("two", hz, nil, "m0", "m1")})
		cads, r := p.cadences(p.tasks)
		if r != nil {
			t.Fatal(r)
		}
		limits := p.limits(cads[0])
		longest := max(p.whole[0].Total(), p.whole[1].Total())
		if len(limits) < 3 || limits[0] != 0 || limits[1] >= longest {
			t.Fatalf("%g Hz: %v for jobs of %v", hz, limits, longest)
		}
		for i := 2; i < len(limits); i++ {
			if limits[i] != limits[i-1]/2 {
				t.Errorf("%g Hz: %v", hz, limits)
			}
		}
	}
}

// TestRatesThatWereRaised: where a table needs a higher rate than was asked for, the refusal says which.
func TestRatesThatWereRaised(t *testing.T) {
	p := plannerOf(t, bustest.MustArray(), []*facetdv1.Task{on("one", 1000, nil, "h0"), on("two", 2000, nil, "s0")})
	job := max(p.whole[0].Total(), p.whole[1].Total())
	hyperperiod := int64(2 * job) // three jobs do not fit
	p.tasks[0].RateHz = 2e9 / float64(hyperperiod)
	p.tasks[1].RateHz = 0.7e9 / float64(hyperperiod)
	r := p.reject(&cadence{grain: 1, hyperperiod: hyperperiod, jobs: []int64{2, 1},
		deadlines: []int64{hyperperiod, hyperperiod}})
	if r == nil || strings.Count(r.GetMessage(), " Hz") != 1 || !strings.Contains(r.GetMessage(), "% at ") {
		t.Errorf("%v", r)
	}
}

// TestOneViolationIsTooMany: a plan that breaks a single rule of the inspector is an internal error.
func TestOneViolationIsTooMany(t *testing.T) {
	a := bustest.MustArray()
	p := plannerOf(t, a, []*facetdv1.Task{on("ring", 100, nil, "m0")})
	found := p.search(p.tasks)
	plan, err := p.plan(found)
	if err != nil {
		t.Fatal(err)
	}
	jobs := p.jobs(found.cad, found.programs)
	if err := check(plan, jobs, found.result.Table); err != nil {
		t.Fatal(err)
	}
	// The cycles put right what is missing before the first.
	single := false
	init := plan.Initialization.Ops
	for i := range init {
		plan.Initialization.Ops = slices.Delete(slices.Clone(init), i, i+1)
		v := rules.Judge(a, plan.Table(), judgedCycles)
		single = single || len(v) == 1
		if err := check(plan, jobs, found.result.Table); (err != nil) != (len(v) > 0) {
			t.Errorf("without operation %d: %d violations, %v", i, len(v), err)
		}
	}
	if !single {
		t.Error("nothing was broken once")
	}
}
