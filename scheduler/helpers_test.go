package scheduler_test

import (
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// crawler reads the example array and its tasks.
func crawler(t testing.TB) (*chipmodel.Array, []*facetdv1.Task) {
	t.Helper()
	data, err := os.ReadFile("../deploy/examples/crawler/array.yaml")
	if err != nil {
		t.Fatal(err)
	}
	a, m := arrayfile.ParseArray("array.yaml", data)
	if len(m) > 0 {
		t.Fatal(m)
	}
	data, err = os.ReadFile("../deploy/examples/crawler/tasks.yaml")
	if err != nil {
		t.Fatal(err)
	}
	tasks, m := arrayfile.ParseTasks("tasks.yaml", data, nil)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a, tasks
}

func build(t testing.TB, a *chipmodel.Array, specs ...*facetdv1.Task) (*scheduler.Plan, error) {
	t.Helper()
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return scheduler.Build(a, tasks, scheduler.Options{})
}

func mustBuild(t testing.TB, a *chipmodel.Array, specs ...*facetdv1.Task) *scheduler.Plan {
	t.Helper()
	p, err := build(t, a, specs...)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func dur(d time.Duration) *durationpb.Duration { return durationpb.New(d) }

// bench is an array for tests with one class of every kind, round numbers, and three select inputs per chip: a family
// line, a column line and a row line. Chips lie alternately on two lanes. counts gives the number of chips of each
// class, in the order memory, pixel switches, counter, trimmed (a counter with regulator, biases and amplifier),
// hexagonal; up to 16 each.
func bench(t testing.TB, counts [5]int, change ...func(*facetdv1.Array)) *chipmodel.Array {
	t.Helper()
	msg := &facetdv1.Array{
		Name:        "bench",
		SelectLines: []string{"fm", "fs", "fc", "ft", "fh", "x0", "x1", "x2", "x3", "y0", "y1", "y2", "y3"},
		Timing: &facetdv1.BusTiming{
			DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500), ReleaseLimit: dur(20000),
		},
		Classes: benchClasses(),
	}
	for _, lane := range []string{"a", "b"} {
		msg.Lanes = append(msg.Lanes, &facetdv1.Lane{
			Name: lane, LineCapacitancePf: 10, ChipCapacitancePf: proto.Float64(1),
			Converter: &facetdv1.Converter{Bits: 12, LowVolts: 0, HighVolts: 2, Conversion: dur(1000),
				SampleAndHold: true},
		})
	}
	for k, n := range counts {
		class := msg.Classes[k].GetName()
		group := &facetdv1.Group{Name: class + "s"}
		for i := range n {
			name := class + "-" + string("0123456789abcdef"[i])
			msg.Chips = append(msg.Chips, &facetdv1.Chip{
				Name: name, Class: class, Lane: []string{"a", "b"}[(i+i/4)%2],
				Selects: []string{msg.SelectLines[k], msg.SelectLines[5+i%4], msg.SelectLines[9+i/4]},
				Lens:    &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30},
			})
			group.Chips = append(group.Chips, name)
		}
		if n > 0 {
			msg.Groups = append(msg.Groups, group)
		}
	}
	for _, f := range change {
		f(msg)
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// benchClasses have a measured settling time of 2 us, so that an addressed pixel
// takes 2.5 us and times in tests can be worked out by hand.
func benchClasses() []*facetdv1.ChipClass {
	readout := &facetdv1.Readout{Step: dur(500), RowStep: dur(500), Settle: dur(2000)}
	class := func(name string, rows, columns uint32) *facetdv1.ChipClass {
		return &facetdv1.ChipClass{
			Name: name, Lattice: &facetdv1.Lattice{Rows: rows, Columns: columns, PitchXUm: 20}, Readout: readout,
		}
	}
	mem := class("mem", 16, 16)
	mem.TemperatureK = 310
	mem.Memory = &facetdv1.AnalogMemory{
		LoadRow: dur(10000), CellCapacitanceFf: 100, ShareSettle: dur(4000), LeakFa: 2, LeakDoublingK: 10,
	}
	sw := class("sw", 16, 16)
	sw.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(30000)}
	cnt := class("cnt", 8, 16)
	cnt.Counter = &facetdv1.Counter{Reset_: dur(2000)}
	trim := class("trim", 8, 8)
	trim.Counter = &facetdv1.Counter{Reset_: dur(2000)}
	trim.Regulator = &facetdv1.Regulator{SupplyVolts: 3.3, OutputVolts: 2.5, DropoutVolts: 0.2, RejectionDb: 40}
	trim.PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(0.001)}
	trim.OutputBias = &facetdv1.OutputBias{Nominal: 120, BandwidthPerStep: proto.Float64(0.01)}
	trim.Amplifier = &facetdv1.Amplifier{Gains: []float64{1, 2, 4}, MidVolts: proto.Float64(1),
		OffsetStepVolts: proto.Float64(0.005), HighVolts: 2}
	hex := class("hex", 12, 12)
	hex.Lattice.Arrangement = facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL
	return []*facetdv1.ChipClass{mem, sw, cnt, trim, hex}
}

// randomClasses are five of all combinations of parts.
func randomClasses(r *rand.Rand) []*facetdv1.ChipClass {
	var classes []*facetdv1.ChipClass
	for _, n := range r.Perm(chiptest.Combinations)[:5] {
		classes = append(classes, chiptest.Class(n))
	}
	return classes
}

func group(name string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: name}}
}

func list(names ...string) *facetdv1.Target {
	return &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: names}}}
}

func task(name, target string, rateHz float64, views ...*facetdv1.View) *facetdv1.Task {
	return &facetdv1.Task{Name: name, Target: group(target), RateHz: rateHz, Views: views}
}
