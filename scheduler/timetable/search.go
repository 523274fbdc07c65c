package timetable

import (
	"encoding/binary"
	"math"
	"slices"
)

// search decides exactly, with idle time inserted where it helps: a walk over the
// sets of segments done, chain by chain in order (dynamic programming over jobs
// done). Resources are free or held alike for equal sets. What can still follow a
// set turns on
//
//   - the time f at which it is done, the earlier the better: whatever follows a
//     set can follow it unchanged when it is done earlier;
//   - for every job begun whose span is limited further on, the time s at which it
//     began, the later the better.
//
// An order of segments allows many such times. Closed towards earlier s and later f, which are worse, they are exactly
// those with f >= finish, s <= latest and f - s >= least: each limits the difference of two times, and such limits can
// all be met unless some of them contradict one another. So these numbers stand for all the times, and an order whose
// numbers are all as good as another's makes the other unnecessary. Without limits on spans one number remains, and
// every set is visited once.
//
// Past the cap of states the verdict is Unknown.
func (p *problem) search(states int) (Table, Verdict) {
	s := newSearch(p)
	now, next := &layer{}, &layer{}
	s.finish = 0
	next.add(s, s.done, node{moved: -1, same: -1})
	layers := [][]node{next.nodes}
	for range s.segments {
		now, next = next, now
		next.reset()
		for from := range now.nodes {
			s.load(now, from)
			if s.dead() {
				continue
			}
			for c := range s.chains {
				if !s.extend(c) {
					continue
				}
				if next.offer(s, c, int32(from)) {
					if p.visited++; p.visited >= states {
						return Table{}, Unknown
					}
				}
			}
		}
		if len(next.nodes) == 0 {
			return Table{}, Infeasible
		}
		layers = append(layers, next.nodes)
	}
	return s.table(layers), Feasible
}

// node is a set of segments done, by some order.
type node struct {
	finish int64
	parent int32 // in the layer before
	moved  int32 // chain whose segment came last
	same   int32 // another node of the same set in this layer, or -1
	spans  int32 // index of its first span
}

// span limits when a job began whose span is limited further on.
type span struct {
	latest int64 // start
	least  int64 // time from its start to the finish
}

// layer is the sets of one size.
type layer struct {
	nodes []node
	done  []int32 // by node and chain
	spans []span  // by node and open limited job, in the order of chains
	seen  map[string]int32
	buf   []byte
}

func (l *layer) reset() {
	// The nodes stay with the path back; the rest is used again.
	l.nodes, l.done, l.spans = nil, l.done[:0], l.spans[:0]
	if l.seen == nil {
		l.seen = map[string]int32{}
	}
	clear(l.seen)
}

func (l *layer) add(s *searcher, done []int32, n node) {
	n.spans = int32(len(l.spans))
	l.nodes = append(l.nodes, n)
	l.done = append(l.done, done...)
	l.spans = append(l.spans, s.out...)
}

// offer adds the set that results when a chain moves on, or puts it in the place of
// one that is no better, or leaves it where one of the same set is as good. It
// reports whether it added one.
func (l *layer) offer(s *searcher, c int, from int32) (added bool) {
	s.done[c]++
	defer func() { s.done[c]-- }()
	l.buf = l.buf[:0]
	for _, d := range s.done {
		l.buf = binary.AppendUvarint(l.buf, uint64(d))
	}
	n := node{finish: s.outFinish, parent: from, moved: int32(c), same: -1}
	first, known := l.seen[string(l.buf)]
	for i := first; known && i >= 0; i = l.nodes[i].same {
		old := &l.nodes[i]
		spans := l.spans[old.spans : int(old.spans)+len(s.out)]
		if better(old.finish, spans, n.finish, s.out) {
			return false
		}
		if better(n.finish, s.out, old.finish, spans) {
			old.finish, old.parent, old.moved = n.finish, n.parent, n.moved
			copy(spans, s.out)
			return false
		}
	}
	if known {
		n.same = first
	}
	l.seen[string(l.buf)] = int32(len(l.nodes))
	l.add(s, s.done, n)
	return true
}

// better reports whether the first is as good as the second in all its numbers.
func better(finish int64, spans []span, otherFinish int64, other []span) bool {
	if finish > otherFinish {
		return false
	}
	for i, a := range spans {
		if b := other[i]; a.latest < b.latest || a.least > b.least {
			return false
		}
	}
	return true
}

// step is one segment of a chain.
type step struct {
	job     *Job
	segment int
	left    int64 // cost of the job from this segment on
	limit   int64 // on the end of this segment after the job's start, or unlimited
	// slack is how long after the start of its job this segment may begin, for its own
	// limit and those further on.
	slack     int64
	resources []int32 // of the job, numbered without gaps
}

const unlimited = math.MaxInt64 / 2

type searcher struct {
	p        *problem
	chains   [][]step
	segments int
	limited  bool    // some span is
	held     []int32 // by resource: chain plus 1
	// The current set: how many steps of each chain are done, when all is done, and
	// the span of the open job of each chain, where it is limited.
	done   []int32
	finish int64
	spans  []span
	// What extend found: the set after one more step.
	outFinish int64
	out       []span
}

func newSearch(p *problem) *searcher {
	chains := p.chains()
	s := &searcher{p: p, chains: make([][]step, len(chains))}
	numbers := map[int]int32{}
	for c, list := range chains {
		for _, i := range list {
			j := &p.jobs[i]
			first := len(s.chains[c])
			left := j.total()
			resources := make([]int32, len(j.Resources))
			for k, r := range j.Resources {
				if _, known := numbers[r]; !known {
					numbers[r] = int32(len(numbers))
				}
				resources[k] = numbers[r]
			}
			for n, cost := range j.Costs {
				st := step{job: j, segment: n, left: left, limit: unlimited, slack: unlimited, resources: resources}
				if w := j.within(n); w > 0 && w < maxTime {
					st.limit = w
					s.limited = true
				}
				s.chains[c] = append(s.chains[c], st)
				left -= cost
			}
			slack := int64(unlimited)
			for n := len(j.Costs) - 1; n >= 0; n-- {
				st := &s.chains[c][first+n]
				if slack = min(slack, st.limit); slack < unlimited {
					slack -= j.Costs[n]
				}
				st.slack = slack
			}
		}
		s.segments += len(s.chains[c])
	}
	s.done = make([]int32, len(s.chains))
	s.spans = make([]span, len(s.chains))
	s.held = make([]int32, len(numbers))
	return s
}

// open returns the next step of a chain whose job has begun and not ended, or nil.
func (s *searcher) open(c int) *step {
	if n := s.done[c]; int(n) < len(s.chains[c]) && s.chains[c][n].segment > 0 {
		return &s.chains[c][n]
	}
	return nil
}

// load makes a node of a layer the current set. Who holds which resource follows from the set and is worked out again:
// it would be the largest part of a node.
func (s *searcher) load(l *layer, at int) {
	n := len(s.chains)
	copy(s.done, l.done[at*n:(at+1)*n])
	s.finish = l.nodes[at].finish
	clear(s.held)
	next := l.nodes[at].spans
	for c := range s.chains {
		st := s.open(c)
		if st == nil {
			continue
		}
		for _, r := range st.resources {
			s.held[r] = int32(c) + 1
		}
		if st.slack < unlimited {
			s.spans[c] = l.spans[next]
			next++
		}
	}
}

// dead reports whether some job can no longer meet its deadline or limits. It takes each job as if it ran next and
// alone: a proof that is cheap enough for every set.
func (s *searcher) dead() bool {
	for c, chain := range s.chains {
		n := s.done[c]
		if int(n) == len(chain) {
			continue
		}
		st := &chain[n]
		if max(s.finish, st.job.Release)+st.left > st.job.Deadline {
			return true
		}
		if st.segment > 0 && st.slack < unlimited {
			if s.spans[c].least > st.slack || s.finish > s.spans[c].latest+st.slack {
				return true
			}
		}
	}
	return false
}

// extend works out the set after the next step of a chain, and reports whether that step is possible.
func (s *searcher) extend(c int) bool {
	if int(s.done[c]) == len(s.chains[c]) {
		return false
	}
	st := &s.chains[c][s.done[c]]
	for _, r := range st.resources {
		if h := s.held[r]; h != 0 && h != int32(c)+1 {
			return false
		}
	}
	cost := st.job.Costs[st.segment]
	s.outFinish = max(s.finish, st.job.Release) + cost
	last := st.job.Deadline // end, at the latest
	if s.outFinish > last {
		return false
	}
	if st.segment > 0 && st.limit < unlimited {
		last = min(last, s.spans[c].latest+st.limit) // a set that is not dead leaves room
	}
	if s.limited {
		s.extendSpans(c, st, last-cost)
	}
	return true
}

// extendSpans works out the spans after a step of a chain that begins at a given time at the latest.
func (s *searcher) extendSpans(c int, st *step, begins int64) {
	cost := st.job.Costs[st.segment]
	s.out = s.out[:0]
	for k := range s.chains {
		o := s.open(k)
		var sp span
		switch {
		case k == c && int(s.done[c])+1 < len(s.chains[c]) && s.chains[c][s.done[c]+1].segment > 0:
			o = &s.chains[c][s.done[c]+1]
			if sp = s.spans[c]; st.segment == 0 {
				sp = span{latest: begins}
			}
		case k == c || o == nil:
			continue
		default:
			sp = s.spans[k]
		}
		if o.slack == unlimited {
			continue
		}
		sp.latest = min(sp.latest, begins-sp.least)
		sp.least = max(sp.least+cost, s.outFinish-sp.latest)
		s.out = append(s.out, sp)
	}
}

// table walks back from the set of all segments, and gives the order found its times: the walk kept only what is needed
// to tell orders apart.
func (s *searcher) table(layers [][]node) Table {
	var path []int32
	at := int32(0)
	for _, l := range slices.Backward(layers[1:]) {
		path = append(path, l[at].moved)
		at = l[at].parent
	}
	slices.Reverse(path)
	t := Table{Hyperperiod: s.p.h, Placements: make([]Placement, 0, s.segments)}
	clear(s.done)
	steps := make([]*step, 0, s.segments)
	for _, c := range path {
		st := &s.chains[c][s.done[c]]
		s.done[c]++
		steps = append(steps, st)
		t.Placements = append(t.Placements, Placement{Task: st.job.Task, Number: st.job.Number, Segment: st.segment})
	}
	timeSteps(t.Placements, steps, Queue{})
	return t
}

// steps are those of a table, in order.
func (s *searcher) steps(t Table) []*step {
	type id struct{ task, number, segment int }
	all := map[id]*step{}
	for _, chain := range s.chains {
		for i := range chain {
			st := &chain[i]
			all[id{st.job.Task, st.job.Number, st.segment}] = st
		}
	}
	out := make([]*step, len(t.Placements))
	for i, pl := range t.Placements {
		out[i] = all[id{pl.Task, pl.Number, pl.Segment}]
	}
	return out
}

// timeSteps gives an order of steps the least times that keep all limits: each as early as it can, and where a span is
// too long its first segment later, until none is. With limits on differences of times that takes at most as many
// rounds as there are times. It reports false where they were not enough, as beside a queue, whose limits may be in the
// way of those of spans.
func timeSteps(placements []Placement, steps []*step, q Queue) bool {
	first := map[*Job]int{}
	for i, st := range steps {
		if st.segment == 0 {
			first[st.job] = i
		}
	}
	notBefore := make([]int64, len(steps))
	again := true
	for round := 0; again && round <= len(steps); round++ {
		again = false
		var now int64
		for i, st := range steps {
			now = max(now, st.job.Release, notBefore[i])
			if before := i - q.Places; q.Limits() && before >= 0 {
				now = max(now, placements[before].End+q.Ahead)
			}
			pl := &placements[i]
			pl.Start, pl.End = now, now+st.job.Costs[st.segment]
			now = pl.End
			if f := first[st.job]; st.limit < unlimited && pl.End-placements[f].Start > st.limit {
				notBefore[f] = pl.End - st.limit
				again = true
			}
		}
	}
	return !again
}
