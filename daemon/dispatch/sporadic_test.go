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
	// before says that the next one comes just before what happens at its time, and not just after.
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

// until triggers what is to be triggered by a bus time.
func (b *firing) until(at bus.Time, all bool) {
	for {
		var first *fires
		for _, f := range b.fires {
			if f.next < at || f.next == at && (all || f.before) {
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
	b.until(at, false)
	return b.BusCloser.WaitUntil(ctx, at)
}

func (b *firing) Next(ctx context.Context) (bus.Result, error) {
	res, err := b.BusCloser.Next(ctx)
	b.until(res.End, true)
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
	if err := Fits(bustest.MustArray(), tasks); errors.As(err, &refusal) {
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

// TestPromiseIsReached: an adversary who knows the timetable triggers each task just after one of its reservations was
// decided, one after another: no response is longer than promised, and the worst is the promise to the nanosecond.
func TestPromiseIsReached(t *testing.T) {
	t.Parallel()
	sets, seed := peertest.Cases(25, 250), uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for n := 0; n < sets; {
		tasks := sporadicSet(rng)
		const stopAt = 2 * time.Second
		r, f := sporadicRig(t, tasks, stopAt)
		if r == nil {
			continue
		}
		plan := r.runner.standing.plan
		begin := firstStart.Add(plan.InitializationTime)
		sought := map[string]bool{}
		for i := range plan.Tasks {
			of := plan.Tasks[i].Task
			if of.Sporadic == nil {
				continue
			}
			a := adversary{begin: begin, plan: plan, task: i, interval: of.Sporadic.LeastInterval}
			first, _ := a.after(0)
			f.fires = append(f.fires, &fires{task: of.Name, after: a.after, fire: r.fire, next: first})
			sought[of.Name] = a.round() < stopAt
		}
		promised := promises(r)
		if err := r.Run(t.Context()); err != nil {
			t.Fatal(err)
		}
		for name, worst := range checkSporadic(t, r, promised) {
			if sought[name] && worst != promised[name] {
				t.Errorf("%s: the worst response was %d ns, promised were %d", name, worst, promised[name])
			}
			if sought[name] {
				n++
			}
		}
		if t.Failed() {
			t.Fatalf("%v", tasks)
		}
	}
}

// adversary triggers a task just after each of its reservations, in turn.
type adversary struct {
	begin    bus.Time
	plan     *scheduler.Plan
	task     int
	interval time.Duration
	k        int
}

func (a *adversary) after(last bus.Time) (bus.Time, bool) {
	all := a.plan.Reservations(a.task)
	at := a.begin.Add(a.plan.Hyperperiod + time.Duration(all[a.k%len(all)].Start)) // in the first it may just begin
	for last > 0 && at < last.Add(a.interval) {
		at = at.Add(a.plan.Hyperperiod)
	}
	a.k++
	return at, false
}

// round is how long it takes at most to come to each of the reservations, and to the answer.
func (a *adversary) round() time.Duration {
	each := a.interval + a.plan.Hyperperiod
	return a.begin.Elapsed() + a.plan.Hyperperiod + time.Duration(len(a.plan.Reservations(a.task))+1)*each
}
