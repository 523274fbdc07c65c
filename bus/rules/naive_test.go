package rules_test

import (
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
)

// naive answers from the operations so far, gone through from the first one again
// for every question.
type naive struct {
	a   *chipmodel.Array
	ops []bus.Op
}

// listens reports whether a chip listened after operation n.
func (v naive) listens(chip, n int) bool {
	for i := n; i >= 0; i-- {
		if v.ops[i].Kind == bus.OpSelect {
			for _, line := range v.a.Chips[chip].Selects {
				if !v.ops[i].Word.Has(line) {
					return false
				}
			}
			return true
		}
	}
	return false
}

func (v naive) enabled(chip, n int) bool {
	for i := n; i >= 0; i-- {
		op := &v.ops[i]
		if op.Kind == bus.OpWrite && op.Register == chipmodel.OutputEnable && v.listens(chip, i) {
			return op.Value == 1
		}
	}
	return false
}

// broken returns the rules among 1 to 3 that the last operation breaks.
func (v naive) broken() []int {
	n := len(v.ops) - 1
	op := &v.ops[n]
	violated := map[int]bool{}
	for lane := range v.a.Lanes {
		driving := 0
		for c := range v.a.Chips {
			if v.a.Chips[c].Lane == lane && v.listens(c, n) && v.enabled(c, n) {
				driving++
			}
		}
		if driving > 1 && (op.Kind == bus.OpSelect || op.Register == chipmodel.OutputEnable) {
			violated[rules.RuleOneDriver] = true
		}
	}
	for c := range v.a.Chips {
		if op.Kind == bus.OpSelect || !v.listens(c, n) {
			continue
		}
		if !slices.Contains(op.Target, c) {
			violated[rules.RuleTarget] = true
		}
		for i := range v.ops[:n] {
			if op.Kind == bus.OpStrobe && v.ops[i].Command == op.Command && v.ops[i].Kind != bus.OpSelect &&
				v.listens(c, i) {
				violated[rules.RuleStrobeOnce] = true
			}
		}
	}
	var out []int
	for rule := range violated {
		out = append(out, rule)
	}
	slices.Sort(out)
	return out
}

// missed returns the chips that some command was meant for and did not reach.
func (v naive) missed() []string {
	missed := map[string]bool{}
	for _, op := range v.ops {
		for _, c := range op.Target {
			reached := false
			for i := range v.ops {
				reached = reached || v.ops[i].Kind != bus.OpSelect && v.ops[i].Command == op.Command && v.listens(c, i)
			}
			if !reached {
				missed[v.a.Chips[c].Name] = true
			}
		}
	}
	return sortedKeys(missed)
}

func sortedKeys(m map[string]bool) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// Random programs of one segment: after every operation the inspector has seen
// exactly the violations of rules 1 to 3 that the naive reference sees.
func TestInspectorAgainstNaive(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 2))
	seen := map[int]int{}
	for range 400 {
		s := newStream()
		v := naive{a: s.a}
		s.in.BeginSegment(&bus.Segment{Job: job("t", 0, 1)}, 0, 0)
		// Each command has one action and one target, as the operations of one must.
		commands := make([]bus.Op, 5)
		for i := range commands {
			target := s.a.Reach(chipmodel.LineSet(r.Uint64N(1 << 6)))
			switch r.IntN(3) {
			case 0:
				commands[i] = Strobe(i+1, chipmodel.Load, 0, target...)
			default:
				commands[i] = Write(i+1, chipmodel.OutputEnable, uint16(r.IntN(4)/3^1), target...)
			}
		}
		for range 12 {
			op := Select(chipmodel.LineSet(r.Uint64N(1 << 6)))
			if r.IntN(2) == 0 {
				op = commands[r.IntN(len(commands))]
			}
			v.ops = append(v.ops, op)
			s.op(op)
			var got []int
			for _, one := range s.in.Take() {
				got = append(got, one.Rule)
			}
			slices.Sort(got)
			got = slices.Compact(got)
			want := v.broken()
			if !slices.Equal(got, want) {
				t.Fatalf("rules %v violated, naively %v, by the last of %+v", got, want, v.ops)
			}
			for _, rule := range want {
				seen[rule]++
			}
		}
		s.in.EndSegment(s.now)
		missed := map[string]bool{}
		for _, one := range s.in.Take() {
			for _, c := range one.Chips {
				missed[c] = true
			}
		}
		if got, want := sortedKeys(missed), v.missed(); !slices.Equal(got, want) {
			t.Fatalf("missed %v, naively %v, in %+v", got, want, v.ops)
		}
	}
	for rule := rules.RuleOneDriver; rule <= rules.RuleStrobeOnce; rule++ {
		if seen[rule] < 20 {
			t.Errorf("rule %d was violated only %d times", rule, seen[rule])
		}
	}
}

// The exact times of every readout keep rule 4 by the inspector's own reckoning, and
// none could be a nanosecond shorter.
func TestScanTimesAreValidAndTight(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 3))
	axis := func(size int) (first, n, step int) {
		first, step = r.IntN(size), 1+r.IntN(3)
		return first, 1 + r.IntN((size-first+step-1)/step), step
	}
	words := []chipmodel.LineSet{M0: F | X0, M1: F | X1, M2: F | X2, C0: G | X0, T0: G | X1, S0: H | X0, H0: H | X1}
	for range 500 {
		msg := Message()
		for _, l := range msg.Lanes {
			l.Converter.Conversion.Nanos = int32(1 + r.IntN(4000))
			l.Converter.SampleAndHold = r.IntN(2) == 0
		}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		chip := r.IntN(len(a.Chips))
		class := a.Chips[chip].Class
		var w chipmodel.Window
		w.Row, w.Rows, w.RowStep = axis(class.Rows)
		w.Column, w.Columns, w.ColumnStep = axis(class.Columns)
		run := func(edit func(*bus.Capture)) []rules.Violation {
			s := newStream()
			s.a, s.in = a, rules.NewInspector(a)
			s.edit = func(c []bus.Capture) {
				c[0].Hold = 1e9
				edit(&c[0])
			}
			scan := Scan(a, chip, 0, bus.Claim{})
			scan.Scan.Window = w
			s.segment(job("t", 0, 1), 0, Select(words[chip]), Strobe(1, chipmodel.Load, 0, chip),
				Strobe(2, chipmodel.Reset, 0, chip),
				output(3, enable, chip), scan, output(4, disable, chip))
			return s.in.Take()
		}
		if v := run(func(*bus.Capture) {}); v != nil {
			t.Fatalf("%s, %+v: %v", class.Name, w, v)
		}
		for what, edit := range map[string]func(*bus.Capture){
			"first": func(c *bus.Capture) { c.FirstSample-- },
			"pixel": func(c *bus.Capture) {
				if w.Columns > 1 {
					c.PixelInterval--
					c.RowInterval -= time.Duration(w.Columns - 1) // the step to the next row stays
				} else {
					c.FirstSample--
				}
			},
			"row": func(c *bus.Capture) {
				if w.Rows > 1 {
					c.RowInterval--
				} else {
					c.FirstSample--
				}
			},
			"conversion": func(c *bus.Capture) { c.Converted-- },
		} {
			if v := run(edit); len(v) == 0 || v[0].Rule != rules.RuleSettle {
				t.Fatalf("%s, %+v: %s a nanosecond shorter was not caught: %v", class.Name, w, what, v)
			}
		}
	}
}
