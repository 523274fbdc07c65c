package dispatch

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
)

// farRig is a rig over a bus that must be given work ahead of time, and refuses what comes later; what it was given is
// noted.
func farRig(t *testing.T, pace facetdv1.Pace, stopAt time.Duration, limits bus.Limits,
	wrap func(bus.BusCloser) bus.BusCloser, tasks ...*facetdv1.Task) (*rig, *bustest.Recorder) {
	t.Helper()
	a := bustest.MustArray()
	b, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: pace, Seed: 7, Limits: limits})
	if err != nil {
		t.Fatal(err)
	}
	noted := bustest.NewRecorder(b)
	var used bus.BusCloser = noted
	if wrap != nil {
		used = wrap(noted)
	}
	w := &watcher{}
	d, err := New(Config{Array: a, Bus: used, Observer: w, Logger: zap.NewNop(), Inspector: b.Inspector(), Tasks: tasks,
		StopAt: bus.Time(stopAt)})
	if err != nil {
		t.Fatal(err)
	}
	return &rig{d, b, w}, noted
}

// far are the limits of buses that are to be given work ahead of time.
var far = map[string]bus.Limits{
	"5 ms, a queue of four":     {LeastLead: 5 * time.Millisecond, Queue: 4},
	"1 ms, a queue of two":      {LeastLead: time.Millisecond, Queue: 2},
	"50 ms, a queue of sixteen": {LeastLead: 50 * time.Millisecond, Queue: 16},
}

// inTime checks that a bus was handed everything in time, and ran it whole.
func inTime(t *testing.T, noted *bustest.Recorder, least int) {
	t.Helper()
	records := noted.Records()
	if len(records) < least {
		t.Errorf("%d segments were run, want %d at least", len(records), least)
	}
	for i, r := range records {
		if r.Result.Err != nil || r.Result.Slack < 0 || r.Result.Start != r.Start {
			t.Fatalf("segment %d of %s, planned for %d: %v", i, r.Segment.Job.Task, r.Start, r.Result.Err)
		}
	}
}

// onTime checks that a task's jobs are numbered without a gap and on time.
func onTime(t *testing.T, r *rig, task string, least int) {
	t.Helper()
	sets := r.watch.of(task)
	if len(sets) < least {
		t.Errorf("%d jobs of %s, want %d at least", len(sets), task, least)
	}
	for i, fs := range sets {
		if fs.GetJob() != uint64(i) || fs.GetLate() || fs.GetFailure() != "" {
			t.Fatalf("job %d of %s: number %d, late %v, failure %q", i, task, fs.GetJob(), fs.GetLate(),
				fs.GetFailure())
		}
	}
	if len(r.watch.violations) > 0 {
		t.Errorf("rules violated: %v", r.watch.violations)
	}
}

// TestWorkAheadOfTime: a bus that refuses what comes with less than its least lead refuses nothing, from the first
// initialization on, and every job is on time.
func TestWorkAheadOfTime(t *testing.T) {
	for name, limits := range far {
		for _, pace := range []facetdv1.Pace{free, realtime} {
			t.Run(name+" "+pace.String(), func(t *testing.T) {
				synctest.Test(t, func(t *testing.T) {
					r, noted := farRig(t, pace, 2*time.Second, limits, nil, memTask(100), countTask(30))
					if err := r.Run(t.Context()); err != nil {
						t.Fatal(err)
					}
					inTime(t, noted, 130)
					onTime(t, r, "mem", 170)
					onTime(t, r, "count", 50)
				})
			})
		}
	}
}

// TestOnDemandAheadOfTime: captures, commands and changes of the tasks come in time for such a bus as well, and cost
// the tasks nothing.
func TestOnDemandAheadOfTime(t *testing.T) {
	for name, limits := range far {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, noted := farRig(t, realtime, 0, limits, nil, memTask(100))
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				for i := range 20 {
					time.Sleep(33*time.Millisecond + 12345*time.Nanosecond)
					got, err := r.Capture(ctx, &facetdv1.CaptureFramesRequest{Target: list("c0")})
					if err != nil || got.FrameSet.GetFailure() != "" {
						t.Fatalf("capture %d: %v, %v", i, got.FrameSet, err)
					}
					if got.Waited < limits.LeastLead || got.Waited > 10*limits.LeastLead+100*time.Millisecond {
						t.Errorf("capture %d waited for %v of bus time", i, got.Waited)
					}
					change := func() error { _, err := r.AddTask(ctx, countTask(70)); return err }
					if i%2 == 1 {
						change = func() error { _, err := r.RemoveTask(ctx, "count"); return err }
					}
					if err := change(); err != nil {
						t.Fatal(err)
					}
				}
				if err := r.Do(ctx, func() error { return nil }); err != nil {
					t.Error(err)
				}
				r.Resync()
				time.Sleep(300 * time.Millisecond)
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				for i, rec := range noted.Records() {
					if err := rec.Result.Err; err != nil &&
						!recalled(err) {
						t.Errorf("segment %d of %s, planned for %d: %v", i, rec.Segment.Job.Task, rec.Start, err)
					}
				}
				sets := r.watch.of("mem")
				if len(sets) < 60 {
					t.Errorf("%d jobs", len(sets))
				}
				for i, fs := range sets {
					stopped := fs.GetFailure() == "the daemon stopped"
					if fs.GetJob() != uint64(i) || fs.GetLate() || fs.GetFailure() != "" && !stopped {
						t.Fatalf("job %d: number %d, late %v, failure %q", i, fs.GetJob(), fs.GetLate(),
							fs.GetFailure())
					}
				}
				if len(r.watch.violations) > 0 {
					t.Errorf("rules violated: %v", r.watch.violations)
				}
			})
		})
	}
}

func recalled(err error) bool {
	var refused *bus.RefusedError
	return errors.As(err, &refused) && refused.Cause == bus.Recalled
}

// TestAFailureAheadOfTime: what was handed over behind a segment that fails is not run; the jobs of it that can still
// be run are, those that cannot fail with a cause, and none is lost.
func TestAFailureAheadOfTime(t *testing.T) {
	for name, limits := range far {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				cause := errors.New("a wire came off")
				r, _ := farRig(t, realtime, 3*time.Second, limits, func(b bus.BusCloser) bus.BusCloser {
					return bustest.NewFaulty(b, bustest.Fault{When: func(_ bus.Time, s *bus.Segment) bool {
						return s.Job.Task == "mem" && s.Job.Number%10 == 7
					}, Err: cause, HalfWay: 3})
				}, memTask(100), countTask(30))
				if err := r.Run(t.Context()); err != nil {
					t.Fatal(err)
				}
				good, broke := map[string]int{}, 0
				for _, task := range []string{"mem", "count"} {
					for i, fs := range r.watch.of(task) {
						if fs.GetJob() != uint64(i) || fs.GetLate() {
							t.Fatalf("job %d of %s: number %d, late %v", i, task, fs.GetJob(), fs.GetLate())
						}
						switch why := fs.GetFailure(); {
						case why == "":
							good[task]++
						case why == "a wire came off; it broke off after 3 of 11 operations, the last a strobe":
							if broke++; task != "mem" || fs.GetJob()%10 != 7 {
								t.Errorf("job %d of %s: %q", i, task, why)
							}
						case why != notRestored && !strings.HasPrefix(why, "it was recalled"):
							t.Errorf("job %d of %s: %q", i, task, why)
						}
					}
				}
				if good["mem"] < 50 || good["count"] < 20 || broke < 7 {
					t.Errorf("%d jobs broke off, good ones are %v", broke, good)
				}
				if len(r.watch.violations) > 0 {
					t.Errorf("rules violated: %v", r.watch.violations)
				}
			})
		})
	}
}
