package selectword

import (
	"bytes"
	"encoding/json"
	"maps"
	"math/rand/v2"
	"os"
	"os/exec"
	"slices"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel"
)

type milpInstance struct {
	Name   string              `json:"-"`
	Wires  []chipmodel.LineSet `json:"wires"`
	Lines  int                 `json:"lines"`
	Target []int               `json:"target"`
	Once   bool                `json:"once"`
}

type milpAnswer struct {
	Optimum *int // nil where the time limit struck
	Seconds float64
}

// milp solves instances with scipy's HiGHS.
func milp(t testing.TB, instances []milpInstance, seconds float64) []milpAnswer {
	t.Helper()
	python := peertest.Python(t, "scipy.optimize")
	request, err := json.Marshal(map[string]any{"instances": instances, "seconds": seconds})
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "testdata/milp.py")
	cmd.Stdin, cmd.Stderr = bytes.NewReader(request), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var answers []milpAnswer
	if err := json.Unmarshal(out, &answers); err != nil || len(answers) != len(instances) {
		t.Fatalf("%d answers of %d: %v", len(answers), len(instances), err)
	}
	return answers
}

// randomWiring wires chips to distinct sets of lines.
func randomWiring(rng *rand.Rand, chips, lines, inputs int) *Wiring {
	seen := map[chipmodel.LineSet]bool{}
	var wires []chipmodel.LineSet
	for len(wires) < chips {
		var w chipmodel.LineSet
		for w.Len() < inputs {
			w |= 1 << rng.IntN(lines)
		}
		if !seen[w] {
			seen[w] = true
			wires = append(wires, w)
		}
	}
	return New(wires)
}

func milpInstances(seed uint64, rounds int) []milpInstance {
	rng := rand.New(rand.NewPCG(seed, 1))
	var list []milpInstance
	for range rounds {
		for _, k := range []struct {
			name  string
			w     *Wiring
			lines int
			size  int
		}{
			{"8x8", gridWiring(8, 8), 16, 32},
			{"4x4x4", gridWiring(4, 4, 4), 12, 40},
			{"3 of 9", randomWiring(rng, 64, 9, 3), 9, 48},
			{"3 of 14", randomWiring(rng, 64, 14, 3), 14, 36},
			{"2 of 12", randomWiring(rng, 48, 12, 2), 12, 30},
		} {
			target := rng.Perm(k.w.Chips())[:k.size]
			for _, once := range []bool{false, true} {
				list = append(list, milpInstance{k.name, k.w.wires, k.lines, target, once})
			}
		}
	}
	return list
}

func TestBesideMILP(t *testing.T) {
	const seed = 64
	t.Logf("seed %d", seed)
	instances := milpInstances(seed, peertest.Cases(1, 4))
	compared := 0
	for i, a := range milp(t, instances, 5) {
		in := instances[i]
		opt := Options{Once: in.Once}
		w := New(in.Wires)
		start := time.Now()
		c, err := w.Cover(in.Target, opt)
		if err != nil {
			t.Fatal(err)
		}
		took := time.Since(start)
		checkCover(t, w, in.Target, opt, c)
		if a.Optimum == nil {
			t.Logf("%s once=%v: the other solver did not finish; here %d words, bound %d, %v", in.Name, in.Once,
				len(c.Words), c.LowerBound, took)
			continue
		}
		compared++
		if !c.Optimal || len(c.Words) != *a.Optimum {
			t.Errorf("%s once=%v: %d words, optimal %v; integer programming finds %d", in.Name, in.Once, len(c.Words),
				c.Optimal, *a.Optimum)
		}
		t.Logf("%s once=%v: %d words in %v (integer programming %.0f ms)", in.Name, in.Once, len(c.Words),
			took.Round(time.Microsecond), a.Seconds*1000)
	}
	if compared < len(instances)/2 {
		t.Errorf("only %d of %d compared", compared, len(instances))
	}
}

// BenchmarkBesideMILP reports the time of integer programming (with its own search
// for the words, and the once-only loading of its library left out) beside each time
// here, their ratio, and at the end the median ratio.
func BenchmarkBesideMILP(b *testing.B) {
	instances := milpInstances(99, 1)
	answers := milp(b, instances, 30)
	ratios := map[int]float64{} // by instance; the last run counts
	for i, in := range instances {
		kind := map[bool]string{false: "/cover", true: "/partition"}[in.Once]
		b.Run(in.Name+kind, func(b *testing.B) {
			w := New(in.Wires)
			for b.Loop() {
				if _, err := w.Cover(in.Target, Options{Once: in.Once}); err != nil {
					b.Fatal(err)
				}
			}
			ratios[i] = answers[i].Seconds / (b.Elapsed().Seconds() / float64(b.N))
			b.ReportMetric(answers[i].Seconds*1000, "milp-ms")
			b.ReportMetric(ratios[i], "milp-ratio")
		})
	}
	if n := len(ratios); n > 0 {
		sorted := slices.Sorted(maps.Values(ratios))
		b.Run("median", func(b *testing.B) {
			b.ReportMetric(0, "ns/op") // nothing is timed: leave it out
			b.ReportMetric((sorted[(n-1)/2]+sorted[n/2])/2, "milp-ratio")
		})
	}
}
