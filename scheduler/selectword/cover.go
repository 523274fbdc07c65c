package selectword

import (
	"cmp"
	"slices"

	"facetd.example/chipmodel"
)

// MaxCost is the largest cost of a word: in nanoseconds a little over 18 minutes.
const MaxCost = int64(1) << 40

// defaultWork is under a second on a small machine, and far more than 64 chips on
// 16 lines usually need. Larger targets get less.
const defaultWork = 1_000_000

// Options say what kind of cover is wanted.
type Options struct {
	// Once asks for a partition: no chip is reached twice. Strobes need it.
	Once bool
	// Cost is the cost of sending a command under a word; the sum is minimised. Nil means that every word costs 1.
	// Costs are 1..MaxCost, depend on the word alone, and must not fall when lines are added: words are compared only
	// in their smallest form, in which no line is active that no reached chip needs. Otherwise the answer may not be
	// the cheapest, and LowerBound may be wrong.
	Cost func(chipmodel.LineSet) int64
	// Work caps the search, in steps of roughly a microsecond; 0 means a default.
	// The same work always gives the same answer.
	Work int
}

// Cover is a set of words that reaches exactly a target.
type Cover struct {
	// Words are in order of the chips they reach.
	Words []chipmodel.LineSet
	// Reaches are the chips of each word, ascending.
	Reaches [][]int
	// Optimal says that no cheaper cover exists.
	Optimal bool
	// LowerBound is a cost that no cover undercuts, in words where Options.Cost is
	// nil. It equals the cost of the words where Optimal is set.
	LowerBound int64
}

// Cover returns the cheapest words found whose reaches together are exactly the
// target (in any order). Errors: *TargetError, *UnreachableError, *CostError, and
// *ClashError where Options.Once is set.
func (w *Wiring) Cover(target []int, opt Options) (Cover, error) {
	inside, err := w.membership(target)
	if err != nil {
		return Cover{}, err
	}
	if err := w.checkReachable(inside); err != nil {
		return Cover{}, err
	}
	in := newInstance(w, inside, opt)
	// Most targets of a planned wiring are one word; they need none of what follows.
	if all := unionOf(in.elems); in.cost == nil && in.allowed(all) {
		return w.finish(solution{words: []chipmodel.LineSet{all}, cost: 1, bound: 1}), nil
	}
	if opt.Once {
		if in.elems, err = w.atoms(in, inside); err != nil {
			return Cover{}, err
		}
	} else {
		in.elems = maximalSets(in.elems)
	}
	found, err := in.solve()
	if err != nil {
		return Cover{}, err
	}
	return w.finish(found), nil
}

// membership turns a target into flags by chip.
func (w *Wiring) membership(target []int) ([]bool, error) {
	bad := TargetError{Empty: len(target) == 0, Chips: len(w.wires)}
	inside := make([]bool, len(w.wires))
	for _, chip := range target {
		switch {
		case chip < 0 || chip >= len(w.wires):
			bad.OutOfRange = append(bad.OutOfRange, chip)
		case inside[chip]:
			bad.Repeated = append(bad.Repeated, chip)
		default:
			inside[chip] = true
		}
	}
	if bad.Empty || bad.OutOfRange != nil || bad.Repeated != nil {
		slices.Sort(bad.Repeated)
		bad.Repeated = slices.Compact(bad.Repeated)
		return nil, &bad
	}
	return inside, nil
}

// checkReachable finds the first target chip under whose own wires a chip outside
// the target listens; then it does so under every word that reaches the chip.
func (w *Wiring) checkReachable(inside []bool) error {
	for chip, wires := range w.wires {
		if !inside[chip] {
			continue
		}
		var blocking []int
		for other, needs := range w.wires {
			if !inside[other] && needs.Within(wires) {
				blocking = append(blocking, other)
			}
		}
		if blocking != nil {
			return &UnreachableError{Chip: chip, Blocking: blocking}
		}
	}
	return nil
}

// finish adds the reaches and puts the words in order.
func (w *Wiring) finish(found solution) Cover {
	type reached struct {
		word  chipmodel.LineSet
		chips []int
	}
	all := make([]reached, len(found.words))
	for i, word := range found.words {
		all[i] = reached{word, w.Reach(word)}
	}
	slices.SortFunc(all, func(a, b reached) int {
		return cmp.Or(slices.Compare(a.chips, b.chips), cmp.Compare(a.word, b.word))
	})
	cover := Cover{Optimal: found.cost == found.bound, LowerBound: found.bound}
	for _, r := range all {
		cover.Words = append(cover.Words, r.word)
		cover.Reaches = append(cover.Reaches, r.chips)
	}
	return cover
}
