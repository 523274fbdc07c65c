package campaign

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
)

// crowd is several callers who ask for changes of the tasks at about one time, without waiting for each other.
type crowd struct {
	at      time.Duration
	changes []change // their times count from at
}

// randomCrowds are none in four seeds of five. They make tasks slower, add small ones and remove these: what does not
// fit takes long to refuse. No name is used for a second task, so that the numbers of its jobs have no gap.
func randomCrowds(r *rand.Rand, s *scenario) (out []crowd) {
	if r.IntN(5) > 0 {
		return nil
	}
	var added []string
	for _, at := range instants(r, 1+r.IntN(3), s.safety) {
		c := crowd{at: at}
		for _, after := range instants(r, 3+r.IntN(8), time.Duration(1+r.IntN(40))*time.Millisecond) {
			x := change{at: after}
			if r.IntN(3) == 0 {
				x.patience = time.Duration(1+r.IntN(100_000)>>r.IntN(8)) * time.Microsecond
			}
			switch what := r.IntN(4); {
			case what == 0 && len(added) > 0:
				x.remove = added[r.IntN(len(added))]
			case what <= 1:
				x.add = &facetdv1.Task{Name: fmt.Sprint("small", len(added)), RateHz: float64(int(4) << r.IntN(3)),
					Target: list(s.array.Chips[r.IntN(len(s.array.Chips))].Name),
					Views:  []*facetdv1.View{{Window: &facetdv1.Window{Rows: 1, Columns: 1}}}}
				if fits(s.array, append(slices.Clip(s.tasks), x.add)) != nil {
					continue
				}
				added = append(added, x.add.GetName())
			default:
				x.update = true
				x.add = slower(proto.CloneOf(s.tasks[r.IntN(len(s.tasks))]))
				x.add.RateHz /= float64(int(1) << r.IntN(3))
			}
			c.changes = append(c.changes, x)
		}
		out = append(out, c)
	}
	return out
}

// answeredChange is what became of a change.
type answeredChange struct {
	*change
	effective  bus.Time
	revision   uint64
	shifts     []*facetdv1.TaskShift
	err        error
	asked, at  time.Time // and answered
	from, till bus.Time  // the same
	pure       bool      // tasks were only paused and resumed by it, as the books have it: no timetable was made
	kept       bool      // the array was stopped then
	again      *repeated[dispatch.Change]
}

// judgeChanges: a change that was answered is in the timetable that took effect at the bus time that was told; one that
// was kept while the array was stopped, in the next that takes effect.
func (o *outcome) judgeChanges(l *life) {
	for i := range l.changed {
		c := &l.changed[i]
		o.judgeRepeated(c.again.wrong())
		if c.err != nil || c.pure {
			continue
		}
		found, is := false, false // several may take effect at one bus time, as between jobs
		for _, p := range l.ledger.plans {
			if c.kept && !p.at.Before(c.at) {
				found, is = true, c.isIn(p.plan) || l.overruled(c, p.at)
				break
			}
			if !c.kept && p.epoch == c.effective && !p.at.After(c.at) {
				found, is = true, is || c.isIn(p.plan)
			}
		}
		if !is && (found || !c.kept) { // of one that was kept the process may have ended before it was resumed
			o.problem("a change is said to be active from %v on, and the timetable from then (found: %v) is without "+
				"it: %+v", c.effective, found, c.change)
			return
		}
	}
}

// overruled reports whether another change of the same task was answered after one, until a time.
func (l *life) overruled(c *answeredChange, until time.Time) bool {
	return slices.ContainsFunc(l.changed, func(other answeredChange) bool {
		return other.change != c.change && other.err == nil && other.concerns(c) && !other.at.Before(c.at) &&
			!other.at.After(until)
	})
}

// concerns reports whether one of the tasks that it changes is one of another change's.
func (c *answeredChange) concerns(other *answeredChange) bool {
	return slices.ContainsFunc(c.all(), func(a *change) bool {
		return slices.ContainsFunc(other.all(), func(b *change) bool { return a.name() == b.name() })
	})
}

// queued is how many changes were made that somebody asked for while another was under way.
func (l *life) queued() (n int) {
	for _, c := range l.changed {
		waited := slices.ContainsFunc(l.changed, func(other answeredChange) bool {
			return other.asked.Before(c.asked) && c.asked.Before(other.at)
		})
		if c.err == nil && waited {
			n++
		}
	}
	return n
}

// name is of the task that it changes, but for those that are changed together with it.
func (c *change) name() string { return c.remove + c.pause + c.add.GetName() }

// isIn reports whether a timetable has a change.
func (c *change) isIn(p *facetdv1.Plan) bool {
	return !slices.ContainsFunc(c.all(), func(part *change) bool {
		i := slices.IndexFunc(p.GetTasks(), func(t *facetdv1.Task) bool { return t.GetName() == part.name() })
		switch {
		case part.remove != "":
			return i >= 0
		case part.pause != "":
			return i < 0
		}
		return i < 0 || !sameButPaused(p.GetTasks()[i], part.add)
	})
}
