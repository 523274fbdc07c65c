package campaign

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// revision is what the tasks are from one change of them on, as the campaign's own books have it: they begin with what
// a life was started with, and go on by what was asked for and answered.
type revision struct {
	number    uint64
	effective bus.Time
	tasks     []*facetdv1.Task
	by        *answeredChange // nil of the first
}

// books are the revisions of a life, in order. They say what is wrong with the answers.
func (l *life) books() (out []revision, wrong string) {
	out = []revision{{number: 1, tasks: l.tasks}}
	var made []*answeredChange
	for i := range l.changed {
		if l.changed[i].err == nil {
			made = append(made, &l.changed[i])
		}
	}
	slices.SortFunc(made, func(a, b *answeredChange) int { return int(a.revision) - int(b.revision) })
	for _, c := range made {
		last := &out[len(out)-1]
		if c.revision != last.number+1 {
			return out, fmt.Sprintf("after revision %d of the tasks comes %d, of %v", last.number, c.revision, c.change)
		}
		tasks := slices.Clone(last.tasks)
		for _, part := range c.all() {
			if tasks = part.on(tasks); tasks == nil {
				return out, fmt.Sprintf("%v is said to have been made, and the tasks before were %v", part, last.tasks)
			}
		}
		alike := func(a, b *facetdv1.Task) bool { return a.GetPaused() == b.GetPaused() }
		c.pure = slices.EqualFunc(last.tasks, tasks, sameButPaused) &&
			(c.pausesOnly() || !slices.EqualFunc(last.tasks, tasks, alike))
		if c.pure && (c.effective < c.from || c.effective > c.till) {
			return out, fmt.Sprintf("%v, asked for at %v and answered at %v, is said to be active from %v on", c.change,
				c.from, c.till, c.effective)
		}
		out = append(out, revision{c.revision, c.effective, tasks, c})
	}
	return out, ""
}

// on is what one change makes of tasks, in their order; nil where it cannot be made.
func (c *change) on(tasks []*facetdv1.Task) []*facetdv1.Task {
	i := slices.IndexFunc(tasks, func(t *facetdv1.Task) bool { return t.GetName() == c.name() })
	switch {
	case c.remove != "" && i >= 0:
		return slices.Delete(tasks, i, i+1)
	case c.pause != "" && i >= 0:
		tasks[i] = proto.CloneOf(tasks[i])
		tasks[i].Paused = c.paused
	case c.add != nil && i >= 0:
		tasks[i] = c.add
	case c.add != nil && !c.update:
		return append(tasks, c.add)
	default:
		return nil
	}
	return tasks
}

// judgeBooks: every timetable is of the tasks as the books have them in its revision, all that was changed together
// and nothing else; and so is what runs at the end.
func (o *outcome) judgeBooks(l *life) {
	books, wrong := l.books()
	if wrong != "" {
		o.problem("%s", wrong)
		return
	}
	same := func(number uint64, tasks []*facetdv1.Task, paused bool) bool {
		i := slices.IndexFunc(books, func(r revision) bool { return r.number == number })
		return i >= 0 && slices.EqualFunc(books[i].tasks, tasks, func(a, b *facetdv1.Task) bool {
			return paused && proto.Equal(a, b) || !paused && sameButPaused(a, b)
		})
	}
	for i := range l.ledger.plans {
		p := &l.ledger.plans[i]
		if !same(p.revision, p.plan.GetTasks(), false) {
			o.problem("the timetable active from %v on is of other tasks than those of revision %d of %d: %v", p.epoch,
				p.revision, books[len(books)-1].number, p.plan.GetTasks())
			return
		}
	}
	var at []*facetdv1.Task
	for _, t := range l.final.Tasks {
		at = append(at, t.GetTask())
	}
	if last := books[len(books)-1].number; l.final.Revision != last || !same(last, at, true) {
		o.problem("at the end tasks of revision %d run, of %d, which are not those of the books: %v", l.final.Revision,
			last, at)
	}
}

// sameButPaused reports whether two tasks are as timetables tell them: those do not say whether they are paused.
func sameButPaused(a, b *facetdv1.Task) bool {
	if a.GetPaused() != b.GetPaused() {
		a = proto.CloneOf(a)
		a.Paused = b.GetPaused()
	}
	return proto.Equal(a, b)
}

// span is a time over which a task is paused. It surely is from paused to resumed, and may be from first to last. Who
// asks may be told so until it was answered that it is not: on a host that is behind a timetable takes effect at a bus
// time that has passed.
type span struct{ first, paused, resumed, last, told bus.Time }

// pauses are those of a task. One that comes with a timetable is of what that releases, while it is initialized, too.
func (l *life) pauses(books []revision, task string) (out []span) {
	is, latest := false, bus.Time(0)
	for _, r := range books {
		i := slices.IndexFunc(r.tasks, func(t *facetdv1.Task) bool { return t.GetName() == task })
		now := i >= 0 && r.tasks[i].GetPaused()
		first := r.effective
		if r.by != nil && !r.by.pure {
			first = l.initialized(r.effective)
		}
		if latest = max(latest, r.effective); now && !is {
			out = append(out, span{first, latest, 1 << 62, 1 << 62, 1 << 62})
		} else if is && !now {
			p := &out[len(out)-1]
			p.resumed, p.last, p.told = first, latest, max(latest, r.by.till)
		}
		is = now
	}
	return out
}

// leavesOut reports whether a release may be left out as its task is paused, and whether it has to be. It is decided
// about between two bus times.
func leavesOut(pauses []span, from, to bus.Time) (may, must bool) {
	for _, p := range pauses {
		may = may || p.first <= to && p.last >= from
		must = must || p.paused < from && p.resumed > to
	}
	return may, must
}

// toldPaused reports whether a caller may be told between two bus times that a task is paused.
func toldPaused(pauses []span, from, to bus.Time) bool {
	return slices.ContainsFunc(pauses, func(p span) bool { return p.first <= to && p.told >= from })
}

// decided is from when to when it may be decided whether a release is left out: at its own time or, for a bus far away,
// ahead of that. A host that is behind decides later, as it was then.
func (l *life) decided(r release) (from, to bus.Time) { return r.at - l.ahead(), r.at }

// ofBus reports whether a fault is of the bus or of the process that drives it.
func (k faultKind) ofBus() bool {
	switch k {
	case clockStep, diskFull, syncRefused, diskSlow, journalFull, journalSync, mapsFull, mapsSync:
		return false
	}
	return true
}
