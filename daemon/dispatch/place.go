package dispatch

import (
	"math/bits"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/scheduler"
)

// placement is where in bus time the table of a change begins. So that the releases of tasks that go on stay on their
// grid, it may begin in the middle of a cycle, as if it had run before.
type placement struct {
	// epoch is when cycle 0 begins, or would have begun.
	epoch bus.Time
	// from is the end of the table before: what was released earlier is not of the new one.
	from bus.Time
	// begin is when its first job may begin: when it takes effect.
	begin bus.Time
	// shifts of the tasks that go on and whose releases are not where they would have been.
	shifts []*facetdv1.TaskShift
}

// maxAlignments is how many places of a longer cycle are tried for its beginning.
const maxAlignments = 32

// place finds where the table of a change is to begin that takes over from t at a bus time, and whose jobs cannot run
// before another one, as its registers are initialized meanwhile. It reports false where no place keeps the releases
// of all tasks that go on with their periods on the grid without making a job late: the table then begins anew.
func (t *table) place(c *change, from, begin bus.Time) (placement, bool) {
	anew := placement{epoch: begin, from: begin, begin: begin}
	going := t.goingOn(c)
	if len(going) == 0 {
		return anew, true
	}
	step := t.step(going)
	if step > 0 {
		back := from.Sub(t.epoch) % step
		if back < 0 {
			back += step
		}
		epoch := from.Add(-back)
		for range min(int64(c.plan.Hyperperiod/step), maxAlignments) {
			at := placement{epoch: epoch, from: from, begin: begin}
			if newPlaced(c.plan, at).absorbs(begin, nil) {
				at.shifts = t.shifts(going, c.plan, at, from)
				return at, true
			}
			epoch = epoch.Add(-step)
		}
	}
	anew.shifts = t.shifts(going, c.plan, anew, from)
	return anew, step == 0
}

// going is a task that goes on: the bus jobs that read it, in the table before and the next one.
type going struct {
	name          string
	before, after int // indices in the plans' tasks
	// same says that its period is what it was.
	same bool
}

// goingOn are the tasks of a change that were in the table before as they are.
func (t *table) goingOn(c *change) []going {
	var out []going
	if t.plan == nil || c.plan == nil {
		return nil
	}
	before, after := busTasks(t.plan), busTasks(c.plan)
	for i, spec := range c.tasks {
		for k := range t.tasks {
			if t.tasks[k].name != spec.GetName() || t.tasks[k].generation != c.generations[i] {
				continue
			}
			g := going{name: spec.GetName(), before: before[k], after: after[i]}
			if c.plan.Tasks[g.after].Task.Sporadic != nil {
				continue // it has reservations, and no grid
			}
			// jobs / hyperperiod of both, multiplied crosswise
			h, l := bits.Mul64(uint64(t.plan.Tasks[g.before].JobsPerCycle), uint64(c.plan.Hyperperiod))
			h2, l2 := bits.Mul64(uint64(c.plan.Tasks[g.after].JobsPerCycle), uint64(t.plan.Hyperperiod))
			g.same = h == h2 && l == l2
			out = append(out, g)
		}
	}
	return out
}

// busTasks are the bus jobs of the tasks as asked for, by index.
func busTasks(p *scheduler.Plan) map[int]int {
	out := map[int]int{}
	for i := range p.Tasks {
		for _, m := range p.Tasks[i].Members {
			out[m.Asked] = i
		}
	}
	return out
}

// step is the time by which the table may be moved with all its tasks that go on with their periods staying on their
// grids; 0 where none does.
func (t *table) step(list []going) time.Duration {
	common := int64(0)
	for _, g := range list {
		if g.same {
			common = gcd(common, int64(t.plan.Tasks[g.before].JobsPerCycle))
		}
	}
	if common == 0 {
		return 0
	}
	grain := t.plan.Array.Grain()
	return t.plan.Hyperperiod / time.Duration(gcd(common, int64(t.plan.Hyperperiod/grain)))
}

func gcd(a, b int64) int64 {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// shifts says which of the tasks that go on are not released where they would have been, after a bus time.
func (t *table) shifts(list []going, plan *scheduler.Plan, at placement, after bus.Time) []*facetdv1.TaskShift {
	var out []*facetdv1.TaskShift
	for _, g := range list {
		due := t.epoch.Add(t.plan.NextRelease(g.before, after.Sub(t.epoch)))
		next := at.epoch.Add(plan.NextRelease(g.after, at.from.Sub(at.epoch)))
		if next == due && g.same {
			continue
		}
		out = append(out, &facetdv1.TaskShift{Task: g.name, ShiftNs: next.Sub(due).Nanoseconds(),
			PlannedRateBeforeHz: rateOf(t.plan, g.before), PlannedRateHz: rateOf(plan, g.after)})
	}
	return out
}

func rateOf(p *scheduler.Plan, task int) float64 {
	return float64(p.Tasks[task].JobsPerCycle) * float64(time.Second) / float64(p.Hyperperiod)
}

// moved notes that the grid of a task has moved, for its next frame set, which may have to tell of another change, too.
func (c *counted) moved(shifts []*facetdv1.TaskShift) {
	for _, s := range shifts {
		if s.GetTask() != c.name {
			continue
		}
		sum := s.GetShiftNs()
		if c.shift != nil {
			sum += *c.shift
		}
		c.shift = proto.Int64(sum)
	}
}

// newPlaced is a table of a plan that can be looked at, and not run. Many are looked at on the goroutine that owns the
// bus, of tables of up to 20,000 segments.
func newPlaced(plan *scheduler.Plan, at placement) *table {
	t := &table{plan: plan, epoch: at.epoch, from: at.from, skipped: map[int]bool{}}
	t.begin0()
	return t
}

// begin0 moves to the first entry that was not released before the table took over. Of jobs that were, later segments
// are skipped: there is one of each task at most, as its next job is released after its deadline. Of reservations of
// sporadic tasks those count that are still to begin.
func (t *table) begin0() {
	for t.before(&t.plan.Entries[t.next]) {
		if t.next++; t.next == len(t.plan.Entries) {
			t.next, t.cycle = 0, t.cycle+1
			return
		}
	}
	begun := make([]bool, len(t.plan.Tasks))
	for i := t.next; i < len(t.plan.Entries); i++ {
		e := &t.plan.Entries[i]
		begun[e.Task] = begun[e.Task] || e.Segment == 0
		if !begun[e.Task] || t.before(e) {
			t.skipped[e.Task] = true
		}
	}
}

// before reports whether an entry of the first cycle is of the table before.
func (t *table) before(e *scheduler.Entry) bool {
	if t.plan.Tasks[e.Task].Task.Sporadic != nil {
		return t.epoch.Add(e.Start) < t.from
	}
	return t.epoch.Add(e.Release) < t.from
}

// releasesFrom gives for each entry, and for the end of the cycle, the earliest release from there on of those that
// count, but for reservations.
func (t *table) releasesFrom(counts func(*scheduler.Entry) bool) []time.Duration {
	n := len(t.plan.Entries)
	out := make([]time.Duration, n+1)
	out[n] = t.plan.Hyperperiod
	for i := n - 1; i >= 0; i-- {
		out[i] = out[i+1]
		if e := &t.plan.Entries[i]; counts(e) && t.plan.Tasks[e.Task].Task.Sporadic == nil {
			out[i] = min(out[i], e.Release)
		}
	}
	return out
}
