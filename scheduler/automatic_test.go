package scheduler_test

import (
	"errors"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// TestAutomaticThatCannotBe: each is refused with its place and its reason.
func TestAutomaticThatCannotBe(t *testing.T) {
	const us = time.Microsecond
	a := bench(t, [5]int{2, 0, 2, 2}, automatically)
	half := &facetdv1.AutomaticExposure{Level: 0.7}
	auto := func(x *facetdv1.AutomaticExposure, v *facetdv1.View) []*facetdv1.View {
		v.Automatic = x
		return []*facetdv1.View{v}
	}
	moving := func() *facetdv1.View { return exposed(100*us, 50*us, 200*us) }
	gains := func() *facetdv1.View {
		return &facetdv1.View{Movable: &facetdv1.Movable{GainIndex: &facetdv1.Bounds{High: 1}}}
	}
	for _, c := range []struct {
		group, path, says string
		views             []*facetdv1.View
	}{
		{"cnts", "", "nothing to set: no shutter and no amplifier", auto(half, &facetdv1.View{})},
		{"mems", "", "nothing of the view may be set", auto(half, exposed(100*us, 0, 0))},
		{"trims", "", "nothing of the view may be set", auto(half, &facetdv1.View{})},
		{"mems", ".level", "0 is not between", auto(&facetdv1.AutomaticExposure{}, moving())},
		{"mems", ".level", "NaN is not between", auto(&facetdv1.AutomaticExposure{Level: math.NaN()}, moving())},
		{"mems", ".level", "is not well within", auto(&facetdv1.AutomaticExposure{Level: 0.999}, moving())},
		{"mems", ".percentile", "100 is not between", auto(&facetdv1.AutomaticExposure{Level: 0.7,
			Percentile: proto.Float64(100)}, moving())},
		{"mems", ".percentile", "0 is not between", auto(&facetdv1.AutomaticExposure{Level: 0.7,
			Percentile: proto.Float64(0)}, moving())},
		{"mems", ".averaging", "-1s is not", auto(&facetdv1.AutomaticExposure{Level: 0.7, Averaging: dur(-time.Second)},
			moving())},
		{"trims", ".level", "is not within what amplifier and converter pass",
			auto(&facetdv1.AutomaticExposure{Level: 0.99}, gains())},
	} {
		_, m := program.NewTasks(a, []*facetdv1.Task{task("t", c.group, 10, c.views...)})
		if len(m) != 1 || m[0].Path != "tasks[0].views[0].automatic"+c.path || !strings.Contains(m[0].Message, c.says) {
			t.Errorf("%v, want one at automatic%s that says %q", m, c.path, c.says)
		}
	}
	var m invalid.Errors
	_, err := scheduler.OnDemand(a, &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "mems"}},
		auto(half, exposed(100*us, 0, 0)), program.PowerOn(a))
	if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "views[0].automatic" {
		t.Errorf("an on-demand capture with automatic exposure: %v", err)
	}
}

// automatically gives chips with memory linear pixels with a shutter, from 1.8 V without light down to 1 V.
func automatically(msg *facetdv1.Array) {
	for _, c := range msg.Classes {
		if c.GetMemory() != nil {
			c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{Exposure: dur(2 * time.Millisecond),
				ResetVolts: 1.8, Shutter: &facetdv1.Shutter{Least: dur(20 * time.Microsecond),
					Most: dur(5 * time.Millisecond)}}}
		}
	}
}

// TestAutomaticOfTheViewThatMoves: of the views of one load the one that moves the exposure has it set, and what
// flicker is averaged over follows from the rate.
func TestAutomaticOfTheViewThatMoves(t *testing.T) {
	const us = time.Microsecond
	a := mustOnGrain(t, bench(t, [5]int{2}, automatically), 125)
	first, second := exposed(100*us, 50*us, 200*us), &facetdv1.View{Name: "second"}
	first.Automatic = &facetdv1.AutomaticExposure{Level: 0.7}
	for rate, jobs := range map[float64]int{1: 8, 10: 10, 33.5: 34} {
		tasks, m := program.NewTasks(a, []*facetdv1.Task{task("t", "mems", rate, first, second)})
		if len(m) > 0 {
			t.Fatal(m)
		}
		auto := tasks[0].Views[0].Automatic
		if auto == nil || auto.Exposure != 1 || !auto.Sets(program.ExposureField) || auto.Sets(program.GainField) ||
			auto.Law.Averaging != jobs || auto.Law.Step != 125 || auto.Law.High.Exposure != 200*us ||
			tasks[0].Views[1].Automatic != nil {
			t.Errorf("%g Hz: %+v", rate, auto)
		}
	}
}
