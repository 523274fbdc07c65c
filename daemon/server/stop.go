package server

import (
	"path/filepath"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/safestop"
)

// openStop finds out whether a safe stop is latched: DATA/stop/stop.json.
func (s *Server) openStop() error {
	cfg := safestop.Config{Streams: s.hub, Events: s.keeping.journal.Sink(), Logger: s.log.Named("stop"),
		Modes: s.cfg.DataModes()}
	if s.cfg.Data != "" {
		cfg.Path = filepath.Join(s.cfg.Data, "stop", "stop.json")
	}
	var err error
	s.stop, err = safestop.Open(cfg)
	return err
}

// Stopped is the safe stop that is latched, nil where there is none.
func (s *Server) Stopped() *dispatch.SafeStop {
	if s.stop == nil {
		return nil
	}
	return s.stop.Stopped()
}

// safeStop is the same as clients see it.
func (s *Server) safeStop() *facetdv1.SafeStop {
	if s.stop == nil {
		return nil
	}
	return s.stop.Message()
}

// claim takes an array that is not stopped for a measurement alone.
func (s *Server) claim(by string) (release func(), err error) {
	if stop := s.Stopped(); stop != nil {
		return nil, &dispatch.SafeStopError{Stop: *stop}
	}
	return s.measuring.Claim(by)
}

// claimShared takes it together with others.
func (s *Server) claimShared(by string) (release func(), err error) {
	if stop := s.Stopped(); stop != nil {
		return nil, &dispatch.SafeStopError{Stop: *stop}
	}
	return s.measuring.ClaimShared(by)
}
