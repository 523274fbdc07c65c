package calibration

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/pages"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

// inOrder returns the active correction maps by chip in the order of the array, then by what they
// are for.
func (s *Maps) inOrder() []*activeMap {
	var out []*activeMap
	for _, m := range *s.active.Load() {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *activeMap) int {
		return cmp.Or(cmp.Compare(s.cfg.Array.Chip(a.key.chip), s.cfg.Array.Chip(b.key.chip)),
			cmp.Compare(a.key.settings, b.key.settings))
	})
	return out
}

// ListCorrectionMaps returns the active correction maps and the files that were refused.
func (s *Service) ListCorrectionMaps(_ context.Context,
	r *facetdv1.ListCorrectionMapsRequest) (*facetdv1.ListCorrectionMapsResponse, error) {
	if r.GetChip() != "" && s.cfg.Array.Chip(r.GetChip()) < 0 {
		return nil, &failure.NotFound{What: "chip", Name: r.GetChip()}
	}
	out := &facetdv1.ListCorrectionMapsResponse{Stored: s.store != nil, MaxAge: durationpb.New(s.cfg.MaxAge)}
	var list []*activeMap
	for _, m := range s.inOrder() {
		if r.GetChip() == "" || r.GetChip() == m.key.chip {
			list = append(list, m)
		}
	}
	page, next, wrong := pages.Of(r, list, func(m *activeMap) string { return m.meta.GetId() })
	if len(wrong) > 0 {
		return nil, wrong
	}
	out.NextPageToken = next
	for _, m := range page {
		out.CorrectionMaps = append(out.CorrectionMaps, s.shown(m))
	}
	s.Maps.mu.Lock()
	defer s.Maps.mu.Unlock()
	for _, f := range s.refused {
		if r.GetChip() == "" || r.GetChip() == f.GetChip() {
			out.Refused = append(out.Refused, proto.CloneOf(f))
		}
	}
	return out, nil
}

// find returns the active correction map of an identity, or nil.
func (s *Maps) find(id string) *activeMap {
	for _, m := range *s.active.Load() {
		if m.meta.GetId() == id {
			return m
		}
	}
	return nil
}

// ofDigest returns the correction map of a digest that is active or was.
func (s *Maps) ofDigest(digest string) (m *activeMap, active bool) {
	of := func(m *activeMap) bool { return m.meta.GetChecksumSha256() == digest }
	for _, m := range *s.active.Load() {
		if of(m) {
			return m, true
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := slices.IndexFunc(s.past, of); i >= 0 {
		return s.past[i], false
	}
	return nil, false
}

// changed tells who wants to know.
func (s *Maps) changed(m *facetdv1.CorrectionMap) {
	if s.cfg.Changed != nil {
		s.cfg.Changed(m)
	}
}

// whole is a correction map with its numbers.
func (s *Maps) whole(m *activeMap) *facetdv1.CorrectionMap {
	out := s.shown(m)
	out.Data = dataMessage(m.cmap)
	return out
}

// replaced is a correction map that is no longer active, without its numbers.
func (s *Maps) replaced(m *activeMap) *facetdv1.CorrectionMap {
	out := s.shown(m)
	out.State, out.File = facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_REPLACED, ""
	return out
}

// Active returns all correction maps that are active, with their numbers.
func (s *Maps) Active() []*facetdv1.CorrectionMap {
	var out []*facetdv1.CorrectionMap
	for _, m := range s.inOrder() {
		out = append(out, s.whole(m))
	}
	return out
}

// GetCorrectionMap returns one correction map.
func (s *Service) GetCorrectionMap(_ context.Context,
	r *facetdv1.GetCorrectionMapRequest) (*facetdv1.GetCorrectionMapResponse, error) {
	if r.GetId() != "" && r.GetDigest() != "" {
		return nil, invalid.Errors{{Path: "digest", Message: "an identity is given, too", Hint: "give one of them"}}
	}
	m, active := s.find(r.GetId()), true
	if r.GetDigest() != "" {
		m, active = s.ofDigest(r.GetDigest())
	}
	if m == nil {
		return nil, &failure.NotFound{What: "correction map", Name: cmp.Or(r.GetDigest(), r.GetId())}
	}
	out := s.shown(m)
	if !active {
		out = s.replaced(m)
	}
	if r.GetData() {
		out.Data = dataMessage(m.cmap)
	}
	return &facetdv1.GetCorrectionMapResponse{CorrectionMap: out}, nil
}

// DeleteCorrectionMap deletes a correction map, or a file that was refused.
func (s *Service) DeleteCorrectionMap(_ context.Context,
	r *facetdv1.DeleteCorrectionMapRequest) (*facetdv1.DeleteCorrectionMapResponse, error) {
	if r.GetId() == "" {
		return nil, invalid.Errors{{Path: "id", Message: "no correction map is named",
			Hint: "give the identity of a correction map, or the name of a refused file"}}
	}
	if err := s.remove(r.GetId()); err != nil {
		return nil, err
	}
	return &facetdv1.DeleteCorrectionMapResponse{}, nil
}

// remove deletes an active correction map, or a file that was refused.
func (s *Maps) remove(id string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if m := s.find(id); m != nil {
		if s.store != nil {
			if err := s.store.remove(m.meta.GetFile()); err != nil {
				return err
			}
		}
		s.replace(m.key, nil)
		s.note(info, []string{m.key.chip}, mapFields(m.meta), "correction map %s of chip %s deleted", m.meta.GetId(),
			m.key.chip)
		return nil
	}
	i := slices.IndexFunc(s.refused, func(f *facetdv1.RefusedCorrectionMap) bool { return f.GetFile() == id })
	if i < 0 || s.store == nil {
		return &failure.NotFound{What: "correction map or refused file", Name: id}
	}
	if err := s.store.remove(s.refused[i].GetFile()); err != nil {
		return err
	}
	s.refused = slices.Delete(s.refused, i, i+1)
	s.note(info, nil, events.Fields{"file": events.Text(id)}, "refused correction map file %s deleted", id)
	return nil
}

// Stats is what metrics show.
type Stats struct {
	// Active, Stale and Refused count correction maps: those that correct, those of them that are
	// old, and files that are not used.
	Active, Stale, Refused int
	// OldestSeconds is the age of the oldest active correction map of each chip that has one.
	OldestSeconds map[string]float64
	// Corrected counts frames that were corrected; NoMap, UnknownView, Mismatch and
	// Incomplete those that stayed raw, by why.
	Corrected, NoMap, UnknownView, Mismatch, Incomplete uint64
}

// Stats returns the counts until now.
func (s *Maps) Stats() Stats {
	out := Stats{
		OldestSeconds: map[string]float64{}, Corrected: s.counts.corrected.Load(), NoMap: s.counts.noMap.Load(),
		UnknownView: s.counts.unknownView.Load(), Mismatch: s.counts.mismatch.Load(),
		Incomplete: s.counts.incomplete.Load(),
	}
	for k, m := range *s.active.Load() {
		out.Active++
		if s.stale(m) {
			out.Stale++
		}
		out.OldestSeconds[k.chip] = max(out.OldestSeconds[k.chip], s.age(m).Seconds())
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	out.Refused = len(s.refused)
	return out
}
