package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"facetd.example/bus"
)

// How long each part may take to end. The dispatcher gives the running segment 300 ms before it
// breaks it off; together they take about a second, and recordEndLimit where a disk is slow.
const (
	// busEndLimit is beside the lease of a bus far away and its release: after those its lines are inactive whatever
	// became of the way to it.
	busEndLimit  = 500 * time.Millisecond
	grpcEndLimit = 300 * time.Millisecond
	httpEndLimit = 150 * time.Millisecond
	// panicEndLimit is for all of it after a panic on the goroutine that owns the bus, which may have left locks
	// behind.
	panicEndLimit = 4 * time.Second
)

// teardown takes a running server down, in reverse of how it came up.
type teardown struct {
	s      *Server
	reason string
	cancel context.CancelFunc
	ended  <-chan error // of the bus; nil where it has ended
}

func (d *teardown) run() error {
	s := d.s
	s.log.Info("going down", zap.String("why", d.reason))
	s.cfg.Supervisor.Stopping(d.reason)
	busReleased := true
	steps := []struct {
		name string
		do   func() error
	}{
		{"say so", func() error { s.api.Drain(d.reason); return nil }},
		{"finish the segment, release the lines", func() error {
			released, err := d.stopBus()
			busReleased = released
			return err
		}},
		{"end recordings and the journal", func() error { return s.keeping.close(d.reason) }},
		{"end the streams", func() error { s.hub.Close(d.reason); return nil }},
		{"gRPC", func() error { s.api.Stop(grpcEndLimit); return nil }},
		{"HTTP", d.stopHTTP},
		{"bus driver", func() error {
			if !busReleased {
				return nil // it belongs to the dispatcher, which still runs
			}
			return s.bus.Close()
		}},
	}
	var errs []error
	for _, step := range steps {
		begin := time.Now()
		err := step.do()
		s.log.Debug("down", zap.String("step", step.name), zap.Duration("took", time.Since(begin)), zap.Error(err))
		if err != nil {
			errs = append(errs, err)
		}
	}
	err := errors.Join(errs...)
	s.log.Info("down", zap.Error(err))
	_ = s.log.Sync() // standard error may be a terminal, which cannot be synced
	return err
}

// runAfterPanic is run, given up after a while.
func (d *teardown) runAfterPanic() error {
	ended := make(chan error, 1)
	go func() { ended <- d.run() }()
	select {
	case err := <-ended:
		return err
	case <-time.After(panicEndLimit):
		return fmt.Errorf("the daemon did not go down within %v of a panic", panicEndLimit)
	}
}

// stopBus waits for the dispatcher, which leaves every line inactive.
func (d *teardown) stopBus() (released bool, err error) {
	d.cancel()
	if d.ended == nil {
		return true, nil
	}
	limit := busEndLimit
	if b, is := d.s.bus.(bus.Bus); is { // and no recording
		limit += b.Limits().Lease + b.Limits().Release
	}
	select {
	case err := <-d.ended:
		return true, err
	case <-time.After(limit):
		return false, fmt.Errorf("the bus did not stop within %v", limit)
	}
}

// stopHTTP lets running answers end, and cuts off what takes longer. A server that
// never served has nothing to wait for.
func (d *teardown) stopHTTP() error {
	ctx, cancel := context.WithTimeout(context.Background(), httpEndLimit)
	defer cancel()
	if err := d.s.http.Shutdown(ctx); err != nil {
		return d.s.http.Close()
	}
	return nil
}
