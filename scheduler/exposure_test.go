package scheduler_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// shutters gives an array linear pixels, and those of the chips with memory a shutter for 20 us to 5 ms; they expose
// for
// 2 ms by themselves.
func shutters(msg *facetdv1.Array) {
	for _, c := range msg.Classes {
		if c.GetName() == "cnt" {
			continue
		}
		c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{Exposure: dur(2 * time.Millisecond)}}
		if c.GetMemory() != nil {
			c.GetLinear().Shutter = &facetdv1.Shutter{Least: dur(20 * time.Microsecond),
				Most: dur(5 * time.Millisecond)}
		}
	}
}

func shuttered(t *testing.T, grain time.Duration) *chipmodel.Array {
	t.Helper()
	return mustOnGrain(t, bench(t, [5]int{4, 2, 2}, shutters), grain)
}

func exposed(exposure, low, high time.Duration) *facetdv1.View {
	v := &facetdv1.View{Window: &facetdv1.Window{Rows: 2, Columns: 2}}
	if exposure > 0 {
		v.Exposure = dur(exposure)
	}
	if high > 0 {
		v.Movable = &facetdv1.Movable{Exposure: &facetdv1.ExposureBounds{Low: dur(low), High: dur(high)}}
	}
	return v
}

// TestPlansAllowForTheLongestExposure: a job with an exposure that moves takes as long as one with the longest, and one
// whose chips expose by themselves less by exactly that: nothing else is done meanwhile. Hold does not grow with it.
func TestPlansAllowForTheLongestExposure(t *testing.T) {
	const ms = time.Millisecond
	for _, grain := range []time.Duration{1, 300} {
		a := shuttered(t, grain)
		of := func(v *facetdv1.View) *facetdv1.Prediction {
			return mustBuild(t, a, task("t", "mems", 10, v)).Message.GetPredictions()[0]
		}
		moves, long, own := of(exposed(1*ms, ms/4, 3*ms)), of(exposed(3*ms, 0, 0)), of(exposed(0, 0, 0))
		if moves.GetJobNs() != long.GetJobNs() || moves.GetWorstHoldNs() != own.GetWorstHoldNs() {
			t.Errorf("grain %v: %v, with the longest %v", grain, moves, long)
		}
		if got := time.Duration(long.GetJobNs() - own.GetJobNs()); got != a.Up(3*ms) {
			t.Errorf("grain %v: an exposure of 3ms takes %v", grain, got)
		}
	}
}

// TestExposuresAreRoundedUp to the grain of the bus: the one at first and both bounds.
func TestExposuresAreRoundedUp(t *testing.T) {
	a := shuttered(t, 300)
	tasks, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 10,
		exposed(100*time.Microsecond, 40*time.Microsecond, 1300*time.Microsecond))})
	if len(m) > 0 {
		t.Fatal(m)
	}
	want := bus.Slot{Name: "view-1.exposure", Low: 40_200, High: 1_300_200, Default: 100_200, Step: 300}
	if s := tasks[0].Slots; len(s) != 1 || s[0] != want || tasks[0].Exposed(0, nil) != 100_200 ||
		tasks[0].Exposed(0, []int{40_200}) != 40_200 {
		t.Errorf("%+v, want %+v", s, want)
	}
	if p := tasks[0].Parameters; len(p) != 1 || p[0] != (program.Parameter{View: 0, Field: program.ExposureField}) {
		t.Errorf("the slot gives %v", p)
	}
	// That of the class, which is at first where the view says none.
	tasks, m = program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 10, exposed(0, time.Millisecond,
		3*time.Millisecond))})
	if len(m) > 0 || tasks[0].Slots[0].Default != 2_000_100 {
		t.Errorf("%v %+v", m, tasks)
	}
}

// TestTheLongestExposureMayBeAskedForAsItIsKept: what the longest of a shutter is rounded up to may be asked for as
// well, so that what is told of a view can be given back; nothing longer can.
func TestTheLongestExposureMayBeAskedForAsItIsKept(t *testing.T) {
	const most = 5 * time.Millisecond
	a := shuttered(t, 7000) // 5.005 ms
	for exposure, good := range map[time.Duration]bool{most: true, most + 1: true, a.Up(most): true,
		a.Up(most) + 1: false} {
		for _, v := range []*facetdv1.View{exposed(exposure, 0, 0), exposed(most, time.Millisecond, exposure)} {
			tasks, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 10, v)})
			if (len(m) == 0) != good || good && tasks[0].Views[0].Exposure != a.Up(most) {
				t.Errorf("%v: %v", v, m)
			}
		}
	}
}

// TestNoExposureIsShorterThanItsStrobe, whatever the shutter could do.
func TestNoExposureIsShorterThanItsStrobe(t *testing.T) {
	a := bench(t, [5]int{2}, shutters, func(msg *facetdv1.Array) { msg.Classes[0].GetLinear().Shutter.Least = dur(1) })
	for exposure, good := range map[time.Duration]bool{1: false, 499: false, 500: true} {
		_, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", 10, exposed(exposure, 0, 0))})
		if (len(m) == 0) != good || !good && m[0].Hint != "use 500ns to 5ms" {
			t.Errorf("%v: %v", exposure, m)
		}
	}
}

// TestExposuresThatCannotBe: each is refused with its place and its reason.
func TestExposuresThatCannotBe(t *testing.T) {
	const us = time.Microsecond
	a := shuttered(t, 1)
	second := func(v *facetdv1.View) []*facetdv1.View { return []*facetdv1.View{exposed(0, 0, 0), v} }
	only := func(v *facetdv1.View) []*facetdv1.View { return []*facetdv1.View{v} }
	for _, c := range []struct {
		group, path, says string
		views             []*facetdv1.View
	}{
		{"cnts", "views[0].exposure", "logarithmic", only(exposed(100*us, 0, 0))},
		{"cnts", "views[0].movable.exposure", "logarithmic", only(exposed(0, 50*us, 200*us))},
		{"sws", "views[0].exposure", "expose for 2ms by themselves", only(exposed(100*us, 0, 0))},
		{"sws", "views[0].movable.exposure", "no shutter", only(exposed(0, 50*us, 200*us))},
		{"mems", "views[0].exposure", "cannot be exposed for 19.999µs", only(exposed(20*us-1, 0, 0))},
		{"mems", "views[0].exposure", "cannot be exposed for 5.000001ms", only(exposed(5000*us+1, 0, 0))},
		{"mems", "views[0].movable.exposure.low", "cannot be exposed for 10µs", only(exposed(100*us, 10*us, 200*us))},
		{"mems", "views[0].movable.exposure.high", "cannot be exposed for 1s",
			only(exposed(100*us, 20*us, time.Second))},
		{"mems", "views[0].movable.exposure.high", "nothing between", only(exposed(100*us, 300*us, 200*us))},
		{"mems", "views[0].movable.exposure", "100µs, is not within", only(exposed(100*us, 150*us, 200*us))},
		{"mems", "views[0].movable.exposure", "2ms, is not within", only(exposed(0, 150*us, 200*us))},
		{"mems", "views[0].movable.exposure.low", "missing", only(&facetdv1.View{Movable: &facetdv1.Movable{
			Exposure: &facetdv1.ExposureBounds{High: dur(3 * time.Millisecond)}}})},
		{"mems", "views[1].exposure", "only the first view", second(exposed(100*us, 0, 0))},
		{"mems", "views[1].movable.exposure", "only the first view", second(exposed(0, 50*us, 5000*us))},
	} {
		_, m := program.NewTasks(a, []*facetdv1.Task{task("t", c.group, 10, c.views...)})
		if len(m) != 1 || m[0].Path != "tasks[0]."+c.path || !strings.Contains(m[0].Message, c.says) {
			t.Errorf("%v, want one at %s that says %q", m, c.path, c.says)
		}
	}
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "mems"}}
	plan, err := scheduler.OnDemand(a, target, only(exposed(100*us, 0, 0)), program.PowerOn(a))
	if err != nil || plan.Views[0].Exposed(a.Chips[plan.Chips[0]].Class) != 100*us {
		t.Errorf("an on-demand capture of an exposure: %v, %v", plan, err)
	}
	if _, err = scheduler.OnDemand(a, target, only(exposed(0, 50*us, 5000*us)), program.PowerOn(a)); err == nil {
		t.Error("an on-demand capture may move")
	}
	var m invalid.Errors
	_, err = scheduler.OnDemand(a, target, only(exposed(100*us, 1, 2)), program.PowerOn(a))
	if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views[0].movable" {
		t.Errorf("an on-demand capture that moves between wrong bounds: %v", err)
	}
}

// TestLoadsOfOneExposureAreShared: tasks read one load where it is exposed for the same time, and not where that
// differs
// or moves.
func TestLoadsOfOneExposureAreShared(t *testing.T) {
	const us = time.Microsecond
	a := shuttered(t, 1)
	for _, c := range []struct {
		one, other *facetdv1.View
		jobs       int
	}{
		{exposed(0, 0, 0), exposed(0, 0, 0), 1},
		{exposed(100*us, 0, 0), exposed(100*us, 0, 0), 1},
		{exposed(100*us, 0, 0), exposed(200*us, 0, 0), 2},
		{exposed(100*us, 0, 0), exposed(0, 0, 0), 2},
		{exposed(100*us, 50*us, 200*us), exposed(100*us, 0, 0), 2},
		{exposed(100*us, 50*us, 200*us), exposed(100*us, 50*us, 200*us), 2},
	} {
		p := mustBuild(t, a, task("one", "mems", 20, c.one), task("other", "mems", 20, c.other))
		if len(p.Tasks) != c.jobs {
			t.Errorf("%v and %v: %d bus jobs, want %d", c.one, c.other, len(p.Tasks), c.jobs)
		}
	}
}

// TestExposuresTooLongForTheRate are refused like any job that is longer than its period.
func TestExposuresTooLongForTheRate(t *testing.T) {
	a := shuttered(t, 1)
	_, err := build(t, a, task("t", "mems", 300, exposed(time.Millisecond, time.Millisecond, 4*time.Millisecond)))
	if !errors.As(err, new(*scheduler.RefusalError)) {
		t.Errorf("4 ms in a period of 3.3 ms: %v", err)
	}
	mustBuild(t, a, task("t", "mems", 300, exposed(time.Millisecond, time.Millisecond, 2*time.Millisecond)))
}
