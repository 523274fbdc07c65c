package scheduler_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"text/tabwriter"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
)

// reference is an array of memory chips of 40 x 40 pixels on a grid of select lines,
// neighbours in x on different lanes, invented. Its two groups are the upper and the
// lower half.
func reference(t testing.TB, nx, ny, lanes int) *chipmodel.Array {
	t.Helper()
	msg := &facetdv1.Array{
		Name: fmt.Sprintf("reference-%d-%d", nx*ny, lanes), SelectLines: []string{"f"},
		Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
			ReleaseLimit: dur(20000)},
		Groups: []*facetdv1.Group{{Name: "upper"}, {Name: "lower"}},
	}
	for i := range lanes {
		msg.Lanes = append(msg.Lanes, &facetdv1.Lane{
			Name: fmt.Sprint("lane-", i), LineCapacitancePf: 10, ChipCapacitancePf: proto.Float64(.4),
			Converter: &facetdv1.Converter{Bits: 12, HighVolts: 2, Conversion: dur(1500), SampleAndHold: true},
		})
	}
	msg.Classes = []*facetdv1.ChipClass{{
		Name: "eye", Lattice: &facetdv1.Lattice{Rows: 40, Columns: 40, PitchXUm: 24},
		Readout: &facetdv1.Readout{Step: dur(400), RowStep: dur(600), OutputResistanceOhms: 12000},
		Memory: &facetdv1.AnalogMemory{
			LoadRow: dur(8000), CellCapacitanceFf: 140, SwitchResistanceOhms: 9000, LeakFa: 1,
		},
	}}
	for x := range nx {
		msg.SelectLines = append(msg.SelectLines, fmt.Sprint("x", x))
	}
	for y := range ny {
		msg.SelectLines = append(msg.SelectLines, fmt.Sprint("y", y))
		for x := range nx {
			name := fmt.Sprintf("eye-%d-%d", x, y)
			msg.Chips = append(msg.Chips, &facetdv1.Chip{
				Name: name, Class: "eye", Lane: fmt.Sprint("lane-", x%lanes),
				Selects: []string{"f", fmt.Sprint("x", x), fmt.Sprint("y", y)},
				Lens:    &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30},
			})
			g := msg.Groups[2*y/ny]
			g.Chips = append(g.Chips, name)
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// referenceTasks smooth and bin the upper half, and take a coarse look with the
// lower half four times as often, at about four fifths of the bus.
func referenceTasks(t testing.TB, a *chipmodel.Array) []*facetdv1.Task {
	t.Helper()
	tasks := []*facetdv1.Task{
		task("fine", "upper", .25, &facetdv1.View{SmoothingSteps: 2, Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}),
		task("coarse", "lower", 1, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}),
	}
	use := mustBuild(t, a, tasks...).Message.GetUtilization()
	rate := float64(int(.8/use)) / 4
	tasks[0].RateHz, tasks[1].RateHz = rate, 4*rate
	return tasks
}

// loopByHand is one job as an engineer writes it first: chip by chip select, write,
// load, share, read.
func loopByHand(a *chipmodel.Array, t *program.Task) []bus.Op {
	var ops []bus.Op
	for at, c := range t.Chips {
		command := 0
		one := []int{c}
		add := func(op bus.Op) {
			if op.Kind == bus.OpWrite || op.Kind == bus.OpStrobe {
				command++
				op.Command, op.Target = command+100*at, one
			}
			ops = append(ops, op)
		}
		put := func(r facetdv1.Register, v uint16) { add(bus.Op{Kind: bus.OpWrite, Register: r, Value: v}) }
		add(bus.Op{Kind: bus.OpSelect, Word: a.Chips[c].Wires})
		if t.Class.HasMemory() {
			for _, rv := range t.Views[0].Trim {
				put(rv.Register, rv.Value)
			}
			if exposure := t.Views[0].Exposure; exposure > 0 {
				add(bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Expose, Hold: exposure})
			}
			add(bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Load})
		}
		var done []bus.Patterns
		for v := range t.Views {
			view := &t.Views[v]
			claim := bus.Claim{Registers: view.Trim}
			for _, s := range view.Shares {
				put(chipmodel.ColumnPattern, uint16(s.Columns))
				put(chipmodel.RowPattern, uint16(s.Rows))
				add(bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Share,
					Hold: a.ShareTime(t.Class, s.Columns, s.Rows) - a.Timing.Strobe})
				done = append(done, s)
			}
			claim.Shares, claim.Exposure = append(claim.Shares, done...), view.Exposure
			if t.Class.HasSwitches() {
				put(chipmodel.ColumnPattern, uint16(view.Patterns.Columns))
				put(chipmodel.RowPattern, uint16(view.Patterns.Rows))
				add(bus.Op{Kind: bus.OpWait, Hold: t.Class.Spec.GetPixelSwitches().GetPatternSettle().AsDuration(),
					Phase: facetdv1.Phase_PHASE_SETTLE})
				claim.Registers = append(slices.Clone(view.Trim),
					bus.RegisterValue{Register: chipmodel.ColumnPattern, Value: uint16(view.Patterns.Columns)},
					bus.RegisterValue{Register: chipmodel.RowPattern, Value: uint16(view.Patterns.Rows)})
			}
			for _, rv := range view.Trim {
				put(rv.Register, rv.Value)
			}
			put(chipmodel.OutputEnable, 1)
			read := bus.OpScan
			if t.Class.Counts() {
				add(bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Reset})
				read = bus.OpClockOut
			}
			var settle time.Duration // longer where the output's bias is low
			for _, rv := range view.Trim {
				if rv.Register == chipmodel.OutputBias {
					settle = a.BiasedSettle(c, rv.Value)
				}
			}
			add(bus.Op{Kind: read, Scan: &bus.Scan{Settle: settle, Chips: one, Window: view.Window,
				Frames: []int{v*len(t.Chips) + at}, Claim: claim}})
			put(chipmodel.OutputEnable, 0)
		}
	}
	return ops
}

// valid judges a job's program by itself, twice in a row.
func valid(t *testing.T, a *chipmodel.Array, task *program.Task, ops []bus.Op) {
	t.Helper()
	h := bus.CostOf(a, ops).Total()
	job := &bus.Job{Task: "by-hand", Deadline: bus.Time(h), Chips: task.Chips, Segments: 1}
	table := rules.TimedTable{Hyperperiod: h,
		Entries: []rules.TimedEntry{{Segment: &bus.Segment{Job: job, Program: &bus.Program{Ops: ops}}}}}
	for _, v := range rules.Judge(a, table, 2) {
		t.Errorf("by hand: %v", v)
	}
}

// TestEfficiency lists planned bus time against the bound and the loop by hand, in
// one cycle, over the demo and reference arrays. The planned time is within 2 % of
// the bound.
func TestEfficiency(t *testing.T) {
	crawl, specs := crawler(t)
	type row struct {
		a     *chipmodel.Array
		lanes int
		specs []*facetdv1.Task
	}
	rows := []row{{crawl, len(crawl.Lanes), specs}}
	for _, n := range [][2]int{{4, 2}, {4, 4}, {8, 8}, {16, 16}} {
		for lanes := 1; lanes <= 4; lanes++ {
			a := reference(t, n[0], n[1], lanes)
			rows = append(rows, row{a, lanes, referenceTasks(t, a)})
		}
	}
	var b strings.Builder
	w := tabwriter.NewWriter(&b, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "array\tchips\tlanes\tcycle\tplanned\tbound\tplanned/bound\tmost of the rest\tby hand\tby "+
		"hand/planned\t")
	for _, r := range rows {
		p := mustBuild(t, r.a, r.specs...)
		var hand time.Duration
		for i := range p.Tasks {
			ops := loopByHand(r.a, p.Tasks[i].Task)
			if len(r.a.Chips) <= 64 {
				valid(t, r.a, p.Tasks[i].Task, ops)
			}
			hand += bus.CostOf(r.a, ops).Total() * time.Duration(p.Tasks[i].JobsPerCycle)
		}
		busy, bound := p.Busy.Total(), p.Bound.Total()
		var most time.Duration
		rest := facetdv1.Phase_PHASE_UNSPECIFIED
		for ph := range p.Busy {
			if over := p.Busy[ph] - p.Bound[ph]; over > most {
				most, rest = over, facetdv1.Phase(ph)
			}
		}
		ratio := float64(busy) / float64(bound)
		fmt.Fprintf(w, "%s\t%d\t%d\t%v\t%v\t%v\t%.4f\t%s\t%v\t%.2f\t\n", r.a.Name, len(r.a.Chips), r.lanes,
			p.Hyperperiod,
			busy, bound, ratio, strings.ToLower(strings.TrimPrefix(rest.String(), "PHASE_")), hand,
			float64(hand)/float64(busy))
		if ratio < 1 || ratio > 1.02 {
			t.Errorf("%s with %d lanes: %v planned, the bound is %v", r.a.Name, r.lanes, busy, bound)
		}
		if got := p.Message; got.GetLowerBoundNs() != int64(bound) ||
			got.GetEfficiency() != float64(bound)/float64(busy) {
			t.Errorf("%s: the plan says a bound of %d and an efficiency of %g", r.a.Name, got.GetLowerBoundNs(),
				got.GetEfficiency())
		}
		if hand < busy {
			t.Errorf("%s: the loop by hand takes %v, the plan %v", r.a.Name, hand, busy)
		}
	}
	w.Flush()
	t.Logf("\n%s", b.String())
}

// TestBoundByHand works the bound of a job out by hand: 4 memory chips on 2 lanes,
// 16 pixels each.
func TestBoundByHand(t *testing.T) {
	a := bench(t, [5]int{4})
	p := mustBuild(t, a, task("small", "mems", 100, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}))
	// A chip's 4 rows of 4 pixels: a first pixel of 3 us, 3 more rows after 3 us, 12
	// more pixels after 2.5 us, and the last conversion of 1 us. Two chips per lane,
	// with a change of the word between them of 0.5 us. A load of 160.5 us and a share
	// of 4.5 us, each under one word. The pattern stays.
	want := 2*(3+3*3+12*2.5+1) + .5 + 160.5 + 4.5
	if got := p.Message.GetPredictions()[0].GetJobLowerBoundNs(); float64(got) != want*1e3 {
		t.Errorf("bound %d ns, by hand %g us", got, want)
	}
	// With two patterns each register is written twice a job, 1 us each.
	view := &facetdv1.View{Shares: []*facetdv1.Share{{Columns: "10101010", Rows: "10101010"},
		{Columns: "01010101", Rows: "01010101"}},
		Window: &facetdv1.Window{RowStep: 4, ColumnStep: 4}}
	if got := mustBuild(t, a, task("small", "mems", 100,
		view)).Message.GetPredictions()[0].GetJobLowerBoundNs(); float64(got) != (want+4.5+4)*1e3 {
		t.Errorf("bound %d ns with two shares, by hand %g us", got, want+4.5+4)
	}
	// Where another task uses the chips too, it may have left the first pattern.
	both := mustBuild(t, a, task("small", "mems", 100, view), task("plain", "mems", 10))
	if got := both.Message.GetPredictions()[0].GetJobLowerBoundNs(); float64(got) != (want+4.5+2)*1e3 {
		t.Errorf("bound %d ns beside another task, by hand %g us", got, want+4.5+2)
	}
}

// TestLeanProgram: a valid program that does less than planned ones, because it
// leaves the outputs of its chips enabled for good, still needs the bound.
func TestLeanProgram(t *testing.T) {
	a := bench(t, [5]int{0, 0, 3})
	p := mustBuild(t, a, task("bed", "cnts", 20))
	var initialization, ops []bus.Op
	for c := range a.Chips {
		one := []int{c}
		sel := bus.Op{Kind: bus.OpSelect, Word: a.Chips[c].Wires}
		initialization = append(initialization, sel,
			bus.Op{Kind: bus.OpWrite, Register: chipmodel.OutputEnable, Value: 1, Command: c, Target: one})
		window := p.Tasks[0].Task.Views[0].Window
		ops = append(ops, sel, bus.Op{Kind: bus.OpStrobe, Strobe: chipmodel.Reset, Command: c, Target: one},
			bus.Op{Kind: bus.OpClockOut, Scan: &bus.Scan{Chips: one, Window: window, Frames: one}})
	}
	h := bus.CostOf(a, ops).Total()
	job := &bus.Job{Task: "bed", Deadline: bus.Time(h), Chips: a.All(), Segments: 1}
	for _, v := range rules.Judge(a, rules.TimedTable{Initialization: initialization, Hyperperiod: h,
		Entries: []rules.TimedEntry{{Segment: &bus.Segment{Job: job, Program: &bus.Program{Ops: ops}}}}}, 3) {
		t.Error(v)
	}
	if bound := p.Message.GetPredictions()[0].GetJobLowerBoundNs(); bound > int64(h) {
		t.Errorf("the bound is %d ns, a valid program takes %v", bound, h)
	}
}
