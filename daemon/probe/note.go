package probe

import (
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/events"
	"facetd.example/daemon/probe/diagnosis"
)

// Stats is what there was of probes and injected faults since the daemon started.
type Stats struct {
	// Probes counts completed probes by their verdict.
	Probes map[facetdv1.ProbeVerdict]uint64
	// Probed says that there was one; then Answering, Silent and NotMeasured count the chips of the last: those that
	// were measured to answer to their own word, those measured not to, and the others.
	Probed                         bool
	Answering, Silent, NotMeasured int
	// Injected is how many faults the virtual bus has; Virtual says that there is one.
	Injected int
	Virtual  bool
}

// Stats may be called from any goroutine.
func (s *Service) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.stats
	out.Probes = map[facetdv1.ProbeVerdict]uint64{}
	for v, n := range s.stats.Probes {
		out.Probes[v] = n
	}
	out.Virtual = s.cfg.Faulty != nil
	return out
}

// note counts a completed probe and puts it into the journal.
func (s *Service) note(r *diagnosis.Result, m *facetdv1.ProbeResult) {
	var silent []string
	answering := 0
	for _, c := range m.GetChips() {
		switch c.GetMeasured() {
		case facetdv1.LaneLevel_LANE_LEVEL_DRIVEN:
			answering++
		case facetdv1.LaneLevel_LANE_LEVEL_IDLE, facetdv1.LaneLevel_LANE_LEVEL_SATURATED:
			silent = append(silent, c.GetChip())
		}
	}
	rest := len(m.GetChips()) - answering - len(silent)
	s.mu.Lock()
	s.stats.Probes[m.GetVerdict()]++
	s.stats.Probed, s.stats.Answering, s.stats.Silent, s.stats.NotMeasured = true, answering, len(silent), rest
	s.mu.Unlock()
	e := events.Info(facetdv1.EventKind_EVENT_KIND_PROBE, "probe of the select lines: "+r.Summary())
	switch {
	case m.GetVerdict() == facetdv1.ProbeVerdict_PROBE_VERDICT_FAULTY,
		m.GetVerdict() == facetdv1.ProbeVerdict_PROBE_VERDICT_UNEXPLAINED:
		e.Severity = facetdv1.Severity_SEVERITY_ERROR
	case m.GetVerdict() != facetdv1.ProbeVerdict_PROBE_VERDICT_FAULT_FREE, m.GetEndedEarly() != "", rest > 0:
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
	}
	e.BusNs, e.Chips = new(s.cfg.Now().NS()), silent
	e.Fields = events.Fields{
		"verdict": events.Text(strings.ToLower(strings.TrimPrefix(m.GetVerdict().String(),
			"PROBE_VERDICT_"))),
		"readouts": events.Integer(m.GetReadouts()), "explanations": events.Integer(m.GetExplanations()),
		"answering_chips": events.Integer(answering), "silent_chips": events.Integer(len(silent)),
		"not_measured_chips": events.Integer(rest),
	}
	s.cfg.Events.Send(e)
}

// noteFaults puts a change of the injected faults into the journal.
func (s *Service) noteFaults(faults []*facetdv1.Fault, at int64) {
	s.mu.Lock()
	s.stats.Injected = len(faults)
	s.mu.Unlock()
	e := events.Info(facetdv1.EventKind_EVENT_KIND_FAULTS_INJECTED, "the virtual bus has no faults")
	if len(faults) > 0 {
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
		says := make([]string, len(faults))
		for i, f := range faults {
			says[i] = faultText(f)
			if f.GetChip() != "" {
				e.Chips = append(e.Chips, f.GetChip())
			}
		}
		e.Text = fmt.Sprintf("faults were put into the virtual bus: %s", strings.Join(says, "; "))
	}
	e.BusNs, e.Fields = &at, events.Fields{"faults": events.Integer(len(faults))}
	s.cfg.Events.Send(e)
}

// faultText is a fault with its place, such as "input shorted, chip wall-03, input 2, to line fb".
func faultText(f *facetdv1.Fault) string {
	says := strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(f.GetKind().String(), "FAULT_KIND_")), "_", " ")
	switch f.GetKind() {
	case facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_INACTIVE:
		return says + ", line " + f.GetLine()
	case facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED:
		return fmt.Sprintf("%s, %s and %s", says, f.GetLine(), f.GetOtherLine())
	case facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED:
		return says + ", lane " + f.GetLane()
	case facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD:
		return says + ", chip " + f.GetChip()
	case facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED:
		return fmt.Sprintf("%s, chip %s, input %d, to line %s", says, f.GetChip(), f.GetInput(), f.GetOtherLine())
	}
	return fmt.Sprintf("%s, chip %s, input %d", says, f.GetChip(), f.GetInput())
}
