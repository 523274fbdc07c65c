package dispatch

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
)

// buses are the limits of one that needs no work ahead of time, and of those that do.
func buses() map[string]bus.Limits {
	out := map[string]bus.Limits{"near": {}}
	for name, l := range far {
		out[name] = l
	}
	return out
}

// rigFor is a rig on a bus with such limits, with what was run on it.
func rigFor(t *testing.T, limits bus.Limits, tasks ...*facetdv1.Task) (*rig, *bustest.Recorder) {
	t.Helper()
	if limits.Queue > 0 {
		return farRig(t, realtime, 0, limits, nil, tasks...)
	}
	var noted *bustest.Recorder
	r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser {
		noted = bustest.NewRecorder(b)
		return noted
	}, tasks...)
	return r, noted
}

// TestResyncsStayOnTheGrid: registers are brought back again and again while the tasks run. Every release is a whole
// number of periods after the first, none is left out, and the bus is so idle that none fails for it.
func TestResyncsStayOnTheGrid(t *testing.T) {
	for name, limits := range buses() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, noted := rigFor(t, limits, memTask(100), countTask(25))
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				for range 30 {
					time.Sleep(31*time.Millisecond + 12345*time.Nanosecond)
					r.Resync()
				}
				time.Sleep(100 * time.Millisecond)
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				restored := 0
				for _, rec := range noted.Records() {
					if rec.Segment.Job.Task == "" && rec.Result.Err == nil {
						restored++
					}
				}
				if restored < 25 {
					t.Errorf("registers were brought back %d times", restored)
				}
				for task, period := range map[string]int64{"mem": 10e6, "count": 40e6} {
					sets := r.watch.of(task)
					if least := int(900e6 / period); len(sets) < least {
						t.Errorf("%d jobs of %s, want %d at least", len(sets), task, least)
					}
					for i, fs := range sets {
						stopped := fs.GetFailure() == "the daemon stopped"
						if due := sets[0].GetReleaseBusNs() + int64(i)*period; fs.GetReleaseBusNs() != due ||
							fs.GetJob() != uint64(i) || fs.GetLate() || fs.GetFailure() != "" && !stopped {
							t.Fatalf("job %d of %s: number %d, released %d ns off its grid, late %v, failure %q", i,
								task, fs.GetJob(), fs.GetReleaseBusNs()-due, fs.GetLate(), fs.GetFailure())
						}
					}
				}
				if len(r.watch.violations) > 0 {
					t.Errorf("rules violated: %v", r.watch.violations)
				}
			})
		})
	}
}

// TestChangesPassOverNoRelease: a timetable ends when the initialization of the next one begins. Every job that it
// releases until then has an end, however far ahead the bus is to be given its work.
func TestChangesPassOverNoRelease(t *testing.T) {
	for name, limits := range buses() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r, noted := rigFor(t, limits, memTask(100))
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				for range 10 {
					time.Sleep(43*time.Millisecond + 12345*time.Nanosecond)
					if _, err := r.AddTask(ctx, countTask(25)); err != nil {
						t.Fatal(err)
					}
					time.Sleep(71 * time.Millisecond)
					if _, err := r.RemoveTask(ctx, "count"); err != nil {
						t.Fatal(err)
					}
				}
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				var begun []int64 // the initializations
				for _, rec := range noted.Records() {
					if rec.Segment.Job.Task == "" && rec.Result.Err == nil {
						begun = append(begun, rec.Start.NS())
					}
				}
				if len(begun) < 20 {
					t.Fatalf("%d initializations", len(begun))
				}
				sets := r.watch.of("mem")
				for i, fs := range sets {
					if fs.GetJob() != uint64(i) || fs.GetLate() ||
						fs.GetFailure() != "" && fs.GetFailure() != "the daemon stopped" {
						t.Errorf("job %d: number %d, late %v, failure %q", i, fs.GetJob(), fs.GetLate(),
							fs.GetFailure())
					}
					if i == 0 {
						continue
					}
					before, at := sets[i-1].GetReleaseBusNs(), fs.GetReleaseBusNs()
					changed := slices.ContainsFunc(begun, func(b int64) bool {
						return b > before && b <= before+10e6 && b < at
					})
					if at != before+10e6 && !changed {
						t.Errorf("job %d was released %d ns after the one before it, without a change between", i,
							at-before)
					}
				}
			})
		})
	}
}

// TestChangesOnAShortQueue: where results come later than the bus says, so that its queue holds less than the timetable
// was planned for, there is no instant before which all can be handed over. A change takes effect all the same, soon,
// and the jobs that make room for it are counted.
func TestChangesOnAShortQueue(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		limits := bus.Limits{LeastLead: 50 * time.Millisecond, Queue: 8}
		r, noted := rigFor(t, limits, memTask(100))
		r.runner.limits.Queue = 6
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(300 * time.Millisecond)
		for range 5 {
			within, over := context.WithTimeout(ctx, time.Second)
			if _, err := r.UpdateTask(within, memTask(100)); err != nil {
				t.Errorf("a change: %v", err)
			}
			over()
			time.Sleep(200 * time.Millisecond)
		}
		cancel()
		if err := <-done; err != nil {
			t.Fatal(err)
		}
		var begun []int64 // the initializations
		for _, rec := range noted.Records() {
			if rec.Segment.Job.Task == "" && rec.Result.Err == nil {
				begun = append(begun, rec.Start.NS())
			}
		}
		sets, failed := r.watch.of("mem"), 0
		for i, fs := range sets {
			if fs.GetFailure() != "" {
				failed++
			}
			if fs.GetJob() != uint64(i) || fs.GetLate() {
				t.Errorf("job %d: number %d, late %v", i, fs.GetJob(), fs.GetLate())
			}
			if i == 0 {
				continue
			}
			before, at := sets[i-1].GetReleaseBusNs(), fs.GetReleaseBusNs()
			if changed := slices.ContainsFunc(begun,
				func(b int64) bool { return b > before && b <= before+10e6 }); !changed &&
				at != before+10e6 {
				t.Errorf("job %d was released %d ns after the one before it, without a change between", i, at-before)
			}
		}
		if len(begun) != 6 || len(sets) < 100 || failed > 60 {
			t.Errorf("%d initializations, %d jobs, of which %d failed", len(begun), len(sets), failed)
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}
