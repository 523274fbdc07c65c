package scheduler_test

import (
	"bytes"
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// script writes a plan's initialization, the program of each task, and where the table
// puts them.
func script(t *testing.T, p *scheduler.Plan) []byte {
	t.Helper()
	var b bytes.Buffer
	ops := func(title string, write func() error) {
		fmt.Fprintf(&b, "== %s\n", title)
		if err := write(); err != nil {
			t.Fatal(err)
		}
	}
	ops("initialization", func() error { return bustest.WriteScript(&b, p.Array, p.Initialization.Ops) })
	for i := range p.Tasks {
		tp := &p.Tasks[i]
		for s, seg := range tp.Segments {
			ops(fmt.Sprintf("%s, segment %d of %d", tp.Task.Name, s+1, len(tp.Segments)),
				func() error { return bustest.WriteScript(&b, p.Array, seg) })
		}
	}
	fmt.Fprintf(&b, "== table of %d ns\n", int64(p.Hyperperiod))
	for _, e := range p.Entries {
		fmt.Fprintf(&b, "%10d  %10d  %s job %d segment %d, released %d, due %d\n",
			e.Start, e.End, p.Tasks[e.Task].Task.Name, e.Job, e.Segment, e.Release, e.Deadline)
	}
	return b.Bytes()
}

func TestGoldenScripts(t *testing.T) {
	binned := &facetdv1.View{Name: "small", Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}
	fine := &facetdv1.View{Name: "fine", Window: &facetdv1.Window{Row: 4, Column: 4, Rows: 8, Columns: 8}}
	for _, c := range []struct {
		name   string
		counts [5]int
		tasks  []*facetdv1.Task
	}{
		{"pyramid", [5]int{4}, []*facetdv1.Task{task("pyramid", "mems", 20, fine, proto.CloneOf(binned))}},
		{"two-patterns", [5]int{0, 3}, []*facetdv1.Task{
			task("whole", "sws", 10), task("small", "sws", 20, binned),
		}},
		{"counter-and-trimmed", [5]int{0, 0, 3, 3}, []*facetdv1.Task{
			task("bed", "cnts", 10, fine0()), task("trimmed", "trims", 10,
				&facetdv1.View{Trim: &facetdv1.TrimSettings{GainIndex: 2, Offset: -3}},
				&facetdv1.View{Name: "low", Trim: &facetdv1.TrimSettings{PixelBias: proto.Uint32(90)}}),
		}},
		{"cut", [5]int{4, 0, 0, 0, 1}, []*facetdv1.Task{
			task("ring", "mems", 100, &facetdv1.View{SmoothingSteps: 1}), task("fast", "hexs", 2000, tiny()),
		}},
		{"cut-rows", [5]int{2, 0, 0, 0, 1}, []*facetdv1.Task{
			task("pair", "mems", 100), task("fast", "hexs", 4000, tiny()),
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			p := mustBuild(t, bench(t, c.counts), c.tasks...)
			golden.Check(t, "testdata/"+c.name+".script", script(t, p))
		})
	}
}

func fine0() *facetdv1.View {
	return &facetdv1.View{Name: "part", Window: &facetdv1.Window{Row: 2, Column: 4, Rows: 3, Columns: 4, ColumnStep: 2}}
}

func tiny() *facetdv1.View {
	return &facetdv1.View{Name: "tiny", Window: &facetdv1.Window{Rows: 4, Columns: 4}}
}

// TestGoldenOnDemand: a capture that gives back what it changed, chip by chip where
// they differed.
func TestGoldenOnDemand(t *testing.T) {
	a := bench(t, [5]int{4, 3})
	state := program.PowerOn(a)
	for i, v := range []int32{0x55, 0x55, 0x77} {
		c := a.Chip("sw-" + string("012"[i]))
		state[c][chipmodel.ColumnPattern], state[c][chipmodel.RowPattern] = v, 0x55
	}
	var b bytes.Buffer
	for _, target := range []string{"sws", "mems"} {
		p, err := scheduler.OnDemand(a, group(target),
			[]*facetdv1.View{{Window: &facetdv1.Window{Rows: 2, Columns: 4}}}, state)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintf(&b, "== %s in %v\n", target, p.Time)
		if err := bustest.WriteScript(&b, a, p.Ops); err != nil {
			t.Fatal(err)
		}
	}
	golden.Check(t, "testdata/on-demand.script", b.Bytes())
}
