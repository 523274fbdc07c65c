package timetable

import (
	"encoding/binary"
	"slices"
)

// search decides exactly, with idle time inserted where it helps: a walk over the
// sets of segments done, chain by chain in order, keeping for each set only the
// least time at which it can be done. That is enough, since whatever follows a set
// done earlier can also follow it done later (dynamic programming over jobs done).
// Resources are free or held alike for equal sets.
//
// With limits on the span of a job the time of its start counts too, and starting
// later can help; such a set is kept apart by the starts of its open jobs, and a
// walk that finds nothing is Unknown. Past the cap of states it is Unknown as well.
// Without limits it leaves those on spans out.
func (p *problem) search(states int, limits bool) (Table, Verdict) {
	s := newSearch(p, limits)
	now, next := &layer{}, &layer{}
	now.add(s, node{moved: -1})
	layers := [][]node{now.nodes}
	seen := map[string]int{}
	visited := 0
	for range s.segments {
		next.reset()
		clear(seen)
		for from := range now.nodes {
			s.load(now, from)
			if s.dead() {
				continue
			}
			for chain := range s.chains {
				n, ok := s.extend(from, chain)
				if !ok {
					continue
				}
				began := s.starts[chain]
				s.move(chain, n)
				key := s.key()
				if at, known := seen[string(key)]; !known {
					if visited++; visited > states {
						return Table{}, Unknown
					}
					seen[string(key)] = len(next.nodes)
					next.add(s, n)
				} else if n.finish < next.nodes[at].finish {
					next.nodes[at] = n
				}
				s.done[chain]--
				s.starts[chain] = began
			}
		}
		if len(next.nodes) == 0 {
			if s.limited {
				return Table{}, Unknown
			}
			return Table{}, Infeasible
		}
		layers = append(layers, next.nodes)
		now, next = next, now
	}
	return s.table(layers), Feasible
}

// layer is the sets of one size, with what is done in each and since when.
type layer struct {
	nodes  []node
	done   []int32 // by node and chain
	starts []int64 // by node and chain
}

func (l *layer) reset() {
	// The nodes stay with the layers; the rest is used again.
	l.nodes, l.done, l.starts = nil, l.done[:0], l.starts[:0]
}

// add appends the set looked at.
func (l *layer) add(s *searcher, n node) {
	l.nodes = append(l.nodes, n)
	l.done = append(l.done, s.done...)
	l.starts = append(l.starts, s.starts...)
}

// node is a set of segments done.
type node struct {
	finish int64
	parent int32 // in the layer before
	moved  int32 // chain whose segment came last
}

// step is one segment in a chain.
type step struct {
	job     *Job
	segment int
	left    int64 // cost of the job from this segment on
}

type searcher struct {
	p        *problem
	chains   [][]step // by chain
	segments int
	limited  bool
	// The set looked at: how many steps of each chain are done, when the open job of
	// each chain began, and when all is done.
	done   []int32
	starts []int64
	finish int64
	held   []int // by resource: chain plus 1
	buf    []byte
}

func newSearch(p *problem, limits bool) *searcher {
	s := &searcher{p: p, chains: make([][]step, len(p.chains)), limited: limits && p.limited()}
	resources := 0
	for chain, list := range p.chains {
		for _, i := range list {
			j := &p.jobs[i]
			left := j.total()
			for n, c := range j.Costs {
				s.chains[chain] = append(s.chains[chain], step{j, n, left})
				left -= c
			}
			for _, r := range j.Resources {
				resources = max(resources, r+1)
			}
		}
		s.segments += len(s.chains[chain])
	}
	s.done = make([]int32, len(s.chains))
	s.starts = make([]int64, len(s.chains))
	s.held = make([]int, resources)
	return s
}

// load makes a set of a layer the one looked at.
func (s *searcher) load(l *layer, at int) {
	n := len(s.chains)
	copy(s.done, l.done[at*n:(at+1)*n])
	copy(s.starts, l.starts[at*n:(at+1)*n])
	s.finish = l.nodes[at].finish
	if len(s.held) == 0 {
		return
	}
	clear(s.held)
	for chain := range s.chains {
		if st := s.open(chain); st != nil {
			for _, r := range st.job.Resources {
				s.held[r] = chain + 1
			}
		}
	}
}

// move adds a node's segment to what is done.
func (s *searcher) move(chain int, n node) {
	if st := &s.chains[chain][s.done[chain]]; st.segment == 0 {
		s.starts[chain] = n.finish - st.job.Costs[0]
	}
	s.done[chain]++
}

// open returns the next step of a chain whose job has begun and not ended, or nil.
func (s *searcher) open(chain int) *step {
	if n := s.done[chain]; int(n) < len(s.chains[chain]) && s.chains[chain][n].segment > 0 {
		return &s.chains[chain][n]
	}
	return nil
}

// dead reports whether some job can no longer meet its deadline.
func (s *searcher) dead() bool {
	for c, chain := range s.chains {
		if n := s.done[c]; int(n) < len(chain) {
			st := &chain[n]
			if max(s.finish, st.job.Release)+st.left > st.job.Deadline {
				return true
			}
		}
	}
	return false
}

// extend runs the next segment of a chain as early as it can.
func (s *searcher) extend(at, chain int) (node, bool) {
	n := s.done[chain]
	if int(n) == len(s.chains[chain]) {
		return node{}, false
	}
	st := &s.chains[chain][n]
	for _, r := range st.job.Resources {
		if h := s.held[r]; h != 0 && h != chain+1 {
			return node{}, false
		}
	}
	start := max(s.finish, st.job.Release)
	end := start + st.job.Costs[st.segment]
	began := s.starts[chain]
	if st.segment == 0 {
		began = start
	}
	if limit := st.job.within(st.segment); s.limited && limit > 0 && end > began+limit {
		return node{}, false
	}
	return node{end, int32(at), int32(chain)}, end <= st.job.Deadline
}

// key names the set looked at; where limits count, with the starts of its open
// jobs.
func (s *searcher) key() []byte {
	s.buf = s.buf[:0]
	for chain, done := range s.done {
		s.buf = binary.AppendUvarint(s.buf, uint64(done))
		if s.limited && s.open(chain) != nil {
			s.buf = binary.AppendVarint(s.buf, s.starts[chain])
		}
	}
	return s.buf
}

// table walks back from the set of all segments.
func (s *searcher) table(layers [][]node) Table {
	var path []node
	at := 0
	for _, l := range slices.Backward(layers[1:]) {
		path = append(path, l[at])
		at = int(l[at].parent)
	}
	t := Table{Hyperperiod: s.p.h, Placements: make([]Placement, 0, s.segments)}
	clear(s.done)
	for _, n := range slices.Backward(path) {
		st := &s.chains[n.moved][s.done[n.moved]]
		s.done[n.moved]++
		t.Placements = append(t.Placements, Placement{st.job.Task, st.job.Number, st.segment, n.finish - st.job.Costs[st.segment], n.finish})
	}
	return t
}
