package hardware

import (
	"math"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

func demoPlan(t *testing.T) *scheduler.Plan {
	t.Helper()
	a, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	var tasks []*program.Task
	_, m = arrayfile.ParseTasks("tasks.yaml", deploy.CrawlerTasks, func(specs []*facetdv1.Task) (errs invalid.Errors) {
		tasks, errs = program.NewTasks(a, specs)
		return errs
	})
	if len(m) > 0 {
		t.Fatal(m)
	}
	p, err := scheduler.Build(a, tasks, scheduler.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestAgainstTheOperations: samples, intervals and operations are those of the list of all operations of the plan,
// whose samples are counted one by one.
func TestAgainstTheOperations(t *testing.T) {
	p := demoPlan(t)
	n, all := Of(p), p.Operations()
	lanes := map[string]string{} // of each chip
	for _, c := range p.Array.Message.GetChips() {
		lanes[c.GetName()] = c.GetLane()
	}
	samples, nearest := map[string]int{}, map[string]int64{}
	operations, most := 0, 0
	var shortest, busy int64
	for _, s := range all.GetSegments() {
		codes := 0
		busy += s.GetEndNs() - s.GetStartNs()
		for _, op := range s.GetOperations() {
			operations++
			if d := op.GetEndNs() - op.GetStartNs(); d > 0 && (shortest == 0 || d < shortest) {
				shortest = d
			}
			r := op.GetReadout()
			for _, chip := range r.GetChips() {
				var last int64 = math.MinInt64
				for row := range int64(r.GetWindow().GetRows()) {
					for column := range int64(r.GetWindow().GetColumns()) {
						codes++
						samples[lanes[chip]]++
						at := r.GetFirstSampleNs() + row*r.GetRowIntervalNs() + column*r.GetPixelIntervalNs()
						if gap := at - last; last != math.MinInt64 &&
							(nearest[lanes[chip]] == 0 || gap < nearest[lanes[chip]]) {
							nearest[lanes[chip]] = gap
						}
						last = at
					}
				}
			}
		}
		most = max(most, 2*codes)
	}
	cycle := float64(all.GetHyperperiodNs()) * 1e-9
	together := 0.0
	for _, c := range n.Converters {
		want := float64(samples[c.Lane]) / cycle
		together += want
		if math.Abs(c.SamplesPerS/want-1) > 1e-9 || c.ShortestIntervalNs != nearest[c.Lane] || samples[c.Lane] == 0 {
			t.Errorf("%+v, the operations have %v samples a second, %d ns apart", c, want, nearest[c.Lane])
		}
	}
	for what, off := range map[string]float64{
		"samples":     n.SamplesPerS/together - 1,
		"bytes":       n.BytesPerS/(2*together) - 1,
		"pixels":      n.PixelsPerS/together - 1, // every sample is a pixel of a frame
		"operations":  n.OperationsPerS/(float64(operations)/cycle) - 1,
		"shortest":    float64(n.ShortestOperationNs - shortest),
		"utilization": n.Utilization - float64(busy)*1e-9/cycle,
		"run":         float64(n.Memory.LargestRun - most),
	} {
		if math.Abs(off) > 1e-9 {
			t.Errorf("%s: off by %v", what, off)
		}
	}
	if n.LinkBytesPerS <= n.BytesPerS || n.Memory.Programs == 0 {
		t.Errorf("%+v", n)
	}
}

// TestPinsOfTheDemo: what the wiring of the crawler needs, counted by hand: 10 select lines; load, share, reset and the
// strobe of registers; 3 + 8 of registers; 40 rows and 48 columns, 6 each; one clock.
func TestPinsOfTheDemo(t *testing.T) {
	n := Of(demoPlan(t))
	want := map[string]int{"select lines": 10, "strobe: load": 1, "strobe: share": 1, "strobe: reset": 1,
		"register number": 3, "register value": 8, "strobe: write": 1, "row address": 6, "column address": 6,
		"clock of chips that count": 1}
	for _, p := range n.Pins {
		if want[p.Use] != p.Count {
			t.Errorf("%+v, want %d", p, want[p.Use])
		}
		delete(want, p.Use)
	}
	if len(want) > 0 || n.PinCount != 38 {
		t.Errorf("%d pins, without %v", n.PinCount, want)
	}
}

// TestWork: what is measured takes the place of the estimate, and says so.
func TestWork(t *testing.T) {
	n := &Needs{PixelsPerS: 1e6}
	n.Reckon(map[string]float64{Motion: 10})
	if len(n.Work) != 2 || n.Work[0].Basis != Estimated || n.Work[0].Use != Correction || n.Work[0].Uncertainty < 2 {
		t.Errorf("%+v", n.Work)
	}
	if w := n.Work[1]; w.Basis != Measured || w.Use != Motion || math.Abs(w.CorePercent-1) > 1e-12 {
		t.Errorf("%+v: 10 ns for each of a million pixels a second is 1 %% of a core", w)
	}
}
