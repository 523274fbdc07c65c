package program

import (
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestWithin: a segment of a job that is cut may end as late as its limit says and no later: a nanosecond more, and the
// frames read until then are further apart, or a load is held for longer, than the task allows. Chips without memory
// are lit when they are read, those with memory when they are loaded.
func TestWithin(t *testing.T) {
	message := bustest.Message()
	message.Chips = append(message.Chips, &facetdv1.Chip{Name: "s1", Class: "switch", Selects: []string{"h", "x2"},
		Lane:  "a",
		Mount: message.GetChips()[0].GetMount(), Lens: message.GetChips()[0].GetLens()})
	a, errs := chipmodel.New(message)
	if errs != nil {
		t.Fatal(errs)
	}
	for name, c := range map[string]struct {
		chips          []string
		skew, hold     time.Duration
		batches, parts int
	}{
		"without memory":           {[]string{"s0", "s1"}, 500 * time.Microsecond, 0, 1, 4},
		"without memory, in two":   {[]string{"s0", "s1"}, 500 * time.Microsecond, 0, 1, 2},
		"with memory":              {[]string{"m0", "m1", "m2"}, 0, 500 * time.Microsecond, 1, 4},
		"both limits":              {[]string{"m0", "m2"}, 600 * time.Microsecond, 500 * time.Microsecond, 1, 4},
		"no limits":                {[]string{"m0", "m1", "m2"}, 0, 0, 1, 4},
		"batches":                  {[]string{"m0", "m1", "m2"}, 700 * time.Microsecond, 0, 2, 1},
		"batches with both limits": {[]string{"m0", "m2"}, 700 * time.Microsecond, 900 * time.Microsecond, 2, 1},
	} {
		spec := &facetdv1.Task{Name: "t", RateHz: 10, Target: &facetdv1.Target{Chips: &facetdv1.Target_List{
			List: &facetdv1.ChipList{Names: c.chips}}}}
		if c.skew > 0 {
			spec.MaxSkew = durationpb.New(c.skew)
		}
		if c.hold > 0 {
			spec.MaxHold = durationpb.New(c.hold)
		}
		tasks, wrong := NewTasks(a, []*facetdv1.Task{spec})
		if wrong != nil {
			t.Fatal(wrong)
		}
		compiler, err := NewCompiler(NewWords(a), tasks[0], Assumed(a, tasks))
		if err != nil {
			t.Fatal(err)
		}
		whole, err := compiler.Compile(1, 0)
		if err != nil {
			t.Fatal(err)
		}
		p, err := compiler.Compile(c.batches, whole.Costs[0].Total()/time.Duration(c.parts))
		if err != nil {
			t.Fatal(err)
		}
		limits := p.Within(tasks[0])
		if len(p.Segments) < 2 || limits[0] != 0 {
			t.Fatalf("%s: %d segments, the first limited to %v", name, len(p.Segments), limits[0])
		}
		limited := 0
		for s, limit := range limits {
			if limit == 0 {
				continue
			}
			limited++
			// exceeds: segments up to this one begin as soon as they can, and this one so that it ends then.
			exceeds := func(end time.Duration) bool {
				starts := p.BackToBack()
				starts[s] = end - p.Costs[s].Total()
				until := *p
				until.traces, until.Frames = p.traces[:s+1], p.Frames
				course := until.Follow(starts)
				read := map[int]bool{}
				for _, tr := range until.traces {
					for _, ev := range tr.scans {
						for _, f := range ev.scan.Frames {
							read[f] = true
						}
					}
				}
				for _, l := range until.traces[s].loads { // the light of a load is there before its frames are read
					for f, spec := range p.Frames {
						read[f] = read[f] || slices.Contains(l.chips, spec.Chip)
					}
				}
				earliest, latest, held := time.Duration(1<<62), time.Duration(0), time.Duration(0)
				for f := range p.Frames {
					if read[f] {
						earliest, latest = min(earliest, course.Light[f]), max(latest, course.Light[f])
						held = max(held, course.Held[f])
					}
				}
				return c.skew > 0 && latest-earliest > c.skew || c.hold > 0 && held > c.hold
			}
			if exceeds(limit) || !exceeds(limit+1) {
				t.Errorf("%s: segment %d may end at %v: broken then %v, a nanosecond later %v", name, s, limit,
					exceeds(limit), exceeds(limit+1))
			}
		}
		if (limited > 0) != (c.skew > 0 || c.hold > 0) {
			t.Errorf("%s: %d of %d segments have limits", name, limited, len(limits))
		}
	}
}

// TestChipsOfSegments: those that are read in a segment, and those that hold a load of which rows are still to be read
// at its end, beside what the operations say.
func TestChipsOfSegments(t *testing.T) {
	a := bustest.MustArray()
	held := 0
	for _, chips := range [][]string{{"m0", "m1", "m2"}, {"s0"}, {"c0"}, {"m1", "m2"}} {
		for _, batches := range []int{1, 2} {
			tasks, wrong := NewTasks(a, []*facetdv1.Task{{Name: "t", RateHz: 10, Target: &facetdv1.Target{
				Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: chips}}}}})
			if wrong != nil {
				t.Fatal(wrong)
			}
			compiler, err := NewCompiler(NewWords(a), tasks[0], Assumed(a, tasks))
			if err != nil {
				t.Fatal(err)
			}
			if batches > compiler.Groups() {
				continue
			}
			p, err := compiler.Compile(batches, 20*time.Microsecond)
			if err != nil {
				t.Fatal(err)
			}
			reads, holds := p.Chips(tasks[0])
			loaded, rows := map[int]bool{}, map[int]int{}
			for _, f := range p.Frames {
				rows[f.Chip] += f.Window.Rows
			}
			for s, ops := range p.Segments {
				read := map[int]bool{}
				for _, op := range ops {
					if op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load {
						for _, c := range op.Target {
							loaded[c] = true
						}
					}
					if op.Scan != nil {
						for _, c := range op.Scan.Chips {
							read[c] = true
							rows[c] -= op.Scan.Window.Rows
						}
					}
				}
				var r, h []int
				for c := range a.Chips {
					if read[c] {
						r = append(r, c)
					}
					if loaded[c] && rows[c] > 0 {
						h = append(h, c)
					}
				}
				held += len(h)
				if !slices.Equal(reads[s], r) || !slices.Equal(holds[s], h) {
					t.Errorf("%v in %d batches, segment %d: reads %v and holds %v, want %v and %v", chips, batches, s,
						reads[s], holds[s], r, h)
				}
			}
		}
	}
	if held < 3 {
		t.Errorf("%d loads are held; the test needs some", held)
	}
}
