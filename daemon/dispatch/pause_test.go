package dispatch

import (
	"context"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/daemon/failure"
)

// setPaused pauses tasks and resumes others, in one change.
func (r *rig) setPaused(ctx context.Context, t *testing.T, tasks map[string]bool) Change {
	t.Helper()
	c := &facetdv1.TaskChanges{}
	for _, name := range slices.Sorted(maps.Keys(tasks)) {
		c.Update = append(c.Update, &facetdv1.TaskUpdate{Task: &facetdv1.Task{Name: name, Paused: tasks[name]},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}})
	}
	done, err := r.Apply(ctx, c)
	if err != nil {
		t.Fatal(err)
	}
	return done
}

// pausedRun is what happened in a run in which tasks were paused and resumed.
type pausedRun struct {
	*rig
	noted  *bustest.Recorder
	turned []Pausing
	ended  bus.Time
}

// pauseAtRandom runs tasks, pauses and resumes some of them again and again, and notes when.
func pauseAtRandom(t *testing.T, rng *rand.Rand, limits bus.Limits, times int, tasks ...*facetdv1.Task) *pausedRun {
	t.Helper()
	out := &pausedRun{}
	out.rig, out.noted = rigFor(t, limits, tasks...)
	out.runner.cfg.Paused = func(p Pausing) { t.Errorf("the runner paused %v", p) }
	out.cfg.Paused = func(p Pausing) { out.turned = append(out.turned, p) }
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- out.Run(ctx) }()
	before, plan := out.Snapshot(), out.board.activePlan()
	time.Sleep(300 * time.Millisecond)
	epoch := out.Snapshot().Epoch
	for range times {
		change := map[string]bool{}
		for _, task := range tasks[1:] { // the first is never paused
			if rng.IntN(2) == 0 {
				change[task.GetName()] = rng.IntN(2) == 0
			}
		}
		if len(change) > 0 {
			if c := out.setPaused(ctx, t, change); len(c.Shifts) > 0 {
				t.Errorf("%v shifts %v", change, c.Shifts)
			}
		}
		time.Sleep(time.Duration(rng.Int64N(int64(120 * time.Millisecond))))
	}
	after := out.Snapshot()
	if plan != nil && out.board.activePlan() != plan || after.Epoch != epoch {
		t.Error("a timetable was made anew")
	}
	for i, task := range after.Tasks {
		if task.GetGeneration() != before.Tasks[i].GetGeneration() {
			t.Errorf("%s has another generation", task.GetTask().GetName())
		}
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	out.ended = out.runner.last
	if len(out.watch.violations) > 0 {
		t.Errorf("rules violated: %v", out.watch.violations)
	}
	return out
}

// within reports whether a task is paused or being paused or resumed at any time from a bus time to another, and
// whether it is paused all the while.
func (p *pausedRun) within(task string, from, to bus.Time) (touched, all bool) {
	is := false
	all = true
	for _, turn := range p.turned {
		if turn.Task != task {
			continue
		}
		switch {
		case turn.At <= from:
			is = turn.Paused
		case turn.At <= to:
			touched, all = true, false
		}
	}
	return touched || is, all && is
}

// check compares the jobs of a task with a reference that knows nothing of timetables: there is one at every release on
// the grid at which the task is surely not paused, none at one at which it surely is, and their numbers have no gap.
func (p *pausedRun) check(t *testing.T, task string, period, ahead time.Duration) {
	t.Helper()
	sets := p.watch.of(task)
	if len(sets) == 0 {
		t.Fatalf("%s has no jobs", task)
	}
	have := map[int64]bool{}
	for i, fs := range sets {
		stopped := fs.GetFailure() == "the daemon stopped"
		if fs.GetJob() != uint64(i) || (fs.GetReleaseBusNs()-sets[0].GetReleaseBusNs())%int64(period) != 0 ||
			fs.GetLate() || fs.GetFailure() != "" && !stopped || fs.ReleaseShiftNs != nil {
			t.Fatalf("job %d of %s: number %d, released %d ns after the first, late %v, failure %q", i, task,
				fs.GetJob(), fs.GetReleaseBusNs()-sets[0].GetReleaseBusNs(), fs.GetLate(), fs.GetFailure())
		}
		have[fs.GetReleaseBusNs()] = true
	}
	left := 0
	for at := bus.Time(sets[0].GetReleaseBusNs()); at.Add(2*period+ahead) < p.ended; at = at.Add(period) {
		touched, all := p.within(task, at.Add(-ahead), at.Add(period)) // it begins within a period
		switch {
		case !touched && !have[at.NS()]:
			t.Fatalf("%s has no job at %v, and was not paused", task, at.Elapsed())
		case all && have[at.NS()]:
			t.Fatalf("%s has a job at %v, and was paused", task, at.Elapsed())
		case all:
			left++
		}
	}
	s := p.Snapshot()
	for _, r := range s.Tasks {
		q := r.GetStatus()
		if r.GetTask().GetName() == task && q.GetJobsOnTime()+q.GetJobsLate()+q.GetJobsFailed() != uint64(len(sets)) {
			t.Errorf("%s: %d sets, counted are %v", task, len(sets), q)
		}
	}
	if paused := slices.ContainsFunc(p.turned, func(x Pausing) bool { return x.Task == task }); paused && left == 0 {
		t.Errorf("no release of %s was left out", task)
	}
}

// TestPausesKeepTheGrid: tasks are paused and resumed at random, of which two share a load with one that is not. Jobs
// are left out as a reference says, and all others are where they would have been.
func TestPausesKeepTheGrid(t *testing.T) {
	for name, limits := range buses() {
		for seed := range uint64(3) {
			t.Run(name, func(t *testing.T) {
				t.Parallel()
				t.Logf("seed %d", seed)
				synctest.Test(t, func(t *testing.T) {
					run := pauseAtRandom(t, rand.New(rand.NewPCG(seed, 14)), limits, 40, sharer("whole", 0, wholeView),
						sharer("soft", 0, softView), sharer("again", 4*time.Millisecond, wholeView), countTask(25))
					ahead := time.Duration(0)
					if limits.LeastLead > 0 {
						ahead = triggerLead(limits) + limits.LeastLead
					}
					for task, period := range map[string]time.Duration{"whole": 10e6, "soft": 10e6, "again": 10e6,
						"count": 40e6} {
						run.check(t, task, period, ahead)
					}
				})
			})
		}
	}
}

// TestOtherTasksAreUntouchedByAPause: what a task gives is the same to the last bit whether another one is paused or
// not, of its own chips and of those that both read.
func TestOtherTasksAreUntouchedByAPause(t *testing.T) {
	until := firstStart.Elapsed() + 300*time.Millisecond
	still := sharer("soft", 0, softView)
	still.Paused = true
	both := newRig(t, free, until, nil, sharer("whole", 0, wholeView), sharer("soft", 0, softView), countTask(30))
	one := newRig(t, free, until, nil, sharer("whole", 0, wholeView), still, countTask(30))
	for _, r := range []*rig{both, one} {
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if n := len(one.watch.of("soft")); n > 0 || len(both.watch.of("soft")) != 30 {
		t.Errorf("%d sets of the paused task", n)
	}
	for _, task := range []string{"whole", "count"} {
		a, b := both.watch.of(task), one.watch.of(task)
		same := slices.EqualFunc(a, b, func(x, y *facetdv1.FrameSet) bool {
			return x.GetReleaseBusNs() == y.GetReleaseBusNs() && x.GetFinishBusNs() == y.GetFinishBusNs() &&
				x.GetJob() == y.GetJob() && slices.EqualFunc(x.GetFrames(), y.GetFrames(),
				func(f, g *facetdv1.Frame) bool { return slices.Equal(f.GetData(), g.GetData()) })
		})
		if len(a) == 0 || !same {
			t.Errorf("%s: %d and %d sets, which differ", task, len(a), len(b))
		}
	}
	if s := one.Snapshot().Tasks[1]; !s.GetStatus().GetPaused() || !s.GetTask().GetPaused() ||
		s.GetStatus().GetJobsEnded() != 0 || s.GetStatus().GetPlannedRateHz() != 100 {
		t.Errorf("%v", s)
	}
}

// TestPausesInOtherChanges: together with another change a pause is one with it, a task is made paused, and of a task
// that is paused only its place goes on through changes. What is paused stays so when the array was stopped.
func TestPausesInOtherChanges(t *testing.T) {
	inRealTime(t, func(ctx context.Context, r *rig) {
		var told []Pausing
		onBus := func(f func()) {
			if err := r.Do(ctx, func() error { f(); return nil }); err != nil {
				t.Fatal(err)
			}
		}
		onBus(func() { r.runner.cfg.Paused = func(p Pausing) { told = append(told, p) } })
		generation := r.Snapshot().Tasks[0].GetGeneration()
		quiet := countTask(25)
		quiet.Paused = true
		if _, err := r.Apply(ctx, &facetdv1.TaskChanges{Add: []*facetdv1.Task{quiet},
			Update: []*facetdv1.TaskUpdate{{Task: &facetdv1.Task{Name: "mem", Paused: true},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}}}}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(50 * time.Millisecond)
		first := len(r.watch.of("mem"))
		r.SafeStop(ctx, ask("ada", "a cable is loose"))
		r.setPaused(ctx, t, map[string]bool{"mem": false})
		r.setPaused(ctx, t, map[string]bool{"mem": true})
		revision := r.Snapshot().Revision
		if _, _, err := r.Resume(ctx, 0); err != nil {
			t.Fatal(err)
		}
		time.Sleep(300 * time.Millisecond)
		s := r.Snapshot()
		if len(r.watch.of("mem")) != first || len(r.watch.of("count")) != 0 {
			t.Errorf("%d sets after %d, %d of the other", len(r.watch.of("mem")), first, len(r.watch.of("count")))
		}
		if s.Revision != revision || s.Tasks[0].GetGeneration() != generation || !s.Tasks[0].GetTask().GetPaused() {
			t.Errorf("revision %d after %d, %v", s.Revision, revision, s.Tasks[0])
		}
		r.setPaused(ctx, t, map[string]bool{"mem": false, "count": false})
		time.Sleep(300 * time.Millisecond)
		s = r.Snapshot()
		mem, count := r.watch.of("mem"), r.watch.of("count")
		if len(mem) < first+28 || len(count) < 6 || count[0].GetJob() != 0 || mem[first].GetJob() != uint64(first) {
			t.Errorf("%d and %d sets once resumed", len(mem), len(count))
		}
		if rate := s.Tasks[0].GetStatus().GetAchievedRateHz(); rate < 99.9 || rate > 100.1 {
			t.Errorf("%v Hz: a pause counts as a stall", rate)
		}
		want := []Pausing{{Task: "mem", Paused: true}, {Task: "count", Paused: true}}
		same := func(a, b Pausing) bool { return a.Task == b.Task && a.Paused == b.Paused }
		onBus(func() {
			if !slices.EqualFunc(told, want, same) {
				t.Errorf("told was %v", told)
			}
		})
	}, memTask(100))
}

// TestAPausedSporadicTask refuses triggers by name, and runs the job of one that was taken before.
func TestAPausedSporadicTask(t *testing.T) {
	inRealTime(t, func(ctx context.Context, r *rig) {
		for n := range uint64(3) {
			got, err := r.Trigger(ctx, "late")
			if err != nil || got.GetJob() != n {
				t.Fatalf("trigger %d: %v, %v", n, got, err)
			}
			r.setPaused(ctx, t, map[string]bool{"late": true})
			time.Sleep(60 * time.Millisecond)
			if _, err := r.Trigger(ctx, "late"); !failure.IsPrecondition(err, failure.Paused) {
				t.Errorf("paused: %v", err)
			}
			sets := r.watch.of("late")
			if len(sets) != int(n)+1 || sets[n].GetFinishBusNs() != got.GetEndBusNs() || sets[n].GetFailure() != "" {
				t.Errorf("%d sets after %d triggers", len(sets), n+1)
			}
			r.setPaused(ctx, t, map[string]bool{"late": false})
		}
		if s := r.Snapshot().Tasks[1].GetStatus(); s.GetTriggers() != 3 || s.GetTriggersRefused() != 3 {
			t.Errorf("%v", s)
		}
	}, memTask(100), lateTask())
}

// TestParametersOfAPausedTask are set meanwhile, and are those of its first job after it.
func TestParametersOfAPausedTask(t *testing.T) {
	inRealTime(t, func(ctx context.Context, r *rig) {
		r.setPaused(ctx, t, map[string]bool{"track": true})
		time.Sleep(100 * time.Millisecond)
		begun := uint64(len(r.watch.of("track")))
		set, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "track",
			Views: []*facetdv1.ViewParameters{{Offset: new(int32(9))}}})
		if err != nil || set.GetFirstJob() != begun {
			t.Fatalf("%v, %v", set, err)
		}
		r.setPaused(ctx, t, map[string]bool{"track": false})
		time.Sleep(100 * time.Millisecond)
		sets := r.watch.of("track")
		if uint64(len(sets)) <= begun {
			t.Fatal("no job since")
		}
		for _, fs := range sets {
			if now := fs.GetFrames()[0].GetTrim().GetOffset() == 9; now != (fs.GetJob() >= begun) {
				t.Errorf("job %d: %v", fs.GetJob(), fs.GetFrames()[0].GetTrim())
			}
		}
	}, memTask(100), tracker(50))
}

// TestParametersOfAPausedMember: of a task that shares a load with one that runs they begin with its own next job.
func TestParametersOfAPausedMember(t *testing.T) {
	may := &facetdv1.Movable{Active: true}
	inRealTime(t, func(ctx context.Context, r *rig) {
		if n := len(r.board.activePlan().Tasks); n != 1 {
			t.Fatalf("%d bus jobs", n)
		}
		r.setPaused(ctx, t, map[string]bool{"soft": true})
		time.Sleep(100 * time.Millisecond)
		begun := uint64(len(r.watch.of("soft")))
		set, err := r.SetParameters(ctx, &facetdv1.SetTaskParametersRequest{Task: "soft",
			Views: []*facetdv1.ViewParameters{{View: "b", Active: new(bool)}}})
		if err != nil || set.GetFirstJob() != begun {
			t.Fatalf("%v, %v, after %d jobs", set, err, begun)
		}
		r.setPaused(ctx, t, map[string]bool{"soft": false, "whole": true})
		time.Sleep(100 * time.Millisecond)
		sets := r.watch.of("soft")
		if uint64(len(sets)) <= begun {
			t.Fatal("no job since")
		}
		for _, fs := range sets {
			if one := len(fs.GetFrames()) == 3; one != (fs.GetJob() >= begun) {
				t.Errorf("job %d: %d frames", fs.GetJob(), len(fs.GetFrames()))
			}
		}
	}, sharer("whole", 0, wholeView), sharer("soft", 0, &facetdv1.View{Name: "a", Movable: may},
		&facetdv1.View{Name: "b", SmoothingSteps: 1, Movable: may}))
}

// TestCapturesUseAPause: on-demand captures run in the time of a paused task, also where it has nearly all of it.
func TestCapturesUseAPause(t *testing.T) {
	inRealTime(t, func(ctx context.Context, r *rig) {
		request := &facetdv1.CaptureFramesRequest{Target: list("c0")}
		wait := func() time.Duration {
			var worst time.Duration
			for range 20 {
				done, err := r.Capture(ctx, request)
				if err != nil {
					t.Fatal(err)
				}
				worst = max(worst, done.Waited)
				time.Sleep(1234567 * time.Nanosecond)
			}
			return worst
		}
		busy := wait()
		r.setPaused(ctx, t, map[string]bool{"mem": true})
		time.Sleep(50 * time.Millisecond)
		if idle := wait(); idle >= busy {
			t.Errorf("waits %v, and %v while the other task is paused", busy, idle)
		}
	}, memTask(100))
}
