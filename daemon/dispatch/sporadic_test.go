package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/scheduler"
)

// firing triggers sporadic tasks at bus times of its own, on the goroutine that owns the bus: what the runner decides
// depends on the order of triggers and decisions alone.
type firing struct {
	bus.BusCloser
	fires []*fires
	at    bus.Time // while it triggers
}

// fires are the triggers of one task.
type fires struct {
	task string
	next bus.Time
	// before says that the next one comes just before what is decided at its time, and not just after.
	before bool
	// after returns the next time once that of the last has passed.
	after func(last bus.Time) (bus.Time, bool)
	fire  func(task string) error
}

func (b *firing) Now() bus.Time {
	if b.at > 0 {
		return b.at
	}
	return b.BusCloser.Now()
}

// until triggers what is to be triggered before what is decided at a bus time. That of the time itself is left where it
// comes just after: also at the end of a segment, for a reservation may begin there, and is decided next.
func (b *firing) until(at bus.Time) {
	for {
		var first *fires
		for _, f := range b.fires {
			if f.next < at || f.next == at && f.before {
				if first == nil || f.next < first.next {
					first = f
				}
			}
		}
		if first == nil {
			return
		}
		b.at = first.next
		if err := first.fire(first.task); err != nil {
			panic(err)
		}
		b.at = 0
		first.next, first.before = first.after(first.next)
	}
}

func (b *firing) WaitUntil(ctx context.Context, at bus.Time) error {
	b.until(at)
	return b.BusCloser.WaitUntil(ctx, at)
}

func (b *firing) Next(ctx context.Context) (bus.Result, error) {
	res, err := b.BusCloser.Next(ctx)
	b.until(res.End)
	return res, err
}

func sporadicTask(name string, target *facetdv1.Target, interval, deadline time.Duration) *facetdv1.Task {
	return &facetdv1.Task{Name: name, Target: target, LeastInterval: durationpb.New(interval),
		Deadline: durationpb.New(deadline)}
}

// sporadicSet is a random set of tasks of which one to three are sporadic.
func sporadicSet(r *rand.Rand) []*facetdv1.Task {
	targets := []*facetdv1.Target{list("m0", "m1", "m2"), list("m1"), list("c0"), list("t0"), list("h0"), list("s0")}
	var out []*facetdv1.Task
	for k := range r.IntN(3) {
		out = append(out, &facetdv1.Task{Name: fmt.Sprint("t", k), Target: targets[r.IntN(len(targets))],
			RateHz: float64(5 + r.IntN(200))})
	}
	for k := range 1 + r.IntN(3) {
		deadline := time.Duration(1000+r.IntN(60_000)) * time.Microsecond
		out = append(out, sporadicTask(fmt.Sprint("s", k), targets[r.IntN(len(targets))],
			deadline+time.Duration(r.IntN(2)*r.IntN(2e7)), deadline))
	}
	return out
}

// sporadicRig plans a set and has its sporadic tasks triggered; nil where it does not fit.
func sporadicRig(t *testing.T, tasks []*facetdv1.Task, stopAt time.Duration) (*rig, *firing) {
	t.Helper()
	var refusal *scheduler.RefusalError
	if err := Fits(bustest.MustArray(), bus.Limits{}, tasks); errors.As(err, &refusal) {
		return nil, nil
	} else if err != nil {
		t.Fatal(err)
	}
	f := &firing{}
	r := newRig(t, free, stopAt, func(b bus.BusCloser) bus.BusCloser { f.BusCloser = b; return f }, tasks...)
	return r, f
}

// promises are the worst responses that a plan tells, by task.
func promises(r *rig) map[string]int64 {
	out := map[string]int64{}
	for _, p := range r.runner.standing.plan.Message.GetPredictions() {
		if p.GetLeastIntervalNs() > 0 {
			out[p.GetTask()] = p.GetWorstResponseNs()
		}
	}
	return out
}

// checkSporadic checks what a run with triggers has shown: every trigger a job, in order, none failed, none answered
// later than promised; every other job on time, and no rule broken. It returns the worst response of every sporadic
// task.
func checkSporadic(t *testing.T, r *rig, promised map[string]int64) map[string]int64 {
	t.Helper()
	worst := map[string]int64{}
	snap := r.Snapshot()
	for _, task := range snap.Tasks {
		name, s := task.GetTask().GetName(), task.GetStatus()
		sets := r.watch.of(name)
		for i, fs := range sets {
			response := fs.GetFinishBusNs() - fs.GetReleaseBusNs()
			failed := fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" // at the end
			if failed || fs.GetLate() || fs.GetJob() != uint64(i) {
				t.Errorf("%s: job %d of %d: late %v, %q", name, fs.GetJob(), i, fs.GetLate(), fs.GetFailure())
			}
			if most, is := promised[name]; is && fs.GetFailure() == "" {
				worst[name] = max(worst[name], response)
				if response > most {
					t.Errorf("%s: job %d took %d ns from its trigger, promised were %d", name, fs.GetJob(), response,
						most)
				}
			}
		}
		if promised[name] > 0 && (s.GetTriggers() != uint64(len(sets)) || s.GetTriggersRefused() > 0 ||
			s.GetPromisedResponseNs() != promised[name]) {
			t.Errorf("%s: %d jobs, and %v", name, len(sets), s)
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
	return worst
}

// TestRandomTriggers: of random sets with random triggers, as dense as the least interval at times, every trigger is
// answered within what was promised, and the other tasks lose nothing.
func TestRandomTriggers(t *testing.T) {
	t.Parallel()
	sets, seed := peertest.Cases(40, 500), uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	triggers := 0
	for n := 0; n < sets; {
		tasks := sporadicSet(rng)
		r, f := sporadicRig(t, tasks, time.Second)
		if r == nil {
			continue
		}
		n++
		for _, task := range tasks {
			if least := int64(task.GetLeastInterval().AsDuration()); least > 0 {
				after := func(last bus.Time) (bus.Time, bool) {
					return last.Add(time.Duration(least + int64(rng.IntN(2))*rng.Int64N(2*least))), rng.IntN(2) == 0
				}
				f.fires = append(f.fires, &fires{task: task.GetName(), after: after, fire: r.fire,
					next: bus.Time(25e6 + rng.Int64N(3e7))})
			}
		}
		promised := promises(r)
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		checkSporadic(t, r, promised)
		for _, task := range r.Snapshot().Tasks {
			triggers += int(task.GetStatus().GetTriggers())
		}
		if t.Failed() {
			t.Fatalf("set %d: %v", n, tasks)
		}
	}
	t.Logf("%d sets, %d triggers", sets, triggers)
	if triggers < 10*sets {
		t.Error("too few triggers")
	}
}

func (r *rig) fire(task string) error {
	_, err := r.Trigger(context.Background(), task)
	return err
}

// TestPromiseIsReached: an adversary who knows the timetable triggers each task just after the reservation before the
// longest wait was decided, then after the others: no response is longer than promised, and the worst is the promise to
// the nanosecond.
func TestPromiseIsReached(t *testing.T) {
	t.Parallel()
	sets, seed := peertest.Cases(25, 250), uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for n := 0; n < sets; {
		n += reachPromises(t, sporadicSet(rng))
		if t.Failed() {
			return
		}
	}
}

// TestPromiseIsReachedBehindAJob: so it is where the only reservation of a cycle begins at the end of another task's
// segment. Who triggers at that instant comes before the decision, or just after, and then waits for a cycle.
func TestPromiseIsReachedBehindAJob(t *testing.T) {
	t.Parallel()
	if reachPromises(t, behindAJob()) != 1 {
		t.Error("the promise was not sought")
	}
}

// behindAJob is a set with a reservation that begins when the segment of another task ends.
func behindAJob() []*facetdv1.Task {
	return []*facetdv1.Task{
		{Name: "t0", Target: list("m1"), RateHz: 150},
		sporadicTask("s0", list("s0"), 60*time.Millisecond, 57*time.Millisecond),
	}
}

// TestTriggerAtTheInstantOfTheDecision: a trigger at the very time of the decision that comes before it is seen, and
// gets the shortest response that is told: where the bus was idle before, and where a segment has just ended.
func TestTriggerAtTheInstantOfTheDecision(t *testing.T) {
	t.Parallel()
	behind := behindAJob()
	for name, tasks := range map[string][]*facetdv1.Task{"behind a job": behind, "alone": behind[1:]} {
		t.Run(name, func(t *testing.T) {
			r, f := sporadicRig(t, tasks, time.Second)
			if r == nil {
				t.Fatal("the tasks do not fit")
			}
			plan := r.runner.standing.plan
			only := plan.Reservations(len(tasks) - 1)
			first := plan.Entries[0]
			if len(only) != 1 || len(tasks) > 1 && int64(first.End) != only[0].Start {
				t.Fatalf("reservations %v, and the first segment ends at %v", only, first.End)
			}
			again := 2 * plan.Hyperperiod // past the least interval
			f.fires = []*fires{{
				task: "s0", fire: r.fire, before: true,
				next:  firstStart.Add(plan.InitializationTime + plan.Hyperperiod + time.Duration(only[0].Start)),
				after: func(last bus.Time) (bus.Time, bool) { return last.Add(again), true },
			}}
			promised := promises(r)
			if err := r.Run(t.Context()); err != nil {
				t.Fatal(err)
			}
			best := plan.Message.GetPredictions()[len(tasks)-1].GetBestResponseNs()
			if worst := checkSporadic(t, r, promised)["s0"]; worst != best || best != only[0].End-only[0].Start {
				t.Errorf("the worst response was %d ns, the shortest is told to be %d, %v", worst, best, only)
			}
			if jobs := len(r.watch.of("s0")); jobs < 5 {
				t.Errorf("only %d jobs", jobs)
			}
		})
	}
}

// reachPromises runs a set with an adversary of each sporadic task. It returns of how many the promise was sought: none
// where they do not fit, and not those for which the run is too short.
func reachPromises(t *testing.T, tasks []*facetdv1.Task) (n int) {
	t.Helper()
	const stopAt = 2 * time.Second
	r, f := sporadicRig(t, tasks, stopAt)
	if r == nil {
		return 0
	}
	plan := r.runner.standing.plan
	begin := firstStart.Add(plan.InitializationTime)
	promised, sought := promises(r), map[string]bool{}
	for i := range plan.Tasks {
		of := plan.Tasks[i].Task
		if of.Sporadic == nil {
			continue
		}
		a := newAdversary(plan, i, begin)
		first, _ := a.after(0)
		f.fires = append(f.fires, &fires{task: of.Name, after: a.after, fire: r.fire, next: first})
		sought[of.Name] = first.Elapsed()+of.Sporadic.Deadline < stopAt
	}
	if err := r.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	worst := checkSporadic(t, r, promised)
	for name := range sought {
		if !sought[name] {
			continue
		}
		n++
		if worst[name] != promised[name] {
			t.Errorf("%s: the worst response was %d ns, promised were %d", name, worst[name], promised[name])
		}
	}
	if t.Failed() {
		t.Logf("%v", tasks)
	}
	return n
}

// adversary triggers a task just after each of its reservations was decided, in turn: first after that of which the
// next one ends latest.
type adversary struct {
	hyperperiod, interval time.Duration
	begin                 bus.Time
	starts                []time.Duration // of the reservations in a cycle
	k                     int
}

func newAdversary(plan *scheduler.Plan, task int, begin bus.Time) *adversary {
	a := &adversary{hyperperiod: plan.Hyperperiod, interval: plan.Tasks[task].Task.Sporadic.LeastInterval, begin: begin}
	all := plan.Reservations(task)
	var longest time.Duration
	for k, this := range all {
		next := time.Duration(all[(k+1)%len(all)].End - this.Start)
		if k+1 == len(all) {
			next += plan.Hyperperiod
		}
		a.starts = append(a.starts, time.Duration(this.Start))
		if next > longest {
			longest, a.k = next, k
		}
	}
	return a
}

func (a *adversary) after(last bus.Time) (bus.Time, bool) {
	at := a.begin.Add(a.hyperperiod + a.starts[a.k%len(a.starts)]) // in the first cycle it may just begin
	for last > 0 && at < last.Add(a.interval) {
		at = at.Add(a.hyperperiod)
	}
	a.k++
	return at, false
}
