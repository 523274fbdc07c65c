package server

import (
	"context"
	"path/filepath"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/virtual"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
)

// calibrate opens the correction maps: DATA/correction-maps, or the memory alone. What it needs of the bus is
// there by the time it is called.
func (s *Server) calibrate() error {
	cfg := calibration.Config{
		Array: s.array, MaxAge: s.cfg.Calibration.MaxAge,
		Capture: func(ctx context.Context, r *facetdv1.CaptureFramesRequest) (dispatch.Done, error) {
			return s.dispatcher.Capture(ctx, r)
		},
		Tasks:      func() []*facetdv1.RunningTask { return s.dispatcher.Snapshot().Tasks },
		NotUniform: func() string { return s.light.NotUniform() },
		Kelvin:     s.dieKelvin, ClaimShared: s.claimShared,
		Events: s.keeping.journal.Sink(),
		Changed: func(m *facetdv1.CorrectionMap) {
			if r := s.keeping.recording.Load(); r != nil {
				r.MapChanged(m)
			}
		},
	}
	if s.cfg.Data != "" {
		cfg.Dir, cfg.Modes = filepath.Join(s.cfg.Data, "correction-maps"), s.cfg.DataModes()
	}
	var err error
	if s.calibration, err = calibration.New(cfg); err != nil {
		return err
	}
	s.hub.SetCorrector(s.calibration)
	return nil
}

// dieKelvin is the temperature of a die where it is known: on a virtual bus.
func (s *Server) dieKelvin(chip int) float64 {
	if s.light == nil {
		return 0
	}
	offsetK, known := s.light.TemperatureOffset()
	if !known || chip < 0 {
		return 0
	}
	return s.array.Chips[chip].Class.Spec.GetTemperatureK() + offsetK
}

// defects are the defective pixels of a virtual bus. Validate has found what cannot be read.
func (c *Setup) defects() []virtual.Defect {
	var out []virtual.Defect
	for _, text := range c.Defects {
		if d, err := virtual.ParseDefect(text); err == nil {
			out = append(out, d)
		}
	}
	return out
}
