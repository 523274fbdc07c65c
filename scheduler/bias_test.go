package scheduler_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/scheduler"
	"facetd.example/scheduler/program"
)

// scansOf are the readouts of a plan's first task.
func scansOf(p *scheduler.Plan) []*bus.Scan {
	var scans []*bus.Scan
	for _, e := range p.Table().Entries {
		for i := range e.Segment.Ops {
			if s := e.Segment.Ops[i].Scan; s != nil {
				scans = append(scans, s)
			}
		}
	}
	return scans
}

// A view that lowers the output bias leaves its chips half, or a hundredth, of their
// bandwidth: the lane is given twice, or a hundred times, the settling time; a higher
// bias is not relied on. What runs is what was predicted, and violates no rule.
func TestLowOutputBiasSettlesLonger(t *testing.T) {
	// Settling takes 2 us at the nominal bias of 120; a step is 1 % of the bandwidth.
	for bias, want := range map[uint32]time.Duration{120: 0, 255: 0, 70: 4 * time.Microsecond,
		100: 2500 * time.Nanosecond, 0: 200 * time.Microsecond} {
		a := bench(t, [5]int{0, 0, 0, 2, 0}, func(msg *facetdv1.Array) {
			if bias == 0 { // far enough below nominal for the output to starve
				msg.Classes[3].GetOutputBias().BandwidthPerStep = proto.Float64(0.02)
			}
		})
		p := mustBuild(t, a, task("trim", "trims", 10,
			&facetdv1.View{Trim: &facetdv1.TrimSettings{OutputBias: proto.Uint32(bias)}}))
		for _, s := range scansOf(p) {
			if s.Settle != want {
				t.Errorf("bias %d: the lane is given %v, want %v (0 is what it needs at nominal bias)", bias, s.Settle,
					want)
			}
		}
		runOnBus(t, p)
	}
}

// A bias that starves the output for longer than a readout may wait is refused by the check
// of the task, and not by the bus.
func TestOutputBiasThatNoBusWaitsFor(t *testing.T) {
	a := bench(t, [5]int{0, 0, 0, 2, 0}, func(msg *facetdv1.Array) {
		msg.Classes[3].Readout = &facetdv1.Readout{Step: dur(500), Settle: dur(20 * time.Millisecond)}
		msg.Classes[3].GetOutputBias().BandwidthPerStep = proto.Float64(0.02)
	})
	for bias, want := range map[uint32]string{
		0: "tasks[0].views[0].trim.output_bias: with a bias of 0 chip trim-0 needs 2s to settle", 100: "", 120: "",
	} {
		_, m := program.NewTasks(a, []*facetdv1.Task{task("trim", "trims", 0.01,
			&facetdv1.View{Trim: &facetdv1.TrimSettings{OutputBias: proto.Uint32(bias)}})})
		if got := fmt.Sprint(m); (want == "") != (len(m) == 0) || !strings.Contains(got, want) {
			t.Errorf("bias %d: %s, want %q", bias, got, want)
		}
	}
}

// The inspector knows by itself that a lowered bias takes longer.
func TestInspectorKnowsOfLowBias(t *testing.T) {
	a := bench(t, [5]int{0, 0, 0, 2, 0})
	p := mustBuild(t, a, task("trim", "trims", 10,
		&facetdv1.View{Trim: &facetdv1.TrimSettings{OutputBias: proto.Uint32(70)}}))
	judged := func() []rules.Violation { return rules.Judge(a, p.Table(), 2) }
	if v := judged(); len(v) > 0 {
		t.Fatalf("as planned: %v", v)
	}
	for _, s := range scansOf(p) {
		s.Settle = 3900 * time.Nanosecond
	}
	v := judged()
	if !slices.ContainsFunc(v, func(v rules.Violation) bool { return v.Rule == rules.RuleSettle }) {
		t.Errorf("settling cut short by a fortieth: %v", v)
	}
}

// On the simulated lane a checkerboard of starved pixels comes within half a step of what
// they are at nominal bias, after the longer time; after the nominal time it does not.
func TestNoGhostAtLowBias(t *testing.T) {
	a := bench(t, [5]int{0, 0, 0, 1, 0}, func(msg *facetdv1.Array) {
		msg.Classes[3].Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 0.6,
			VoltsPerDecade: 0.3, DarkLux: 0.01}}
	})
	board, err := scene.Grating(scene.GratingOptions{MeanLux: 500, Contrast: 0.998, CyclesPerPixel: 0.5})
	if err != nil {
		t.Fatal(err)
	}
	read := func(bias uint32, nominal bool) []uint16 {
		p := mustBuild(t, a, task("trim", "trims", 10,
			&facetdv1.View{Trim: &facetdv1.TrimSettings{OutputBias: proto.Uint32(bias)}}))
		b, err := virtual.New(virtual.Config{Array: a, Scene: board, Pace: facetdv1.Pace_PACE_FREE, Seed: 1})
		if err != nil {
			t.Fatal(err)
		}
		defer b.Close()
		res, err := bustest.Run(t.Context(), b, 0, &bus.Segment{Job: &bus.Job{Chips: a.All(), Segments: 1,
			Deadline: bus.Time(time.Hour)}, Program: &bus.Program{Ops: p.Initialization.Ops}})
		if err != nil {
			t.Fatal(err)
		}
		seg := *p.Table().Entries[0].Segment
		if nominal { // looks at the lane before it has settled
			for i := range seg.Ops {
				if s := seg.Ops[i].Scan; s != nil {
					s.Settle, s.Levels = a.LaneSettle(0), true
				}
			}
		}
		job := *seg.Job
		job.Release, job.Deadline = res.End, res.End.Add(time.Second)
		seg.Job = &job
		if res, err = bustest.Run(t.Context(), b, res.End, &seg); err != nil {
			t.Fatal(err)
		}
		return res.Captures[0].Codes
	}
	worst := func(x, y []uint16) int {
		d := 0
		for i := range x {
			d = max(d, int(x[i])-int(y[i]), int(y[i])-int(x[i]))
		}
		return d
	}
	settled, low, early := read(120, false), read(70, false), read(70, true)
	spread := int(slices.Max(settled)) - int(slices.Min(settled))
	t.Logf("the board has %d steps; at low bias %d off, %d without the longer time", spread, worst(settled, low),
		worst(settled, early))
	if spread < 300 || worst(settled, low) > 1 || worst(settled, early) < 5 {
		t.Errorf("spread %d, %d off, %d off when early", spread, worst(settled, low), worst(settled, early))
	}
}
