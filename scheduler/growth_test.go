package scheduler_test

import (
	"fmt"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// cube is an array of memory chips with 3 inputs each, one of nf, nx and ny lines,
// on four lanes, in groups of one f line and a part of the y lines.
func cube(t testing.TB, nf, nx, ny, parts int) *chipmodel.Array {
	t.Helper()
	msg := &facetdv1.Array{
		Name: fmt.Sprint("cube-", nf*nx*ny),
		Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
			ReleaseLimit: dur(20000)},
		Classes: benchClasses()[:1],
	}
	for i := range 4 {
		msg.Lanes = append(msg.Lanes, &facetdv1.Lane{
			Name: fmt.Sprint("lane-", i), LineCapacitancePf: 10,
			Converter: &facetdv1.Converter{Bits: 12, HighVolts: 2, Conversion: dur(1000), SampleAndHold: true},
		})
	}
	for kind, n := range []int{nf, nx, ny} {
		for i := range n {
			msg.SelectLines = append(msg.SelectLines, fmt.Sprint("fxy"[kind:kind+1], i))
		}
	}
	for f := range nf {
		for y := range ny {
			if y%(ny/parts) == 0 {
				msg.Groups = append(msg.Groups, &facetdv1.Group{Name: fmt.Sprint("g", len(msg.Groups))})
			}
			g := msg.Groups[len(msg.Groups)-1]
			for x := range nx {
				name := fmt.Sprintf("c-%d-%d-%d", f, x, y)
				msg.Chips = append(msg.Chips, &facetdv1.Chip{
					Name: name, Class: "mem", Lane: fmt.Sprint("lane-", x%4),
					Selects: []string{fmt.Sprint("f", f), fmt.Sprint("x", x), fmt.Sprint("y", y)},
					Lens:    &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30},
				})
				g.Chips = append(g.Chips, name)
			}
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// coarse is a task of few pixels on one group.
func coarse(name, target string, rateHz float64) *facetdv1.Task {
	return task(name, target, rateHz, &facetdv1.View{Binning: &facetdv1.Binning{Rows: 8, Columns: 8}})
}

// BenchmarkGrowth plans arrays and tables of growing size; the baseline, named
// judging, is the inspector's work on the finished plan, which planning contains.
func BenchmarkGrowth(b *testing.B) {
	type size struct {
		name  string
		a     *chipmodel.Array
		specs []*facetdv1.Task
	}
	var sizes []size
	for _, seconds := range []float64{1, 10, 100} { // of the hyperperiod
		a := cube(b, 3, 4, 6, 2) // 72 chips; 64 are read
		specs := []*facetdv1.Task{
			coarse("t0", "g0", 300), coarse("t1", "g1", 300), coarse("t2", "g2", 200), coarse("t3", "g3", 100),
			coarse("t4", "g4", 99),
			task("t5", "g5", 1/seconds, &facetdv1.View{Window: &facetdv1.Window{Rows: 1, Columns: 1}}),
		}
		specs[5].Target = list("c-2-0-3", "c-2-1-3", "c-2-2-3", "c-2-3-3")
		sizes = append(sizes, size{fmt.Sprintf("64 chips, table of %g s", seconds), a, specs})
	}
	for _, side := range []int{4, 8, 16} {
		a := cube(b, side, side, side, 4)
		var specs []*facetdv1.Task
		for i, g := range a.Groups {
			specs = append(specs, coarse(fmt.Sprint("t", i), g.Name, float64(int(1)<<(i%3))))
		}
		sizes = append(sizes, size{fmt.Sprintf("%d chips, %d tasks", len(a.Chips), len(specs)), a, specs})
	}
	all := cube(b, 16, 16, 16, 4)
	every := coarse("every", "", .25)
	every.Target = &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}
	sizes = append(sizes, size{"4096 chips, 1 task", all, []*facetdv1.Task{every}})
	for _, s := range sizes {
		tasks, m := program.NewTasks(s.a, s.specs)
		if len(m) > 0 {
			b.Fatal(m)
		}
		opt := scheduler.Options{MaxHyperperiod: 200e9, MaxSegments: 200_000}
		p, err := scheduler.Build(s.a, tasks, opt)
		if err != nil {
			b.Fatal(err)
		}
		b.Run(s.name, func(b *testing.B) {
			for b.Loop() {
				if _, err := scheduler.Build(s.a, tasks, opt); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(p.Entries)), "segments")
		})
		b.Run(s.name+" (judging)", func(b *testing.B) {
			for b.Loop() {
				if v := rules.Judge(s.a, p.Table(), 2); len(v) > 0 {
					b.Fatal(v)
				}
			}
		})
	}
}
