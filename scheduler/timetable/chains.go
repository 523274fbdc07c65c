package timetable

import (
	"cmp"
	"slices"
)

// chains splits the jobs so that those of one chain need be tried in the order of the chain only. The search walks over
// how far each chain has come, so fewer chains leave far fewer states.
//
// A task's jobs are one chain unless they overlap and differ. Tasks whose jobs are alike are put into common chains,
// where that makes fewer: which of several like jobs goes first matters for their windows only.
func (p *problem) chains() [][]int {
	var out [][]int
	groups := map[int64][]int{} // tasks by the cost of their whole jobs
	var costs []int64
	for task, list := range p.byTask {
		if len(list) == 0 {
			continue
		}
		first := &p.jobs[list[0]]
		if slices.ContainsFunc(list, func(i int) bool { return !alike(first, &p.jobs[i]) }) {
			out = append(out, p.firstFit(list)...)
			continue
		}
		cost := first.Costs[0]
		if groups[cost] == nil {
			costs = append(costs, cost)
		}
		groups[cost] = append(groups[cost], task)
	}
	for _, cost := range costs {
		out = append(out, p.chainsOf(groups[cost])...)
	}
	return out
}

// chainsOf splits the jobs of tasks of like jobs each, all of one cost.
func (p *problem) chainsOf(tasks []int) [][]int {
	var out [][]int
	for len(tasks) > 0 {
		var same, rest []int
		for _, task := range tasks {
			if alike(&p.jobs[p.byTask[tasks[0]][0]], &p.jobs[p.byTask[task][0]]) {
				same = append(same, task)
			} else {
				rest = append(rest, task)
			}
		}
		tasks = rest
		var apart [][]int
		var jobs []int
		for _, task := range same {
			apart = append(apart, p.firstFit(p.byTask[task])...)
			jobs = append(jobs, p.byTask[task]...)
		}
		slices.SortStableFunc(jobs, func(a, b int) int {
			x, y := &p.jobs[a], &p.jobs[b]
			return cmp.Or(cmp.Compare(x.Release, y.Release), cmp.Compare(x.Deadline, y.Deadline))
		})
		if together := p.firstFit(jobs); len(together) < len(apart) {
			apart = together
		}
		out = append(out, apart...)
	}
	return out
}

// maxOpenChains limits how many chains are tried for a job.
const maxOpenChains = 64

// firstFit appends each job in turn to the first chain whose last job it may
// follow, or begins a new one.
func (p *problem) firstFit(jobs []int) [][]int {
	var chains [][]int
	for _, i := range jobs {
		fit := -1
		for c := max(len(chains)-maxOpenChains, 0); c < len(chains) && fit < 0; c++ {
			if follows(&p.jobs[chains[c][len(chains[c])-1]], &p.jobs[i]) {
				fit = c
			}
		}
		if fit < 0 {
			fit = len(chains)
			chains = append(chains, nil)
		}
		chains[fit] = append(chains[fit], i)
	}
	return chains
}

// follows reports that whenever there is a table, there is one with a before b:
// either a is due before b is released, or they are alike and a has the earlier
// window, so that they can change places. It carries over from one pair of a chain
// to the next: where a and c differ, a is due before c is released.
func follows(a, b *Job) bool {
	return a.Deadline <= b.Release || alike(a, b) && a.Release <= b.Release && a.Deadline <= b.Deadline
}

// alike reports that two jobs are single segments of the same cost and resources.
func alike(a, b *Job) bool {
	return len(a.Costs) == 1 && len(b.Costs) == 1 && a.Costs[0] == b.Costs[0] && slices.Equal(a.Resources, b.Resources)
}
