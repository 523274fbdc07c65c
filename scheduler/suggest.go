package scheduler

import (
	"cmp"
	"fmt"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// maxSuggested is how many tasks are changed in turn where a refusal names none.
const maxSuggested = 4

// suggest adds to a refusal what would fit at the rates asked for: for the task that does not fit, or each of the
// largest where none is named, the first binning and a window with which all tasks fit. Every answer has been planned;
// so has every block of fewer cells, and the window that is one row larger, with which no plan was found. A window that
// is larger still may fit.
func (p *remedies) suggest(r *facetdv1.Refusal) {
	for _, i := range p.suspects(r) {
		if s := p.fittingBinning(i); s != nil {
			r.Suggestions = append(r.Suggestions, s)
		}
		if s := p.fittingWindow(i); s != nil {
			r.Suggestions = append(r.Suggestions, s)
		}
	}
}

// suspects are the tasks to change.
func (p *remedies) suspects(r *facetdv1.Refusal) []int {
	var all []int
	for i, t := range p.tasks {
		if t.Name == r.GetTask() {
			return []int{i}
		}
		all = append(all, i)
	}
	if len(p.whole) < len(p.tasks) {
		return nil // refused before any task was weighed against the others
	}
	use := func(i int) float64 { return float64(p.whole[i].Total()) * p.tasks[i].RateHz }
	slices.SortStableFunc(all, func(x, y int) int { return cmp.Compare(use(y), use(x)) })
	return all[:min(len(all), maxSuggested)]
}

// changed plans with one task changed, and returns the bus time of its job, or 0
// where the tasks do not fit.
func (p *remedies) changed(task int, to *program.Task) int64 {
	if to == nil {
		return 0
	}
	tasks := slices.Clone(p.tasks)
	tasks[task] = to
	sub, found := p.fit(tasks, rateStates)
	if found == nil {
		return 0
	}
	return int64(sub.whole[task].Total())
}

// fittingBinning is the first block, of each view at least and by the number of its cells, with which a plan for all
// tasks was found.
func (p *remedies) fittingBinning(task int) *facetdv1.Suggestion {
	t := p.tasks[task]
	if !t.Class.HasPatterns() {
		return nil
	}
	for _, b := range blocks() {
		coarse, fewer := t.Binned(p.array, b[0], b[1])
		if !fewer {
			continue
		}
		if job := p.changed(task, coarse); job > 0 {
			return &facetdv1.Suggestion{
				Task: t.Name, JobNs: job, Binning: &facetdv1.Binning{Rows: uint32(b[0]), Columns: uint32(b[1])},
				Message: fmt.Sprintf("binning %d x %d would make task %s fit, with %s per job", b[0], b[1], t.Name,
					ticks(job)),
			}
		}
	}
	return nil
}

// blocks lists the possible blocks by size, squarer ones first.
func blocks() [][2]int {
	var all [][2]int
	for _, rows := range []int{1, 2, 4, 8} {
		for _, columns := range []int{1, 2, 4, 8} {
			all = append(all, [2]int{rows, columns})
		}
	}
	slices.SortStableFunc(all, func(x, y [2]int) int {
		return cmp.Or(cmp.Compare(x[0]*x[1], y[0]*y[1]), cmp.Compare(max(x[0], x[1]), max(y[0], y[1])))
	})
	return all
}

// fittingWindow is a part of each view's window with which all tasks fit, while with one more row they do not: its
// middle, or the first rows for counter chips, which spend time on every pixel before a window. It halves what it
// looks at, and which windows fit need not be monotone: much larger ones are not ruled out.
func (p *remedies) fittingWindow(task int) *facetdv1.Suggestion {
	t := p.tasks[task]
	first := t.Views[0].Window
	full := max(first.Rows, first.Columns)
	var job int64
	fits := func(n int) bool {
		got := p.changed(task, t.Cropped(p.array, n, full))
		if got > 0 {
			job = got
		}
		return got > 0
	}
	low, high := 0, full
	for high-low > 1 {
		if mid := (low + high) / 2; fits(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	if low == 0 {
		return nil
	}
	w := t.Cropped(p.array, low, full).Views[0].Window
	where := "in the middle"
	if t.Class.Counts() {
		where = "from the first row on"
	}
	views := ""
	if len(t.Views) > 1 {
		views = ", and every other view in the same proportion,"
	}
	return &facetdv1.Suggestion{
		Task: t.Name, JobNs: job, Window: w.Message(),
		Message: fmt.Sprintf("a window of %d x %d pixels %s%s would make task %s fit, with %s per job", w.Rows,
			w.Columns, where, views, t.Name, ticks(job)),
	}
}
