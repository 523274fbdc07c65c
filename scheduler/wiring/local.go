package wiring

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"slices"
)

// anneal improves a wiring by moving one wire or swapping two chips, at first also for the worse (simulated annealing,
// Kirkpatrick, Gelatt and Vecchi 1983), until the goal is met or the work is used up. It returns the best wiring seen.
func anneal(t *trial, rng *rand.Rand, goal int64, limit int) ([]word, int64) {
	spec, fixed := t.spec, t.spec.fixed()
	cost := t.cost()
	best, bestCost := slices.Clone(t.wires), cost
	start := *t.work
	hot, cold := temperatures(spec)
	for bestCost > goal && start-*t.work < limit {
		done := float64(start-*t.work) / float64(limit)
		temperature := hot * math.Pow(cold/hot, done)
		if !move(t, rng, fixed) {
			*t.work -= 1 // nothing to move: do not go on for ever
			continue
		}
		*t.work -= 1
		next := t.cost()
		if next > cost && rng.Float64() >= math.Exp(float64(cost-next)/temperature) {
			t.revert(0)
			continue
		}
		t.commit()
		cost = next
		if cost < bestCost {
			best, bestCost = slices.Clone(t.wires), cost
		}
	}
	return best, bestCost
}

// temperatures are from about the weight of a usual group to well below a light one.
func temperatures(spec *Spec) (hot, cold float64) {
	lightest, sum := MaxWeight, int64(0)
	for _, g := range spec.Groups {
		lightest, sum = min(lightest, g.Weight), sum+g.Weight
	}
	hot = float64(sum) / float64(max(1, len(spec.Groups)))
	return max(hot, 1) / 2, max(1, min(float64(lightest), hot)) / 8
}

// move makes one random change; it reports false where the draw changes nothing.
func move(t *trial, rng *rand.Rand, fixed []word) bool {
	a := rng.IntN(len(t.wires))
	if rng.IntN(4) == 0 {
		b := rng.IntN(len(t.wires))
		wa, wb := t.wires[a], t.wires[b]
		if wa == wb || !fixed[a].Within(wb) || !fixed[b].Within(wa) {
			return false
		}
		t.rewire(a, wb)
		t.rewire(b, wa)
		return true
	}
	loose := t.wires[a] &^ fixed[a]
	unused := ^t.wires[a] & (1<<t.spec.Lines - 1)
	if loose == 0 || unused == 0 {
		return false
	}
	t.rewire(a, t.wires[a]&^pick(loose, rng)|pick(unused, rng))
	return true
}

// pick draws one line of a set.
func pick(set word, rng *rand.Rand) word {
	for range rng.IntN(set.Len()) {
		set &= set - 1
	}
	return 1 << bits.TrailingZeros64(uint64(set))
}
