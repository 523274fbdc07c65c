package program

import (
	"cmp"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Restorer makes programs that bring the registers of single chips to what a table of tasks assumes, from any state,
// while jobs of other chips are open: they reach no chip but those given and those that listen whenever one of them
// does.
type Restorer struct {
	a       *chipmodel.Array
	assumed Registers
}

// NewRestorer returns the restorer of a table that assumes those registers.
func NewRestorer(a *chipmodel.Array, assumed Registers) *Restorer { return &Restorer{a, assumed} }

// Together are the chips that are to be restored with one, itself included, out of chips in doubt: those that listen
// whenever it does, and those whose own restoration reaches a chip that its own does. All lists are ascending.
func (r *Restorer) Together(chip int, doubt []int) []int {
	out := []int{chip}
	reached := r.Touches(out)
	for grown := true; grown; {
		grown = false
		for _, c := range doubt {
			i, in := slices.BinarySearch(out, c)
			if in || !slices.ContainsFunc(r.a.Reach(r.a.Chips[c].Wires), func(o int) bool {
				_, shared := slices.BinarySearch(reached, o)
				return shared
			}) {
				continue
			}
			out, grown = slices.Insert(out, i, c), true
			reached = r.Touches(out)
		}
	}
	return out
}

// Touches are the chips that a restoration of chips reaches, ascending.
func (r *Restorer) Touches(chips []int) []int { return touches(r.a, chips) }

// Time is the longest that a restoration of chips takes.
func (r *Restorer) Time(chips []int) time.Duration {
	var total, settle time.Duration
	for _, c := range chips {
		total += r.a.SelectTime() + time.Duration(1+len(r.values(c)))*r.a.WriteTime()
		settle = max(settle, r.settle(c))
	}
	return total + settle
}

// Program is the restoration of chips that belong together. Those with the fewest inputs come first, and each has its
// output disabled before anything else is written: a word for one chip can reach another of its lane only where that
// one's wires are among its own, and such a chip is disabled by then. So no two chips drive a lane, whatever is enabled
// before. What a chip gets that listens whenever another does is what it is to hold as well, since every task of the
// other touches it too, or what the table does not rely on.
func (r *Restorer) Program(chips []int) []bus.Op {
	b := bus.NewBuilder(r.a)
	order := slices.Clone(chips)
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(r.a.Chips[x].Wires.Len(), r.a.Chips[y].Wires.Len())
	})
	var settle time.Duration
	for _, c := range order {
		word := r.a.Chips[c].Wires
		b.Activate(word)
		b.Do(bus.Write(chipmodel.OutputEnable, 0), r.a.Reach(word))
		for _, v := range r.values(c) {
			b.Do(bus.Write(v.Register, v.Value), r.a.Reach(word))
		}
		settle = max(settle, r.settle(c))
	}
	b.Wait(settle)
	return b.Take()
}

// values are what the table relies on in a chip, but for its output.
func (r *Restorer) values(chip int) []bus.RegisterValue {
	var out []bus.RegisterValue
	for reg, v := range r.assumed[chip] {
		if v >= 0 && facetdv1.Register(reg) != chipmodel.OutputEnable {
			out = append(out, bus.RegisterValue{Register: facetdv1.Register(reg), Value: uint16(v)})
		}
	}
	return out
}

// settle is how long the switches of a chip take to settle.
func (r *Restorer) settle(chip int) time.Duration {
	class := r.a.Chips[chip].Class
	if !class.HasSwitches() || len(r.values(chip)) == 0 {
		return 0
	}
	return r.a.PatternSettle(class)
}
