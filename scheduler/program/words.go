package program

import (
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/selectword"
)

// step is one select word and the chips that listen under it.
type step struct {
	word  chipmodel.LineSet
	reach []int
}

// Words finds select words for targets and remembers them.
type Words struct {
	a        *chipmodel.Array
	resolver *selectword.Resolver
	*listeners
}

// NewWords returns the words of an array.
func NewWords(a *chipmodel.Array) *Words {
	wires := make([]chipmodel.LineSet, len(a.Chips))
	for i := range a.Chips {
		wires[i] = a.Chips[i].Wires
	}
	return &Words{a: a, resolver: selectword.NewResolver(selectword.New(wires), selectword.Options{}),
		listeners: newListeners(a)}
}

// Array is the array that the words are for.
func (w *Words) Array() *chipmodel.Array { return w.a }

// cover returns words whose reaches together are exactly the target; with once, no chip is reached twice.
func (w *Words) cover(target []int, once bool) ([]step, error) {
	c, err := w.resolver.Cover(target, once)
	if err != nil {
		return nil, err
	}
	steps := make([]step, len(c.Words))
	for i, word := range c.Words {
		steps[i] = step{word: word, reach: w.a.Reach(word)}
	}
	return steps, nil
}

// Cover returns the fewest select words found that reach exactly a target, in the schema's form; with once, no chip is
// reached twice, as strobes require. optimal says that no fewer words exist; it is proved that no cover has fewer than
// bound. Errors: *selectword.UnreachableError, *selectword.ClashError.
func Cover(a *chipmodel.Array, target []int, once bool) (found []*facetdv1.SelectWord, optimal bool, bound int,
	err error) {
	c, err := NewWords(a).resolver.Cover(target, once)
	if err != nil {
		return nil, false, 0, err
	}
	for _, word := range c.Words {
		found = append(found, SelectWord(a, word))
	}
	return found, c.Optimal, int(c.LowerBound), nil
}

// SelectWord returns a word and its reach in the schema's form.
func SelectWord(a *chipmodel.Array, word chipmodel.LineSet) *facetdv1.SelectWord {
	return &facetdv1.SelectWord{Lines: a.LineNames(word), Reaches: a.ChipNames(a.Reach(word))}
}
