package campaign

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// addPauses has, in two seeds of five, tasks paused and resumed, for from nearly no time to most of the run; some stay
// paused, and some are from the start. In a crowd of callers it is asked for beside other changes.
func (s *scenario) addPauses(r *rand.Rand) {
	if r.IntN(5) > 1 {
		return
	}
	names := func() (out []string) {
		for _, t := range s.tasks {
			out = append(out, t.GetName())
		}
		for _, c := range s.changes {
			if c.add != nil {
				out = append(out, c.add.GetName())
			}
		}
		return out
	}()
	for _, at := range instants(r, 1+r.IntN(4), s.safety) {
		name := names[r.IntN(len(names))]
		if slices.Contains(names, "twin") && r.IntN(2) == 0 {
			name = "twin" // which may share its jobs with another
		}
		turns := []change{{at: at, pause: name, paused: true}}
		if r.IntN(6) > 0 {
			hold := time.Duration(1+r.Int64N(int64(300*time.Millisecond)>>r.IntN(16))) | 1
			turns = append(turns, change{at: at + hold&^1, pause: name})
		}
		if len(s.crowds) > 0 && r.IntN(2) == 0 {
			c := crowd{at: at}
			for _, x := range turns {
				x.at -= at
				c.changes = append(c.changes, x)
			}
			s.crowds = append(s.crowds, c)
			continue
		}
		s.changes = append(s.changes, turns...)
	}
	if i := r.IntN(len(s.tasks)); r.IntN(8) == 0 {
		s.tasks = slices.Clone(s.tasks)
		s.tasks[i] = proto.CloneOf(s.tasks[i])
		s.tasks[i].Paused = true
		s.changes = append(s.changes, change{at: time.Duration(r.Int64N(int64(s.safety))) | 1,
			pause: s.tasks[i].GetName()})
	}
}

// addSeveral has, in a quarter of the seeds, several tasks changed together: made slower, paused, resumed, added and
// removed. Where one of them cannot be, none is.
func (s *scenario) addSeveral(r *rand.Rand) {
	if r.IntN(4) > 0 {
		return
	}
	var added []string
	for _, at := range instants(r, 1+r.IntN(4), s.safety) {
		parts, fresh := s.severalParts(r, added)
		added = append(added, fresh...)
		if r.IntN(6) == 0 {
			parts = append(parts, change{remove: "nobody"})
			r.Shuffle(len(parts), func(i, k int) { parts[i], parts[k] = parts[k], parts[i] })
		}
		if len(parts) < 2 {
			continue
		}
		c := parts[0]
		c.at, c.several = at, parts[1:]
		if r.IntN(4) == 0 {
			c.patience = time.Duration(1+r.IntN(100_000)>>r.IntN(8)) * time.Microsecond
		}
		s.changes = append(s.changes, c)
	}
}

// severalParts are changes of different tasks, with the names of those that are added by them; some of those that were
// added before are removed.
func (s *scenario) severalParts(r *rand.Rand, added []string) (parts []change, fresh []string) {
	for _, i := range r.Perm(len(s.tasks))[:r.IntN(min(3, len(s.tasks))+1)] {
		t := s.tasks[i]
		if r.IntN(2) == 0 {
			parts = append(parts, change{pause: t.GetName(), paused: r.IntN(2) == 0})
			continue
		}
		x := slower(proto.CloneOf(t))
		x.RateHz /= float64(int(1) << r.IntN(3))
		x.Paused = r.IntN(6) == 0
		parts = append(parts, change{add: x, update: true})
	}
	for range r.IntN(3) {
		x := &facetdv1.Task{Name: fmt.Sprint("extra", len(added)+len(fresh)), RateHz: float64(int(4) << r.IntN(3)),
			Target: list(s.array.Chips[r.IntN(len(s.array.Chips))].Name), Paused: r.IntN(6) == 0,
			Views: []*facetdv1.View{{Window: &facetdv1.Window{Rows: 1, Columns: 1}}}}
		if s.fits(append(slices.Clip(s.tasks), x)) == nil {
			parts, fresh = append(parts, change{add: x}), append(fresh, x.GetName())
		}
	}
	if len(added) > 0 && r.IntN(2) == 0 {
		parts = append(parts, change{remove: added[r.IntN(len(added))]})
	}
	return parts, fresh
}
