package diagnosis_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/probe/diagnosis"
)

// unavoidable counts, from the wiring alone, the pairs of chips of one lane that
// differ in one line each. Enabling the one makes the other drive as well if that
// one's input is shorted to the line of the first; so one of the two faults must be
// risked, whichever chip is enabled first.
func unavoidable(a *chipmodel.Array) int {
	n := 0
	for c := range a.Chips {
		for d := range c {
			x, y := &a.Chips[c], &a.Chips[d]
			if x.Lane == y.Lane && (x.Wires&^y.Wires).Len() == 1 && (y.Wires&^x.Wires).Len() == 1 {
				n++
			}
		}
	}
	return n
}

// doubles is how many double faults FACETD_PROBE_DOUBLES asks for, which also asks for every single one; 0 keeps the
// tests short.
func doubles(t *testing.T) int {
	t.Helper()
	s := os.Getenv("FACETD_PROBE_DOUBLES")
	if s == "" {
		return 0
	}
	n, err := strconv.Atoi(s)
	if err != nil || n < 1 {
		t.Fatalf("FACETD_PROBE_DOUBLES=%q", s)
	}
	return n
}

// singlesApart is the distance of the single faults that are tried in a short run: prime, so that every kind and most
// chips are met.
const singlesApart = 11

// Single faults of every kind at places of the demo array, or at every place in a long run, on the virtual
// bus: each is named, alone or together with those that no safe readout tells from it;
// and only the shorts that must be risked make two chips drive together, once, for one
// register write.
func TestEverySingleFault(t *testing.T) {
	t.Parallel()
	a := crawler(t)
	b := newBench(t, a, diagnosis.Options{})
	faults := b.planner.Faults()
	every := doubles(t) > 0
	if !every {
		faults = slices.Collect(func(yield func(diagnosis.Fault) bool) {
			for i := 0; i < len(faults) && yield(faults[i]); i += singlesApart {
			}
		})
	}
	good := newReference(a, nil)
	checked := map[string]bool{}
	contended, classes := 0, map[int]int{}
	named := map[diagnosis.Kind][2]int{}
	var readouts []int
	for _, f := range append([]diagnosis.Fault{{}}, faults...) {
		set := []diagnosis.Fault{f}
		if f == (diagnosis.Fault{}) {
			set = nil
		}
		r := b.probe(t, set)
		sets := b.planner.Consistent(r.state)
		res := b.planner.Explain(r.state)
		if !has(sets, set) || res.Explanations != len(sets) || (res.Verdict == diagnosis.FaultFree) != (set == nil) {
			t.Fatalf("%v: verdict %d, explained by %v", set, res.Verdict, sets)
		}
		judge(t, a, set, &res)
		if !checked[key(sets)] {
			checked[key(sets)] = true
			var refs []*reference
			for _, s := range sets {
				refs = append(refs, newReference(a, s))
			}
			if separate(good, refs) {
				t.Errorf("a safe readout would have told apart %v", sets)
			}
		}
		n := named[f.Kind]
		n[min(len(sets)-1, 1)]++
		named[f.Kind] = n
		classes[len(sets)]++
		readouts = append(readouts, r.state.Readouts())
		contended += judgeContentions(t, b, f, r, &res)
	}
	if want := unavoidable(a); contended > want || every && contended != want {
		t.Errorf("%d faults made chips contend; %d have to be risked", contended, want)
	}
	if v := b.bus.Inspector().Violations(); v != nil {
		t.Errorf("by the wiring, rules were violated: %v", v)
	}
	goodReadouts := readouts[0]
	slices.Sort(readouts)
	naive := 0
	for c := range a.Chips {
		naive += 1 + len(a.Chips[c].Selects)
	}
	t.Logf("%d single faults and the fault-free array; kind: [named exactly, in a class of several] %v", len(faults),
		named)
	t.Logf("sizes of classes: %v; distinct classes: %d", classes, len(checked))
	t.Logf("%d of the faults make two chips contend once, for one register write; no order of readouts that enables "+
		"every chip has fewer", contended)
	t.Logf("readouts: median %d, most %d, fault-free array %d; naive walk (each chip's word, and less each line): "+
		"%d; only whether chips answer: %d",
		readouts[len(readouts)/2], readouts[len(readouts)-1], goodReadouts, naive, len(a.Chips))
}

// judgeContentions checks that chips contended at most once, announced, and for no
// longer than one register write and the dead time of the next change of words. It
// returns how often they did.
func judgeContentions(t *testing.T, b *bench, f diagnosis.Fault, r ran, res *diagnosis.Result) int {
	t.Helper()
	if len(r.contentions) > 1 {
		t.Fatalf("%v: contentions %v", f, r.contentions)
	}
	if len(r.contentions) > 0 && len(res.Contended) == 0 || len(r.contentions) == 0 && len(res.Contended) > 0 &&
		res.Explanations == 1 {
		t.Errorf("%v: contentions %v, the report tells of %v", f, r.contentions, res.Contended)
	}
	announced := slices.ContainsFunc(r.experiments, func(e diagnosis.Experiment) bool {
		return slices.ContainsFunc(e.Risks, func(risk []diagnosis.Fault) bool {
			return slices.Equal(risk,
				[]diagnosis.Fault{f})
		})
	})
	for _, c := range r.contentions {
		if !announced || c.Until == 0 || c.Until.Sub(c.From) > b.a.Timing.Write+b.a.Timing.DeadTime {
			t.Errorf("%v: contention %+v, announced %v", f, c, announced)
		}
	}
	return len(r.contentions)
}

// doublesRun is how many double faults are tried in a short run.
const doublesRun = 5

// Seeded double faults on the virtual bus, probed thoroughly: the true pair explains
// everything seen, and what is named instead is no larger.
func TestDoubleFaults(t *testing.T) {
	t.Parallel()
	a := crawler(t)
	n := cmp.Or(doubles(t), doublesRun)
	b := newBench(t, a, diagnosis.Options{Thorough: true})
	faults := b.planner.Faults()
	const seed = 20
	t.Logf("seed %d", seed)
	rnd := rand.New(rand.NewPCG(seed, 2))
	var exactly, ambiguous, simpler, contended int
	good := newReference(a, nil)
	var readouts []int
	for done := 0; done < n; {
		set := []diagnosis.Fault{faults[rnd.IntN(len(faults))], faults[rnd.IntN(len(faults))]}
		slices.SortFunc(set, diagnosis.Fault.Compare)
		if contradictory(set) {
			continue
		}
		done++
		r := b.probe(t, set)
		sets := b.planner.Consistent(r.state)
		res := b.planner.Explain(r.state)
		if !has(sets, set) {
			t.Fatalf("%v: explained by %v", set, sets)
		}
		readouts = append(readouts, r.state.Readouts())
		contended += min(len(r.contentions), 1)
		switch judge(t, a, set, &res) {
		case exact:
			exactly++
		case inClass:
			ambiguous++
		case open:
			simpler++
		}
		// What was named and what is true are not told apart by any readout that is
		// safe with either.
		if done%4 == 0 && len(sets) < 12 && !slices.Equal(sets[0], set) && separate(good, references(a, sets)) {
			t.Errorf("%v: a safe readout would tell %v apart", set, sets)
		}
	}
	if v := b.bus.Inspector().Violations(); v != nil {
		t.Errorf("by the wiring, rules were violated: %v", v)
	}
	slices.Sort(readouts)
	t.Logf("%d double faults: %d named exactly, %d with the true pair among equal alternatives, %d explained by "+
		"fewer faults (one of the pair hidden); %d made chips contend; median %d readouts",
		n, exactly, ambiguous, simpler, contended, readouts[len(readouts)/2])
}

func references(a *chipmodel.Array, sets [][]diagnosis.Fault) []*reference {
	out := make([]*reference, len(sets))
	for i, s := range sets {
		out[i] = newReference(a, s)
	}
	return out
}

// The open input of one chip in a row: which of its neighbours it is cannot be told
// safely, and the report says so, with the place to look at.
func TestReportNamesThePlace(t *testing.T) {
	a := crawler(t)
	b := sharedBench(t, a, diagnosis.Options{}, scene.Uniform(200))
	r := b.probe(t, []diagnosis.Fault{{Kind: diagnosis.OpenActive, Chip: a.Chip("wall-07"), Input: 2}})
	res := b.planner.Explain(r.state)
	report := res.Report()
	for _, says := range []string{
		"input 2 of chip wall-07, wired to line y1, behaves as always active",
		"16 of 19 chips answer.",
		"not measured: wall-03 (chips wall-03 and wall-07 would drive lane b together if",
		"1. with the power off, find which lines the pad of input 2 of chip wall-03 meets",
		"one of these 9:",
	} {
		if !strings.Contains(report, says) {
			t.Errorf("the report does not say %q:\n%s", says, report)
		}
	}
	m := res.Message()
	if m.Readouts != uint32(r.state.Readouts()) || m.Report != report || len(m.Chips) != len(a.Chips) ||
		len(m.Cases) != 1 || len(m.Cases[0].Places) != 1 ||
		!slices.ContainsFunc(m.Cases[0].Places[0].OneOf, func(f *facetdv1.Fault) bool {
			return f.Kind == facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE && f.Chip == "wall-07" && f.Input == 2 &&
				f.Line == "y1"
		}) {
		t.Errorf("%v", m)
	}
}

// In the dark, in glaring light and under a moving pattern the levels are told apart
// just as well.
func TestLightDoesNotMatter(t *testing.T) {
	a := crawler(t)
	grating, err := scene.Grating(scene.GratingOptions{MeanLux: 50, Contrast: 0.99, CyclesPerPixel: 0.11, DriftHz: 200})
	if err != nil {
		t.Fatal(err)
	}
	set := []diagnosis.Fault{{Kind: diagnosis.Swapped, Line: a.Line("x0"), Other: a.Line("y1")}}
	for name, light := range map[string]scene.Scene{"dark": scene.Uniform(0), "glare": scene.Uniform(1e6),
		"pattern": grating} {
		b := sharedBench(t, a, diagnosis.Options{}, light)
		for _, groundTruth := range [][]diagnosis.Fault{nil, set} {
			r := b.probe(t, groundTruth)
			if sets := b.planner.Consistent(r.state); len(sets) != 1 || !slices.Equal(sets[0], groundTruth) {
				t.Errorf("%s: %v is explained by %v", name, groundTruth, sets)
			}
		}
	}
}

// Input 0 is a place as well as any other.
func TestInputZeroIsNamed(t *testing.T) {
	a := crawler(t)
	b := sharedBench(t, a, diagnosis.Options{}, scene.Uniform(200))
	f := diagnosis.Fault{Kind: diagnosis.Shorted, Chip: 0, Input: 0, Other: a.Line("fa")}
	r := b.probe(t, []diagnosis.Fault{f})
	res := b.planner.Explain(r.state)
	want := &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED, Line: "fw", OtherLine: "fa",
		Chip: "wall-00"}
	if m := res.Message(); len(m.Certain) != 1 || !proto.Equal(m.Certain[0], want) ||
		!strings.Contains(m.Report, "input 0 of chip wall-00, wired to line fw, follows line fa as well") {
		t.Errorf("%v", m)
	}
}

// Three chips that are dead, and nothing that explains them: the report says that
// there are more than two.
func TestMoreFaultsThanTwo(t *testing.T) {
	a := crawler(t)
	b := sharedBench(t, a, diagnosis.Options{Thorough: true}, scene.Uniform(200))
	var set []diagnosis.Fault
	for _, name := range []string{"wall-00", "wall-07", "bow-comb"} {
		set = append(set, diagnosis.Fault{Kind: diagnosis.Dead, Chip: a.Chip(name)})
	}
	r := b.probe(t, set)
	res := b.planner.Explain(r.state)
	if res.Verdict != diagnosis.Unexplained || len(res.Certain) != 0 ||
		!strings.Contains(res.Report(), "there are more faults") {
		t.Errorf("%+v", res)
	}
	judge(t, a, set, &res)
	for c, s := range res.Chips {
		if !s.Measured || (s.Level == diagnosis.Idle) != slices.ContainsFunc(set,
			func(f diagnosis.Fault) bool { return f.Chip == c }) {
			t.Errorf("%s: %+v", a.Chips[c].Name, s)
		}
	}
}

// Whatever is observed, the planner ends, and each step leaves fewer hypotheses or is
// the last.
func TestNoiseIsNeverEndless(t *testing.T) {
	p := sharedPlanner(t, diagnosis.Options{})
	r, seed := seeded(t)
	for range 20 {
		s := p.Start()
		for n := 0; ; n++ {
			e, done := p.Next(s)
			if done {
				break
			}
			seen := make([]diagnosis.Observation, len(e.Readouts))
			for i := range seen {
				seen[i] = diagnosis.Observation{diagnosis.Level(r.IntN(3)), diagnosis.Level(r.IntN(3))}
			}
			s = p.Update(s, e, seen)
			if n > 300 {
				t.Fatalf("seed %d: no end", seed)
			}
		}
		res := p.Explain(s)
		if m := res.Message(); m.Report == "" {
			t.Error("no report")
		}
	}
}

// Probing costs these readouts beside a walk through all chips.
func BenchmarkProbeFaultFree(b *testing.B) {
	a := crawler(b)
	bench := newBench(b, a, diagnosis.Options{})
	n := 0
	for b.Loop() {
		n = bench.probe(b, nil).state.Readouts()
	}
	b.ReportMetric(float64(n), "readouts")
}

// BenchmarkPlanFaultFree plans the course of a fault-free array from nothing.
func BenchmarkPlanFaultFree(b *testing.B) {
	a := crawler(b)
	for b.Loop() {
		p, err := diagnosis.New(a, diagnosis.Options{})
		if err != nil {
			b.Fatal(err)
		}
		s := p.Start()
		for e, done := p.Next(s); !done; e, done = p.Next(s) {
			s = p.Update(s, e, p.Observe(nil, e).Levels)
		}
	}
}

// TestALaneWithoutChips is never read out: nothing is said of it, and a probe of a fault-free array leaves nothing
// open.
func TestALaneWithoutChips(t *testing.T) {
	m := proto.CloneOf(crawler(t).Message)
	spare := proto.CloneOf(m.Lanes[0])
	spare.Name, m.Device = "spare", nil
	m.Lanes = append(m.Lanes, spare)
	a, errs := chipmodel.New(m)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	p, err := diagnosis.New(a, diagnosis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := probeByReference(p, a, nil)
	if report := r.Report(); r.Verdict != diagnosis.FaultFree || strings.Contains(report, "spare") {
		t.Errorf("verdict %d:\n%s", r.Verdict, report)
	}
}

// TestWhatAnEarlyEndLeaves: faults that further readouts would have shown do not show the same as none, and nobody says
// that they cannot be excluded.
func TestWhatAnEarlyEndLeaves(t *testing.T) {
	p := sharedPlanner(t, diagnosis.Options{})
	r := p.Explain(p.Start())
	if r.Verdict != diagnosis.NotExcluded || r.EndedEarly == "" {
		t.Fatalf("%+v", r)
	}
	for _, text := range []string{r.Report(), r.Summary()} {
		if strings.Contains(text, "show the same") || strings.Contains(text, "cannot be excluded") ||
			!strings.Contains(text, "not excluded by the readouts that were made") {
			t.Error(text)
		}
	}
}

// TestMeasurementsLeaveNothingOut: the outcomes of a measurement by hand share out all explanations between them,
// however many there are: 276 swaps of 24 lines of their own, and everything before the first readout.
func TestMeasurementsLeaveNothingOut(t *testing.T) {
	m := proto.CloneOf(invented(t)["private"].Message)
	m.SelectLines, m.Chips = nil, m.Chips[:1]
	for i := range 24 {
		m.SelectLines = append(m.SelectLines, fmt.Sprint("l", i))
		c := proto.CloneOf(m.Chips[0])
		c.Name, c.Selects = fmt.Sprint("c", i), []string{m.SelectLines[i]}
		m.Chips = append(m.Chips, c)
	}
	m.Chips = m.Chips[1:]
	a, errs := chipmodel.New(m)
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	private, err := diagnosis.New(a, diagnosis.Options{})
	if err != nil {
		t.Fatal(err)
	}
	early := sharedPlanner(t, diagnosis.Options{})
	for want, r := range map[int]diagnosis.Result{276: probeByReference(private, a, nil),
		715: early.Explain(early.Start())} {
		if got := setsOf(r.Cases); got != want || len(r.ByHand) == 0 {
			t.Errorf("%d sets of faults, want %d, and %d measurements", got, want, len(r.ByHand))
		}
		for _, by := range r.ByHand {
			left := -1 // no fault
			for _, o := range by.Outcomes {
				if left += setsOf(o.Cases); o.NoFault {
					left++
				}
			}
			if left != want {
				t.Errorf("%s: its outcomes leave %d sets of faults, of %d", by.What, left, want)
			}
		}
	}
}

// setsOf counts the sets of faults of cases.
func setsOf(cases []diagnosis.Case) (n int) {
	for _, c := range cases {
		sets := 1
		for _, place := range c.Places {
			sets *= len(place)
		}
		n += sets
	}
	return n
}
