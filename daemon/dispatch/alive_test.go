package dispatch

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
)

// hanging is a bus whose driver does not come back while it is told so.
type hanging struct {
	bus.BusCloser
	hang chan chan struct{} // what it then waits for
}

func (h *hanging) Next(ctx context.Context) (bus.Result, error) {
	select {
	case until := <-h.hang:
		<-until
	default:
	}
	return h.BusCloser.Next(ctx)
}

// A loop that runs, waits or idles is alive; one whose bus driver hangs is not, and is
// again when the driver comes back. None of it counts as an on-demand job.
func TestAlive(t *testing.T) {
	for name, tasks := range map[string][]*facetdv1.Task{"with a table": {memTask(50)}, "idle": nil} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				h := &hanging{hang: make(chan chan struct{}, 1)}
				r := newRig(t, realtime, 0, func(b bus.BusCloser) bus.BusCloser { h.BusCloser = b; return h }, tasks...)
				ctx, stop := context.WithCancel(t.Context())
				ended := make(chan error, 1)
				go func() { ended <- r.Run(ctx) }()
				for range 50 {
					short, cancel := context.WithTimeout(ctx, time.Second)
					if err := r.Alive(short); err != nil {
						t.Fatal(err)
					}
					cancel()
					time.Sleep(7 * time.Millisecond)
				}
				if len(tasks) > 0 {
					back := make(chan struct{})
					h.hang <- back
					time.Sleep(100 * time.Millisecond)
					short, cancel := context.WithTimeout(ctx, time.Second)
					if err := r.Alive(short); !errors.Is(err, context.DeadlineExceeded) {
						t.Errorf("while the driver hangs: %v", err)
					}
					cancel()
					close(back)
					if err := r.Alive(ctx); err != nil {
						t.Errorf("after the driver came back: %v", err)
					}
				}
				stop()
				if err := <-ended; err != nil {
					t.Fatal(err)
				}
				if err := r.Alive(t.Context()); !errors.As(err, new(*StoppedError)) {
					t.Errorf("after the end: %v", err)
				}
			})
		})
	}
}

// Tasks are replaced all at once or not at all.
func TestEditTasks(t *testing.T) {
	r := newRig(t, free, 0, nil, memTask(50))
	ctx, stop := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- r.Run(ctx) }()
	applied := 0
	to := func(tasks ...*facetdv1.Task) error {
		_, err := r.EditTasks(ctx, func([]*facetdv1.Task) ([]*facetdv1.Task, error) { return tasks, nil },
			func() { applied++ })
		return err
	}
	if err := to(countTask(20), memTask(40)); err != nil {
		t.Fatal(err)
	}
	if got := r.board.specs(); len(got) != 2 || got[0].GetName() != "count" || got[1].GetRateHz() != 40 {
		t.Errorf("active: %v", got)
	}
	if err := to(countTask(20), memTask(1e5)); err == nil {
		t.Error("what does not fit was taken")
	}
	if applied != 1 {
		t.Errorf("applied %d times, want once, with the tasks that fit", applied)
	}
	if got := r.board.specs(); len(got) != 2 || got[1].GetRateHz() != 40 {
		t.Errorf("a refused change left %v", got)
	}
	if err := to(); err != nil || len(r.board.specs()) != 0 {
		t.Errorf("no tasks: %v, %v", r.board.specs(), err)
	}
	stop()
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
}
