package server

import (
	"context"
	"errors"
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
)

// statusLine is how the daemon is doing, for whoever started it.
func (s *Server) statusLine() string {
	snap := s.dispatcher.Snapshot()
	if snap.State == facetdv1.State_STATE_FAULT {
		return "the bus was given up: " + snap.Fault
	}
	if stop := s.Stopped(); stop != nil {
		return "the array is " + stop.Text()
	}
	return fmt.Sprintf("%s%s, tasks %d, bus planned %.0f %%, rules violated %d", strings.TrimSpace(s.verb()), " "+
		s.array.Name, len(snap.Tasks), 100*snap.PlannedUtil, snap.Violations)
}

// superviseRun says when the daemon is ready, which is when the goroutine that owns the
// bus runs its table, and feeds the watchdog until ctx ends.
func (s *Server) superviseRun(ctx context.Context) {
	if s.cfg.Supervisor == nil {
		return
	}
	if err := s.dispatcher.Alive(ctx); err != nil {
		return // Run says why
	}
	s.reloading.Lock() // a reload that came first says so itself
	s.cfg.Supervisor.Ready(s.statusLine())
	s.reloading.Unlock()
	s.cfg.Supervisor.Watch(ctx, s.healthy, s.statusLine)
}

// healthy returns nil with proof that the goroutine that owns the bus goes on, or that it gave the
// bus up: every line is inactive then and the cause can be asked for. That is for an operator to
// judge; a service manager that restarted the daemon would drive the chips again before anybody has
// checked them.
func (s *Server) healthy(ctx context.Context) error {
	err := s.dispatcher.Alive(ctx)
	if errors.As(err, new(*dispatch.StoppedError)) && s.dispatcher.Snapshot().State == facetdv1.State_STATE_FAULT {
		return nil
	}
	return err
}
