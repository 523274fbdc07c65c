package scheduler

import (
	"cmp"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// Merging loads saves bus time, and costs the tasks something: what is read later is held longer, and all members
// finish together. How much of that a task tolerates it says by max_hold, max_skew and deadline, and a merged job keeps
// the tightest of its members'.

// Member is a task as asked for whose frames a bus job reads. Most bus jobs have one
// member. Tasks that want the same load of the same memory chips at the same rate are
// members of one: the chips are loaded once, and the views of the members are read
// one after another.
type Member struct {
	Task *program.Task
	// Asked is the index of the task among those asked for; its prediction has the same index.
	Asked int
	// FirstFrame and Frames are the member's part of TaskPlan.Frames.
	FirstFrame, Frames int
	// FirstView is where the member's views begin among those of the bus job.
	FirstView int
}

// MemberDeadline is when a member wants the job of an entry to be finished, from the
// table's start like Entry.Deadline, which is the earliest of all members'.
func (p *Plan) MemberDeadline(e *Entry, m *Member) time.Duration {
	if len(p.Tasks[e.Task].Members) == 1 {
		return e.Deadline
	}
	grain := int64(p.Array.Grain())
	c := cadence{grain: grain, hyperperiod: int64(p.Hyperperiod), jobs: []int64{int64(p.Tasks[e.Task].JobsPerCycle)},
		deadlines: []int64{down(int64(m.Task.Deadline), grain)}}
	return time.Duration(c.deadline(0, int64(e.Job)))
}

// membersOf describes the members of a bus job among the tasks asked for.
func membersOf(t *program.Task, asked []*program.Task) []Member {
	var out []Member
	frames, views := 0, 0
	for _, m := range t.Members() {
		n := m.Loads() * len(m.Views) * len(m.Chips)
		out = append(out, Member{Task: m, Asked: slices.Index(asked, m), FirstFrame: frames, Frames: n,
			FirstView: views})
		frames += n
		views += len(m.Views)
	}
	return out
}

// maxMergeTries limits how often tasks are planned to see whose loads may be merged.
const maxMergeTries = 16

// merger looks for tasks of a planner whose loads can be merged into one.
type merger struct {
	*planner
	// pays says which bus jobs of several tasks pay, by name; useless counts those
	// that do not.
	pays    map[string]bool
	useless int
}

// mayMerge reports whether any two of the tasks could have a merged load.
func (p *merger) mayMerge() bool { return len(p.together(p.tasks, nil, 1)) < len(p.tasks) }

// merged plans with merged loads. It returns nil where none can be merged or where that saves nothing. First all that
// can be merged are; where that does not fit, they are merged one after another, each for good if the rest still fits.
// apart is the attempt without merging, nil where that does not fit; it is asked only where the answer matters, since
// it takes as long as a plan.
func (p *merger) merged(apart func() *attempt) (*planner, *attempt) {
	refused := map[string]bool{}
	tasks, all := p.tasks, p.together(p.tasks, refused, len(p.tasks))
	if len(all) == len(tasks) {
		return nil, nil
	}
	if sub, at := p.tryMerged(all, apart); at != nil {
		return sub, at
	}
	var best *planner
	var found *attempt
	if len(tasks)-len(all) == 1 {
		return nil, nil // that was the only way
	}
	for range maxMergeTries {
		next := p.together(tasks, refused, 1)
		if len(next) == len(tasks) {
			break
		}
		if sub, at := p.tryMerged(next, apart); at != nil {
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

// together merges the loads of tasks where that saves bus time and keeps every limit while nothing interrupts the job:
// at most a number of times, and leaving out those refused, by the name of their bus job. Tasks with the fewest shares
// come first: a share cannot be undone, so the others can only continue from theirs. A bus job takes the place of the
// first of its members.
func (p *merger) together(tasks []*program.Task, refused map[string]bool, most int) []*program.Task {
	order := make([]int, len(tasks))
	shares := make([]int, len(tasks))
	for i, t := range tasks {
		order[i], shares[i] = i, t.Shares()
	}
	slices.SortStableFunc(order, func(x, y int) int { return cmp.Compare(shares[x], shares[y]) })
	out := slices.Clone(tasks)
	for n, j := range order {
		for _, i := range slices.Backward(order[:n]) {
			if most == 0 || out[i] == nil || !out[j].MayFollow(out[i]) {
				continue
			}
			both := program.Merge(out[i], out[j])
			if refused[both.Name] || !p.saves(out[i], out[j], both) {
				continue
			}
			out[min(i, j)], out[max(i, j)] = both, nil
			most--
			break
		}
	}
	return slices.DeleteFunc(out, func(t *program.Task) bool { return t == nil })
}

// maxUseless is how many pairs of tasks are weighed in vain: hundreds of tasks on the same chips make too many pairs.
const maxUseless = 64

// saves reports whether a job for two tasks pays, which is worked out once for every two.
func (p *merger) saves(first, second, both *program.Task) bool {
	if known, ok := p.pays[both.Name]; ok || p.useless >= maxUseless {
		return known
	}
	yes := p.weigh(first, second, both)
	p.pays[both.Name] = yes
	if !yes {
		p.useless++
	}
	return yes
}

// weigh reports whether a job for two tasks keeps their limits while nothing
// interrupts it, and takes less bus time than one for each.
func (p *merger) weigh(first, second, both *program.Task) bool {
	start := program.Assumed(p.array, p.tasks)
	var total [3]time.Duration
	for i, t := range []*program.Task{first, second, both} {
		c, err := program.NewCompiler(p.words, t, start)
		if err != nil {
			return false
		}
		whole, _, refusal := uninterrupted(c, t)
		if refusal != nil {
			return false
		}
		total[i] = whole.Total()
	}
	return total[2] < total[0]+total[1]
}

// tryMerged plans bus jobs. It returns nil where they do not fit, or where the tasks
// apart fit and need no more bus time.
func (p *merger) tryMerged(jobs []*program.Task, apart func() *attempt) (*planner, *attempt) {
	sub, at := p.fit(jobs, p.states)
	if at == nil {
		return nil, nil
	}
	sub.wanted = p.wanted
	if use := sub.use(at); use >= p.leastUse()*(1-1e-9) { // it may need more than the tasks apart
		if without := apart(); without != nil && use >= p.use(without)*(1-1e-9) {
			return nil, nil
		}
	}
	return sub, at
}

// opsOfMembers splits the bus time of a job among its members: every operation belongs to the member whose frame is
// read next. So the first is charged with the load, and the others with what they add to it. The sum is that of the
// job.
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
