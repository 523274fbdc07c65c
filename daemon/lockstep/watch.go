package lockstep

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// watchEvery is how often it is looked for whom bus time waits.
const watchEvery = 100 * time.Millisecond

// Watch names participants that let bus time wait, until ctx ends; who waits for bus time then is told.
func (s *Service) Watch(ctx context.Context) {
	tick := time.NewTicker(watchEvery)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			s.gate.end(&failure.Unavailable{Reason: "the daemon is going down"})
			return
		case <-tick.C:
		}
		if s.fault() == nil {
			s.look()
		}
	}
}

// look names who has let bus time wait for too long since it was looked before.
func (s *Service) look() {
	g := s.gate
	var stalled, removed, missing []string
	waits := map[string]time.Duration{}
	g.mu.Lock()
	for _, name := range slices.Sorted(maps.Keys(g.members)) {
		m := g.members[name]
		waited := g.heldFor(m)
		if !g.holds(m) || waited < s.cfg.StalledAfter {
			continue
		}
		waits[name] = waited.Round(time.Millisecond)
		if !m.stalled {
			m.stalled = true
			stalled = append(stalled, name)
		}
		if s.cfg.RemovedAfter > 0 && waited >= s.cfg.RemovedAfter {
			removed = append(removed, name)
		}
	}
	if g.held && time.Since(g.since) >= s.cfg.StalledAfter && !s.toldMissing {
		missing = slices.Clone(g.missing)
	}
	g.mu.Unlock()
	for _, name := range stalled {
		s.tell(facetdv1.Severity_SEVERITY_WARNING, name, fmt.Sprintf("has let bus time wait for %v; it stands still "+
			"until it advances or leaves", waits[name]))
	}
	if len(missing) > 0 {
		s.toldMissing = true
		have := "has"
		if len(missing) > 1 {
			have = "have"
		}
		s.tell(facetdv1.Severity_SEVERITY_WARNING, strings.Join(missing, ", "),
			have+" not joined; bus time stands still until all that the configuration expects have")
	}
	for _, name := range removed {
		if g.leave(name) {
			s.tell(facetdv1.Severity_SEVERITY_WARNING, name,
				fmt.Sprintf("was removed, as it has let bus time wait for %v", waits[name]))
		}
	}
}

// tell tells what an operator should know of a participant.
func (s *Service) tell(severity facetdv1.Severity, name, what string) {
	text := "lockstep: " + name + " " + what
	if severity == facetdv1.Severity_SEVERITY_WARNING {
		s.cfg.Logger.Warn(text, zap.String("participant", name))
	} else {
		s.cfg.Logger.Info(text, zap.String("participant", name))
	}
	e := events.Info(facetdv1.EventKind_EVENT_KIND_LOCKSTEP, text)
	e.Severity = severity
	e.Fields = events.Fields{"participant": events.Text(name)}
	s.cfg.Events.Send(e)
}
