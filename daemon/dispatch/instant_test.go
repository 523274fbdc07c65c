package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
)

// slow is a bus on a host that takes longer over every segment than bus time has.
type slow struct {
	bus.BusCloser
	extra time.Duration
}

func (s *slow) Next(ctx context.Context) (bus.Result, error) {
	res, err := s.BusCloser.Next(ctx)
	time.Sleep(s.extra) // of the bubble's clock
	return res, err
}

// TestChangeOnASlowHost: a host that falls behind further and further still lets a
// task be added and the one that overloads it be removed, and no job is lost.
func TestChangeOnASlowHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return &slow{b, 15 * time.Millisecond} },
			memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(2 * time.Second)
		for _, change := range []func(context.Context) (bus.Time, error){
			func(ctx context.Context) (bus.Time, error) { return r.AddTask(ctx, countTask(7)) },
			func(ctx context.Context) (bus.Time, error) { return r.RemoveTask(ctx, "mem") },
		} {
			within, stop := context.WithTimeout(ctx, time.Second)
			if _, err := change(within); err != nil {
				t.Errorf("a change under load: %v", err)
			}
			stop()
			time.Sleep(time.Second)
		}
		cancel()
		<-done
		sets := r.watch.of("mem")
		for i, fs := range sets {
			if fs.GetJob() != uint64(i) || fs.GetFailure() != "" {
				t.Fatalf("job %d: number %d, failure %q", i, fs.GetJob(), fs.GetFailure())
			}
			if i > 0 && fs.GetReleaseBusNs()-sets[i-1].GetReleaseBusNs() > int64(11*time.Millisecond) {
				t.Errorf("between jobs %d and %d a job was lost", i-1, i)
			}
		}
		if len(r.watch.violations) > 0 {
			t.Errorf("rules violated: %v", r.watch.violations)
		}
	})
}

// TestChangeOfAFullBus: a timetable that leaves hardly any idle time is replaced
// after its cycle.
func TestChangeOfAFullBus(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(1))
		job := time.Duration(r.runner.standing.plan.Message.GetPredictions()[0].GetJobNs())
		r = newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { return &slow{b, 5 * time.Microsecond} },
			memTask(math.Floor(0.999*float64(time.Second)/float64(job))))
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(100 * time.Millisecond)
		within, stop := context.WithTimeout(ctx, 200*time.Millisecond)
		defer stop()
		if _, err := r.RemoveTask(within, "mem"); err != nil {
			t.Errorf("removing the task that fills the bus: %v", err)
		}
		cancel()
		<-done
	})
}

// TestFirstTaskAfterIdleTime: a table that is activated after an idle time begins
// then. It does not run the jobs of the time before.
func TestFirstTaskAfterIdleTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil)
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		time.Sleep(5 * time.Second)
		effective, err := r.AddTask(ctx, countTask(10))
		if err != nil || effective < bus.Time(5*time.Second) {
			t.Errorf("active at %v, %v; want after 5 s", time.Duration(effective), err)
		}
		time.Sleep(time.Second)
		cancel()
		<-done
		if n := len(r.watch.of("count")); n < 9 || n > 11 {
			t.Errorf("%d jobs in a second at 10 Hz", n)
		}
	})
}

// TestWithdrawnChange: a change whose caller has gone away is either active or
// not, as the caller was told.
func TestWithdrawnChange(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := newRig(t, realtime, 0, nil, memTask(100))
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		go func() { done <- r.Run(ctx) }()
		withdrawn := 0
		for i := range 200 {
			within, stop := context.WithTimeout(ctx, time.Duration(i)*37*time.Microsecond)
			_, err := r.AddTask(within, countTask(10))
			stop()
			switch {
			case err == nil:
				if _, err := r.RemoveTask(ctx, "count"); err != nil {
					t.Fatalf("change %d: was said to be active: %v", i, err)
				}
			case errors.Is(err, context.DeadlineExceeded):
				withdrawn++
				time.Sleep(20 * time.Millisecond)
				if n := len(r.board.specs()); n != 1 {
					t.Fatalf("change %d: was withdrawn, but %d tasks are active", i, n)
				}
			default:
				t.Fatal(err)
			}
		}
		if withdrawn == 0 || withdrawn == 200 {
			t.Errorf("%d of 200 changes were withdrawn; the test needs both", withdrawn)
		}
		cancel()
		<-done
	})
}

// TestPlanningIsBounded: neither the number of tasks nor that of previews at once is
// the caller's to choose.
func TestPlanningIsBounded(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(100))
	var many []*facetdv1.Task
	for i := range maxTasks {
		task := countTask(0.01)
		task.Name = fmt.Sprint("t", i)
		many = append(many, task)
	}
	var wrong invalid.Errors
	if _, err := r.Preview(t.Context(), adding(many...), false); !errors.As(err, &wrong) || wrong[0].Path != "add" {
		t.Errorf("%d tasks: %v", maxTasks+1, err)
	}
	if plan, err := r.Preview(t.Context(), addingFor(many, "mem"), false); err != nil ||
		len(plan.GetTasks()) != maxTasks {
		t.Errorf("%d tasks: %d planned, %v", maxTasks, len(plan.GetTasks()), err)
	}
	r.previews <- struct{}{} // somebody else's
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.Preview(ctx, nil, false); !errors.Is(err, context.Canceled) {
		t.Errorf("a preview that waits: %v", err)
	}
}
