package watch

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/events"
	"facetd.example/daemon/health"
)

// notes are what people said of findings, and what the journal knows of them.
type notes struct {
	acknowledged map[string]*facetdv1.HealthAcknowledgement
	shelved      map[string]*facetdv1.HealthShelving
	// holding are findings that hold, by id.
	holding map[string]*facetdv1.HealthFinding
	told    map[string]telling
}

// telling is what the journal was told of a finding.
type telling struct {
	at    int64 // bus time of the last event
	count uint64
	open  bool // it was told that it holds
}

func newNotes() notes {
	return notes{acknowledged: map[string]*facetdv1.HealthAcknowledgement{},
		shelved: map[string]*facetdv1.HealthShelving{}, holding: map[string]*facetdv1.HealthFinding{},
		told: map[string]telling{}}
}

// together is the bus time, in nanoseconds, within which a finding that comes and goes is told once.
const together = int64(60e9)

// longAgo reports whether the last event is: also where a replay has jumped to before it.
func (t *telling) longAgo(now int64) bool { return now-t.at >= together || now < t.at }

// mark puts into a report what people said, and when findings began by the host's clock.
func (s *Service) mark(h *facetdv1.Health) {
	n, now := &s.notes, s.cfg.Clock()
	for id, shelving := range n.shelved {
		if !now.Before(shelving.GetUntilTime().AsTime()) {
			delete(n.shelved, id)
			s.tell(facetdv1.Severity_SEVERITY_INFO, h.GetBusNs(), id, n.holding[id], 1, "shelving of "+id+" ended")
		}
	}
	for _, f := range h.GetFindings() {
		host, _ := s.cfg.HostTime(bus.Time(f.GetSinceBusNs()))
		f.SinceTime = timestamppb.New(host)
		f.Acknowledgement, f.Shelving = n.acknowledged[f.GetId()], n.shelved[f.GetId()]
	}
	slices.SortStableFunc(h.Findings, func(x, y *facetdv1.HealthFinding) int {
		rank := func(f *facetdv1.HealthFinding) int {
			if f.GetShelving() != nil {
				return 1
			}
			return 0
		}
		return rank(x) - rank(y)
	})
	health.Summarize(h)
}

// note tells the journal of findings that came or went. One that comes and goes is told once a minute, with how often.
func (s *Service) note(h *facetdv1.Health) {
	n, now := &s.notes, h.GetBusNs()
	holding := map[string]*facetdv1.HealthFinding{}
	for _, f := range h.GetFindings() {
		id := f.GetId()
		holding[id] = f
		t, was := n.told[id]
		if n.holding[id] == nil {
			t.count++
		}
		if !t.open && (!was || t.longAgo(now)) {
			severity := facetdv1.Severity_SEVERITY_WARNING
			if f.GetState() == facetdv1.HealthState_HEALTH_STATE_BAD {
				severity = facetdv1.Severity_SEVERITY_ERROR
			}
			s.tell(severity, now, id, f, t.count, f.GetText()+". "+sentence(f.GetAction()))
			t = telling{at: now, open: true}
		}
		n.told[id] = t
	}
	for id, f := range n.holding {
		if holding[id] != nil {
			continue
		}
		delete(n.acknowledged, id)
		if t := n.told[id]; t.open {
			t.open = false
			n.told[id] = t
			s.tell(facetdv1.Severity_SEVERITY_INFO, now, id, f, 1, fmt.Sprintf("no longer so, after %v: %s",
				time.Duration(now-f.GetSinceBusNs()).Round(100*time.Millisecond), f.GetText()))
		}
	}
	n.holding = holding
	for id, t := range n.told {
		if holding[id] == nil && !t.open && t.longAgo(now) {
			delete(n.told, id)
			if t.count > 0 { // since the last event
				s.tell(facetdv1.Severity_SEVERITY_INFO, now, id, nil, t.count, "came and went again: "+id)
			}
		}
	}
}

// sentence is words with a capital letter and a full stop.
func sentence(words string) string {
	if words == "" {
		return ""
	}
	return string(words[0]-'a'+'A') + words[1:] + "."
}

// tell sends an event about a finding, f where it is known.
func (s *Service) tell(severity facetdv1.Severity, at int64, id string, f *facetdv1.HealthFinding, count uint64,
	text string) {
	e := events.Info(facetdv1.EventKind_EVENT_KIND_HEALTH, text)
	e.Severity, e.BusNs, e.Count = severity, &at, count
	e.Chips = f.GetChips()
	e.Fields = events.Fields{"finding": events.Text(id)}
	if f != nil {
		e.Fields["measured"], e.Fields["limit"] = events.Number(f.GetMeasured()), events.Number(f.GetLimit())
		e.Fields["unit"] = events.Text(f.GetUnit())
	}
	s.cfg.Events.Send(e)
}
