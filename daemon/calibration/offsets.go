package calibration

import (
	"context"
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/failure"
)

// UpdateOffsets updates correction maps from the uniform illumination that is there now.
func (s *Service) UpdateOffsets(ctx context.Context, r *facetdv1.UpdateOffsetsRequest) (*facetdv1.UpdateOffsetsResponse,
	error) {
	old, frames, err := s.mapsOf(r)
	if err != nil {
		return nil, err
	}
	if err := s.uniformLight(); err != nil {
		return nil, err
	}
	select {
	case s.updating <- struct{}{}:
		defer func() { <-s.updating }()
	default:
		return nil, &failure.InProgress{Message: "an offset update is in progress; retry when that finishes"}
	}
	release, err := s.claimShared("an offset update")
	if err != nil {
		return nil, err
	}
	defer release()
	out := &facetdv1.UpdateOffsetsResponse{Level: &facetdv1.CollectedLevel{Lux: r.GetLux(), Frames: uint32(frames)}}
	for _, m := range old {
		meta, shown, err := s.updateOffsets(ctx, m, r, frames)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil {
			f := &facetdv1.CorrectionMapFailure{Chip: m.key.chip, View: m.meta.GetView(), Reason: reasonOf(err)}
			out.Failures = append(out.Failures, f)
			s.note(warning, []string{f.GetChip()}, mapFields(m.meta),
				"correction map %s of chip %s could not be updated: %s", m.meta.GetId(), f.GetChip(), f.GetReason())
			continue
		}
		out.CorrectionMaps = append(out.CorrectionMaps, meta)
		out.Level.Chips = append(out.Level.Chips, shown)
		s.noteMade("updated from "+m.meta.GetId(), meta)
		for _, caution := range shown.GetCautions() {
			s.note(warning, []string{shown.GetChip()}, mapFields(meta), "offset update of chip %s, view %s: %s",
				shown.GetChip(), shown.GetView(), caution)
		}
	}
	if len(out.CorrectionMaps) == 0 {
		return nil, nothingMade("no correction map could be updated", out.GetFailures())
	}
	return out, nil
}

// mapsOf checks a request and returns the correction maps that it means.
func (s *Service) mapsOf(r *facetdv1.UpdateOffsetsRequest) (cmaps []*activeMap, frames int, err error) {
	var m invalid.Errors
	frames = framesOf(&m, r.GetFrames())
	checkKelvin(&m, r.DieKelvin)
	if lux := r.GetLux(); !(lux >= 0 && lux <= 1e9) {
		m.Add("lux", fmt.Sprintf("%g lux is not possible", lux), "give what was measured at the chips, or leave it out")
	}
	wanted := map[string]bool{}
	if r.GetTarget() != nil {
		chips, wrong := s.cfg.Array.Resolve(r.GetTarget())
		m = append(m, wrong.Under("target")...)
		for _, name := range s.cfg.Array.ChipNames(chips) {
			wanted[name] = true
		}
	}
	if len(m) > 0 {
		return nil, 0, m
	}
	for _, cmap := range s.inOrder() {
		if r.GetTarget() == nil || wanted[cmap.key.chip] {
			cmaps = append(cmaps, cmap)
		}
	}
	if len(cmaps) == 0 {
		return nil, 0, stuck("correction maps", "none of these chips has an active correction map; calibrate first")
	}
	return cmaps, frames, nil
}

// updateOffsets gathers one level for a correction map, and makes the new one. Chips and views that are read
// together anyway are read once for each correction map all the same: this is done rarely. What the chip showed comes
// with what an operator should know of it.
func (s *Service) updateOffsets(ctx context.Context, m *activeMap, r *facetdv1.UpdateOffsetsRequest,
	frames int) (*facetdv1.CorrectionMap, *facetdv1.ChipLevel, error) {
	c := s.cfg.Array.Chip(m.key.chip)
	view := viewOf(m.meta)
	subjects, err := subjectsOf(s.cfg.Array, c, []*facetdv1.View{view})
	if err != nil {
		return nil, nil, err
	}
	if subjects[0].key != m.key {
		return nil, nil, fmt.Errorf("view %s of chip %s cannot be read by itself with the settings of its "+
			"correction map",
			m.meta.GetView(), m.key.chip)
	}
	ses := &session{subjects: subjects, views: []*facetdv1.View{view}, units: []unit{s.unitWith(c)},
		kelvin: r.DieKelvin}
	gather := &collector{s: s, ses: ses, send: func(*facetdv1.CollectLevelResponse) error { return nil }}
	if err := gather.gather(ctx, r.GetLux(), frames); err != nil {
		return nil, nil, err
	}
	lux := -1.0 // not known
	if r.Lux != nil {
		lux = r.GetLux()
	}
	level := correction.Level{Lux: lux, Frames: gather.level.gathered[0]}
	made, err := correction.UpdateOffsets(m.cmap, level,
		correction.Options{Kelvin: gather.level.kelvin[0], CodesPerDecade: subjects[0].perDecade})
	if err != nil {
		return nil, nil, err
	}
	meta := s.metaOf(&subjects[0], m.meta.GetNote())
	meta.View, meta.UpdatedFrom = m.meta.GetView(), m.meta.GetId()
	describe(meta, made)
	meta.Levels = levelMessages(made, made.Levels, meta.GetCodesPerDecade())
	meta.Levels[0].FirstBusNs, meta.Levels[0].LastBusNs = gather.level.firstNS[0], gather.level.lastNS[0]
	shown := gather.level.shown.GetChips()[0]
	// Alternating shares of pairs make cells alike over some roots of their number (the spread of a random walk).
	reach := int(math.Ceil(4 * math.Sqrt(float64(len(view.GetShares())))))
	if caution := m.cmap.UnevenCaution(level, reach); caution != "" {
		shown.Cautions = append(shown.Cautions, caution)
	}
	kept, err := s.keep(meta, made)
	return kept, shown, err
}

// viewOf is one view that does what a correction map is for: the shares of all views up to its own.
func viewOf(m *facetdv1.CorrectionMap) *facetdv1.View {
	v := m.GetSettings()
	out := &facetdv1.View{Name: m.GetView(), Shares: v.GetShares(), Binning: v.GetBinning(), Window: v.GetWindow(),
		Trim: v.GetTrim()}
	if ns := v.GetExposureNs(); ns > 0 {
		out.Exposure = durationpb.New(time.Duration(ns))
	}
	return out
}

// unitWith is the capture of a chip, with the chips that listen whenever it does.
func (s *Service) unitWith(c int) unit {
	a := s.cfg.Array
	return unitOf(a.ChipNames(a.Reach(a.Chips[c].Wires))...)
}

// photonTransfer are the figures of linear pixels, nil where the levels do not give them.
func (s *Service) photonTransfer(ses *session, i int) *facetdv1.PhotonTransfer {
	sub := &ses.subjects[i]
	if s.cfg.Array.Chips[sub.chip].Class.Spec.GetLinear() == nil {
		return nil
	}
	var levels []correction.Level
	for _, l := range ses.levels {
		levels = append(levels, correction.Level{Lux: l.lux, Frames: l.gathered[i]})
	}
	t, err := correction.PhotonTransfer(levels)
	if err != nil {
		return nil
	}
	var bend *float64
	if !math.IsNaN(t.LinearityError) {
		bend = &t.LinearityError
	}
	return &facetdv1.PhotonTransfer{
		Chip: sub.key.chip, View: sub.view, CodesPerElectron: finite(t.CodesPerElectron),
		DarkNoiseElectrons:  finite(t.DarkNoise),
		SaturationElectrons: finite(t.Saturation), DsnuElectrons: finite(t.DSNU), Prnu: finite(t.PRNU),
		CodesPerLux:    finite(math.Abs(t.CodesPerLux)),
		LinearityError: bend, MaxSnr: finite(t.MaxSNR), DynamicRange: finite(t.DynamicRange),
	}
}
