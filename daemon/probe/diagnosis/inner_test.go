package diagnosis

import (
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

func planner(t *testing.T, a *chipmodel.Array) *Planner {
	t.Helper()
	p, err := New(a, Options{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func demo(t *testing.T) *chipmodel.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// TestCasesAreKinds: pairs of two kinds of alike faults are one case, in whatever order pairs and their members come;
// single faults are another.
func TestCasesAreKinds(t *testing.T) {
	dead := func(chip int) Fault { return Fault{Kind: Dead, Chip: chip} }
	rng := rand.New(rand.NewPCG(1, 2))
	for range 40 {
		var sets [][]Fault
		for _, f := range []int{0, 1, 2} {
			for _, g := range []int{5, 6} {
				sets = append(sets, []Fault{dead(f), dead(g)})
			}
		}
		for _, f := range []int{3, 4} {
			sets = append(sets, []Fault{dead(f), dead(7)})
		}
		sets = append(sets, []Fault{dead(8)}, []Fault{dead(9)})
		for _, set := range sets {
			rng.Shuffle(len(set), func(i, j int) { set[i], set[j] = set[j], set[i] })
		}
		rng.Shuffle(len(sets), func(i, j int) { sets[i], sets[j] = sets[j], sets[i] })
		var got []string
		for _, c := range casesOf(sets) {
			var places []string
			for _, faults := range c.Places {
				var chips []string
				for _, f := range faults {
					chips = append(chips, string(rune('0'+f.Chip)))
				}
				places = append(places, strings.Join(chips, ""))
			}
			slices.Sort(places)
			got = append(got, strings.Join(places, "x"))
		}
		slices.Sort(got)
		if !slices.Equal(got, []string{"012x56", "34x7", "89"}) {
			t.Fatalf("%v", got)
		}
	}
}

// TestMinimalSets: a pair that holds a fault which explains all by itself is left out, and what it adds is hidden; each
// hidden fault once, and none that explains all by itself.
func TestMinimalSets(t *testing.T) {
	f := func(chip int) Fault { return Fault{Kind: Dead, Chip: chip} }
	least, hidden := minimal([][]Fault{{f(1)}, {f(2)}, {f(1), f(2)}, {f(1), f(3)}, {f(3), f(2)}, {f(4), f(5)},
		{f(6), f(1)}})
	if want := [][]Fault{{f(1)}, {f(2)}, {f(4), f(5)}}; !slices.EqualFunc(least, want, slices.Equal) {
		t.Errorf("least %v", least)
	}
	if want := []Fault{f(3), f(6)}; !slices.Equal(hidden, want) {
		t.Errorf("hidden %v", hidden)
	}
}

// TestWhoDrives: a chip drives its lane where it does under every hypothesis, and does not where it does under none.
func TestWhoDrives(t *testing.T) {
	p := planner(t, bustest.MustArray())
	m0, m1 := Fault{Kind: Dead, Chip: bustest.M0}, Fault{Kind: Dead, Chip: bustest.M1}
	for _, c := range []struct {
		sets   [][]Fault
		m0, m1 Drives
	}{
		{[][]Fault{nil}, Yes, Yes}, {[][]Fault{{m0}}, No, Yes}, {[][]Fault{{m0, m1}}, No, No},
		{[][]Fault{{m0}, {m1}}, Undecided, Undecided}, {[][]Fault{nil, {m0}, {m0, m1}}, Undecided, Undecided},
		{[][]Fault{{m0}, {m0, m1}}, No, Undecided},
	} {
		chips := make([]ChipSample, len(p.wires))
		p.inferDrives(chips, p.hypotheses(c.sets))
		if chips[bustest.M0].Drives != c.m0 || chips[bustest.M1].Drives != c.m1 || chips[bustest.C0].Drives != Yes {
			t.Errorf("%v: %v, %v and %v", c.sets, chips[bustest.M0].Drives, chips[bustest.M1].Drives,
				chips[bustest.C0].Drives)
		}
	}
}

// TestSafeUnderTheSimplest: a word that by the description enables two chips of a lane is not safe, whatever the
// hypotheses; one of a single chip is, unless one of the simplest makes another listen too.
func TestSafeUnderTheSimplest(t *testing.T) {
	a := bustest.MustArray()
	p := planner(t, a)
	short := Fault{Kind: OpenActive, Chip: bustest.M2, Input: 1} // it listens to its family's line alone
	for name, c := range map[string]struct {
		word chipmodel.LineSet
		sets [][]Fault
		want bool
	}{
		"one chip":                  {p.wires[bustest.M0], [][]Fault{nil}, true},
		"two of a lane":             {p.wires[bustest.M0] | p.wires[bustest.M2], [][]Fault{nil}, false},
		"two lanes":                 {p.wires[bustest.M0] | p.wires[bustest.M1], [][]Fault{nil}, true},
		"another listens":           {p.wires[bustest.M0], [][]Fault{{short}}, false},
		"another may, with two":     {p.wires[bustest.M0], [][]Fault{nil, {short}}, true},
		"its own word all the same": {p.wires[bustest.M2], [][]Fault{{short}}, true},
		"a dead one among the chips": {p.wires[bustest.M0] | p.wires[bustest.M2], [][]Fault{{{Kind: Dead, Chip: 2}}},
			true},
	} {
		if got := p.chooser(p.hypotheses(c.sets)).simplestSafe(c.word); got != c.want {
			t.Errorf("%s: safe %v", name, got)
		}
	}
}

// TestLanesThatWereDrivenByNobody: something that nothing explains, on whatever lane, is told before a chip of that
// lane
// is enabled, and not before one of another.
func TestLanesThatWereDrivenByNobody(t *testing.T) {
	a := demo(t)
	p := planner(t, a)
	for lane := range a.Lanes {
		word := chipmodel.LineSet(0)
		s := &State{seen: []seen{{enable: word, readout: word, levels: uint64(Driven) << (2 * uint(lane)),
			mask: 3 << (2 * uint(lane))}}}
		for other := range a.Lanes {
			reach := make([]uint64, len(a.Lanes))
			reach[other] = 1
			if got := p.strangers(s, reach); (got != "") != (other == lane) ||
				got != "" && !strings.Contains(got, "lane "+a.Lanes[lane].Name+" was driven") {
				t.Errorf("lane %d was driven, one of %d is to be enabled: %q", lane, other, got)
			}
		}
	}
}

// TestCoveringAChip: which picture darkens tells whether two lines are swapped.
func TestCoveringAChip(t *testing.T) {
	a := bustest.MustArray()
	p := planner(t, a)
	x0, x2 := a.Message.GetSelectLines(), 0
	line := slices.Index(x0, "x0")
	x2 = slices.Index(x0, "x2")
	swap := Fault{Kind: Swapped, Line: min(line, x2), Other: max(line, x2)}
	sets := [][]Fault{nil, {swap}}
	check, ok := p.coverCheck(swap, sets)
	if !ok || !strings.Contains(check.what, "m0") {
		t.Fatalf("%+v, %v", check, ok)
	}
	if good, bad := check.shows(nil), check.shows([]Fault{swap}); good != "that of m0" || bad != "that of m2" {
		t.Errorf("without a swap %q, with it %q", good, bad)
	}
	if got := check.shows([]Fault{{Kind: LaneSaturated, Lane: p.lane[bustest.M0]}}); got != "none does" {
		t.Errorf("of a lane at full scale: %q", got)
	}
}

// TestWhatAnExperimentLeaves: nothing where every hypothesis shows something of its own, all of it where all show the
// same, and of halves n log of a half each.
func TestWhatAnExperimentLeaves(t *testing.T) {
	const n = 8
	hyps := make([]hypothesis, n)
	for i := range hyps {
		hyps[i].conv = converterOf(nil)
	}
	r := newScorer(hyps, 3)
	enabled, same, half, apart := make([]uint64, 3*n), make([]uint64, 3*n), make([]uint64, 3*n), make([]uint64, 3*n)
	for h := range n {
		for lane := range 3 {
			enabled[3*h+lane] = 1
			apart[3*h+lane] = uint64(h >> lane & 1)
		}
		half[3*h] = uint64(h & 1)
	}
	for name, c := range map[string]struct {
		row  []uint64
		want float64
	}{"all alike": {same, n * math.Log(n)}, "halves": {half, n * math.Log(n/2)}, "all apart": {apart, 0}} {
		if got := r.left(enabled, c.row); math.Abs(got-c.want) > 1e-9 {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
	if math.Abs(r.none()-n*math.Log(n)) > 1e-9 {
		t.Errorf("none: %v", r.none())
	}
}

// TestRisksAreTakenOnce: a risky experiment is safe under the simplest hypotheses, and its readouts tell as many of
// those under which it is not from the rest as any readouts of the list could.
func TestRisksAreTakenOnce(t *testing.T) {
	p := planner(t, demo(t))
	found := 0
	rng := rand.New(rand.NewPCG(3, 1))
	for range 60 {
		sets := [][]Fault{nil}
		for range 12 {
			sets = append(sets, p.singles[1+rng.IntN(len(p.singles)-1)].faults)
		}
		hyps := p.hypotheses(sets)
		c := p.chooser(hyps)
		e, ok := c.risky(p.own, p.readout)
		if !ok {
			continue
		}
		found++
		if len(e.Readouts) == 0 || len(e.Readouts) > mostReadouts || len(e.Risks) == 0 {
			t.Errorf("%d readouts for %d risks", len(e.Readouts), len(e.Risks))
		}
		calm := p.Observe(nil, e).Levels
		for _, risk := range e.Risks {
			told, could := false, false
			for i, seen := range p.Observe(risk, e).Levels {
				told = told || !slices.Equal(seen, calm[i])
			}
			for _, w := range p.readout {
				one := Experiment{Enable: e.Enable, Readouts: []chipmodel.LineSet{w}}
				could = could || !slices.Equal(p.Observe(risk, one).Levels[0], p.Observe(nil, one).Levels[0])
			}
			if !told && could && len(e.Readouts) < mostReadouts {
				t.Errorf("%v would have to be risked again", risk)
			}
		}
	}
	if found < 5 {
		t.Errorf("%d experiments were risky; the test needs some", found)
	}
}

// TestTheReportOfAFault spells out places, what is there together, and how many more there are; each with what to do.
func TestTheReportOfAFault(t *testing.T) {
	a := demo(t)
	dead := func(chips ...int) (out []Fault) {
		for _, c := range chips {
			out = append(out, Fault{Kind: Dead, Chip: c})
		}
		return out
	}
	var many []int
	for c := range a.Chips {
		many = append(many, c)
	}
	r := &Result{array: a, Verdict: Faulty, Explanations: 22, Cases: []Case{
		{Places: [][]Fault{dead(0), dead(1, 2)}}, {Places: [][]Fault{dead(many...)}},
		{Places: [][]Fault{dead(3), dead(4)}}}}
	report := r.Report()
	place := func(c int) string { return Fault{Kind: Dead, Chip: c}.place(a) }
	for _, says := range []string{
		"Inferred from all readouts (if there is no more than one fault; second ones were not looked for):\n- " +
			place(0),
		"- together with one of these 2:\n  - " + place(1) + ".\n    To do: ",
		"Or else:\n- one of these 19:\n  - " + place(0), "  - " + place(15) + ".\n", "  - 3 more.\nOr else:\n",
		"- " + place(3) + ".\n  To do: ", "- together with " + place(4) + ".\n  To do: ",
	} {
		if !strings.Contains(report, says) {
			t.Errorf("the report does not say %q:\n%s", says, report)
		}
	}
	if strings.Contains(report, place(16)) {
		t.Errorf("too many places:\n%s", report)
	}
}

// TestWhatAMeasurementLeaves: named where it is one, counted where they are more.
func TestWhatAMeasurementLeaves(t *testing.T) {
	a := demo(t)
	r := &Result{array: a}
	one, other := Fault{Kind: Dead, Chip: 1}, Fault{Kind: Dead, Chip: 2}
	single := Case{Places: [][]Fault{{one}}}
	pairs := Case{Places: [][]Fault{{one, other}, {{Kind: LaneOpen}, {Kind: LaneOpen, Lane: 1}}}}
	for want, o := range map[string]HandOutcome{
		"there is no fault":               {NoFault: true},
		places(a, []Fault{one}):           {Cases: []Case{single}},
		"there is no fault, or one other": {NoFault: true, Cases: []Case{single}},
		"4 explanations are left":         {Cases: []Case{pairs}},
		"5 explanations are left":         {NoFault: true, Cases: []Case{pairs}},
		"2 explanations are left":         {Cases: []Case{single, {Places: [][]Fault{{other}}}}},
		"3 explanations are left":         {NoFault: true, Cases: []Case{single, {Places: [][]Fault{{other}}}}},
	} {
		if got := r.left(&o); got != want {
			t.Errorf("%+v: %q, want %q", o, got, want)
		}
	}
}

// TestWhatIsNotMade: where no safe experiment tells a fault from none, one that is not safe is told, if any would: with
// what would be enabled together, and under which fault.
func TestWhatIsNotMade(t *testing.T) {
	a := bustest.MustArray()
	p := planner(t, a)
	told, disabled := 0, 0
	for i := 1; i < len(p.singles); i++ {
		for j := range i {
			hyps := []hypothesis{p.singles[j], p.singles[i]}
			if _, safe := p.chooser(hyps).exact(); safe {
				continue
			}
			list := p.unsafe(hyps)
			// Any two words that show it, whether they are safe or not.
			differ := false
			for _, enable := range p.enable {
				for _, readout := range p.readout {
					e := one(enable, readout)
					differ = differ || !slices.Equal(p.Observe(hyps[0].faults, e).Levels[0],
						p.Observe(hyps[1].faults, e).Levels[0])
				}
			}
			if differ && len(list) == 0 {
				t.Errorf("%v and %v: nothing is told", hyps[0].faults, hyps[1].faults)
			}
			for _, u := range list {
				told++
				if len(u.Chips) < 2 || u.Lane == "" || len(u.Enable) == 0 || len(u.Readout) == 0 {
					t.Errorf("%v and %v: %+v", hyps[0].faults, hyps[1].faults, u)
				}
				if u.Disable == nil {
					continue
				}
				disabled++
				word := func(names []string) (w chipmodel.LineSet) {
					for _, n := range names {
						w |= 1 << slices.Index(p.a.Lines, n)
					}
					return w
				}
				shows := func(h hypothesis) (out []uint64) {
					n := len(a.Lanes)
					u1, v1, w1 := make([]uint64, n), make([]uint64, n), make([]uint64, n)
					p.reach(h.faults, word(u.Enable), u1)
					p.reach(h.faults, word(u.Disable), v1)
					p.reach(h.faults, word(u.Readout), w1)
					for lane := range n {
						levels := uint64(0)
						if u1[lane]&^v1[lane]&w1[lane] != 0 {
							levels = uint64(Driven)
						}
						out = append(out, levels&(h.conv.keep>>(2*lane)&3)|h.conv.set>>(2*lane)&3)
					}
					return out
				}
				if slices.Equal(shows(hyps[0]), shows(hyps[1])) {
					t.Errorf("%v and %v: %+v does not tell them apart", hyps[0].faults, hyps[1].faults, u)
				}
			}
		}
	}
	if told < 3 {
		t.Errorf("%d experiments were not made; the test needs some", told)
	}
	t.Logf("%d experiments, %d with disabling", told, disabled)
}
