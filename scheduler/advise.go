package scheduler

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// advise finds pairs of tasks that could share one load: the same memory chips at
// the same rate, where the one's shares are the first of the other's. As views of
// one task, the one after the other, they give the same frames. It is advice and
// not done by itself, because a load belongs to one job: the frames of both then
// come, and are late, together. Every pair was planned beside the other tasks.
func (p *planner) advise(at *attempt) []*facetdv1.Advice {
	var out []*facetdv1.Advice
	for i, x := range p.tasks {
		for j, y := range p.tasks {
			if i == j || at.cad.jobs[i] != at.cad.jobs[j] || !x.Class.Kind.HasMemory() || !slices.Equal(x.Chips, y.Chips) {
				continue
			}
			before := x.shares()
			if first := y.Views[0].Shares; len(before) > len(first) || !slices.Equal(before, first[:len(before)]) {
				continue
			}
			if i > j && len(y.shares()) == 0 && len(before) == 0 {
				continue // the same pair the other way round
			}
			saved := p.merged(i, j, len(before))
			if saved <= 0 {
				continue
			}
			share := float64(saved*at.cad.jobs[i]) / float64(at.cad.hyperperiod)
			out = append(out, &facetdv1.Advice{
				Tasks: []string{x.Name, y.Name}, SavedShare: share,
				Message: fmt.Sprintf("tasks %s and %s load the same chips at the same rate: as views of one task they would share the load and save %.2g %% of the bus",
					x.Name, y.Name, 100*share),
			})
		}
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

// merged plans with two tasks made one, the second's views after the first's and
// without the shares that those have done. It returns the bus time that a job of
// both saves, 0 where the tasks do not fit.
func (p *planner) merged(first, second, done int) int64 {
	x, y := p.tasks[first], p.tasks[second]
	spec, views := viewsOf(x)
	_, more := viewsOf(y)
	v := &facetdv1.View{Window: y.Views[0].Window.Message()}
	for _, s := range y.Views[0].Shares[done:] {
		v.Shares = append(v.Shares, &facetdv1.Share{Columns: PatternString(s.Columns), Rows: PatternString(s.Rows)})
	}
	spec.Views = append(views, append([]*facetdv1.View{v}, more[1:]...)...)
	for i, v := range spec.Views {
		v.Name = fmt.Sprintf("view-%d", i+1)
	}
	spec.MaxHold = shorter(spec.MaxHold, y.Spec.MaxHold)
	spec.MaxSkew = shorter(spec.MaxSkew, y.Spec.MaxSkew)
	spec.Deadline = shorter(spec.Deadline, y.Spec.Deadline)
	one, m := NewTasks(p.a, []*facetdv1.Task{spec})
	if len(m) > 0 {
		return 0
	}
	tasks := []*Task{one[0]}
	for i, t := range p.tasks {
		if i != first && i != second {
			tasks = append(tasks, t)
		}
	}
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
	return int64(p.whole[first].total() + p.whole[second].total() - sub.whole[0].total())
}

// shorter is the shorter of two limits, where nil is none.
func shorter(a, b *durationpb.Duration) *durationpb.Duration {
	if a == nil || b != nil && b.AsDuration() < a.AsDuration() {
		a = b
	}
	return proto.CloneOf(a)
}
