package virtual

import (
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

func trueBus(t *testing.T, groundTruth *groundtruth.Set) *Bus {
	t.Helper()
	s, err := scene.Grating(scene.GratingOptions{MeanLux: 100, Contrast: 0.9, CyclesPerPixel: 0.25})
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(Config{Array: MustArray(), Scene: s, Pace: free, Seed: 3, GroundTruth: groundTruth})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func run(t *testing.T, b *Bus, ops ...bus.Op) []bus.Capture {
	t.Helper()
	// Bus time numbers the jobs: it only rises.
	res, err := Run(t.Context(), b, b.Now(), segment("", uint64(b.Now()), ops...))
	if err != nil {
		t.Fatal(err)
	}
	return res.Captures
}

// TestNoGroundTruthIsAsDescribed: an empty ground truth changes nothing.
func TestNoGroundTruthIsAsDescribed(t *testing.T) {
	plain, withGroundTruth := trueBus(t, nil), trueBus(t, &groundtruth.Set{})
	x, y := run(t, plain, readOne(plain.array, C0, G|X0)...),
		run(t, withGroundTruth, readOne(withGroundTruth.array, C0, G|X0)...)
	if !slices.Equal(x[0].Codes, y[0].Codes) {
		t.Errorf("%v and %v", x[0].Codes, y[0].Codes)
	}
}

// TestCounterSlips: from the pulse on, a counter chip that lost a clock shows the pixel
// before, one that counted an extra one the pixel after; where only passed pulses are
// lost a whole frame is right.
func TestCounterSlips(t *testing.T) {
	quiet := func(slip, at int, passed bool) []uint16 {
		b := trueBus(t, &groundtruth.Set{Chips: map[int]groundtruth.Chip{C0: {Slip: slip, SlipAt: at,
			PassedOnly: passed}}})
		return run(t, b, readOne(b.array, C0, G|X0)...)[0].Codes
	}
	near := func(x, y uint16) bool { return math.Abs(float64(x)-float64(y)) < 12 } // noise
	right := quiet(0, 0, false)
	for _, slip := range []int{-1, 1} {
		got, passed := quiet(slip, 7, false), quiet(slip, 7, true)
		for i := range got {
			want := right[i]
			if i >= 6 {
				want = right[(i+slip+len(right))%len(right)]
			}
			if !near(got[i], want) || !near(passed[i], right[i]) {
				t.Errorf("slip %d, pixel %d: %d, want %d; %d where only passed pulses slip, want %d", slip, i, got[i],
					want, passed[i], right[i])
			}
		}
	}
}

// TestTrueSettling: a readout of levels that comes early lacks exp(-t/tau) of the step, tau
// being the true one: (bits + 1) ln 2 of them are the true settling time.
func TestTrueSettling(t *testing.T) {
	msg := Message()
	msg.Classes[0].Readout.Settle = durationpb.New(2100 * time.Nanosecond) // described as 700 ns
	real, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	b := trueBus(t, &groundtruth.Set{Array: real})
	point := func(column int, settle time.Duration) bus.Op {
		return bus.Op{Kind: bus.OpScan, Scan: &bus.Scan{Levels: true, Chips: []int{M0}, Frames: []int{0},
			Settle: settle,
			Window: chipmodel.Window{Column: column, Rows: 1, Columns: 1, RowStep: 1, ColumnStep: 1}}}
	}
	const long = 50 * time.Microsecond
	for _, d := range []time.Duration{100, 200, 400} {
		var missing, step float64
		for range 50 {
			caps := run(t, b, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0), Write(2, chipmodel.OutputEnable, 1, M0),
				point(0, long), point(2, d), point(2, long), Write(3, chipmodel.OutputEnable, 0, M0))
			end := float64(caps[2].Codes[0])
			missing += float64(caps[1].Codes[0]) - end
			step += float64(caps[0].Codes[0]) - end
		}
		want := math.Exp2(-11 * float64(d) / 2100)
		if got := missing / step; math.Abs(got-want) > 0.01 || math.Abs(step/50) < 20 {
			t.Errorf("%v after a step of %.0f codes %.3f are missing, want %.3f", d, step/50, got, want)
		}
	}
}

// TestFirstConversions: after a rest the first conversion is off, each next one by a
// quarter of that; without a rest none is.
func TestFirstConversions(t *testing.T) {
	b := trueBus(t, &groundtruth.Set{Lanes: map[int]groundtruth.Lane{0: {FirstVolts: 0.1, Rest: time.Millisecond}}})
	readout := bus.Op{Kind: bus.OpScan, Scan: &bus.Scan{Levels: true, Chips: []int{M0}, Frames: []int{0},
		Window: chipmodel.Window{Rows: 2, Columns: 6, RowStep: 1, ColumnStep: 1}}}
	for _, c := range []struct {
		rest time.Duration
		want []float64
	}{{2 * time.Millisecond, []float64{51.2, 12.8, 3.2}}, {20 * time.Microsecond, []float64{0, 0, 0}}} {
		caps := run(t, b, Select(0), bus.Op{Kind: bus.OpWait, Hold: c.rest, Phase: 1}, readout)
		base := float64(caps[0].Codes[11])
		for i, want := range c.want { // 0.1 V of 2 V are 51.2 of 1024 codes
			if got := float64(caps[0].Codes[i]) - base; math.Abs(got-want) > 1.5 {
				t.Errorf("after %v conversion %d is off by %g codes, want %g", c.rest, i, got, want)
			}
		}
	}
}

// TestLoadDelay: under light that rises steadily a chip that loads late shows more.
func TestLoadDelay(t *testing.T) {
	dark, bright := scene.Uniform(1), scene.Uniform(1000)
	step, err := scene.Step(dark, bright, 5_000_000)
	if err != nil {
		t.Fatal(err)
	}
	for delay, wantBright := range map[time.Duration]bool{0: false, 200 * time.Microsecond: true} {
		b, err := New(Config{Array: MustArray(), Scene: step, Pace: free,
			GroundTruth: &groundtruth.Set{Chips: map[int]groundtruth.Chip{M0: {LoadDelay: delay}}}})
		if err != nil {
			t.Fatal(err)
		}
		if err := b.WaitUntil(t.Context(), 4_900_000); err != nil {
			t.Fatal(err)
		}
		caps := run(t, b, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0), Write(2, chipmodel.OutputEnable, 1, M0),
			Scan(b.array, M0, 0, bus.Claim{}), Write(3, chipmodel.OutputEnable, 0, M0))
		// 1 V at 1 lux and 0.2 V a decade: codes 256 and about 563.
		if got := caps[0].Codes[12]; (got > 450) != wantBright {
			t.Errorf("delay %v: code %d", delay, got)
		}
	}
}

// TestGroundTruthMustFit: a ground truth of another array is refused before anything runs.
func TestGroundTruthMustFit(t *testing.T) {
	for want, change := range map[string]func(*chipmodel.Array){
		"lattice": func(a *chipmodel.Array) { c := *a.Chips[M0].Class; c.Rows++; a.Chips[M0].Class = &c },
		"wiring":  func(a *chipmodel.Array) { a.Chips[M0].Wires = 3 },
		"bits":    func(a *chipmodel.Array) { a.Lanes[1].Bits = 8 },
		"lanes":   func(a *chipmodel.Array) { a.Lanes = a.Lanes[:1] },
	} {
		real := MustArray()
		change(real)
		if _, err := New(Config{Array: MustArray(), Scene: scene.Uniform(1),
			GroundTruth: &groundtruth.Set{Array: real}}); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%s: %v", want, err)
		}
	}
}

// TestGroundTruthErrors: what a ground truth file has wrong is reported with its place.
func TestGroundTruthErrors(t *testing.T) {
	_, m := groundtruth.Of(MustArray(), &facetdv1.GroundTruth{
		Chips: []*facetdv1.ChipGroundTruth{{Chip: "nobody"}, {Chip: "m0", SettleFactor: proto.Float64(-1),
			LeakFactor: proto.Float64(0), LoadDelayNs: -1}},
		Lanes: []*facetdv1.LaneGroundTruth{{Lane: "z"}},
	})
	var paths []string
	for _, one := range m {
		paths = append(paths, one.Path)
	}
	if !slices.Equal(paths, []string{"chips[0].chip", "chips[1].settle_factor", "chips[1].leak_factor",
		"chips[1].load_delay_ns", "lanes[0].lane"}) {
		t.Errorf("%v", m)
	}
}
