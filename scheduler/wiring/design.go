package wiring

import (
	"fmt"
	"math/rand/v2"
	"slices"
)

// Design returns the best wiring found for a specification. Errors:
// invalid.Errors with every error of it, *NoWiringError.
func Design(spec Spec) (Result, error) {
	if err := spec.check(); err != nil {
		return Result{}, err
	}
	return spec.design()
}

// FewestLines returns a wiring on as few lines as were found, at most Spec.Lines,
// under which every group is one word; Spec.Aim does not matter. Errors as for
// Design; the NoWiringError also where not every group can be one word.
func FewestLines(spec Spec) (Result, error) {
	if err := spec.check(); err != nil {
		return Result{}, err
	}
	spec.Aim = MostSingle
	most := spec.Lines
	least := spec.Inputs
	for _, f := range spec.fixed() {
		for _, line := range f.Lines() {
			least = max(least, line+1)
		}
	}
	if spec.Work == 0 {
		spec.Work = defaultWork
	}
	spec.Work = max(1, spec.Work/4) // for each number of lines
	bound := least
	proved := true // so far: fewer lines than this are not enough
	for lines := least; lines <= most; lines++ {
		spec.Lines = lines
		if proved {
			bound = lines
		}
		if spec.impossible() != "" {
			continue
		}
		if spec.bound() > 0 {
			continue
		}
		r, err := spec.design()
		if err == nil && r.Cost == 0 {
			r.LowerBound, r.Proved = int64(bound), proved
			return r, nil
		}
		none, isNone := err.(*NoWiringError)
		proved = proved && (err == nil && r.LowerBound > 0 || isNone && none.Proved)
	}
	reason := fmt.Sprintf("every group as one word on at most %d lines", most)
	if spec.HideNone {
		reason += ", with no swap and no short hidden"
	}
	return Result{}, &NoWiringError{Reason: reason, Proved: proved}
}

// design is Design of a checked specification.
func (s *Spec) design() (Result, error) {
	if reason := s.impossible(); reason != "" {
		return Result{}, &NoWiringError{Reason: reason, Proved: true}
	}
	work := s.Work
	if work == 0 {
		work = defaultWork
	}
	bound := s.bound()
	best := s.fromSeeds(&work, bound)
	if c, ok := s.hidingNone(&work, bound); ok && c.cost < best.cost {
		best = c
	}
	complete := false
	if best.cost > bound {
		wires, done := exhaust(s, best.cost, bound, max(1, work/3))
		if wires != nil {
			best = s.candidate("exhaustive search", wires, &work)
		}
		if complete = done; done {
			bound = best.cost
		}
	}
	if best.cost > bound {
		best = s.improve(best, bound, &work)
	}
	return s.result(best, bound, complete)
}

// candidate is a wiring with its cost.
type candidate struct {
	name  string
	wires []word
	cost  int64
}

func (s *Spec) candidate(name string, wires []word, work *int) candidate {
	return candidate{name, wires, newTrial(s, wires, work).cost()}
}

// fromSeeds returns the best of the known families.
func (s *Spec) fromSeeds(work *int, goal int64) candidate {
	fixed := s.fixed()
	var best candidate
	for i, family := range seeds(len(s.Chips), s.Lines, s.Inputs) {
		sets := relabel(family.sets, fixed, s.Lines)
		wires := make([]word, len(s.Chips))
		for c := range wires {
			wires[c] = fit(fixed[c], sets[c], s.Inputs)
		}
		if c := s.candidate(family.name, wires, work); i == 0 || best.wires == nil || c.cost < best.cost {
			best = c
		}
		if best.cost == goal {
			return best
		}
	}
	if best.wires == nil { // more chips than sets: chips on different lanes may have the same
		sets := lexicographic(len(s.Chips), s.Lines, s.Inputs)
		wires := make([]word, len(s.Chips))
		for c := range wires {
			wires[c] = fit(fixed[c], sets[c%len(sets)], s.Inputs)
		}
		best = s.candidate("lexicographic subsets", wires, work)
	}
	return best
}

// guides are the rounds of the local search; see newTrialAs. Those that count many
// chips in the way find wirings where every group is one word; those that count few
// give up groups that cannot be; the others follow the aim itself from there.
var guides = [...]int{64, 0, 4, 2, 0, 1, 1, 0}

// improve runs the local search.
func (s *Spec) improve(best candidate, goal int64, work *int) candidate {
	rng := rand.New(rand.NewPCG(s.Seed, 0x7769726573)) // any fixed second half
	name := "local search from " + best.name
	from := best.wires
	for round, guide := range guides {
		each := *work / (len(guides) - round)
		if best.cost <= goal || each < 1 {
			break
		}
		target := goal
		if guide > 0 {
			target = 0
		}
		wires, cost := anneal(newTrialAs(s, from, work, guide), rng, target, each)
		if guide > 0 {
			cost = newTrial(s, wires, work).cost()
		}
		if cost < best.cost {
			best = candidate{name, wires, cost}
		}
		if from = best.wires; guide > 0 {
			from = wires
		}
	}
	return best
}

// missed is what every wiring lacks, or every one that was tried where not all were.
func (s *Spec) missed(complete bool) string {
	says := "in every wiring "
	if !complete {
		says += "that was tried "
	}
	says += "some chips cannot be read or reached by themselves"
	if s.HideNone {
		says += ", or a swap or a short is hidden"
	}
	return says
}

// result counts all words in full, and checks the wiring once more by the definition: the search counted step by step.
func (s *Spec) result(best candidate, bound int64, complete bool) (Result, error) {
	work := 0
	t := newTrial(s, best.wires, &work)
	if !t.usable() || !apart(s, best.wires) {
		return Result{}, &NoWiringError{
			Reason: s.missed(complete),
			Proved: complete,
		}
	}
	t.refine()
	r := Result{Wires: slices.Clone(best.wires), Lines: s.Lines, Words: slices.Clone(t.words), Cost: t.cost(),
		Found: best.name}
	r.LowerBound = min(bound, r.Cost)
	r.Proved = r.LowerBound == r.Cost
	return r, nil
}
