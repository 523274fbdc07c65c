package timetable

import (
	"cmp"
	"slices"
)

// Waits of work that comes unforeseen and runs beside a table, in one piece and in idle time.
//
// The work takes C. It may run in a gap [a, b] of the endlessly repeated table, which is as long as that; gaps in which
// something else is in its way are left out. It begins a lead L after it came at the earliest, and a gap is closed to
// what comes within a margin M of its end, when what follows was handed over. So what comes at t uses the first gap
// with t <= l = min(b-C-L, b-M-1), the last instant for it, and begins at max(a, t+L). The wait from t to its beginning
// is longest for the first that comes too late for the gap before, at l+1, and is at least L:
//
//	longest wait = max(L, max over neighbouring gaps of a' - l - 1)
//
// in whole ticks, and it is attained.

// Gap is an idle part of a table, which may reach over its end.
type Gap struct{ From, To int64 }

// Waiting is what work meets beside a table.
type Waiting struct {
	// Cost is the time that it takes, Lead what passes at least before it begins. Within Margin of its end a gap is not
	// used any more; 0 is none.
	Cost, Lead, Margin int64
	gaps               []Gap // that are long enough, by their ends
	hyperperiod        int64
}

// NewWaiting returns what work meets in the gaps of a table, which do not overlap.
func NewWaiting(hyperperiod int64, gaps []Gap, cost, lead, margin int64) *Waiting {
	w := &Waiting{Cost: cost, Lead: lead, Margin: margin, hyperperiod: hyperperiod}
	for _, g := range gaps {
		if g.To-g.From >= cost {
			w.gaps = append(w.gaps, g)
		}
	}
	slices.SortFunc(w.gaps, func(x, y Gap) int { return cmp.Compare(x.To, y.To) })
	return w
}

// last is the last instant at which work may come for a gap.
func (w *Waiting) last(g Gap) int64 {
	if w.Margin == 0 {
		return g.To - w.Cost - w.Lead
	}
	return min(g.To-w.Cost-w.Lead, g.To-w.Margin-1)
}

// Longest is the longest wait from when work comes, whenever that is, to its beginning. It is false where no gap is
// long enough.
func (w *Waiting) Longest() (int64, bool) {
	if len(w.gaps) == 0 {
		return 0, false
	}
	longest := w.Lead
	for i, g := range w.gaps {
		next := w.gaps[(i+1)%len(w.gaps)]
		from := next.From
		if i+1 == len(w.gaps) {
			from += w.hyperperiod
		}
		longest = max(longest, from-w.last(g)-1)
	}
	return longest, true
}
