package calibration

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"sync/atomic"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/calibration/correction"
	"facetd.example/daemon/dispatch"
)

// counts of frames for which corrected codes were asked.
type counts struct {
	corrected                                atomic.Uint64
	noMap, unknownView, mismatch, incomplete atomic.Uint64
}

var _ dispatch.Observer = (*Service)(nil)

// SegmentRun does nothing.
func (s *Maps) SegmentRun(string, *bus.Result, dispatch.WordCount) {}

// JobEnded does nothing: frame sets are corrected elsewhere, for those who ask.
func (s *Maps) JobEnded(*facetdv1.FrameSet) {}

// JobEndedLater does nothing.
func (s *Maps) JobEndedLater(*facetdv1.FrameSet, func()) {}

// Violated does nothing.
func (s *Maps) Violated(rules.Violation) {}

// PlanChanged remembers what the views of every task do.
func (s *Maps) PlanChanged(plan *facetdv1.Plan, _, _ bus.Time) {
	next := taskViews{}
	for _, t := range plan.GetTasks() {
		chips, m := s.cfg.Array.Resolve(t.GetTarget())
		if len(m) > 0 || len(chips) == 0 {
			continue // tasks of a timetable have chips
		}
		if keys, err := keysOf(s.cfg.Array, s.cfg.Array.Chips[chips[0]].Class, t.GetViews()); err == nil {
			next[t.GetName()] = keys
		}
	}
	s.views.Store(&next)
}

// Begin is called when a frame set of a task ends, before the timetable can change, and
// says how to correct it later, on any goroutine. It is a look-up.
func (s *Maps) Begin(fs *facetdv1.FrameSet) func() *facetdv1.FrameSet {
	keys := (*s.views.Load())[fs.GetTask()]
	return func() *facetdv1.FrameSet { return s.correctSet(fs, keys) }
}

// Captured corrects the frame set of an on-demand capture with these views.
func (s *Maps) Captured(fs *facetdv1.FrameSet, views []*facetdv1.View) *facetdv1.FrameSet {
	var keys viewKeys
	if frames := fs.GetFrames(); len(frames) > 0 {
		if c := s.cfg.Array.Chip(frames[0].GetChip()); c >= 0 {
			keys, _ = keysOf(s.cfg.Array, s.cfg.Array.Chips[c].Class, views) // they were read, so they are in order
		}
	}
	return s.correctSet(fs, keys)
}

// correctSet returns a copy with corrected frames; the original stays as it is.
func (s *Maps) correctSet(fs *facetdv1.FrameSet, keys viewKeys) *facetdv1.FrameSet {
	out := shallow.Without(fs, "frames")
	active := *s.active.Load()
	for _, f := range fs.GetFrames() {
		out.Frames = append(out.Frames, s.correctFrame(f, fs.GetFailure() != "", keys, active))
	}
	return out
}

// correctFrame returns a corrected copy, or a copy of the raw frame with the reason.
func (s *Maps) correctFrame(f *facetdv1.Frame, failed bool, keys viewKeys, active map[key]*activeMap) *facetdv1.Frame {
	out := shallow.Without(f, "data")
	out.Data = f.GetData()
	refuse := func(counter *atomic.Uint64, why string) *facetdv1.Frame {
		counter.Add(1)
		out.CorrectionNote = "not corrected: " + why
		return out
	}
	view, known := keys[f.GetView()]
	if !known {
		return refuse(&s.counts.unknownView, "what the view does is not known")
	}
	if failed {
		return refuse(&s.counts.incomplete, "the job failed, so the frame may be incomplete")
	}
	m := active[key{f.GetChip(), view.of(f)}]
	if m == nil {
		return refuse(&s.counts.noMap, s.noMap(f.GetChip(), active))
	}
	n := m.cmap.Shape.Pixels()
	if len(f.GetData()) != 2*n || len(f.GetCorrections()) > 0 {
		return refuse(&s.counts.mismatch, "correction map "+m.meta.GetId()+
			" is for another size of frames, or the frame was corrected already")
	}
	codes := make([]uint16, n)
	for i := range codes {
		codes[i] = binary.LittleEndian.Uint16(f.Data[2*i:])
	}
	applied, err := m.cmap.Apply(codes, codes)
	if err != nil {
		return refuse(&s.counts.mismatch, err.Error())
	}
	filled, unfilled, err := m.cmap.Fill(codes)
	if err != nil {
		return refuse(&s.counts.mismatch, err.Error())
	}
	out.Data = make([]byte, 2*n)
	var sum uint64
	for i, c := range codes {
		binary.LittleEndian.PutUint16(out.Data[2*i:], c)
		sum += uint64(c)
	}
	if left, known := m.cmap.PatternAt(float64(sum) / float64(n)); known {
		out.FixedPatternCodes = &left
	}
	s.counts.corrected.Add(1)
	out.CorrectionMapId, out.CorrectionMapDigest = m.meta.GetId(), m.meta.GetChecksumSha256()
	out.Corrections = []facetdv1.Correction{correctionOf(m.cmap.Method)}
	if filled > 0 {
		out.Corrections = append(out.Corrections, facetdv1.Correction_CORRECTION_PIXEL_FILL)
	}
	out.CorrectionNote = strings.Join(s.notes(m, applied, unfilled), "; ")
	return out
}

func correctionOf(m correction.Method) facetdv1.Correction {
	switch m {
	case correction.OffsetGain:
		return facetdv1.Correction_CORRECTION_OFFSET_GAIN
	case correction.LogResponse:
		return facetdv1.Correction_CORRECTION_LOG_RESPONSE
	}
	return facetdv1.Correction_CORRECTION_OFFSET
}

// noMap says why a chip has no correction map for a view.
func (s *Maps) noMap(chip string, active map[key]*activeMap) string {
	others := 0
	for k := range active {
		if k.chip == chip {
			others++
		}
	}
	switch {
	case others == 1:
		return "the correction map of chip " + chip + " is for other settings of the view"
	case others > 1:
		return fmt.Sprintf("none of the %d correction maps of chip %s is for these settings of the view", others, chip)
	}
	return "chip " + chip + " has no correction map"
}

// notes are cautions about a correction that was made.
func (s *Maps) notes(m *activeMap, applied correction.Applied, unfilled int) []string {
	var out []string
	if s.stale(m) {
		out = append(out, "the correction map is "+days(s.age(m))+" old")
	}
	now, then := s.cfg.Kelvin(s.cfg.Array.Chip(m.key.chip)), m.cmap.Kelvin
	if now > 0 && then > 0 && math.Abs(now-then) > correction.OtherKelvin {
		out = append(out, fmt.Sprintf("the correction map was made at %.0f K, the die has %.0f K", then, now))
	}
	if applied.Clamped > 0 {
		out = append(out, fmt.Sprintf("%d pixels set to an end of the range", applied.Clamped))
	}
	if unfilled > 0 {
		out = append(out, fmt.Sprintf("%d defective pixels have no good neighbours and stay as they are", unfilled))
	}
	return out
}
