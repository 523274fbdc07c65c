package campaign

import (
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/scheduler/program"
)

// makeAutomatic has the daemon set exposure, gain and offset of some of the views in which they move, also of tasks
// that are made later. Whether a level can be held is no matter: what is said of it has to be so.
func (s *scenario) makeAutomatic(r *rand.Rand) {
	for i, t := range s.tasks {
		if x := s.automatic(r, t); x != nil {
			s.tasks = slices.Clone(s.tasks)
			s.tasks[i] = x
		}
	}
	for i := range s.changes {
		if x := s.automatic(r, s.changes[i].add); x != nil {
			s.changes[i].add = x
		}
	}
}

// automatic is a task with automatic exposure in some of its views, in half of the cases nil.
func (s *scenario) automatic(r *rand.Rand, t *facetdv1.Task) *facetdv1.Task {
	if r.IntN(2) == 0 || t == nil {
		return nil
	}
	var out *facetdv1.Task
	for i, v := range t.GetViews() {
		m := v.GetMovable()
		if r.IntN(3) == 0 || m.GetExposure() == nil && m.GetGainIndex() == nil && m.GetOffset() == nil {
			continue
		}
		for range 5 { // until the level is one that pixels can have
			next := proto.CloneOf(t)
			if out != nil {
				next = proto.CloneOf(out)
			}
			x := &facetdv1.AutomaticExposure{Level: 0.05 + 0.9*r.Float64()}
			if r.IntN(2) == 0 {
				x.Percentile = proto.Float64(1 + 98*r.Float64())
			}
			if r.IntN(2) == 0 {
				x.Averaging = durationpb.New(time.Duration(1+r.IntN(1000)) * time.Millisecond)
			}
			next.Views[i].Automatic = x
			if _, m := program.NewTasks(s.array, []*facetdv1.Task{next}); len(m) == 0 {
				out = next
				break
			}
		}
	}
	return out
}

// leave takes out of parameters of a view what the daemon sets by itself, and reports whether there was any.
func leave(v *facetdv1.View, p *facetdv1.ViewParameters) (any bool) {
	if v.GetAutomatic() == nil {
		return false
	}
	m := v.GetMovable()
	if m.GetExposure() != nil {
		any = p.Exposure != nil
		p.Exposure = nil
	}
	if m.GetGainIndex() != nil {
		any = any || p.GainIndex != nil
		p.GainIndex = nil
	}
	if m.GetOffset() != nil && m.GetExposure() == nil {
		any = any || p.Offset != nil
		p.Offset = nil
	}
	return any
}

// leaveBounds takes out of what moves what the daemon sets by itself.
func leaveBounds(m *facetdv1.Movable) {
	if m.GetExposure() == nil {
		m.Offset = nil
	}
	m.Exposure, m.GainIndex = nil, nil
}

// countAutomatic counts how often the daemon has set something by itself, as frames say.
func (o *outcome) countAutomatic(l *life) {
	last := map[string]*facetdv1.ViewParameters{}
	automatic := map[string]bool{}
	for _, p := range l.ledger.plans {
		for _, t := range p.plan.GetTasks() {
			for _, v := range t.GetViews() {
				if v.GetAutomatic() != nil {
					automatic[t.GetName()+"/"+v.GetName()] = true
				}
			}
		}
	}
	for _, fs := range l.ledger.sets {
		for _, f := range fs.GetFrames() {
			key := fs.GetTask() + "/" + f.GetView()
			if !automatic[key] {
				continue
			}
			now := &facetdv1.ViewParameters{Exposure: durationpb.New(time.Duration(f.GetExposureNs())),
				GainIndex: proto.Uint32(f.GetTrim().GetGainIndex()), Offset: proto.Int32(f.GetTrim().GetOffset())}
			if before := last[key]; before != nil && !proto.Equal(before, now) {
				o.tally.paths[pathAdjusted]++
			}
			last[key] = now
		}
	}
}
