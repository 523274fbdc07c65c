package campaign

import (
	"context"
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/retry"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// trigger is somebody who triggers a sporadic task again and again, now and then too soon.
type trigger struct {
	task string
	seed uint64
}

// longQueue is of a bus far away that is given sporadic tasks: the planner does not know how long the queue is.
const longQueue = 1000

// addSporadic adds, in a third of the seeds, one or two sporadic tasks that fit beside the others, and who triggers
// them. Changes that do not fit beside them are left out: to say what would fit takes long.
func (s *scenario) addSporadic(r *rand.Rand) {
	if r.IntN(3) > 0 {
		return
	}
	for i := range 1 + r.IntN(2) {
		class := s.array.Chips[r.IntN(len(s.array.Chips))].Class
		t := &facetdv1.Task{Name: fmt.Sprint("sporadic", i), Target: list(someChips(r, s.array, class)...),
			LeastInterval: durationpb.New(time.Duration(20+r.IntN(100)) * time.Millisecond)}
		if r.IntN(2) == 0 {
			t.Views = []*facetdv1.View{randomView(r, class)}
		}
		if r.IntN(3) == 0 {
			t.Deadline = durationpb.New(time.Duration(float64(t.LeastInterval.AsDuration()) * (0.5 + r.Float64()/2)))
		}
		if s.fits(append(slices.Clip(s.tasks), t)) != nil {
			continue
		}
		s.tasks = append(slices.Clip(s.tasks), t)
		s.triggers = append(s.triggers, trigger{t.GetName(), r.Uint64()})
	}
	if len(s.triggers) == 0 {
		return
	}
	if s.remote != nil {
		s.remote.Limits.Queue = longQueue
	}
	s.changes = slices.DeleteFunc(s.changes, func(c change) bool {
		return c.add != nil && s.fits(append(slices.DeleteFunc(slices.Clone(s.tasks), func(t *facetdv1.Task) bool {
			return t.GetName() == c.add.GetName()
		}), c.add)) != nil
	})
}

// fits is as the function of its name, for the bus of the scenario.
func (s *scenario) fits(specs []*facetdv1.Task) error {
	tasks, m := program.NewTasks(s.array, specs)
	if len(m) > 0 {
		return m
	}
	o := scheduler.Options{NoRemedies: true, MaxSegments: planSegments}
	if s.remote != nil { // no less than the dispatcher's: the least lead twice, and what it has to spare
		o.TriggerLead = 2*s.remote.Limits.LeastLead + 30*time.Millisecond
	}
	_, err := scheduler.Build(s.array, tasks, o)
	return err
}

// triggered is what became of a trigger.
type triggered struct {
	task       string
	from, till bus.Time // of the call
	answer     *facetdv1.TriggerTaskResponse
	err        error
	// again is the answer to the same request sent once more; nil where it was not, or was refused with an error.
	again   *facetdv1.TriggerTaskResponse
	refused error
}

// triggerAll has everybody trigger until callers leave.
func (l *life) triggerAll() {
	for _, x := range l.s.triggers {
		i := slices.IndexFunc(l.s.tasks, func(t *facetdv1.Task) bool { return t.GetName() == x.task })
		interval := l.s.tasks[i].GetLeastInterval().AsDuration()
		l.call(begin, func() {
			r := rand.New(rand.NewPCG(x.seed, 0))
			for n := 0; l.wait(time.Duration(float64(interval)*(0.3+2*r.Float64())) | 1 - breath); n++ {
				l.trigger(x.task, n, r)
			}
		})
	}
}

// trigger triggers once. In one of four cases the request has an id, and is sent once more.
func (l *life) trigger(task string, n int, r *rand.Rand) {
	out := &triggered{task: task, from: l.driven.Now()}
	again := time.Duration(r.Int64N(int64(20*time.Millisecond))) | 1
	if r.IntN(4) > 0 {
		out.answer, out.err = l.disp.Trigger(l.ctx, task)
		out.till = l.driven.Now()
	} else {
		send := func() (*facetdv1.TriggerTaskResponse, error) {
			got, err := l.once.Do(l.ctx, retry.Request{Caller: "trigger", ID: fmt.Sprint(task, n), Digest: task},
				func(ctx context.Context) (any, error) { return l.disp.Trigger(ctx, task) })
			if err != nil {
				return nil, err
			}
			return proto.CloneOf(got.(*facetdv1.TriggerTaskResponse)), nil
		}
		out.answer, out.err = send()
		out.till = l.driven.Now()
		if out.err == nil && l.wait(again) {
			out.again, out.refused = send()
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.triggers = append(l.triggers, out)
}
