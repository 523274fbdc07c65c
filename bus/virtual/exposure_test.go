package virtual

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

// exposures is a program that exposes two memory chips, loads and reads them, with an exposure that moves.
func exposures(a *chipmodel.Array) *bus.Program {
	slots := []bus.Slot{{Name: "exposure", Low: 1000, High: 1_000_000, Default: 100_000, Step: int(a.Grain())}}
	both := []int{M0, M1}
	w := bus.NewBuilder(a, slots...)
	w.Select(F | X0 | X1)
	w.Do(bus.Expose(100*time.Microsecond, 1), both)
	w.Do(bus.Strobe(chipmodel.Load), both)
	w.Do(bus.Write(chipmodel.OutputEnable, 1), both)
	w.Read(bus.Scan{Chips: both, Frames: []int{0, 1}, Window: chipmodel.Window{Rows: 4, Columns: 6, RowStep: 1,
		ColumnStep: 1}, Claim: bus.Claim{Exposure: 100 * time.Microsecond, ExposureSlot: 1}})
	w.Do(bus.Write(chipmodel.OutputEnable, 0), both)
	return &bus.Program{Ops: w.Take(), Slots: slots}
}

// TestExposuresOnTheBus: with random exposures from run to run, every run takes the same time, light is that of the
// load's start, no rule is broken, and what the converters read falls from the reset level by the charge that the
// exposure gathers, within five sigma of its shot noise, the read noise and a step of the converter.
func TestExposuresOnTheBus(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	for _, grain := range []time.Duration{1, 250} {
		a, err := MustLinearArray().OnGrain(grain)
		if err != nil {
			t.Fatal(err)
		}
		b, err := New(Config{Array: a, Scene: scene.Uniform(100), Pace: free, Seed: seed})
		if err != nil {
			t.Fatal(err)
		}
		p := exposures(a)
		at := bus.Time(10 * time.Millisecond)
		for n := range uint64(60) {
			exposure := int(p.Slots[0].Up(int64(1000 + rng.IntN(1_000_000-1000))))
			j := &bus.Job{Task: "t", Number: n, Deadline: bus.Time(time.Hour), Segments: 1, Chips: []int{M0, M1}}
			res, err := Run(t.Context(), b, at, &bus.Segment{Job: j, Program: p, Values: []int{exposure}})
			if err != nil {
				t.Fatal(exposure, err)
			}
			if d := res.End.Sub(res.Start); d != bus.CostOf(a, p.Ops).Total() {
				t.Errorf("with %d ns the run takes %v", exposure, d)
			}
			for i := range res.Captures {
				c := &res.Captures[i]
				if light := at.Add(a.SelectTime() + a.Up(time.Millisecond)); c.Light != light {
					t.Errorf("with %d ns the light is of %d, want %d", exposure, c.Light, light)
				}
				lane := &a.Lanes[a.Chips[c.Chip].Lane]
				var sum float64
				for _, code := range c.Codes {
					sum += lane.CodeZeroVolts() + float64(code)*lane.StepVolts()
				}
				pixels := float64(len(c.Codes))
				electrons := 8e5 * 100 * float64(exposure) * 1e-9
				sigma := 15e-6*math.Sqrt((electrons+100)/pixels) + lane.StepVolts()
				if mean, want := sum/pixels, 2.4-15e-6*electrons; math.Abs(mean-want) > 5*sigma {
					t.Errorf("grain %v: after %d ns chip %d shows %.4f V, want %.4f within %.4f", grain, exposure,
						c.Chip, mean, want, 5*sigma)
				}
			}
			b.Inspector().JobEnded(j, bus.Outcome{Kind: bus.OnTime})
			at = res.End
		}
		if v := b.Inspector().Violations(); len(v) > 0 {
			t.Error(v)
		}
	}
}

// TestAnExposureEndsWithItsSelect: a load under another select shows the exposure of the class, as chips time it.
func TestAnExposureEndsWithItsSelect(t *testing.T) {
	a := MustLinearArray()
	b, err := New(Config{Array: a, Scene: scene.Uniform(100), Pace: free, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	read := func(n uint64, at bus.Time, between ...bus.Op) (mean float64, end bus.Time) {
		claim := bus.Claim{Exposure: 900 * time.Microsecond}
		if between != nil {
			claim.Exposure = 0
		}
		ops := append([]bus.Op{Select(F | X0), Strobe(1, chipmodel.Expose, 900*time.Microsecond, M0)}, between...)
		ops = append(ops, Strobe(2, chipmodel.Load, 0, M0), Write(3, chipmodel.OutputEnable, 1, M0),
			Scan(a, M0, 0, claim), Write(4, chipmodel.OutputEnable, 0, M0))
		res, err := Run(t.Context(), b, at, segment("t", n, ops...))
		if err != nil {
			t.Fatal(err)
		}
		for _, code := range res.Captures[0].Codes {
			mean += float64(code) * a.Lanes[0].StepVolts() / float64(len(res.Captures[0].Codes))
		}
		return mean + a.Lanes[0].CodeZeroVolts(), res.End
	}
	long, at := read(0, bus.Time(time.Millisecond))
	own, _ := read(1, at, Select(F|X0))
	// 72,000 and 8,000 electrons of 15 uV.
	if math.Abs(long-1.32) > 0.01 || math.Abs(own-2.28) > 0.01 {
		t.Errorf("by the bus %.3f V, by themselves %.3f V", long, own)
	}
}

// TestOneExposureIsForOneLoad: what follows is the class's own again, and a chip that loads late is exposed for longer.
func TestOneExposureIsForOneLoad(t *testing.T) {
	const us = time.Microsecond
	a := MustLinearArray()
	for name, c := range map[string]struct {
		delay time.Duration
		loads []bus.Op
		claim time.Duration
		want  float64 // microseconds
	}{
		"the load":           {0, []bus.Op{Strobe(2, chipmodel.Load, 0, M0)}, 500 * us, 500},
		"the load, delayed":  {200 * us, []bus.Op{Strobe(2, chipmodel.Load, 0, M0)}, 500 * us, 700},
		"the load after it":  {0, []bus.Op{Strobe(2, chipmodel.Load, 0, M0), Strobe(3, chipmodel.Load, 0, M0)}, 0, 100},
		"a load with a hold": {0, []bus.Op{Select(F | X0), Strobe(2, chipmodel.Load, 700*us, M0)}, 0, 100},
		"a load of its own":  {200 * us, []bus.Op{Select(F | X0), Strobe(2, chipmodel.Load, 0, M0)}, 0, 100},
		"a wait, and a load": {0, []bus.Op{bus.WaitOp(50 * us), Strobe(2, chipmodel.Load, 0, M0)}, 550 * us, 550},
		"another chip's load": {0, []bus.Op{Select(F | X2), Strobe(2, chipmodel.Load, 0, M2), Select(F | X0),
			Strobe(3, chipmodel.Load, 0, M0)}, 0, 100},
	} {
		b, err := New(Config{Array: a, Scene: scene.Uniform(100), Pace: free, Seed: 1,
			GroundTruth: &groundtruth.Set{Chips: map[int]groundtruth.Chip{M0: {LoadDelay: c.delay}}}})
		if err != nil {
			t.Fatal(err)
		}
		ops := append([]bus.Op{Select(F | X0), Strobe(1, chipmodel.Expose, 500*us, M0)}, c.loads...)
		ops = append(ops, Write(4, chipmodel.OutputEnable, 1, M0), Scan(a, M0, 0, bus.Claim{Exposure: c.claim}),
			Write(5, chipmodel.OutputEnable, 0, M0))
		res, err := Run(t.Context(), b, bus.Time(time.Millisecond), segment("t", 0, ops...))
		if err != nil {
			t.Fatal(name, err)
		}
		var mean float64
		for _, code := range res.Captures[0].Codes {
			mean += float64(code) / float64(len(res.Captures[0].Codes))
		}
		// 80 electrons a microsecond, each of 15 uV below 2.4 V.
		got := (2.4 - a.Lanes[0].CodeZeroVolts() - mean*a.Lanes[0].StepVolts()) / (80 * 15e-6)
		if math.Abs(got-c.want) > 5 {
			t.Errorf("%s: exposed for %.1f us, want %.1f", name, got, c.want)
		}
	}
}
