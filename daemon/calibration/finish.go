package calibration

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// FinishCalibration makes the correction maps of a session, each by itself: a chip whose correction map cannot
// be made does not keep the others from theirs.
func (s *Service) FinishCalibration(ctx context.Context,
	r *facetdv1.FinishCalibrationRequest) (*facetdv1.FinishCalibrationResponse, error) {
	var m invalid.Errors
	if _, known := facetdv1.CalibrationMethod_name[int32(r.GetMethod())]; !known {
		m.Add("method", fmt.Sprintf("there is no method %d", r.GetMethod()),
			"use OFFSET, OFFSET_GAIN, LOG_RESPONSE or leave it out")
		return nil, m
	}
	ses, err := s.take(r.GetSession())
	if err != nil {
		return nil, err
	}
	defer s.give(ses)
	if len(ses.levels) == 0 {
		return nil, stuck(ses.id, "no level has been gathered; gather one at least, and three of known light for a "+
			"log response")
	}
	method := r.GetMethod()
	if method == 0 {
		method = ses.method
	}
	out := &facetdv1.FinishCalibrationResponse{}
	for i := range ses.subjects {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		meta, err := s.make(ses, i, method)
		if err != nil {
			out.Failures = append(out.Failures, failureOf(&ses.subjects[i], err))
			continue
		}
		out.CorrectionMaps = append(out.CorrectionMaps, meta)
		s.noteMade("made", meta)
		if t := s.photonTransfer(ses, i); t != nil {
			out.PhotonTransfers = append(out.PhotonTransfers, t)
		}
	}
	for _, f := range out.Failures {
		s.note(warning, []string{f.GetChip()}, events.Fields{"view": events.Text(f.GetView())},
			"no correction map for chip %s, view %s: %s", f.GetChip(), f.GetView(), f.GetReason())
	}
	if len(out.CorrectionMaps) == 0 {
		return nil, nothingMade("no correction map could be made", out.GetFailures())
	}
	s.mu.Lock()
	delete(s.sessions, ses.id)
	s.mu.Unlock()
	return out, nil
}

func failureOf(sub *subject, err error) *facetdv1.CorrectionMapFailure {
	return &facetdv1.CorrectionMapFailure{Chip: sub.key.chip, View: sub.view, Reason: reasonOf(err)}
}

// reasonOf is an error in one line.
func reasonOf(err error) string {
	var m invalid.Errors
	if !errors.As(err, &m) {
		return err.Error()
	}
	var parts []string
	for _, one := range m {
		text := one.Message
		if one.Hint != "" {
			text += " (" + one.Hint + ")"
		}
		parts = append(parts, text)
	}
	return strings.Join(parts, "; ")
}

// nothingMade names the failures, as many as fit.
func nothingMade(what string, failures []*facetdv1.CorrectionMapFailure) error {
	var parts []string
	for i, f := range failures {
		if i == 4 {
			parts = append(parts, fmt.Sprintf("and %d more", len(failures)-i))
			break
		}
		parts = append(parts, f.GetChip()+", "+f.GetView()+": "+f.GetReason())
	}
	return stuck("correction maps", "%s: %s", what, strings.Join(parts, "; "))
}

// make fits one correction map, stores it and activates it.
func (s *Service) make(ses *session, i int, wanted facetdv1.CalibrationMethod) (*facetdv1.CorrectionMap, error) {
	sub := &ses.subjects[i]
	levels := make([]correction.Level, len(ses.levels))
	kelvin, known := 0.0, 0
	for l, level := range ses.levels {
		levels[l] = correction.Level{Lux: level.lux, Frames: level.gathered[i]}
		if k := level.kelvin[i]; k > 0 {
			kelvin += k
			known++
		}
	}
	o := correction.Options{CodesPerDecade: sub.perDecade}
	if known == len(levels) {
		o.Kelvin = kelvin / float64(known)
		o.CodesPerDecade *= o.Kelvin / 300
	}
	used, saturated := unsaturated(levels)
	method := s.methodFor(sub, wanted, len(used))
	if len(used) < method.MinLevels() { // too few are left for it: refused, with the reason
		used, method = levels, s.methodFor(sub, wanted, len(levels))
	}
	leftOut := len(used) < len(levels)
	if method == correction.Offset {
		used = used[len(used)/2 : len(used)/2+1]
	}
	cmap, err := correction.Fit(method, used, o)
	if err != nil {
		return nil, err
	}
	meta := s.metaOf(sub, ses.note)
	describe(meta, cmap)
	reports, err := cmap.Measure(levels)
	if err != nil {
		return nil, err
	}
	meta.Levels = levelMessages(cmap, reports, meta.GetCodesPerDecade())
	for l, level := range ses.levels {
		meta.Levels[l].FirstBusNs, meta.Levels[l].LastBusNs = level.firstNS[i], level.lastNS[i]
		meta.Levels[l].SaturatedPixels = uint32(saturated[l])
		meta.Levels[l].LeftOut = leftOut && correction.TooSaturated(saturated[l], sub.shape.Pixels())
	}
	return s.keep(meta, cmap)
}

// unsaturated are the levels at which the pixels follow the light, with how many pixels saturate at each of all.
func unsaturated(levels []correction.Level) (used []correction.Level, saturated []int) {
	saturated = correction.Saturated(levels)
	for l, n := range saturated {
		if !correction.TooSaturated(n, levels[l].Frames.Shape().Pixels()) {
			used = append(used, levels[l])
		}
	}
	return used, saturated
}

// methodFor is the method that a chip gets: what was wanted, or the one that takes out most
// with the levels there are.
func (s *Service) methodFor(sub *subject, wanted facetdv1.CalibrationMethod, levels int) correction.Method {
	if wanted != 0 {
		return correction.Method(wanted) // numbered alike
	}
	linear := s.cfg.Array.Chips[sub.chip].Class.Spec.GetLinear() != nil
	switch {
	case levels >= 3 && !linear:
		return correction.LogResponse
	case levels >= 2:
		return correction.OffsetGain
	}
	return correction.Offset
}

// metaOf is what is said of a new correction map whatever its numbers.
func (s *Service) metaOf(sub *subject, note string) *facetdv1.CorrectionMap {
	class := s.cfg.Array.Chips[sub.chip].Class
	return &facetdv1.CorrectionMap{
		Chip: sub.key.chip, View: sub.view, Settings: sub.settings,
		Arrangement: class.Spec.GetLattice().GetArrangement(),
		CreateTime:  timestamppb.New(s.cfg.Clock()), Note: note,
		Array: s.cfg.Array.Name, ArrayDigest: s.cfg.Array.Digest, ChipClass: class.Name,
		ClassDigest: classDigest(class),
	}
}

// finite is v, or 0 where it is no number: JSON knows none such.
func finite(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return 0
	}
	return v
}

// stuck is why a calibration cannot go on.
func stuck(subject, format string, args ...any) error {
	return &failure.Precondition{Kind: failure.Calibration, Subject: subject, Message: fmt.Sprintf(format, args...)}
}
