package calibration

import (
	"cmp"
	"context"
	"slices"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/daemon/dispatch"
)

// inOrder returns the masks in force by chip in the order of the array, then by what they
// are for.
func (s *Service) inOrder() []*inForce {
	var out []*inForce
	for _, m := range *s.force.Load() {
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *inForce) int {
		return cmp.Or(cmp.Compare(s.cfg.Array.Chip(a.key.chip), s.cfg.Array.Chip(b.key.chip)), cmp.Compare(a.key.settings, b.key.settings))
	})
	return out
}

// ListMasks returns the masks in force and the files that were refused.
func (s *Service) ListMasks(_ context.Context, r *facetdv1.ListMasksRequest) (*facetdv1.ListMasksResponse, error) {
	if r.GetChip() != "" && s.cfg.Array.Chip(r.GetChip()) < 0 {
		return nil, s.cfg.Status(&dispatch.NotFoundError{What: "chip", Name: r.GetChip()})
	}
	out := &facetdv1.ListMasksResponse{Stored: s.store != nil, MaxAge: durationpb.New(s.cfg.MaxAge)}
	for _, m := range s.inOrder() {
		if r.GetChip() == "" || r.GetChip() == m.key.chip {
			out.Masks = append(out.Masks, s.shown(m))
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, f := range s.refused {
		if r.GetChip() == "" || r.GetChip() == f.GetChip() {
			out.Refused = append(out.Refused, proto.CloneOf(f))
		}
	}
	return out, nil
}

// find returns the mask in force of an identity, or nil.
func (s *Service) find(id string) *inForce {
	for _, m := range *s.force.Load() {
		if m.meta.GetId() == id {
			return m
		}
	}
	return nil
}

// GetMask returns one mask in force.
func (s *Service) GetMask(_ context.Context, r *facetdv1.GetMaskRequest) (*facetdv1.GetMaskResponse, error) {
	m := s.find(r.GetId())
	if m == nil {
		return nil, s.cfg.Status(&dispatch.NotFoundError{What: "mask", Name: r.GetId()})
	}
	out := s.shown(m)
	if r.GetData() {
		out.Data = dataMessage(m.mask)
	}
	return &facetdv1.GetMaskResponse{Mask: out}, nil
}

// DeleteMask deletes a mask, or a file that was refused.
func (s *Service) DeleteMask(_ context.Context, r *facetdv1.DeleteMaskRequest) (*facetdv1.DeleteMaskResponse, error) {
	if r.GetId() == "" {
		return nil, s.cfg.Status(invalid.Errors{{Path: "id", Message: "no mask is named", Hint: "give the identity of a mask, or the name of a refused file"}})
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if m := s.find(r.GetId()); m != nil {
		if s.store != nil {
			if err := s.store.remove(m.meta.GetFile()); err != nil {
				return nil, s.cfg.Status(err)
			}
		}
		s.replace(m.key, nil)
		s.note(info, []string{m.key.chip}, maskFields(m.meta), "mask %s of chip %s deleted", m.meta.GetId(), m.key.chip)
		return &facetdv1.DeleteMaskResponse{}, nil
	}
	i := slices.IndexFunc(s.refused, func(f *facetdv1.RefusedMask) bool { return f.GetFile() == r.GetId() })
	if i < 0 || s.store == nil {
		return nil, s.cfg.Status(&dispatch.NotFoundError{What: "mask or refused file", Name: r.GetId()})
	}
	if err := s.store.remove(s.refused[i].GetFile()); err != nil {
		return nil, s.cfg.Status(err)
	}
	s.refused = slices.Delete(s.refused, i, i+1)
	s.note(info, nil, map[string]string{"file": r.GetId()}, "refused mask file %s deleted", r.GetId())
	return &facetdv1.DeleteMaskResponse{}, nil
}

// Stats is what metrics show.
type Stats struct {
	// InForce, Stale and Refused count masks: those that correct, those of them that are
	// old, and files that are not used.
	InForce, Stale, Refused int
	// OldestSeconds is the age of the oldest mask in force of each chip that has one.
	OldestSeconds map[string]float64
	// Corrected counts frames that were corrected; NoMask, UnknownView, Mismatch and
	// Incomplete those that stayed raw, by why.
	Corrected, NoMask, UnknownView, Mismatch, Incomplete uint64
}

// Stats returns the counts until now.
func (s *Service) Stats() Stats {
	out := Stats{
		OldestSeconds: map[string]float64{}, Corrected: s.counts.corrected.Load(), NoMask: s.counts.noMask.Load(),
		UnknownView: s.counts.unknownView.Load(), Mismatch: s.counts.mismatch.Load(), Incomplete: s.counts.incomplete.Load(),
	}
	for k, m := range *s.force.Load() {
		out.InForce++
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
