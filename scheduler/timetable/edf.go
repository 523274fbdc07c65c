package timetable

import (
	"cmp"
	"container/heap"
	"fmt"
	"slices"
)

// edf lays the jobs out by non-preemptive earliest deadline first: whenever the
// bus is free, the ready segment with the earliest deadline begins, ties by task
// and number. A job that has begun and is limited in its span is due by that limit
// too. It returns the table, or the first miss.
func (p *problem) edf() (Table, *Witness) {
	s := &simulation{p: p, table: Table{Hyperperiod: p.h}, state: make([]progress, len(p.jobs))}
	var segments, resources int
	s.releases = make([]int, len(p.jobs))
	for i := range p.jobs {
		s.releases[i] = i
		segments += len(p.jobs[i].Costs)
		for _, r := range p.jobs[i].Resources {
			resources = max(resources, r+1)
		}
	}
	slices.SortStableFunc(s.releases, func(a, b int) int { return cmp.Compare(p.jobs[a].Release, p.jobs[b].Release) })
	s.table.Placements = make([]Placement, 0, segments)
	s.owner = make([]int, resources)
	for len(s.releases) > 0 || len(s.ready) > 0 || len(s.blocked) > 0 {
		if w := s.step(); w != nil {
			return Table{}, w
		}
	}
	return s.table, nil
}

// progress is how far a job has come.
type progress struct {
	next  int   // segment
	start int64 // of the first
	due   int64 // of the next segment
}

// simulation is a run of EDF.
type simulation struct {
	p        *problem
	now      int64
	releases []int // jobs not released yet, in order
	ready    []int // a heap
	blocked  []int // ready, but a resource is held by another job
	owner    []int // by resource: job that holds it plus 1
	state    []progress
	table    Table
}

func (s *simulation) Len() int { return len(s.ready) }
func (s *simulation) Less(i, j int) bool {
	a, b := s.ready[i], s.ready[j]
	x, y := &s.p.jobs[a], &s.p.jobs[b]
	return cmp.Or(cmp.Compare(s.state[a].due, s.state[b].due), cmp.Compare(x.Task, y.Task), cmp.Compare(x.Number, y.Number)) < 0
}
func (s *simulation) Swap(i, j int) { s.ready[i], s.ready[j] = s.ready[j], s.ready[i] }
func (s *simulation) Push(x any)    { s.ready = append(s.ready, x.(int)) }
func (s *simulation) Pop() any {
	last := s.ready[len(s.ready)-1]
	s.ready = s.ready[:len(s.ready)-1]
	return last
}

// step runs one segment, or moves on to the next release.
func (s *simulation) step() *Witness {
	for len(s.releases) > 0 && s.p.jobs[s.releases[0]].Release <= s.now {
		i := s.releases[0]
		s.releases = s.releases[1:]
		s.state[i].due = s.p.jobs[i].Deadline
		heap.Push(s, i)
	}
	for len(s.ready) > 0 {
		i := heap.Pop(s).(int)
		if s.mayRun(i) {
			return s.run(i)
		}
		s.blocked = append(s.blocked, i)
	}
	if len(s.releases) == 0 {
		j := &s.p.jobs[s.blocked[0]]
		return &Witness{Message: fmt.Sprintf("jobs wait for each other's chips, task %s among them", s.p.name(j)), Task: s.p.name(j)}
	}
	s.now = s.p.jobs[s.releases[0]].Release
	return nil
}

func (s *simulation) mayRun(i int) bool {
	for _, r := range s.p.jobs[i].Resources {
		if o := s.owner[r]; o != 0 && o != i+1 {
			return false
		}
	}
	return true
}

func (s *simulation) run(i int) *Witness {
	j, st := &s.p.jobs[i], &s.state[i]
	n := st.next
	if n == 0 {
		st.start = s.now
		for _, r := range j.Resources {
			s.owner[r] = i + 1
		}
	}
	end := s.now + j.Costs[n]
	s.table.Placements = append(s.table.Placements, Placement{j.Task, j.Number, n, s.now, end})
	if end > j.Deadline {
		return &Witness{
			Message: fmt.Sprintf("a job of task %s released at %s would end %s after its deadline", s.p.name(j), s.p.opt.time(j.Release), s.p.opt.time(end-j.Deadline)),
			Task:    s.p.name(j), Needed: end - j.Release, Available: j.Deadline - j.Release,
		}
	}
	if limit := j.within(n); limit > 0 && end > st.start+limit {
		return &Witness{
			Message: fmt.Sprintf("a job of task %s would last %s from its start, more than its hold and skew limits leave, %s", s.p.name(j), s.p.opt.time(end-st.start), s.p.opt.time(limit)),
			Task:    s.p.name(j), Needed: end - st.start, Available: limit,
		}
	}
	s.now = end
	st.next++
	if st.next < len(j.Costs) {
		st.due = s.due(i)
		heap.Push(s, i)
		return nil
	}
	if len(j.Resources) > 0 {
		for _, r := range j.Resources {
			s.owner[r] = 0
		}
		for _, b := range s.blocked {
			heap.Push(s, b)
		}
		s.blocked = s.blocked[:0]
	}
	return nil
}

// due is when the next segment of a job that has begun must end, for its limits.
func (s *simulation) due(i int) int64 {
	j, st := &s.p.jobs[i], &s.state[i]
	due := j.Deadline
	var after int64
	for n := st.next; n < len(j.Costs); n++ {
		if n > st.next {
			after += j.Costs[n]
		}
		if limit := j.within(n); limit > 0 {
			due = min(due, st.start+limit-after)
		}
	}
	return due
}
