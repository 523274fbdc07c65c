package scheduler

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Sharing is for the tasks' own good only as far as they say what they mind: what is
// read later of a load is held longer, and all members finish together. max_hold,
// max_skew and deadline bound that, and a job keeps the tightest of its members'.

// Member is a task as asked for whose frames a bus job reads. Most bus jobs have one
// member. Tasks that want the same load of the same memory chips at the same rate are
// members of one: the chips are loaded once, and the views of the members are read
// one after another.
type Member struct {
	Task *Task
	// Asked is the index of the task among those asked for, which is that of its
	// prediction.
	Asked int
	// FirstFrame and Frames are the member's part of TaskPlan.Frames.
	FirstFrame, Frames int
	// FirstView is where the member's views begin among those of the bus job.
	FirstView int
}

// MemberDeadline is when a member wants the job of an entry to be finished, from the
// table's start like Entry.Deadline, which is the earliest of all members'.
func (p *Plan) MemberDeadline(e *Entry, m *Member) int64 {
	if len(p.Tasks[e.Task].Members) == 1 {
		return e.Deadline
	}
	c := cadence{hyperperiod: int64(p.Hyperperiod), jobs: []int64{int64(p.Tasks[e.Task].JobsPerCycle)}, deadlines: []int64{int64(m.Task.Deadline)}}
	return c.deadline(0, int64(e.Job))
}

// members are the tasks as asked for of a bus job, in the order of its views.
func (t *Task) members() []*Task {
	if len(t.sharers) == 0 {
		return []*Task{t}
	}
	return t.sharers
}

// membersOf describes the members of a bus job among the tasks asked for.
func membersOf(t *Task, asked []*Task) []Member {
	var out []Member
	frames, views := 0, 0
	for _, m := range t.members() {
		n := len(m.Views) * len(m.Chips)
		out = append(out, Member{Task: m, Asked: slices.Index(asked, m), FirstFrame: frames, Frames: n, FirstView: views})
		frames += n
		views += len(m.Views)
	}
	return out
}

// shares are all shares of a job.
func (t *Task) shares() []bus.Patterns {
	var all []bus.Patterns
	for i := range t.Views {
		all = append(all, t.Views[i].Shares...)
	}
	return all
}

// mayShare reports whether some of the tasks might share a load.
func (p *planner) mayShare() bool { return len(p.together(p.tasks, nil, 1)) < len(p.tasks) }

// mayFollow reports whether a task's views may be read after those of another from
// one load: the same memory chips at the same rate, and its first view begins with
// every share that the other does.
func (t *Task) mayFollow(first *Task) bool {
	if !t.Class.Kind.HasMemory() || t.Spec.GetRateHz() != first.Spec.GetRateHz() || !slices.Equal(t.Chips, first.Chips) ||
		len(t.Views)+len(first.Views) > maxViews {
		return false
	}
	done, shares := first.shares(), t.Views[0].Shares
	return len(done) <= len(shares) && slices.Equal(done, shares[:len(done)])
}

// share is the task of one bus job for two tasks, of which the second may follow the
// first. It keeps the tightest of their limits: what holds for it holds for both. No
// name of a task has a comma, so that its name is no other task's.
func share(first, second *Task) *Task {
	t := &Task{
		Name: first.Name + "," + second.Name, Chips: first.Chips, Class: first.Class,
		Deadline: min(first.Deadline, second.Deadline),
		MaxHold:  tightest(first.MaxHold, second.MaxHold),
		MaxSkew:  tightest(first.MaxSkew, second.MaxSkew),
		Views:    slices.Concat(first.Views, second.Views),
		sharers:  slices.Concat(first.members(), second.members()),
	}
	v := &t.Views[len(first.Views)]
	v.Shares = v.Shares[len(first.shares()):]
	spec := proto.CloneOf(first.Spec)
	spec.Name, spec.Views = t.Name, nil
	spec.Deadline = shorter(first.Spec.GetDeadline(), second.Spec.GetDeadline())
	spec.MaxHold, spec.MaxSkew = shorter(first.Spec.GetMaxHold(), second.Spec.GetMaxHold()), shorter(first.Spec.GetMaxSkew(), second.Spec.GetMaxSkew())
	t.Spec = spec
	return t
}

// tightest is the shorter of two limits, where 0 is none.
func tightest(a, b time.Duration) time.Duration {
	if a == 0 || b > 0 && b < a {
		return b
	}
	return a
}

// shorter is the shorter of two limits, where nil is none.
func shorter(a, b *durationpb.Duration) *durationpb.Duration {
	if a == nil || b != nil && b.AsDuration() < a.AsDuration() {
		a = b
	}
	return proto.CloneOf(a)
}

// maxShareTries bounds how often tasks are planned to see who may share a load.
const maxShareTries = 16

// shared plans with tasks that share their loads. It returns nil where none can, or
// where it saves nothing. First all that might share do; where that does not fit, one
// after another is tried. apart is the attempt without, nil where that does not fit.
func (p *planner) shared(apart func() *attempt) (*planner, *attempt) {
	refused := map[string]bool{}
	tasks, all := p.tasks, p.together(p.tasks, refused, len(p.tasks))
	if len(all) == len(tasks) {
		return nil, nil
	}
	if sub, at := p.tryShared(all, apart); at != nil {
		return sub, at
	}
	var best *planner
	var found *attempt
	if len(tasks)-len(all) == 1 {
		return nil, nil // that was the only way
	}
	for range maxShareTries {
		next := p.together(tasks, refused, 1)
		if len(next) == len(tasks) {
			break
		}
		if sub, at := p.tryShared(next, apart); at != nil {
			best, found, tasks = sub, at, next
			continue
		}
		for _, t := range next {
			if !slices.Contains(tasks, t) {
				refused[t.Name] = true
			}
		}
	}
	return best, found
}

// together lets tasks share loads where that saves bus time and keeps every limit
// while nothing interrupts the job: at most a number of times, and not those refused,
// by the name of their bus job. Those with the fewest shares come first, as the
// others' build on theirs. A bus job stands where the first of its members was.
func (p *planner) together(tasks []*Task, refused map[string]bool, most int) []*Task {
	order := make([]int, len(tasks))
	shares := make([]int, len(tasks))
	for i, t := range tasks {
		order[i], shares[i] = i, len(t.shares())
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(shares[x], shares[y]) })
	out := slices.Clone(tasks)
	for n, j := range order {
		for _, i := range slices.Backward(order[:n]) {
			if most == 0 || out[i] == nil || !out[j].mayFollow(out[i]) {
				continue
			}
			both := share(out[i], out[j])
			if refused[both.Name] || !p.saves(out[i], out[j], both) {
				continue
			}
			out[min(i, j)], out[max(i, j)] = both, nil
			most--
			break
		}
	}
	return slices.DeleteFunc(out, func(t *Task) bool { return t == nil })
}

// maxUnshared is how many pairs of tasks that may not share are looked at: with
// hundreds of tasks on the same chips there are too many.
const maxUnshared = 64

// saves is whether a job for two tasks pays, which is worked out once for each two.
func (p *planner) saves(first, second, both *Task) bool {
	if known, ok := p.pays[both.Name]; ok || p.unshared >= maxUnshared {
		return known
	}
	if p.pays == nil {
		p.pays = map[string]bool{}
	}
	yes := p.weigh(first, second, both)
	p.pays[both.Name] = yes
	if !yes {
		p.unshared++
	}
	return yes
}

// weigh reports whether a job for two tasks keeps their limits while nothing
// interrupts it, and takes less bus time than one for each.
func (p *planner) weigh(first, second, both *Task) bool {
	var total [3]time.Duration
	for i, t := range []*Task{first, second, both} {
		c, err := newCompiler(p.a, p.words, t, p.start)
		if err != nil {
			return false
		}
		whole, _, refusal, err := c.uninterrupted()
		if err != nil || refusal != nil {
			return false
		}
		total[i] = whole.total()
	}
	return total[2] < total[0]+total[1]
}

// tryShared plans bus jobs. It returns nil where they do not fit, or where the tasks
// apart fit and need no more bus time.
func (p *planner) tryShared(jobs []*Task, apart func() *attempt) (*planner, *attempt) {
	sub := &planner{a: p.a, tasks: jobs, wanted: p.tasks, opt: p.opt, words: p.words, start: assumed(p.a, jobs)}
	if sub.prepare() != nil {
		return nil, nil
	}
	cads, refusal := sub.cadences(sub.asked)
	if refusal != nil {
		return nil, nil
	}
	at, refusal := sub.solveAny(cads)
	if refusal != nil {
		return nil, nil
	}
	if use := sub.use(at); use >= p.leastUse()*(1-1e-9) { // it may need more: the tasks apart say
		if without := apart(); without != nil && use >= p.use(without)*(1-1e-9) {
			return nil, nil
		}
	}
	return sub, at
}

// use is the share of the bus that an attempt takes.
func (p *planner) use(at *attempt) float64 {
	var busy float64
	for i, prog := range at.programs {
		busy += float64(prog.total()) * float64(at.cad.jobs[i])
	}
	return busy / float64(at.cad.hyperperiod)
}

// leastUse is the least share of the bus that jobs in one piece take at exactly the
// rates asked for; a table that cuts them or rounds periods takes more.
func (p *planner) leastUse() float64 {
	var use float64
	for i, t := range p.tasks {
		use += p.whole[i].total().Seconds() * t.Spec.GetRateHz()
	}
	return use
}

// opsOfMembers splits the bus time of a job among its members: every operation
// belongs to the member whose frame is read next. So the first bears the load, and
// the others what they add to it. The sum is the job's.
func opsOfMembers(a *chipmodel.Array, segments [][]bus.Op, members []Member) []bus.Phases {
	out := make([]bus.Phases, len(members))
	owner := func(s *bus.Scan) int {
		return slices.IndexFunc(members, func(m Member) bool {
			return s.Frames[0] >= m.FirstFrame && s.Frames[0] < m.FirstFrame+m.Frames
		})
	}
	var waiting bus.Phases
	last := 0
	for _, ops := range segments {
		for i := range ops {
			op := &ops[i]
			cost := bus.Cost(a, op)
			switch {
			case op.Scan != nil:
				last = owner(op.Scan)
				out[last].Add(waiting)
				out[last].Add(cost)
				waiting = bus.Phases{}
			case op.Kind == bus.OpWrite && op.Register == chipmodel.OutputEnable && op.Value == 0:
				out[last].Add(cost) // it ends the readout before
			default:
				waiting.Add(cost)
			}
		}
	}
	out[last].Add(waiting)
	return out
}

// boundsOfMembers splits the bound of a job among its members: each has what it adds
// to those before it.
func (p *planner) boundsOfMembers(t *Task, alone bool) []bus.Phases {
	out := make([]bus.Phases, 0, 1)
	var before bus.Phases
	part := *t
	views := 0
	for _, m := range t.members() {
		views += len(m.Views)
		part.Views = t.Views[:views]
		b := jobBound(p.a, p.words, &part, alone)
		added := b
		for ph := range added {
			added[ph] -= before[ph]
		}
		out, before = append(out, added), b
	}
	return out
}

// wantedTasks are the tasks as asked for; p.tasks are those of the bus jobs.
func (p *planner) wantedTasks() []*Task {
	if p.wanted == nil {
		return p.tasks
	}
	return p.wanted
}

// specsOf clones what was asked for.
func specsOf(tasks []*Task) []*facetdv1.Task {
	var out []*facetdv1.Task
	for _, t := range tasks {
		out = append(out, proto.CloneOf(t.Spec))
	}
	return out
}
