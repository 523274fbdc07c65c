package scheduler_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/draw"
)

func explored(t *testing.T, a *chipmodel.Array, spec *facetdv1.Task,
	opt scheduler.ExploreOptions) *scheduler.Exploration {
	t.Helper()
	x, err := scheduler.Explore(a, spec, opt)
	if err != nil {
		t.Fatal(err)
	}
	if len(x.Points) == 0 {
		t.Fatal("nothing found")
	}
	return x
}

// asTask is the task of a point, with limits that leave it no other batches.
func asTask(spec *facetdv1.Task, p *scheduler.ExplorePoint, rate float64) *facetdv1.Task {
	s := proto.CloneOf(spec)
	s.RateHz, s.MaxHold, s.MaxSkew = rate, nil, nil
	if p.Batches > 1 {
		s.MaxHold = dur(time.Duration(p.WorstHoldNS))
	}
	for _, v := range s.Views {
		v.Binning = &facetdv1.Binning{Rows: uint32(p.BinRows), Columns: uint32(p.BinColumns)}
		if p.WindowPart < 1 {
			w := v.Binning
			v.Window = &facetdv1.Window{
				Row:    (16/w.Rows - uint32(p.Rows)) / 2 * w.Rows,
				Column: (16/w.Columns - uint32(p.Columns)) / 2 * w.Columns,
				Rows:   uint32(p.Rows), Columns: uint32(p.Columns),
			}
		}
	}
	return s
}

// TestExplore plans every point of a task: it fits at the point's rate with the
// point's hold and skew, and does not at a rate a thousandth above.
func TestExplore(t *testing.T) {
	a := bench(t, [5]int{8})
	ring := task("ring", "mems", 100, &facetdv1.View{})
	ring.MaxHold = dur(2 * time.Millisecond)
	x := explored(t, a, ring, scheduler.ExploreOptions{})
	for i := range x.Points {
		p := &x.Points[i]
		plan, err := build(t, a, asTask(ring, p, p.RateHz))
		if err != nil {
			t.Fatalf("%+v: %v", p, err)
		}
		pr := plan.Message.GetPredictions()[0]
		if pr.GetJobNs() != p.JobNS || pr.GetSkewNs() != p.SkewNS || pr.GetWorstHoldNs() != p.WorstHoldNS {
			t.Errorf("%+v: planned with %d ns, skew %d, hold %d", p, pr.GetJobNs(), pr.GetSkewNs(), pr.GetWorstHoldNs())
		}
		if p.WithinLimits != (p.WorstHoldNS <= 2e6) {
			t.Errorf("%+v: within limits?", p)
		}
		if _, err := build(t, a, asTask(ring, p, p.RateHz*1.001)); err == nil {
			t.Errorf("%+v fits at a thousandth more", p)
		}
	}
	// 16, 12, 8 and 4 pixels a side whole; 8, 6, 4 and 2 in blocks of 2; 4, 3, 2, 1;
	// and 2, 1 (twice, of a window of 1.5 and 1) and none of half a pixel, which is 1
	// again. Each in 1 to 4 batches, as long as more of them shorten the hold.
	whole := 0
	for _, p := range x.Points {
		if p.Batches == 1 {
			whole++
		}
		if p.CellsSeen > 256 || p.CellsPerPixel != p.BinRows*p.BinColumns || p.Pixels != p.Rows*p.Columns {
			t.Errorf("%+v", p)
		}
	}
	if whole != 14 {
		t.Errorf("%d resolutions", whole)
	}
	// By hand: 8 chips on 2 lanes, whole, in one batch. A load of 161 us with its
	// select; 4 readouts of 0.5 us for the word, 2 writes of 1 us and 649 us, where the
	// word of the load is not one of theirs.
	if p := x.Points[0]; p.JobNS != 161_000+4*(500+2000+649_000) || p.SkewNS != 0 {
		t.Errorf("%+v", p)
	}
}

// TestPareto compares the front with the definition, said the other way round: a
// point is not on it exactly when another is nowhere worse and not the same.
func TestPareto(t *testing.T) {
	crawl, specs := crawler(t)
	for _, spec := range specs {
		x := explored(t, crawl, spec, scheduler.ExploreOptions{})
		measures := func(p scheduler.ExplorePoint) [5]float64 {
			return [5]float64{-p.RateHz, float64(p.CellsPerPixel), -float64(p.CellsSeen), float64(p.SkewNS),
				float64(p.WorstHoldNS)}
		}
		front := 0
		for _, p := range x.Points {
			beaten := false
			for _, q := range x.Points {
				notWorse := true
				for k, v := range measures(q) {
					notWorse = notWorse && v <= measures(p)[k]
				}
				beaten = beaten || notWorse && measures(q) != measures(p)
			}
			if p.Pareto == beaten {
				t.Errorf("%s: %+v", spec.GetName(), p)
			}
			if p.Pareto {
				front++
			}
		}
		t.Logf("%s: %d of %d points on the front", spec.GetName(), front, len(x.Points))
		if front == 0 {
			t.Errorf("%s: no front", spec.GetName())
		}
	}
}

// TestExploreBeside: other tasks take rate away, and what is found is planned.
func TestExploreBeside(t *testing.T) {
	crawl, specs := crawler(t)
	opt := scheduler.ExploreOptions{Windows: []float64{1}, MaxBatches: 2}
	alone := explored(t, crawl, specs[0], opt)
	opt.Beside = specs[1:]
	beside := explored(t, crawl, specs[0], opt)
	for i := range beside.Points {
		p := &beside.Points[i]
		k := slices.IndexFunc(alone.Points, func(q scheduler.ExplorePoint) bool {
			return q.BinRows == p.BinRows && q.Batches == p.Batches
		})
		if k < 0 || alone.Points[k].RateHz <= p.RateHz {
			t.Errorf("%+v beside others, alone %+v", p, alone.Points)
		}
		s := asTask(specs[0], p, p.RateHz)
		if _, err := build(t, crawl, append([]*facetdv1.Task{s}, specs[1:]...)...); err != nil && p.Batches == 1 {
			t.Errorf("%+v: %v", p, err)
		}
	}
}

func TestExploreErrors(t *testing.T) {
	a := bench(t, [5]int{4, 0, 2})
	var m invalid.Errors
	if _, err := scheduler.Explore(a, task("x", "nobody", 1), scheduler.ExploreOptions{}); !errors.As(err, &m) {
		t.Errorf("an unknown group: %v", err)
	}
	if _, err := scheduler.Explore(a, task("x", "mems", 1),
		scheduler.ExploreOptions{Windows: []float64{0, 2}}); !errors.As(err, &m) || len(m) != 2 {
		t.Errorf("windows: %v", err)
	}
	for _, p := range explored(t, a, task("bed", "cnts", 1), scheduler.ExploreOptions{}).Points {
		if p.BinRows != 1 || p.Batches != 1 || p.WorstHoldNS != 0 {
			t.Errorf("a counter chip is binned, batched or held: %+v", p)
		}
	}
}

// TestExploreSVG: the drawing is XML with two dots for every point, and contains no
// text of the task unescaped. EXPLORE_SVG names a folder to keep the drawings in.
func TestExploreSVG(t *testing.T) {
	crawl, specs := crawler(t)
	for _, spec := range specs {
		x := explored(t, crawl, spec, scheduler.ExploreOptions{})
		x.Task = "<" + x.Task + ">"
		var b bytes.Buffer
		if err := draw.Exploration(&b, x); err != nil {
			t.Fatal(err)
		}
		dots := 0
		for d := xml.NewDecoder(bytes.NewReader(b.Bytes())); ; {
			token, err := d.Token()
			if err == io.EOF {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if e, ok := token.(xml.StartElement); ok && e.Name.Local == "circle" {
				dots++
			}
		}
		if dots < 2*len(x.Points)+5 || dots > 2*len(x.Points)+8 {
			t.Errorf("%s: %d circles for %d points", spec.GetName(), dots, len(x.Points))
		}
		if dir := os.Getenv("EXPLORE_SVG"); dir != "" {
			if err := os.WriteFile(dir+"/explore-"+spec.GetName()+".svg", b.Bytes(), 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
}

// TestBatchesAndBlocksOfAnExploration: of every resolution of a memory there are as many batches as shorten the hold,
// one of other chips; blocks are seen whole, to the edge of the window.
func TestBatchesAndBlocksOfAnExploration(t *testing.T) {
	a := bench(t, [5]int{8, 2})
	for target, most := range map[string]int{"mems": 4, "sws": 1} {
		x := explored(t, a, task("ring", target, 10, &facetdv1.View{}), scheduler.ExploreOptions{MaxBatches: 4})
		holds, batches := map[[3]float64]int64{}, 0
		for _, p := range x.Points {
			key := [3]float64{float64(p.BinRows), float64(p.BinColumns), p.WindowPart}
			if hold, before := holds[key]; before && p.WorstHoldNS >= hold || !before && p.Batches != 1 {
				t.Errorf("%s: %d batches of %v hold for %d ns, fewer for %d", target, p.Batches, key, p.WorstHoldNS,
					hold)
			}
			holds[key] = p.WorstHoldNS
			batches = max(batches, p.Batches)
			if p.WindowPart == 1 && p.CellsSeen != 16*16 {
				t.Errorf("%s: blocks of %d x %d see %d cells of 256", target, p.BinRows, p.BinColumns, p.CellsSeen)
			}
		}
		if batches != most {
			t.Errorf("%s: up to %d batches, want %d", target, batches, most)
		}
	}
}
