package scheduler

import (
	"cmp"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// maxSuggested is how many tasks are changed in turn where a refusal names none.
const maxSuggested = 4

// suggest adds to a refusal what would fit at the rates asked for: for the task that
// does not fit, or each of the largest where none is named, the least binning and
// the largest window with which all tasks fit. Every answer was planned.
func (p *planner) suggest(r *facetdv1.Refusal) {
	for _, i := range p.suspects(r) {
		if s := p.leastBinning(i); s != nil {
			r.Suggestions = append(r.Suggestions, s)
		}
		if s := p.largestWindow(i); s != nil {
			r.Suggestions = append(r.Suggestions, s)
		}
	}
}

// suspects are the tasks to change.
func (p *planner) suspects(r *facetdv1.Refusal) []int {
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
	share := func(i int) float64 { return float64(p.whole[i].total()) * p.tasks[i].Spec.GetRateHz() }
	slices.SortStableFunc(all, func(x, y int) int { return cmp.Compare(share(y), share(x)) })
	return all[:min(len(all), maxSuggested)]
}

// changed plans with one task changed, and returns the bus time of its job, or 0
// where the tasks do not fit.
func (p *planner) changed(task int, spec *facetdv1.Task) int64 {
	changed, m := NewTasks(p.a, []*facetdv1.Task{spec})
	if len(m) > 0 {
		return 0
	}
	tasks := slices.Clone(p.tasks)
	tasks[task] = changed[0]
	sub := &planner{a: p.a, tasks: tasks, opt: p.opt, words: p.words, start: assumed(p.a, tasks), states: rateStates}
	if sub.prepare() != nil {
		return 0
	}
	cads, refusal := sub.cadences(sub.asked)
	if refusal != nil {
		return 0
	}
	if _, refusal = sub.solveAny(cads); refusal != nil {
		return 0
	}
	return int64(sub.whole[task].total())
}

// leastBinning is the smallest block, of each view at least, with which all tasks
// fit.
func (p *planner) leastBinning(task int) *facetdv1.Suggestion {
	t := p.tasks[task]
	if !t.Class.Kind.HasPatterns() {
		return nil
	}
	for _, b := range blocks() {
		spec, more := binned(t, b[0], b[1])
		if !more {
			continue
		}
		if job := p.changed(task, spec); job > 0 {
			return &facetdv1.Suggestion{
				Task: t.Name, JobNs: job, Binning: &facetdv1.Binning{Rows: uint32(b[0]), Columns: uint32(b[1])},
				Message: fmt.Sprintf("binning %d x %d would make task %s fit, with %s a job", b[0], b[1], t.Name, Millis(job)),
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

// viewsOf are the views of a task as they were asked for, spelled out.
func viewsOf(t *Task) (*facetdv1.Task, []*facetdv1.View) {
	spec := proto.CloneOf(t.Spec)
	if len(spec.Views) == 0 {
		spec.Views = []*facetdv1.View{{}}
	}
	return spec, spec.Views
}

// binned is a task with blocks of at least a size in every view, over the same part
// of the lattice, and whether fewer pixels of some view are read.
func binned(t *Task, rows, columns int) (spec *facetdv1.Task, fewer bool) {
	spec, views := viewsOf(t)
	for i, v := range views {
		r, c := max(int(v.GetBinning().GetRows()), rows), max(int(v.GetBinning().GetColumns()), columns)
		v.Binning = &facetdv1.Binning{Rows: uint32(r), Columns: uint32(c)}
		w := t.Views[i].Window
		w.Rows, w.RowStep = coarser(w.Rows, w.RowStep, r)
		w.Columns, w.ColumnStep = coarser(w.Columns, w.ColumnStep, c)
		fewer = fewer || w.Pixels() < t.Views[i].Window.Pixels()
		v.Window = w.Message()
	}
	return spec, fewer
}

// coarser brings n pixels a step apart to at least a new step over the same extent.
func coarser(n, step, least int) (int, int) {
	wide := max(step, least)
	return (n-1)*step/wide + 1, wide
}

// largestWindow is the largest part of each view's window with which all tasks fit:
// its middle; the first rows of counter chips, which pass every pixel before a window.
func (p *planner) largestWindow(task int) *facetdv1.Suggestion {
	t := p.tasks[task]
	first := t.Views[0].Window
	full := max(first.Rows, first.Columns)
	var job int64
	fits := func(n int) bool {
		spec, _ := cropped(t, n, full)
		got := p.changed(task, spec)
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
	_, w := cropped(t, low, full)
	where := "in the middle"
	if t.Class.Kind.Counts() {
		where = "from the first row on"
	}
	views := ""
	if len(t.Views) > 1 {
		views = ", and every other view in the same proportion,"
	}
	return &facetdv1.Suggestion{
		Task: t.Name, JobNs: job, Window: w.Message(),
		Message: fmt.Sprintf("a window of %d x %d pixels %s%s would make task %s fit, with %s a job", w.Rows, w.Columns, where, views, t.Name, Millis(job)),
	}
}

// cropped is a task with num/den of every view's window, and the first of them.
func cropped(t *Task, num, den int) (*facetdv1.Task, chipmodel.Window) {
	spec, views := viewsOf(t)
	var first chipmodel.Window
	for i, v := range views {
		w := t.Views[i].Window
		w.Row, w.Rows = middle(w.Row, w.Rows, w.RowStep, num, den, t.Class.Kind.Counts())
		if !t.Class.Kind.Counts() {
			w.Column, w.Columns = middle(w.Column, w.Columns, w.ColumnStep, num, den, false)
		}
		v.Window = w.Message()
		if i == 0 {
			first = w
		}
	}
	return spec, first
}

// middle is the middle, or the beginning, of one axis of a window.
func middle(first, n, step, num, den int, beginning bool) (int, int) {
	m := max(n*num/den, 1)
	if !beginning {
		first += (n - m) / 2 * step
	}
	return first, m
}
