package timetable

import (
	"cmp"
	"fmt"
	"slices"
)

// edf lays the jobs out by non-preemptive earliest deadline first: whenever the
// bus is free, the ready segment with the earliest deadline begins, ties by task
// and number. A job that has begun and is limited in its span is due by that limit
// too. It returns the table, or the first miss.
//
// A job whose resource is held waits in that resource's queue. Freeing a resource
// wakes the first of its queue only; when that one then cannot run for want of
// another resource, the next is woken in turn. So the work is n log n for n
// segments, times the resources of a job.
func (p *problem) edf() (Table, *Witness) {
	if p.opt.Queue.Limits() {
		return p.queued(false)
	}
	return newSimulation(p).finish()
}

// lookahead is EDF that begins no segment during which jobs will be released that could not all be done in time after
// it: it takes the next one instead, or leaves the bus idle until the next release. It may find a table where EDF finds
// none, and may fail where there is one: hence the search after it.
func (p *problem) lookahead() (Table, *Witness) {
	if p.opt.Queue.Limits() {
		return p.queued(true)
	}
	s := newSimulation(p)
	s.careful = true
	return s.finish()
}

func (s *simulation) finish() (Table, *Witness) {
	for len(s.releases) > 0 || len(s.ready) > 0 {
		if w := s.step(); w != nil {
			return Table{}, w
		}
	}
	return s.table, nil
}

// entry is a job in a queue, with what decides its place.
type entry struct {
	due       int64
	rank, job int32 // rank: place by task and number
}

func (a entry) before(b entry) bool { return a.due < b.due || a.due == b.due && a.rank < b.rank }

// queue is a binary heap of jobs, the most urgent first.
type queue []entry

func (q *queue) push(e entry) {
	h := append(*q, e)
	i := len(h) - 1
	for i > 0 && e.before(h[(i-1)/2]) {
		h[i] = h[(i-1)/2]
		i = (i - 1) / 2
	}
	h[i] = e
	*q = h
}

func (q *queue) pop() entry {
	h := *q
	top, last := h[0], h[len(h)-1]
	h = h[:len(h)-1]
	*q = h
	for i := 0; len(h) > 0; {
		child := 2*i + 1
		if child+1 < len(h) && h[child+1].before(h[child]) {
			child++
		}
		if child >= len(h) || !h[child].before(last) {
			h[i] = last
			break
		}
		h[i] = h[child]
		i = child
	}
	return top
}

// progress is how far a job has come.
type progress struct {
	next  int   // segment
	start int64 // of the first
	woken int32 // resource that woke it, plus 1
	rank  int32
}

// simulation is a run of EDF.
type simulation struct {
	p        *problem
	now      int64
	releases []int32 // jobs not released yet, in order
	ready    queue
	waiting  []queue // by resource
	owner    []int32 // by resource: job that holds it plus 1
	state    []progress
	table    Table
	careful  bool
	aside    queue   // segments that careful passes over for now
	coming   []int32 // jobs released during a segment
	handed   []int64 // ends of the segments before the first that have places in the queue
}

func newSimulation(p *problem) *simulation {
	s := &simulation{p: p, table: Table{Hyperperiod: p.h}, state: make([]progress, len(p.jobs))}
	var rank int32
	for _, list := range p.byTask {
		for _, i := range list {
			s.state[i].rank = rank
			rank++
		}
	}
	segments, resources := 0, 0
	s.releases = make([]int32, len(p.jobs))
	for i := range p.jobs {
		s.releases[i] = int32(i)
		segments += len(p.jobs[i].Costs)
		for _, r := range p.jobs[i].Resources {
			resources = max(resources, r+1)
		}
	}
	slices.SortFunc(s.releases, func(a, b int32) int { return cmp.Compare(p.jobs[a].Release, p.jobs[b].Release) })
	s.table.Placements = make([]Placement, 0, segments)
	s.owner = make([]int32, resources)
	s.waiting = make([]queue, resources)
	return s
}

// step runs one segment, or moves on to the next release.
func (s *simulation) step() *Witness {
	if s.p.opt.Queue.Limits() { // what is released until there is a place can be chosen, too
		s.now = max(s.now, s.gate())
	}
	for len(s.releases) > 0 && s.p.jobs[s.releases[0]].Release <= s.now {
		i := s.releases[0]
		s.releases = s.releases[1:]
		s.ready.push(entry{s.p.jobs[i].Deadline, s.state[i].rank, i})
	}
	for len(s.ready) > 0 {
		e := s.ready.pop()
		woken := s.state[e.job].woken - 1
		s.state[e.job].woken = 0
		held := s.held(e.job)
		switch {
		case held >= 0:
			s.waiting[held].push(e)
		case s.careful && !s.leavesRoom(e.job):
			s.aside = append(s.aside, e)
		default:
			s.takeBack()
			return s.run(e.job)
		}
		if woken >= 0 && s.owner[woken] == 0 {
			s.wake(int(woken))
		}
	}
	s.takeBack()
	if len(s.releases) > 0 {
		s.now = s.p.jobs[s.releases[0]].Release
	}
	return nil
}

// takeBack makes ready again what was passed over.
func (s *simulation) takeBack() {
	for _, e := range s.aside {
		s.ready.push(e)
	}
	s.aside = s.aside[:0]
}

// leavesRoom reports whether all jobs that are released during the next segment of
// a job can be done in time after it, by themselves.
func (s *simulation) leavesRoom(i int32) bool {
	now := s.now + s.p.jobs[i].Costs[s.state[i].next]
	s.coming = s.coming[:0]
	for _, k := range s.releases {
		if s.p.jobs[k].Release >= now {
			break
		}
		s.coming = append(s.coming, k)
	}
	slices.SortFunc(s.coming, func(a, b int32) int { return cmp.Compare(s.p.jobs[a].Deadline, s.p.jobs[b].Deadline) })
	for _, k := range s.coming {
		if now += s.p.jobs[k].total(); now > s.p.jobs[k].Deadline {
			return false
		}
	}
	return true
}

// held returns a resource that a job needs and another holds, or -1.
func (s *simulation) held(i int32) int {
	for _, r := range s.p.jobs[i].Resources {
		if o := s.owner[r]; o != 0 && o != i+1 {
			return r
		}
	}
	return -1
}

// wake makes the first job that waits for a resource ready.
func (s *simulation) wake(resource int) {
	if len(s.waiting[resource]) > 0 {
		e := s.waiting[resource].pop()
		s.state[e.job].woken = int32(resource) + 1
		s.ready.push(e)
	}
}

func (s *simulation) run(i int32) *Witness {
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
	if w := s.miss(j, n, st.start, end); w != nil {
		return w
	}
	s.now = end
	st.next++
	if st.next < len(j.Costs) {
		s.ready.push(entry{st.due(j), st.rank, i})
		return nil
	}
	for _, r := range j.Resources {
		s.owner[r] = 0
	}
	for _, r := range j.Resources {
		s.wake(r)
	}
	return nil
}

// miss says that a segment ends too late for its job's deadline or limit.
func (s *simulation) miss(j *Job, segment int, start, end int64) *Witness {
	name, time := s.p.name(j), s.p.opt.time
	if end > j.Deadline {
		return &Witness{
			Message: fmt.Sprintf("a job of task %s released at %s would end %s after its deadline", name,
				time(j.Release), time(end-j.Deadline)),
			Task: name, Needed: end - j.Release, Available: j.Deadline - j.Release,
		}
	}
	if limit := j.within(segment); limit > 0 && end-start > limit {
		return &Witness{
			Message: fmt.Sprintf("a job of task %s would last %s from its start, more than its hold and skew limits "+
				"leave, %s", name, time(end-start), time(limit)),
			Task: name, Needed: end - start, Available: limit,
		}
	}
	return nil
}

// due is when the next segment of a job that has begun must end, for its limits.
func (st *progress) due(j *Job) int64 {
	due := j.Deadline
	if j.Within == nil {
		return due
	}
	var after int64
	for n := st.next; n < len(j.Costs); n++ {
		if n > st.next {
			after += j.Costs[n]
		}
		if limit := j.within(n); limit > 0 && limit < maxTime {
			due = min(due, st.start+limit-after)
		}
	}
	return due
}
