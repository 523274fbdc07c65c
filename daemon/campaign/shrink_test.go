package campaign

import (
	"fmt"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// again is how often what was shrunk is run to see whether it fails every time.
const again = 20

// shrunk is a failing run with as few faults as it takes.
type shrunk struct {
	*outcome
	chosen []int // of the scenario's faults
	fails  int   // of so many runs
}

// shrink leaves out faults until leaving out any one more makes the run pass.
func shrink(t *testing.T, o *outcome) *shrunk {
	chosen := make([]int, len(o.faults))
	for i := range chosen {
		chosen[i] = slices.IndexFunc(o.s.faults, func(f fault) bool { return sameFault(&f, &o.faults[i]) })
	}
	run := func(chosen []int) *outcome {
		next := o.s.run(t, o.s.chosen(chosen))
		if o.differs && !next.failed() { // it takes two runs to fail
			next.compare(o.s.run(t, o.s.chosen(chosen)))
		}
		return next
	}
	least := o
	for i := 0; i < len(chosen); {
		fewer := slices.Delete(slices.Clone(chosen), i, i+1)
		if next := run(fewer); next.failed() {
			least, chosen = next, fewer
			i = 0 // one that was needed may not be any more
			continue
		}
		i++
	}
	out := &shrunk{outcome: least, chosen: chosen}
	for range again {
		if run(chosen).failed() {
			out.fails++
		}
	}
	return out
}

// sameFault compares faults by what is drawn for each alone.
func sameFault(a, b *fault) bool { return a.kind == b.kind && a.at == b.at && a.seed == b.seed }

// chosen are some of a scenario's faults.
func (s *scenario) chosen(indices []int) []fault {
	out := make([]fault, len(indices))
	for i, k := range indices {
		out[i] = s.faults[k]
	}
	return out
}

// report says what failed, with which faults, and how to run it again.
func (s *shrunk) report() string {
	var b strings.Builder
	fmt.Fprintf(&b, "seed %d at commit %s: %s\n", s.s.seed, commit(), strings.Join(s.problems, "\n  "))
	if s.fails < again {
		fmt.Fprintf(&b, "  unsteady: it failed in %d of %d more runs\n", s.fails, again)
	}
	names := make([]string, len(s.chosen))
	for i, k := range s.chosen {
		names[i] = strconv.Itoa(k)
		fmt.Fprintf(&b, "  it takes fault %d: %v\n", k, &s.s.faults[k])
	}
	fmt.Fprintf(&b, "  %s=%d,1 %s=%s go test -count=1 -run TestCampaign ./daemon/campaign", seedsVariable, s.s.seed,
		faultsVariable, strings.Join(names, ","))
	return b.String()
}

// commit is the one that is checked out, where there is a repository.
func commit() string {
	out, err := exec.Command("git", "rev-parse", "--short", "HEAD").Output()
	if err != nil {
		return "unknown"
	}
	return strings.TrimSpace(string(out))
}

// chosenFaults are those that FACETD_CAMPAIGN_FAULTS=i,k,... names of each seed's; nothing after the = is none.
func chosenFaults(t *testing.T, s *scenario) []fault {
	value, set := os.LookupEnv(faultsVariable)
	if !set {
		return s.faults
	}
	var indices []int
	for part := range strings.SplitSeq(value, ",") {
		if part == "" {
			continue
		}
		i, err := strconv.Atoi(part)
		if err != nil || i < 0 || i >= len(s.faults) {
			t.Fatalf("%s=%s: seed %d has faults 0 to %d", faultsVariable, value, s.seed, len(s.faults)-1)
		}
		indices = append(indices, i)
	}
	return s.chosen(indices)
}

// TestCanary: a run that must fail does, is shrunk to the fault that makes it, and is told with the command that runs
// it again. The fault is a bus that gives another code than it read, without a word.
func TestCanary(t *testing.T) {
	for seed := uint64(1); seed <= 2; seed++ {
		s := newScenario(seed)
		lie := fault{kind: liar, until: 1 << 62, times: 1 << 30, seed: 1}
		at := len(s.faults) / 2
		s.faults = slices.Insert(s.faults, at, lie)
		o := s.run(t, s.faults)
		if !o.failed() {
			t.Fatalf("seed %d passes with a bus that lies", seed)
		}
		least := shrink(t, o)
		if len(least.chosen) != 1 || s.faults[least.chosen[0]].kind != liar || least.fails != again {
			t.Errorf("seed %d is shrunk to faults %v and fails in %d of %d runs", seed, least.chosen, least.fails,
				again)
		}
		if text := least.report(); !strings.Contains(text, "other codes than a clean bus gives") ||
			!strings.Contains(text, fmt.Sprintf("%s=%d,1 %s=%d go test", seedsVariable, seed, faultsVariable, at)) {
			t.Errorf("it is reported as: %s", text)
		}
	}
}

// TestEqualSeeds: equal seeds give equal digests, different ones different.
func TestEqualSeeds(t *testing.T) {
	seen := map[uint64]uint64{}
	for seed := uint64(1); seed <= 4; seed++ {
		s := newScenario(seed)
		first, second := s.run(t, s.faults), s.run(t, newScenario(seed).faults)
		if first.failed() || second.failed() {
			t.Fatalf("seed %d: %v %v", seed, first.problems, second.problems)
		}
		if first.digest != second.digest && s.ordered() {
			t.Errorf("seed %d: digests %016x and %016x", seed, first.digest, second.digest)
		}
		if other, taken := seen[first.digest]; taken {
			t.Errorf("seeds %d and %d have one digest", seed, other)
		}
		seen[first.digest] = seed
	}
}
