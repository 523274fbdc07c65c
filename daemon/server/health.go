package server

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/health"
	healthwatch "facetd.example/daemon/health/watch"
	"facetd.example/daemon/history/sampler"
	"facetd.example/daemon/probe"
)

// watchHealth makes what watches over the chips, and what keeps histories. Journal and correction maps are there by the
// time it is called.
func (s *Server) watchHealth() {
	s.history = sampler.New(sampler.Config{Snapshot: func() dispatch.Snapshot { return s.dispatcher.Snapshot() }})
	s.health = healthwatch.New(healthwatch.Config{
		Array:    s.array,
		Snapshot: func() dispatch.Snapshot { return s.dispatcher.Snapshot() },
		HostTime: s.hostTime,
		Patterns: s.patterns,
		Maps:     s.calibration.Described, MaxAge: s.calibration.MaxAge(),
		Faults: func() (injected, silent int) {
			var st probe.Stats
			if s.probes != nil {
				st = s.probes.Stats()
			}
			return st.Injected, st.Silent
		},
		Device:     s.deviceHealth(),
		Recordings: s.recordingNames,
		Events:     s.keeping.journal.Sink(),
		Clock:      s.healthClock(),
		Patient:    !s.cfg.fixed(), // or it would depend on the time of the host
	})
}

// deviceHealth is what tells the health of the device; nil where none drives the array.
func (s *Server) deviceHealth() func() *health.Device {
	if s.driven == nil {
		return nil
	}
	return func() *health.Device {
		st := s.driven.Status()
		c := &st.Counters
		d := &health.Device{Address: st.Address, Connected: st.Connected, Since: st.Since, For: time.Since(st.Since),
			Losses: c.Losses, ClockOff: st.Clock.Uncertainty, Drift: st.Clock.DriftPPM, Followed: st.Clock.Followed,
			Messages: c.Sent + c.Received, LinkFaults: c.Link.Resent + c.Link.Spoiled}
		if st.LastLoss != nil {
			d.Loss = st.LastLoss.Error()
		}
		return d
	}
}

// healthClock is the host's, or where times are a function of bus time that.
func (s *Server) healthClock() func() time.Time {
	if !s.cfg.fixed() {
		return time.Now
	}
	return func() time.Time { host, _ := s.hostTime(s.bus.Now()); return host }
}

func (s *Server) recordingNames() []string {
	if s.keeping.recordings == nil {
		return nil
	}
	var names []string
	for _, r := range s.keeping.recordings.Running() {
		names = append(names, r.GetName())
	}
	return names
}

// patterns are what the correction maps know for a frame.
func (s *Server) patterns(task string, f *facetdv1.Frame) health.Patterns {
	own, others := s.calibration.MapsFor(task, f)
	if own == nil {
		return health.Patterns{}
	}
	return health.Patterns{
		Own:    func(mean float64) *health.Pattern { return patternOf(f.GetChip(), own, mean) },
		Others: func(mean float64) []*health.Pattern { return patternsOf(others, mean) },
	}
}

func patternOf(chip string, m *correction.Map, mean float64) *health.Pattern {
	p := &health.Pattern{Chip: chip, Codes: m.Pattern(mean)}
	for _, d := range m.Defects {
		p.Defective = append(p.Defective, d.Pixel)
	}
	return p
}

func patternsOf(maps []calibration.ChipMap, mean float64) []*health.Pattern {
	out := make([]*health.Pattern, len(maps))
	for i, m := range maps {
		out[i] = patternOf(m.Chip, m.Map, mean)
	}
	return out
}

// behind notifies those whom it concerns that the host fell behind the timetable, or has caught up.
func (s *Server) behind(b dispatch.Behind) {
	s.keeping.busEvents.Behind(b)
	s.health.Behind(b)
}
