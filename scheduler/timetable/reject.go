package timetable

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// reject looks for a quick proof that the jobs do not fit. Every test is a necessary condition of any schedule at all,
// and its witness explains a refusal better than a search that found nothing.
func (p *problem) reject() (*Witness, string) {
	if total := p.total(); total > p.h {
		return &Witness{
			Message: fmt.Sprintf("the tasks ask for %s of bus time in every %s: %s", p.opt.time(total), p.opt.time(p.h),
				p.demands()),
			Needed: total, Available: p.h,
		}, MethodUtilization
	}
	for _, test := range []struct {
		run    func() *Witness
		method string
	}{{p.rejectWindow, MethodWindow}, {p.rejectQueue, MethodQueue}, {p.rejectGap, MethodGap},
		{p.rejectDemand, MethodDemand}} {
		if w := test.run(); w != nil {
			return w, test.method
		}
	}
	return nil, ""
}

// maxNamed is how many tasks are named with what they ask for.
const maxNamed = 5

// demands names the tasks that ask for most of the bus, and how much.
func (p *problem) demands() string {
	type demand struct {
		name string
		part float64
	}
	all := make([]demand, len(p.names))
	for i, name := range p.names {
		all[i].name = name
	}
	for i := range p.jobs {
		all[p.jobs[i].Task].part += float64(p.jobs[i].total()) / float64(p.h)
	}
	slices.SortStableFunc(all, func(a, b demand) int { return cmp.Compare(b.part, a.part) })
	var words []string
	for _, s := range all[:min(len(all), maxNamed)] {
		words = append(words, fmt.Sprintf("%s %.3g %%", s.name, 100*s.part))
	}
	if more := len(all) - len(words); more > 0 {
		words = append(words, fmt.Sprintf("and %d more", more))
	}
	return strings.Join(words, ", ")
}

// rejectWindow finds a job that takes longer than the time between its release
// and its deadline, or than its limits on spans.
func (p *problem) rejectWindow() *Witness {
	for i := range p.jobs {
		j := &p.jobs[i]
		if c, have := j.total(), j.Deadline-j.Release; c > have {
			return &Witness{
				Message: fmt.Sprintf("a job of task %s takes %s, but must be done within %s", p.name(j), p.opt.time(c),
					p.opt.time(have)),
				Task: p.name(j), Needed: c, Available: have,
			}
		}
		var c int64
		for n := range j.Costs {
			c += j.Costs[n]
			if limit := j.within(n); limit > 0 && c > limit {
				return &Witness{
					Message: fmt.Sprintf("a job of task %s takes %s by itself, but its hold and skew limits leave %s",
						p.name(j), p.opt.time(c), p.opt.time(limit)),
					Task: p.name(j), Needed: c, Available: limit,
				}
			}
		}
	}
	return nil
}

// rejectGap finds a segment that fits in no gap of another task: between two jobs
// of one segment each, the earlier ending as early and the later starting as late
// as it can.
func (p *problem) rejectGap() *Witness {
	longest := p.longest()
	for other, list := range p.byTask {
		if len(list) == 0 || !p.inOrder(list) {
			continue
		}
		var gap, free int64 // free: earliest end of the job before
		for _, i := range list {
			j := &p.jobs[i]
			gap = max(gap, j.Deadline-j.Costs[0]-free)
			free = max(free, j.Release) + j.Costs[0]
		}
		gap = max(gap, p.h-free)
		for _, piece := range longest {
			if piece.task != other && piece.cost > gap {
				name := p.names[piece.task]
				return &Witness{
					Message: fmt.Sprintf("an uninterrupted piece of task %s takes %s, but task %s leaves at most %s "+
						"between its jobs",
						name, p.opt.time(piece.cost), p.names[other], p.opt.time(gap)),
					Task: name, Other: p.names[other], Needed: piece.cost, Available: gap,
				}
			}
		}
	}
	return nil
}

// inOrder reports that the jobs of a task are single segments that need be tried in
// no other order.
func (p *problem) inOrder(list []int) bool {
	if len(p.jobs[list[0]].Costs) > 1 {
		return false
	}
	for n := 1; n < len(list); n++ {
		if b := &p.jobs[list[n]]; len(b.Costs) > 1 || !follows(&p.jobs[list[n-1]], b) {
			return false
		}
	}
	return true
}

// piece is a segment of a task.
type piece struct {
	task int
	cost int64
}

// longest finds the longest segment, and the longest of any other task.
func (p *problem) longest() (out [2]piece) {
	for i := range p.jobs {
		found := piece{p.jobs[i].Task, slices.Max(p.jobs[i].Costs)}
		switch {
		case found.cost > out[0].cost:
			if found.task != out[0].task {
				out[1] = out[0]
			}
			out[0] = found
		case found.task != out[0].task && found.cost > out[1].cost:
			out[1] = found
		}
	}
	return out
}

// rejectDemand finds a stretch from a release to a deadline in which more has to be done than it lasts: of the
// stretches to the first such deadline the fullest. It takes the deadlines in order and keeps for every release r what
// has to be done from then on, in a tree, so that it takes n log n.
func (p *problem) rejectDemand() *Witness {
	releases := make([]int64, len(p.jobs))
	byDeadline := make([]int, len(p.jobs))
	for i := range p.jobs {
		releases[i], byDeadline[i] = p.jobs[i].Release, i
	}
	slices.Sort(releases)
	releases = slices.Compact(releases)
	slices.SortFunc(byDeadline, func(a, b int) int { return cmp.Compare(p.jobs[a].Deadline, p.jobs[b].Deadline) })
	ends := newPrefixTree(releases)
	begun := make([]bool, len(releases))
	for n, i := range byDeadline {
		j := &p.jobs[i]
		at, _ := slices.BinarySearch(releases, j.Release)
		if !begun[at] {
			begun[at] = true // until now no job that is due was released here
			ends.begin(at)
		}
		ends.add(at, j.total())
		if n+1 < len(byDeadline) && p.jobs[byDeadline[n+1]].Deadline == j.Deadline {
			continue
		}
		if end := ends.most(); end > j.Deadline {
			from := releases[ends.where()]
			return &Witness{
				Message: fmt.Sprintf("between %s and %s, when a job of task %s is due, %s of bus time is asked for "+
					"in %s",
					p.opt.time(from), p.opt.time(j.Deadline), p.name(j), p.opt.time(end-from),
					p.opt.time(j.Deadline-from)),
				Task: p.name(j), Needed: end - from, Available: j.Deadline - from,
			}
		}
	}
	return nil
}

// prefixTree holds numbers; it adds to all of them up to an index, and tells the
// largest of those that have begun, each in the logarithm of their count.
type prefixTree struct {
	size int     // leaves, a power of two
	top  []int64 // largest below a node, without what was added above it
	plus []int64 // added to all below a node
}

// notBegun keeps a number out of the way: it is below all that have begun.
const notBegun = 4 * maxTime

func newPrefixTree(values []int64) *prefixTree {
	t := &prefixTree{size: 1}
	for t.size < len(values) {
		t.size *= 2
	}
	t.top, t.plus = make([]int64, 2*t.size), make([]int64, 2*t.size)
	for i := range t.top {
		t.top[i] = -notBegun
	}
	for i, v := range values {
		t.top[t.size+i] += v
	}
	return t
}

func (t *prefixTree) begin(i int) { t.update(i, notBegun, false) }

// add adds to the numbers 0 to last.
func (t *prefixTree) add(last int, v int64) { t.update(last, v, true) }

// update adds to one number, and to those before it if asked.
func (t *prefixTree) update(at int, v int64, before bool) {
	i := t.size + at
	t.lift(i, v)
	for ; i > 1; i /= 2 {
		if before && i%2 == 1 {
			t.lift(i-1, v) // all of the left neighbour comes before
		}
		t.top[i/2] = max(t.top[i-i%2], t.top[i-i%2+1]) + t.plus[i/2]
	}
}

func (t *prefixTree) lift(i int, v int64) {
	t.top[i] += v
	t.plus[i] += v
}

func (t *prefixTree) most() int64 { return t.top[1] }

// where is the index of the largest number, the first of several.
func (t *prefixTree) where() int {
	i := 1
	for i < t.size {
		i *= 2
		if t.top[i+1] > t.top[i] {
			i++
		}
	}
	return i - t.size
}
