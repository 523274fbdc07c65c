package program

import (
	"cmp"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Initialization brings every register to what a table of tasks assumes, from any state. It disables every output
// first, chip by chip. Those with the fewest inputs come first: a word for one chip can reach another of its lane only
// where that one's wires are among its own, and such a chip is then disabled already. So no word makes two chips drive
// a lane, whatever is enabled before. Errors: *SelectError.
func Initialization(w *Words, tasks []*Task) ([]bus.Op, error) {
	e := newEmitter(w, NewRegisters(w.a, Unknown))
	assumed := Assumed(w.a, tasks)
	order := w.a.All()
	slices.SortStableFunc(order, func(x, y int) int {
		return cmp.Compare(w.a.Chips[x].Wires.Len(), w.a.Chips[y].Wires.Len())
	})
	for _, c := range order {
		if e.regs[c][chipmodel.OutputEnable] != 0 {
			e.Activate(w.a.Chips[c].Wires)
			e.alone(w.a.Reach(w.a.Chips[c].Wires), bus.Write(chipmodel.OutputEnable, 0))
		}
	}
	var settle time.Duration
	for _, t := range tasks {
		var actions []bus.Action
		wanted := Wishes(t)
		for reg := facetdv1.Register(1); int(reg) < chipmodel.NumRegisters; reg++ {
			wish, ok := wanted[reg]
			relied := func(c int) bool { return assumed[c][reg] == int32(wish.Last) }
			if ok && slices.ContainsFunc(t.Touches, relied) {
				actions = append(actions, bus.Write(reg, wish.Last))
			}
		}
		wrote, err := e.apply(t.Touches, actions)
		if err != nil {
			return nil, selectErrorOf(w.a, err)
		}
		if wrote && t.Class.HasSwitches() {
			settle = max(settle, w.a.PatternSettle(t.Class))
		}
	}
	e.Wait(settle)
	return e.Take(), nil
}
