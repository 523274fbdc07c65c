package dispatch

import (
	"context"
	"errors"
	"sync/atomic"
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

// plansTold counts the timetables that are told active, and those of them while a stop is latched.
type plansTold struct {
	*watcher
	disp        *Dispatcher
	told, wrong atomic.Int64
}

func (p *plansTold) PlanChanged(plan *facetdv1.Plan, _, _ bus.Time) {
	p.told.Add(1)
	if p.disp.Stopped() != nil {
		p.wrong.Add(1)
	}
}

// TestNoTimetableIsToldWhileStopped: on a bus far away, where what became of an initialization is known only later, no
// timetable is told active while a stop is latched; the change is kept, and the array is resumed with it.
func TestNoTimetableIsToldWhileStopped(t *testing.T) {
	kept := 0
	for after := time.Duration(0); after < 100*time.Millisecond; after += 731 * time.Microsecond {
		for name, change := range map[string]func(ctx context.Context, d *Dispatcher) error{
			"add": func(ctx context.Context, d *Dispatcher) error {
				_, err := d.AddTask(ctx, countTask(30))
				return err
			},
			"remove the last": func(ctx context.Context, d *Dispatcher) error {
				_, err := d.RemoveTask(ctx, "mem")
				return err
			},
		} {
			synctest.Test(t, func(t *testing.T) {
				p := farAway(t)
				end := (&rig{Dispatcher: p.disp}).begin(t)
				time.Sleep(200 * time.Millisecond)
				changed := make(chan error, 1)
				go func() { changed <- change(t.Context(), p.disp) }()
				time.Sleep(after)
				before := p.told.Load()
				p.disp.SafeStop(t.Context(), ask("ada", "a cable is loose"))
				if err := <-changed; err != nil {
					t.Errorf("%s, stopped %v later: %v", name, after, err)
				}
				if p.told.Load() == before && before == 1 {
					kept++
				}
				time.Sleep(50 * time.Millisecond)
				p.resumes(t)
				tasks := map[string]int{"add": 2, "remove the last": 0}[name]
				if n := len(p.disp.Snapshot().Tasks); n != tasks || p.wrong.Load() > 0 {
					t.Errorf("%s, stopped %v later: %d tasks, %d timetables were told active while stopped", name,
						after,
						n, p.wrong.Load())
				}
				if err := end(); err != nil {
					t.Fatal(err)
				}
				if len(p.violations) > 0 {
					t.Errorf("%s, stopped %v later: rules violated: %v", name, after, p.violations)
				}
			})
		}
	}
	if kept == 0 {
		t.Error("no change was kept; the test needs some")
	}
}

// TestNoTimetableIsToldWhileStoppedAgain: the same where the array is being resumed as somebody asks for a stop.
func TestNoTimetableIsToldWhileStoppedAgain(t *testing.T) {
	refused := 0
	for after := time.Duration(0); after < 60*time.Millisecond; after += 731 * time.Microsecond {
		synctest.Test(t, func(t *testing.T) {
			p := farAway(t)
			end := (&rig{Dispatcher: p.disp}).begin(t)
			time.Sleep(200 * time.Millisecond)
			p.disp.SafeStop(t.Context(), ask("ada", "a cable is loose"))
			resumed := make(chan error, 1)
			go func() { _, _, err := p.disp.Resume(t.Context(), 0); resumed <- err }()
			synctest.Wait()
			time.Sleep(after)
			p.disp.SafeStop(t.Context(), ask("bo", "smoke"))
			switch err := <-resumed; {
			case errors.As(err, new(*SafeStopError)):
				refused++
			case err != nil:
				t.Errorf("stopped again %v later: %v", after, err)
			}
			if p.disp.Stopped() == nil {
				t.Errorf("stopped again %v later: the stop is gone", after)
			}
			p.resumes(t)
			if p.wrong.Load() > 0 {
				t.Errorf("stopped again %v later: %d timetables were told active while stopped", after, p.wrong.Load())
			}
			if err := end(); err != nil {
				t.Fatal(err)
			}
		})
	}
	if refused == 0 {
		t.Error("no stop came while the array was being resumed; the test needs some")
	}
}

// farAway is a dispatcher of an executor at the far end of a slow link.
func farAway(t *testing.T) *plansTold {
	t.Helper()
	a := bustest.MustArray()
	dies, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: free})
	if err != nil {
		t.Fatal(err)
	}
	p := &plansTold{watcher: &watcher{}}
	remote := bustest.NewRemote(bustest.RemoteConfig{Array: a, Dies: dies, Seed: 1, Latency: 5 * time.Millisecond,
		Limits: bus.Limits{Grain: 1, LeastLead: 6 * time.Millisecond, Queue: 32, Release: a.Timing.ReleaseLimit,
			Lease: 100 * time.Millisecond}})
	t.Cleanup(func() { _ = remote.Close() }) // it is open
	p.disp, err = New(Config{Array: a, Bus: remote, Observer: p, Logger: zap.NewNop(), Inspector: dies.Inspector(),
		Tasks: []*facetdv1.Task{memTask(100)}})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// resumes resumes the array.
func (p *plansTold) resumes(t *testing.T) {
	t.Helper()
	if _, _, err := p.disp.Resume(t.Context(), 0); err != nil {
		t.Errorf("it cannot be resumed: %v", err)
	}
	time.Sleep(50 * time.Millisecond)
}
