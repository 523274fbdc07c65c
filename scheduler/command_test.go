package scheduler_test

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

func writeCmd(target *facetdv1.Target, r facetdv1.Register, v uint32) *facetdv1.Command {
	return &facetdv1.Command{Target: target, Action: &facetdv1.Command_Write{Write: &facetdv1.RegisterWrite{Register: r,
		Value: v}}}
}

func strobeCmd(target *facetdv1.Target, s facetdv1.Strobe) *facetdv1.Command {
	return &facetdv1.Command{Target: target, Action: &facetdv1.Command_Strobe{Strobe: s}}
}

func TestCommandErrors(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	zero := program.NewRegisters(a, 0)
	for _, c := range []struct {
		name string
		cmd  *facetdv1.Command
		want []string
	}{
		{"empty", &facetdv1.Command{}, []string{"target: no chips", ": does nothing"}},
		{"both wrong", writeCmd(group("nope"), 99, 0),
			[]string{"target.group: no group", "write.register: no register 99"}},
		{"absent register", writeCmd(list("mem-0", "cnt-1"), chipmodel.RowPattern, 1),
			[]string{"write.register: cnt-1: no row pattern"}},
		{"pattern value", writeCmd(group("mems"), chipmodel.RowPattern, 256),
			[]string{"write.value: 256 is out of range"}},
		{"enable value", writeCmd(list("mem-0"), chipmodel.OutputEnable, 2),
			[]string{"write.value: 2 is out of range"}},
		{"gain", writeCmd(group("trims"), chipmodel.Gain, 3), []string{"write.value: 3 is out of range"}},
		{"unknown strobe", strobeCmd(group("mems"), 9), []string{"strobe: no strobe 9"}},
		{"exposure", strobeCmd(group("mems"), chipmodel.Expose), []string{"strobe: is over when its chips"}},
		{"load of a counter chip", strobeCmd(list("cnt-0", "mem-0"), chipmodel.Load), []string{"strobe: cnt-0"}},
		{"reset of a memory chip", strobeCmd(group("mems"), chipmodel.Reset), []string{"strobe: mem-0, mem-1"}},
		{"idle share", strobeCmd(group("mems"), chipmodel.Share), []string{"strobe: closes no switch"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := scheduler.CompileCommand(a, c.cmd, zero, nil)
			var m invalid.Errors
			if !errors.As(err, &m) {
				t.Fatalf("error %v", err)
			}
			wantErrors(t, m, c.want)
		})
	}
}

func TestCommandsThatDisturb(t *testing.T) {
	a := bench(t, [5]int{4, 2})
	small := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}
	p := mustBuild(t, a, task("ring", "mems", 10, small), task("pair", "sws", 10, small), task("pair2", "sws", 10))
	state := program.Overlay(program.PowerOn(a), p.Assumes())
	enabled := program.Overlay(state, state)
	enabled[a.Chip("mem-0")][chipmodel.OutputEnable] = 1
	for _, c := range []struct {
		name  string
		cmd   *facetdv1.Command
		state program.Registers
		plan  *scheduler.Plan
		task  string // that is disturbed, "lane" for two drivers, empty where the command is good
	}{
		{"pattern that the ring needs", writeCmd(list("mem-1"), chipmodel.RowPattern, 0xaa), state, p, "ring"},
		{"its own value", writeCmd(list("mem-1"), chipmodel.RowPattern, 0x55), state, p, ""},
		{"without the plan", writeCmd(list("mem-1"), chipmodel.RowPattern, 0xaa), state, nil, ""},
		{"pattern that jobs write anyway", writeCmd(list("sw-1"), chipmodel.RowPattern, 0xaa), state, p, ""},
		{"output of a task's chip", writeCmd(list("sw-1"), chipmodel.OutputEnable, 1), state, p, "pair"},
		{"outputs on one lane", writeCmd(list("mem-0", "mem-2"), chipmodel.OutputEnable, 1), state, nil, "lane"},
		{"outputs on two lanes", writeCmd(list("mem-0", "mem-1"), chipmodel.OutputEnable, 1), state, nil, ""},
		{"second output on a lane", writeCmd(list("mem-2"), chipmodel.OutputEnable, 1), enabled, nil, "lane"},
		{"outputs off", writeCmd(group("mems"), chipmodel.OutputEnable, 0), enabled, p, ""},
		{"load between jobs", strobeCmd(group("mems"), chipmodel.Load), state, p, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := scheduler.CompileCommand(a, c.cmd, c.state, c.plan)
			var d *program.DisturbError
			switch {
			case c.task == "":
				if err != nil {
					t.Error(err)
				}
			case !errors.As(err, &d):
				t.Errorf("not refused: %v", err)
			case c.task == "lane":
				if d.Task != "" || len(d.Chips) != 2 || !strings.Contains(d.Reason, "lane a") {
					t.Errorf("refused with %+v", d)
				}
			case d.Task != c.task || !strings.Contains(d.Reason, c.task):
				t.Errorf("refused with %+v", d)
			}
		})
	}
}

// TestCommandWords: a strobe goes to a target that no single word reaches under
// words that reach each chip once.
func TestCommandWords(t *testing.T) {
	a := bench(t, [5]int{8})
	target := list("mem-0", "mem-1", "mem-4") // (0,0) (1,0) (0,1): their lines together reach (1,1) too
	p, err := scheduler.CompileCommand(a, strobeCmd(target, chipmodel.Load), program.PowerOn(a), nil)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Words) != 2 {
		t.Errorf("%d words", len(p.Words))
	}
	var reached []string
	for _, w := range p.Words {
		reached = append(reached, w.GetReaches()...)
	}
	slices.Sort(reached)
	if !slices.Equal(reached, []string{"mem-0", "mem-1", "mem-4"}) {
		t.Errorf("reached %v", reached)
	}
	// Two selects of 500 ns, two loads of 500 ns and 16 rows of 10 us.
	if want := 2 * (500*time.Nanosecond + 500*time.Nanosecond + 160*time.Microsecond); p.Time != want {
		t.Errorf("takes %v, expected %v", p.Time, want)
	}
}

func TestCoverMessage(t *testing.T) {
	a := bench(t, [5]int{8})
	target := []int{0, 1, 4}
	words, optimal, bound, err := program.Cover(a, target, false)
	if err != nil || !optimal || bound != 2 || len(words) != 2 {
		t.Fatalf("%v %v %v %v", words, optimal, bound, err)
	}
	once, _, _, err := program.Cover(a, target, true)
	if err != nil {
		t.Fatal(err)
	}
	chips := 0
	for _, w := range once {
		chips += len(w.GetReaches())
	}
	if chips != 3 {
		t.Errorf("a partition reaches %d chips", chips)
	}
}

// TestOnDemand: a capture between the jobs of a table leaves every register as it
// was, keeps the rules, and takes exactly the time predicted. The registers are
// random, so that what is written back differs from chip to chip.
func TestOnDemand(t *testing.T) {
	a := bench(t, [5]int{5, 3, 2, 3, 2})
	r := rand.New(rand.NewPCG(7, 7))
	for _, target := range []string{"mems", "sws", "cnts", "trims", "hexs"} {
		for range 20 {
			state := program.PowerOn(a)
			class := a.Chips[a.Group(target)[0]].Class
			for c := range state {
				for _, reg := range []facetdv1.Register{chipmodel.ColumnPattern, chipmodel.RowPattern, chipmodel.Gain,
					chipmodel.Offset} {
					state[c][reg] = int32(r.IntN(3)) - 1
				}
			}
			views := []*facetdv1.View{randomView(r, class), randomView(r, class)}
			p, err := scheduler.OnDemand(a, group(target), views, state)
			if err != nil {
				t.Fatal(err)
			}
			after := program.RegistersAfter(a, p.Ops, state)
			for c := range state {
				for reg, v := range state[c] {
					if v >= 0 && after[c][reg] != v {
						t.Errorf("%s: %s of %s was %d, is %d", target, facetdv1.Register(reg), a.Chips[c].Name, v,
							after[c][reg])
					}
				}
			}
			n := newNaive(t, a)
			for c := range state {
				for reg, v := range state[c] {
					if v >= 0 {
						n.chips[c].registers[facetdv1.Register(reg)] = int(v)
					}
				}
			}
			read := n.segment("capture", p.Ops)
			if n.now != int64(p.Time) || len(read) != 2*len(p.Chips) || len(p.Frames) != len(read) {
				t.Errorf("%s: takes %d ns, predicted %v; %d readings of %d frames", target, n.now, p.Time, len(read),
					len(p.Frames))
			}
			if t.Failed() {
				var b bytes.Buffer
				if err := bustest.WriteScript(&b, a, p.Ops); err != nil {
					t.Fatal(err)
				}
				t.Fatalf("%s", b.Bytes())
			}
		}
	}
}

func TestOnDemandErrors(t *testing.T) {
	a := bench(t, [5]int{2, 0, 2})
	_, err := scheduler.OnDemand(a, group("cnts"),
		[]*facetdv1.View{{SmoothingSteps: 1}, {Window: &facetdv1.Window{Row: 99}}}, program.PowerOn(a))
	var m invalid.Errors
	if !errors.As(err, &m) {
		t.Fatal(err)
	}
	wantErrors(t, m, []string{"views[0].smoothing_steps: no switches", "views[1].window.row: outside"})
}

// TestOnDemandAmongTasks runs a capture in a gap of a table past the inspector.
func TestOnDemandAmongTasks(t *testing.T) {
	a := bench(t, [5]int{4})
	p := mustBuild(t, a, task("ring", "mems", 10, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}))
	one, err := scheduler.OnDemand(a, list("mem-1", "mem-2"), []*facetdv1.View{{SmoothingSteps: 2}},
		program.Overlay(program.PowerOn(a), p.Assumes()))
	if err != nil {
		t.Fatal(err)
	}
	table := p.Table()
	start := p.Entries[len(p.Entries)-1].End
	if start+one.Time > p.Hyperperiod {
		t.Fatal("there is no gap")
	}
	// Judged as a task of its own, so that it recurs in every cycle.
	job := &bus.Job{Task: "on-demand job", Release: bus.Time(start), Deadline: bus.Time(start + one.Time),
		Chips: one.Chips, Segments: 1}
	table.Entries = append(table.Entries, rules.TimedEntry{
		Segment: &bus.Segment{Job: job, Program: &bus.Program{Ops: one.Ops}},
		Start:   bus.Time(start)})
	for _, v := range rules.Judge(a, table, 3) {
		t.Error(v)
	}
}

// TestOnDemandRestoresNested: chips that listen whenever another does cannot be
// written without it, and get their own values back all the same.
func TestOnDemandRestoresNested(t *testing.T) {
	a := bench(t, [5]int{0, 3}, func(m *facetdv1.Array) {
		m.Chips[1].Selects = []string{"fs", "x0", "y0", "x1"} // listens only where sw-0 does; on the other lane
		m.Chips[2].Selects = []string{"fs", "x0", "y1"}
	})
	state := program.PowerOn(a)
	for c, v := range []int32{1, 2, 1} {
		state[c][chipmodel.ColumnPattern], state[c][chipmodel.RowPattern] = v, 3-v
	}
	p, err := scheduler.OnDemand(a, group("sws"), nil, state)
	if err != nil {
		t.Fatal(err)
	}
	after := program.RegistersAfter(a, p.Ops, state)
	for c := range state {
		if after[c] != state[c] {
			t.Errorf("registers of %s were %v, are %v", a.Chips[c].Name, state[c], after[c])
		}
	}
}
