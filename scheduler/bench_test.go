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

// BenchmarkBuild plans the crawler of 19 chips and arrays of growing size, with six
// tasks each. The baseline is the judging of the finished plan alone, which Build
// contains: nothing can be planned faster than it is checked.
func BenchmarkBuild(b *testing.B) {
	crawl, specs := crawler(b)
	cases := []struct {
		name  string
		a     *chipmodel.Array
		specs []*facetdv1.Task
	}{{"crawler", crawl, specs}}
	for _, n := range []int{4, 8, 16} {
		a := bench(b, [5]int{n, n, n, 0, n})
		cases = append(cases, struct {
			name  string
			a     *chipmodel.Array
			specs []*facetdv1.Task
		}{fmt.Sprintf("%d chips", 4*n), a, sixTasks()})
	}
	for _, c := range cases {
		tasks, m := program.NewTasks(c.a, c.specs)
		if len(m) > 0 {
			b.Fatal(m)
		}
		b.Run(c.name, func(b *testing.B) {
			var p *scheduler.Plan
			for b.Loop() {
				var err error
				if p, err = scheduler.Build(c.a, tasks, scheduler.Options{}); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(len(p.Entries)), "segments")
		})
		b.Run(c.name+" judging only", func(b *testing.B) {
			p, err := scheduler.Build(c.a, tasks, scheduler.Options{})
			if err != nil {
				b.Fatal(err)
			}
			for b.Loop() {
				if v := busJudge(p); v > 0 {
					b.Fatal(v)
				}
			}
		})
	}
}

// sixTasks read every class, some at two resolutions.
func sixTasks() []*facetdv1.Task {
	small := &facetdv1.View{Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	return []*facetdv1.Task{
		task("ring", "mems", 15, &facetdv1.View{SmoothingSteps: 2, Binning: &facetdv1.Binning{Rows: 2, Columns: 2}}),
		task("pair", "sws", 50, small), task("whole-pair", "sws", 5),
		task("bed", "cnts", 10), task("comb", "hexs", 10), task("comb-quick", "hexs", 100, tiny()),
	}
}

func busJudge(p *scheduler.Plan) int { return len(rules.Judge(p.Array, p.Table(), 2)) }

// BenchmarkRefusal plans what does not fit, with the least stretch and the highest
// rates; the baseline leaves those out.
func BenchmarkRefusal(b *testing.B) {
	a := bench(b, [5]int{16, 16, 16, 0, 16})
	specs := sixTasks()
	specs[5].RateHz = 2400
	tasks, m := program.NewTasks(a, specs)
	if len(m) > 0 {
		b.Fatal(m)
	}
	for _, noBounds := range []bool{false, true} {
		b.Run(map[bool]string{false: "with bounds", true: "without"}[noBounds], func(b *testing.B) {
			for b.Loop() {
				if _, err := scheduler.Build(a, tasks, scheduler.Options{NoRemedies: noBounds}); err == nil {
					b.Fatal("it fits")
				}
			}
		})
	}
}
