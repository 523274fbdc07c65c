package scheduler_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// around are random bounds around a value, from least to most.
func around(r *rand.Rand, now, least, most int) *facetdv1.Bounds {
	return &facetdv1.Bounds{Low: int32(now - r.IntN(now-least+1)), High: int32(now + r.IntN(most-now+1))}
}

// randomMovable lets some of what a view has move.
func randomMovable(r *rand.Rand, v *facetdv1.View, class *chipmodel.Class, first bool) {
	m := &facetdv1.Movable{}
	rows, columns := 1+r.IntN(class.Rows), 1+r.IntN(class.Columns)
	mostRow, mostColumn := class.Rows-rows, class.Columns-columns
	w := &facetdv1.Window{Rows: uint32(rows), Columns: uint32(columns), Row: uint32(r.IntN(mostRow + 1)),
		Column: uint32(r.IntN(mostColumn + 1)), RowStep: 1, ColumnStep: 1}
	v.Window = w
	if r.IntN(3) > 0 {
		m.Row = around(r, int(w.Row), 0, mostRow)
	}
	if r.IntN(3) > 0 {
		m.Column = around(r, int(w.Column), 0, mostColumn)
	}
	trim := v.GetTrim()
	if trim == nil {
		trim = &facetdv1.TrimSettings{}
	}
	if class.HasRegister(chipmodel.PixelBias) && (first || !class.HasMemory()) && r.IntN(2) == 0 {
		now := int(class.PowerOn(chipmodel.PixelBias))
		if trim.PixelBias != nil {
			now = int(trim.GetPixelBias())
		}
		m.PixelBias = around(r, now, 0, 255)
	}
	if class.HasRegister(chipmodel.OutputBias) && r.IntN(2) == 0 {
		now := int(class.PowerOn(chipmodel.OutputBias))
		if trim.OutputBias != nil {
			now = int(trim.GetOutputBias())
		}
		m.OutputBias = around(r, now, max(0, now-40), min(255, now+40))
	}
	if class.HasRegister(chipmodel.Gain) {
		if r.IntN(2) == 0 {
			m.GainIndex = around(r, int(trim.GetGainIndex()), 0, len(class.Spec.GetAmplifier().GetGains())-1)
		}
		if r.IntN(2) == 0 {
			m.Offset = around(r, int(trim.GetOffset()), -128, 127)
		}
	}
	if class.HasShutter() && first && r.IntN(3) > 0 {
		randomExposure(r, v, m)
	}
	v.Movable = m
}

// randomExposure gives a view an exposure that may move, now and then from or to one that is no multiple of a grain.
func randomExposure(r *rand.Rand, v *facetdv1.View, m *facetdv1.Movable) {
	low := 3000 + r.IntN(40_000)
	now := low + r.IntN(40_000)
	v.Exposure = dur(time.Duration(now))
	m.Exposure = &facetdv1.ExposureBounds{Low: dur(time.Duration(low)),
		High: dur(time.Duration(now + r.IntN(100_000)))}
}

// movablePlan plans random tasks of which much may move; nil where they fit at no rate that is tried.
func movablePlan(t *testing.T, r *rand.Rand, a *chipmodel.Array) *scheduler.Plan {
	t.Helper()
	var specs []*facetdv1.Task
	for k := range 1 + r.IntN(4) {
		x := randomTask(r, a, fmt.Sprint("t", k))
		x.Deadline = nil
		if x.GetMaxHold() != nil {
			x.MaxSkew, x.MaxHold = nil, dur(time.Duration(100+r.IntN(400))*time.Microsecond)
		}
		if len(x.GetViews()) == 0 {
			x.Views = []*facetdv1.View{{}}
		}
		class := a.Chips[a.Chip(x.GetTarget().GetList().GetNames()[0])].Class
		for i, v := range x.GetViews() {
			if r.IntN(4) > 0 {
				randomMovable(r, v, class, i == 0)
			}
		}
		specs = append(specs, x)
	}
	if r.IntN(2) == 0 { // a quick small one, which longer jobs are cut for
		x := randomTask(r, a, "quick")
		x.RateHz, x.Deadline, x.MaxHold, x.MaxSkew = float64(int(4000)<<r.IntN(3)), nil, nil, nil
		x.Views = []*facetdv1.View{{Window: &facetdv1.Window{Rows: 1, Columns: 1}}}
		specs = append(specs, x)
	}
	for range 5 {
		tasks, m := program.NewTasks(a, specs)
		if len(m) > 0 {
			t.Fatal(m)
		}
		p, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: true, MaxSegments: 1000})
		var refusal *scheduler.RefusalError
		switch {
		case err == nil:
			return p
		case !errors.As(err, &refusal):
			t.Fatal(err)
		}
		for _, x := range specs {
			x.RateHz /= 2
		}
	}
	return nil
}

// mover runs a plan on the simulated bus with other values in every job.
type mover struct {
	t     *testing.T
	p     *scheduler.Plan
	b     *virtual.Bus
	epoch bus.Time
	// Of each task as asked for: the light of its open job, and the longest skew and hold of all.
	lit        []frameSeen
	skew, hold []time.Duration
	moved      int // frames whose window was not where it was at first
}

func newMover(t *testing.T, p *scheduler.Plan, seed uint64) *mover {
	t.Helper()
	b, err := virtual.New(virtual.Config{Array: p.Array, Scene: scene.Uniform(100), Pace: facetdv1.Pace_PACE_FREE,
		Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	initialization := &bus.Job{Chips: p.Array.All(), Segments: 1, Deadline: bus.Time(time.Hour)}
	res, err := bustest.Run(t.Context(), b, 0, &bus.Segment{Job: initialization, Program: &p.Initialization})
	if err != nil {
		t.Fatal(err)
	}
	b.Inspector().JobEnded(initialization, bus.Outcome{Kind: bus.OnTime})
	n := len(p.Message.GetTasks())
	return &mover{t: t, p: p, b: b, epoch: res.End, lit: make([]frameSeen, n), skew: make([]time.Duration, n),
		hold: make([]time.Duration, n)}
}

// run runs cycles of the table. values says what the slots of a job hold.
func (m *mover) run(cycles int, values func(slots []bus.Slot, job uint64) []int) {
	m.t.Helper()
	table := m.p.Table()
	current := make([][]int, len(m.p.Tasks))
	for cycle := range cycles {
		begin := m.epoch.Add(time.Duration(cycle) * m.p.Hyperperiod)
		for i := range m.p.Entries {
			e := &m.p.Entries[i]
			tp := &m.p.Tasks[e.Task]
			seg := *table.Entries[i].Segment
			job := *seg.Job
			job.Number += uint64(cycle * tp.JobsPerCycle)
			job.Release, job.Deadline = begin.Add(job.Release.Elapsed()), begin.Add(job.Deadline.Elapsed())
			if e.Segment == 0 {
				current[e.Task] = values(seg.Slots, job.Number)
			}
			seg.Job, seg.Values = &job, current[e.Task]
			res, err := bustest.Run(m.t.Context(), m.b, begin.Add(e.Start), &seg)
			if err != nil {
				m.t.Fatal(err)
			}
			if res.Start != begin.Add(e.Start) || res.End != begin.Add(e.End) {
				m.t.Fatalf("a segment with values %v runs from %d to %d, planned %d to %d", seg.Values,
					res.Start.Sub(begin), res.End.Sub(begin), e.Start, e.End)
			}
			m.take(tp, seg.Values, res.Captures)
			if e.Segment == len(tp.Segments)-1 {
				m.ended(tp, &job)
			}
		}
	}
	m.b.Inspector().Finish(m.b.Now())
	for _, v := range m.b.Inspector().Violations() {
		m.t.Fatalf("on the bus: %v", v)
	}
}

// take notes what a segment captured, and holds its windows against the values of its slots.
func (m *mover) take(tp *scheduler.TaskPlan, values []int, captures []bus.Capture) {
	m.t.Helper()
	for k := range captures {
		c := &captures[k]
		asked := tp.Members[memberOf(tp, c.Frame)].Asked
		f := tp.Frames[c.Frame]
		v := &tp.Task.Views[f.View]
		row, column := v.Window.Row, v.Window.Column
		if v.RowSlot > 0 && values != nil {
			row = values[v.RowSlot-1]
		}
		if v.ColumnSlot > 0 && values != nil {
			column = values[v.ColumnSlot-1]
		}
		if c.Window.Row != row+c.FirstRow*c.Window.RowStep || c.Window.Column != column {
			m.t.Fatalf("a window with values %v is at (%d, %d), frame row %d", values, c.Window.Row, c.Window.Column,
				c.FirstRow)
		}
		m.hold[asked] = max(m.hold[asked], c.Hold)
		if row != v.Window.Row || column != v.Window.Column {
			m.moved++
		}
		if c.FirstRow > 0 {
			continue
		}
		s := &m.lit[asked]
		if !s.any {
			*s = frameSeen{first: c.Light, last: c.Light, any: true}
		}
		s.first, s.last = min(s.first, c.Light), max(s.last, c.Light)
	}
}

func (m *mover) ended(tp *scheduler.TaskPlan, job *bus.Job) {
	for k := range tp.Members {
		asked := tp.Members[k].Asked
		m.skew[asked] = max(m.skew[asked], m.lit[asked].last.Sub(m.lit[asked].first))
		m.lit[asked] = frameSeen{}
	}
	m.b.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
}

// TestRandomValuesOnTheBus: whatever values within their bounds the slots of random tasks have from job to job, every
// segment runs exactly when it was planned, no rule is violated, windows are where the values say, and no hold or skew
// is longer than predicted; with all at their greatest, holds are as long as predicted. FACETD_SLOTS raises the number
// of arrays.
func TestRandomValuesOnTheBus(t *testing.T) {
	t.Parallel()
	cases, seed := 40, uint64(time.Now().UnixNano())
	if s := os.Getenv("FACETD_SLOTS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		cases = n
	}
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 11))
	any := func(slots []bus.Slot, _ uint64) []int {
		values := make([]int, len(slots))
		for i, s := range slots {
			values[i] = int(s.Up(int64(s.Low + r.IntN(s.High-s.Low+1))))
		}
		return values
	}
	highest := func(slots []bus.Slot, _ uint64) []int {
		values := make([]int, len(slots))
		for i, s := range slots {
			values[i] = s.High
		}
		return values
	}
	var plans, cut, merged, moved, slots, registers, exposures int
	for i := range cases {
		a := randomArray(r, smallDies(r))
		if r.IntN(3) == 0 {
			a = mustOnGrain(t, a, grains[r.IntN(len(grains))])
		}
		p := movablePlan(t, r, a)
		if p == nil {
			continue
		}
		plans++
		m := newMover(t, p, uint64(i))
		m.run(3, any)
		top := newMover(t, p, uint64(i))
		top.run(1, highest)
		for k, pr := range p.Message.GetPredictions() {
			if m.skew[k] > time.Duration(pr.GetSkewNs()) || top.skew[k] > time.Duration(pr.GetSkewNs()) {
				t.Fatalf("case %d: %s: a skew of %v and %v, predicted %d ns", i, pr.GetTask(), m.skew[k], top.skew[k],
					pr.GetSkewNs())
			}
			if m.hold[k] > time.Duration(pr.GetWorstHoldNs()) || top.hold[k] != time.Duration(pr.GetWorstHoldNs()) {
				t.Fatalf("case %d: %s: a hold of %v, at most %v; predicted %d ns", i, pr.GetTask(), m.hold[k],
					top.hold[k],
					pr.GetWorstHoldNs())
			}
		}
		moved += m.moved
		for k := range p.Tasks {
			cut += min(len(p.Tasks[k].Segments)-1, 1)
			merged += len(p.Tasks[k].Members) - 1
			slots += len(p.Tasks[k].Task.Slots)
			for _, x := range p.Tasks[k].Task.Parameters {
				switch x.Field {
				case program.RowField, program.ColumnField:
				case program.ExposureField:
					exposures++
				default:
					registers++
				}
			}
		}
	}
	t.Logf("%d of %d planned: %d slots, %d of registers, %d of exposures; %d frames moved, %d tasks cut, %d merged",
		plans, cases, slots, registers, exposures, moved, cut, merged)
	if plans < cases/3 || moved == 0 || registers == 0 || exposures == 0 {
		t.Error("the draw is one-sided")
	}
}

// TestPlansAllowForTheCostliest: a plan with bounds takes at least as much of the bus as one with the same values fixed
// at any of them, and as much as the costliest.
func TestPlansAllowForTheCostliest(t *testing.T) {
	a := bench(t, [5]int{0, 0, 3})
	at := func(row uint32, m *facetdv1.Movable) int64 {
		v := &facetdv1.View{Window: &facetdv1.Window{Row: row, Rows: 2, Columns: 4}, Movable: m}
		p := mustBuild(t, a, task("bed", "cnts", 10, v))
		return p.Message.GetPredictions()[0].GetJobNs()
	}
	bounds := &facetdv1.Movable{Row: &facetdv1.Bounds{Low: 1, High: 5}}
	if got, near, far := at(3, bounds), at(1, nil), at(5, nil); got != far || near >= far {
		t.Errorf("rows 1 to 5 are planned with %d ns; row 1 takes %d, row 5 %d", got, near, far)
	}
}

// TestJudgeSeesEveryBound: a table that is good for the values at first and not for others within the bounds is not
// good.
func TestJudgeSeesEveryBound(t *testing.T) {
	a := bench(t, [5]int{0, 0, 0, 3})
	v := &facetdv1.View{Window: &facetdv1.Window{Rows: 2, Columns: 4}, Movable: &facetdv1.Movable{
		OutputBias: &facetdv1.Bounds{Low: 20, High: 255}, Row: &facetdv1.Bounds{High: 4}}}
	p := mustBuild(t, a, task("trim", "trims", 10, v))
	if found := rules.Judge(p.Array, p.Table(), 2); len(found) > 0 {
		t.Fatalf("as planned: %v", found)
	}
	scans := func(change func(*bus.Op)) []rules.Violation {
		table := p.Table()
		for i := range table.Entries {
			s := table.Entries[i].Segment
			s.Ops = append([]bus.Op(nil), s.Ops...)
			for k := range s.Ops {
				if s.Ops[k].Scan != nil {
					scan := *s.Ops[k].Scan
					s.Ops[k].Scan = &scan
				}
				change(&s.Ops[k])
			}
		}
		return rules.Judge(p.Array, table, 2)
	}
	for what, change := range map[string]func(*bus.Op){
		"settling for the bias at first": func(op *bus.Op) {
			if op.Scan != nil {
				op.Scan.Settle = 0
			}
		},
		"a readout that lasts too short": func(op *bus.Op) {
			if op.Scan != nil {
				op.Lasts /= 2
			}
		},
		"a claim that does not move": func(op *bus.Op) {
			if op.Scan != nil {
				op.Scan.Claim.Slots = nil
			}
		},
		"a write that does not move": func(op *bus.Op) {
			if op.Register == chipmodel.OutputBias {
				op.Slot = 0
			}
		},
	} {
		if found := scans(change); len(found) == 0 {
			t.Errorf("%s: nothing was found", what)
		}
	}
}

// TestMovableErrors: what cannot move is refused with its place.
func TestMovableErrors(t *testing.T) {
	a := bench(t, [5]int{2, 0, 2, 2})
	b := func(low, high int32) *facetdv1.Bounds { return &facetdv1.Bounds{Low: low, High: high} }
	window := func() *facetdv1.Window { return &facetdv1.Window{Row: 2, Rows: 2, Columns: 4} }
	for _, c := range []struct {
		name, group, path string
		views             []*facetdv1.View
	}{
		{"beyond the lattice", "cnts", "tasks[0].views[0].movable.row.high",
			[]*facetdv1.View{{Window: window(), Movable: &facetdv1.Movable{Row: b(0, 4000)}}}},
		{"not where it begins", "cnts", "tasks[0].views[0].movable.row",
			[]*facetdv1.View{{Window: window(), Movable: &facetdv1.Movable{Row: b(3, 4)}}}},
		{"nothing between", "cnts", "tasks[0].views[0].movable.row.high",
			[]*facetdv1.View{{Window: window(), Movable: &facetdv1.Movable{Row: b(3, 1)}}}},
		{"below zero", "cnts", "tasks[0].views[0].movable.column.low",
			[]*facetdv1.View{{Window: window(), Movable: &facetdv1.Movable{Column: b(-1, 0)}}}},
		{"no such register", "cnts", "tasks[0].views[0].movable.offset",
			[]*facetdv1.View{{Movable: &facetdv1.Movable{Offset: b(0, 1)}}}},
		{"a gain that there is not", "trims", "tasks[0].views[0].movable.gain_index.high",
			[]*facetdv1.View{{Movable: &facetdv1.Movable{GainIndex: b(0, 99)}}}},
		{"an offset out of range", "trims", "tasks[0].views[0].movable.offset.low",
			[]*facetdv1.View{{Movable: &facetdv1.Movable{Offset: b(-129, 1)}}}},
	} {
		_, m := program.NewTasks(a, []*facetdv1.Task{task("t", c.group, 10, c.views...)})
		if len(m) != 1 || m[0].Path != c.path {
			t.Errorf("%s: %v, want one at %s", c.name, m, c.path)
		}
	}
	_, err := scheduler.OnDemand(a, &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "cnts"}},
		[]*facetdv1.View{{Window: window(), Movable: &facetdv1.Movable{Row: b(0, 4)}}}, program.PowerOn(a))
	if err == nil {
		t.Error("an on-demand capture may move")
	}
}

// TestMovedWindowsAreCut: a readout of a window that moves is cut between rows like any other, and its parts move
// together.
func TestMovedWindowsAreCut(t *testing.T) {
	a := bench(t, [5]int{2, 0, 0, 0, 2})
	slow := task("slow", "mems", 10, &facetdv1.View{Window: &facetdv1.Window{Row: 1, Rows: 12, Columns: 13},
		Movable: &facetdv1.Movable{Row: &facetdv1.Bounds{High: 4}, Column: &facetdv1.Bounds{High: 3}}})
	p := mustBuild(t, a, slow, task("fast", "hexs", 6250, tiny()))
	parts := 0
	for _, ops := range p.Tasks[0].Segments {
		for i := range ops {
			if s := ops[i].Scan; s != nil && s.FirstRow > 0 && s.RowSlot > 0 {
				parts++
			}
		}
	}
	if parts == 0 {
		t.Fatalf("%d segments, none a part of a window: %v", len(p.Tasks[0].Segments), p.Message.GetPredictions())
	}
	m := newMover(t, p, 1)
	m.run(3, func(slots []bus.Slot, job uint64) []int {
		values := make([]int, len(slots))
		for i, s := range slots {
			values[i] = s.Low + int(job+uint64(i))%(s.High-s.Low+1)
		}
		return values
	})
	if m.moved == 0 {
		t.Error("nothing moved")
	}
}

// TestMovedTasksKeepTheirLoads: tasks whose windows move still read one load, each with its own slots; those that move
// the bias under which the load is made do not.
func TestMovedTasksKeepTheirLoads(t *testing.T) {
	a := bench(t, [5]int{4})
	view := func(rows int32) *facetdv1.View {
		return &facetdv1.View{Window: &facetdv1.Window{Rows: 2, Columns: 2},
			Movable: &facetdv1.Movable{Row: &facetdv1.Bounds{High: rows}, Column: &facetdv1.Bounds{High: 1}}}
	}
	p := mustBuild(t, a, task("fine", "mems", 20, view(3)), task("wide", "mems", 20, view(5)))
	if len(p.Tasks) != 1 || len(p.Tasks[0].Task.Slots) != 4 || len(p.Tasks[0].Members) != 2 {
		t.Fatalf("%d bus jobs, the first with slots %v", len(p.Tasks), p.Tasks[0].Task.Slots)
	}
	m := newMover(t, p, 1)
	m.run(2, func(slots []bus.Slot, job uint64) []int {
		var first, second []int
		for i, s := range slots {
			if i < 2 {
				first = append(first, s.High)
			} else {
				second = append(second, s.Low)
			}
		}
		return append(first, second...)
	})
	if m.moved == 0 {
		t.Error("nothing moved")
	}
	if proto.Equal(p.Message.GetTasks()[0], p.Message.GetTasks()[1]) {
		t.Error("the plan tells one task twice")
	}
}
