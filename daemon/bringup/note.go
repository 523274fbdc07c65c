package bringup

import (
	"fmt"
	"maps"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/events"
)

// Stats is what there was of bring-ups since the daemon started.
type Stats struct {
	// Steps counts the steps that ended, by verdict.
	Steps map[facetdv1.Verdict]uint64
}

// Stats may be called from any goroutine.
func (s *Service) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Stats{Steps: maps.Clone(s.ended)}
}

// note counts a step that ended and puts its verdict into the journal, with the chips that did not pass.
func (s *Service) note(run *facetdv1.BringupRun, r *facetdv1.BringupResult) {
	s.mu.Lock()
	s.ended[r.GetVerdict()]++
	s.mu.Unlock()
	label := func(v fmt.Stringer, prefix string) string {
		return strings.ToLower(strings.TrimPrefix(v.String(), prefix))
	}
	step, verdict := label(r.GetStep(), "BRINGUP_STEP_"), label(r.GetVerdict(), "VERDICT_")
	e := events.Info(facetdv1.EventKind_EVENT_KIND_BRINGUP,
		fmt.Sprintf("bring-up %s, step %s: %s: %s", run.GetId(), step,
			verdict, r.GetSummary()))
	switch r.GetVerdict() {
	case facetdv1.Verdict_VERDICT_WARN:
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
	case facetdv1.Verdict_VERDICT_FAIL:
		e.Severity = facetdv1.Severity_SEVERITY_ERROR
	}
	seen := map[string]bool{}
	for _, m := range r.GetMeasurements() {
		bad := m.GetVerdict() == facetdv1.Verdict_VERDICT_WARN || m.GetVerdict() == facetdv1.Verdict_VERDICT_FAIL
		if chip := m.GetSubject(); bad && !seen[chip] && s.cfg.Array.Chip(chip) >= 0 {
			seen[chip] = true
			e.Chips = append(e.Chips, chip)
		}
	}
	e.BusNs, e.Fields = new(r.GetEndBusNs()), events.Fields{"run": events.Text(run.GetId()), "step": events.Text(step),
		"verdict": events.Text(verdict)}
	s.cfg.Events.Send(e)
}
