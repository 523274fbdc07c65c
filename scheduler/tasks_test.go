package scheduler_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/scheduler/program"
)

// TestTaskErrors: every error is found at once, at its path.
func TestTaskErrors(t *testing.T) {
	a := bench(t, [5]int{2, 2, 2, 2, 2})
	ok := func() *facetdv1.Task { return task("ok", "mems", 10) }
	view := func(target string, v *facetdv1.View) *facetdv1.Task { return task("ok", target, 10, v) }
	set := func(f func(*facetdv1.Task)) *facetdv1.Task { x := ok(); f(x); return x }
	for _, c := range []struct {
		name string
		spec *facetdv1.Task
		want []string // path: part of the message
	}{
		{"good", ok(), nil},
		{"no name", set(func(x *facetdv1.Task) { x.Name = "" }), []string{"tasks[0].name: has no name"}},
		{"bad name", set(func(x *facetdv1.Task) { x.Name = "a b" }), []string{"tasks[0].name: space"}},
		{"long name", set(func(x *facetdv1.Task) { x.Name = strings.Repeat("n", 65) }),
			[]string{"tasks[0].name: 65 bytes"}},
		{"no target", set(func(x *facetdv1.Task) { x.Target = nil }), []string{"tasks[0].target: no chips"}},
		{"unknown group", set(func(x *facetdv1.Task) { x.Target = group("mem") }),
			[]string{"tasks[0].target.group: no group"}},
		{"two classes", set(func(x *facetdv1.Task) { x.Target = list("mem-0", "hex-0") }),
			[]string{"tasks[0].target: several classes"}},
		{"no rate", set(func(x *facetdv1.Task) { x.RateHz = 0 }), []string{"tasks[0].rate_hz: no rate"}},
		{"negative rate", set(func(x *facetdv1.Task) { x.RateHz = -1 }), []string{"tasks[0].rate_hz: negative"}},
		{"NaN", set(func(x *facetdv1.Task) { x.RateHz = math.NaN() }), []string{"tasks[0].rate_hz: not a number"}},
		{"infinite", set(func(x *facetdv1.Task) { x.RateHz = math.Inf(1) }),
			[]string{"tasks[0].rate_hz: not a number"}},
		{"too fast", set(func(x *facetdv1.Task) { x.RateHz = 1.1e6 }), []string{"tasks[0].rate_hz: out of range"}},
		{"too slow", set(func(x *facetdv1.Task) { x.RateHz = 1e-9 }), []string{"tasks[0].rate_hz: out of range"}},
		{"late deadline", set(func(x *facetdv1.Task) { x.Deadline = dur(101 * time.Millisecond) }),
			[]string{"tasks[0].deadline: above the period of 100ms"}},
		{"zero deadline", set(func(x *facetdv1.Task) { x.Deadline = dur(0) }),
			[]string{"tasks[0].deadline: not a time"}},
		{"limits", set(func(x *facetdv1.Task) { x.MaxHold, x.MaxSkew = dur(-1), dur(0) }),
			[]string{"tasks[0].max_hold: negative", "tasks[0].max_skew: zero"}},
		{"hold without memory", set(func(x *facetdv1.Task) { x.Target, x.MaxHold = group("cnts"), dur(1) }),
			[]string{"tasks[0].max_hold: no memory"}},
		{"block of 3", view("mems", &facetdv1.View{Binning: &facetdv1.Binning{Rows: 3, Columns: 16}}),
			[]string{"tasks[0].views[0].binning.rows: block of 3", "tasks[0].views[0].binning.columns: block of 16"}},
		{"patterns", view("mems", &facetdv1.View{Shares: []*facetdv1.Share{{Columns: "1010"}, {Rows: "1010101x"}, {}}}),
			[]string{"tasks[0].views[0].shares[0].columns: not a switch pattern",
				"tasks[0].views[0].shares[1].rows: not a switch pattern",
				"tasks[0].views[0].shares[2]: closes no switch"}},
		{"many steps", view("mems", &facetdv1.View{SmoothingSteps: 1 << 31}),
			[]string{"tasks[0].views[0].smoothing_steps: too many"}},
		{"smoothing before sensing", view("sws",
			&facetdv1.View{SmoothingSteps: 1, Shares: []*facetdv1.Share{{Rows: "10101010"}}}),
			[]string{"tasks[0].views[0].shares: act before the light is sensed",
				"tasks[0].views[0].smoothing_steps: act before the light is sensed"}},
		{"smoothing a counter chip", view("cnts", &facetdv1.View{SmoothingSteps: 1}),
			[]string{"tasks[0].views[0].smoothing_steps: no switches"}},
		{"binning a hexagonal chip", view("hexs", &facetdv1.View{Binning: &facetdv1.Binning{Rows: 2}}),
			[]string{"tasks[0].views[0].binning: no switches"}},
		{"window outside", view("mems", &facetdv1.View{Window: &facetdv1.Window{Row: 16, Columns: 17}}),
			[]string{"tasks[0].views[0].window.row: outside", "tasks[0].views[0].window.columns: leave the lattice"}},
		{"trim elsewhere", view("hexs", &facetdv1.View{Trim: &facetdv1.TrimSettings{}}),
			[]string{"tasks[0].views[0].trim: neither biases nor amplifier"}},
		{"trim out of range", view("trims", &facetdv1.View{Trim: &facetdv1.TrimSettings{PixelBias: proto.Uint32(256),
			OutputBias: proto.Uint32(300), GainIndex: 3, Offset: -129}}),
			[]string{"trim.pixel_bias: 256", "trim.output_bias: 300",
				"views[0].trim.gain_index: not one of the 3 gains", "trim.offset: -129"}},
		{"many views", task("ok", "mems", 10, make([]*facetdv1.View, 65)...), []string{"tasks[0].views: 65 views"}},
		{"view names", task("ok", "mems", 10, &facetdv1.View{Name: "v"}, &facetdv1.View{Name: "v"},
			&facetdv1.View{Name: "a,b"}),
			[]string{"tasks[0].views[1].name: taken by view 1", "tasks[0].views[2].name: comma"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			tasks, m := program.NewTasks(a, []*facetdv1.Task{c.spec})
			if (tasks == nil) != (len(m) > 0) {
				t.Errorf("%d tasks beside %d errors", len(tasks), len(m))
			}
			wantErrors(t, m, c.want)
		})
	}
}

// wantErrors compares errors with "end of path: part of message" each.
func wantErrors(t *testing.T, m invalid.Errors, want []string) {
	t.Helper()
	if len(m) != len(want) {
		t.Errorf("%d errors, expected %d:\n%v", len(m), len(want), m)
		return
	}
	for i, w := range want {
		path, part, _ := strings.Cut(w, ": ")
		if !strings.HasSuffix(m[i].Path, path) || !strings.Contains(m[i].Message, part) || m[i].Hint == "" {
			t.Errorf("error %d is %+v, expected %q", i, m[i], w)
		}
	}
}

func TestTaskListErrors(t *testing.T) {
	a := bench(t, [5]int{2})
	_, m := program.NewTasks(a, []*facetdv1.Task{task("x", "mems", 1), task("x", "mems", 2), task("", "nope", -1)})
	wantErrors(t, m, []string{"tasks[1].name: taken by task 1", "tasks[2].name: no name",
		"tasks[2].target.group: no group", "tasks[2].rate_hz: negative"})
	_, m = program.NewTasks(a, nil)
	wantErrors(t, m, []string{"tasks: no tasks"})
	wiring, mm := chipmodel.New(&facetdv1.Array{SelectLines: []string{"a"},
		Chips: []*facetdv1.Chip{{Name: "c", Selects: []string{"a"}}}})
	if len(mm) > 0 {
		t.Fatal(mm)
	}
	_, m = program.NewTasks(wiring, []*facetdv1.Task{task("x", "mems", 1)})
	wantErrors(t, m, []string{": only the wiring"})
}

// TestBlockPatterns: blocks of n cells have every switch closed but the last of
// each block, written bit 0 first (derived: bit i joins cells 8k+i and 8k+i+1).
func TestBlockPatterns(t *testing.T) {
	a := bench(t, [5]int{1, 1})
	for bin, want := range map[uint32]struct {
		pattern uint8
		text    string
	}{1: {0, "00000000"}, 2: {0x55, "10101010"}, 4: {0x77, "11101110"}, 8: {0x7f, "11111110"}} {
		v := &facetdv1.View{Binning: &facetdv1.Binning{Rows: bin, Columns: 1}}
		tasks, m := program.NewTasks(a, []*facetdv1.Task{task("m", "mems", 1, v), task("s", "sws", 1, v)})
		if len(m) > 0 {
			t.Fatal(m)
		}
		if got := tasks[1].Views[0].Patterns; got != (bus.Patterns{Rows: want.pattern}) {
			t.Errorf("bin %d: patterns %x", bin, got)
		}
		shares := tasks[0].Views[0].Shares
		if (bin == 1) != (len(shares) == 0) || (bin > 1 && shares[0] != bus.Patterns{Rows: want.pattern}) {
			t.Errorf("bin %d: shares %x", bin, shares)
		}
		if got := analog.FormatPattern(want.pattern); !strings.HasPrefix(got, want.text+" ") {
			t.Errorf("pattern %#x is written %s, expected %s", want.pattern, got, want.text)
		}
		if w := tasks[0].Views[0].Window; w.RowStep != int(bin) || w.Rows != 16/int(bin) || w.ColumnStep != 1 {
			t.Errorf("bin %d: window %+v", bin, w)
		}
	}
}

// TestShareOrder: explicit shares come first, then smoothing by alternating pairs
// along both axes, then binning.
func TestShareOrder(t *testing.T) {
	a := bench(t, [5]int{1})
	tasks, m := program.NewTasks(a, []*facetdv1.Task{task("m", "mems", 1, &facetdv1.View{
		Shares: []*facetdv1.Share{{Columns: "11000001"}}, SmoothingSteps: 3,
		Binning: &facetdv1.Binning{Rows: 2, Columns: 8},
	})})
	if len(m) > 0 {
		t.Fatal(m)
	}
	want := "[{83 0} {55 55} {aa aa} {55 55} {7f 55}]"
	if got := fmt.Sprintf("%x", tasks[0].Views[0].Shares); got != want {
		t.Errorf("shares %s, expected %s", got, want)
	}
}
