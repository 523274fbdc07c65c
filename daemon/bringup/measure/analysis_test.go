package measure

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/chiptest"
	"facetd.example/daemon/fit"
)

// checks are published and derived values; testdata says which and from where.
type checks struct {
	Settling []struct {
		Bits   int
		AN1024 *float64 `json:"an_1024_one_step"`
		Half   float64  `json:"half_step"`
	}
	Droop []struct {
		Cell float64 `json:"cell_f"`
		Leak float64 `json:"leak_a"`
		Half float64 `json:"half_step_10bit_1v_s"`
	}
}

func readChecks(t *testing.T) (c checks) {
	t.Helper()
	data, err := os.ReadFile("testdata/checks.json")
	if err == nil {
		err = json.Unmarshal(data, &c)
	}
	if err != nil || len(c.Settling) == 0 || len(c.Droop) == 0 {
		t.Fatal(err)
	}
	return c
}

// TestSettlingIsAsPublished: exponentials of a known time constant, sampled in whole
// codes with noise, give that constant, and the number of time constants to half a step
// that the tables say (AN-1024 gives one step: a half step takes ln 2 more).
func TestSettlingIsAsPublished(t *testing.T) {
	for _, row := range readChecks(t).Settling {
		const tau = 400.0
		rng := rand.New(rand.NewPCG(uint64(row.Bits), 1))
		missing := make([]Missing, sweepDelays)
		for k := range missing {
			d := time.Duration(300 * (k + 1))
			missing[k].Delay = d
			for range 400 {
				step := math.Exp2(float64(row.Bits)) * (rng.Float64() - 0.5)
				missing[k].add(step, math.Round(step*math.Exp(-float64(d)/tau)+0.3*rng.NormFloat64()))
			}
			missing[k].settle()
		}
		s, ok := FitSettling(missing, row.Bits)
		if !ok || math.Abs(float64(s.Tau)/tau-1) > 0.05 || math.Abs(float64(s.Settle)/tau/row.Half-1) > 0.05 {
			t.Errorf("%d bits: %+v, want tau %g and %.3f of them", row.Bits, s, tau, row.Half)
		}
		if one := float64(s.Settle)/tau - math.Ln2; row.AN1024 != nil && math.Abs(one / *row.AN1024 - 1) > 0.05 {
			t.Errorf("%d bits: one step takes %.3f time constants, AN-1024 says %.2f", row.Bits, one, *row.AN1024)
		}
	}
	// A dead time before the lane moves is added.
	var late []Missing
	for k := range 12 {
		m := Missing{Delay: time.Duration(600 + 200*k)}
		m.Part, m.Sigma = math.Exp(-(float64(m.Delay)-500)/400), 1e-4
		late = append(late, m)
	}
	if s, ok := FitSettling(late, 10); !ok || math.Abs(float64(s.Settle)-(500+400*11*math.Ln2)) > 10 {
		t.Errorf("with a dead time: %+v", s)
	}
	for name, m := range map[string][]Missing{
		"nothing": nil, "only noise": {{Delay: 1, Part: 0.01, Sigma: 0.01}, {Delay: 2, Part: 0.02, Sigma: 0.01},
			{Delay: 3, Part: 0, Sigma: 0.01}},
		"rising": {{Delay: 1, Part: 0.1, Sigma: 1e-3}, {Delay: 2, Part: 0.2, Sigma: 1e-3},
			{Delay: 3, Part: 0.3, Sigma: 1e-3}},
	} {
		if s, ok := FitSettling(m, 10); ok {
			t.Errorf("%s: %+v", name, s)
		}
	}
}

// TestDroopIsAsDerived: hold times to half a step of a 10-bit converter of 1 V.
func TestDroopIsAsDerived(t *testing.T) {
	for _, row := range readChecks(t).Droop {
		msg := bustest.Message()
		msg.Lanes[0].Converter.HighVolts = msg.Lanes[0].Converter.LowVolts + 1
		msg.Classes[0].GetMemory().CellCapacitanceFf = row.Cell * 1e15
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		rng := rand.New(rand.NewPCG(1, 2))
		offsets := make([]float64, 400)
		for i := range offsets {
			offsets[i] = 400 + 100*rng.Float64()
		}
		var captures []bus.Capture
		for k := range 8 {
			at := float64(k) * 20 * row.Half / 7 // ten codes
			c := bus.Capture{FirstSample: bus.Time(at * 1e9), Codes: make([]uint16, len(offsets))}
			for i, o := range offsets {
				c.Codes[i] = uint16(o - at*row.Leak/row.Cell*1024)
			}
			captures = append(captures, c)
		}
		d, ok := FitDroop(a, bustest.M0, captures)
		if !ok || math.Abs(d.HalfStep.Seconds()/row.Half-1) > 0.02 || math.Abs(d.LeakFA*1e-15/row.Leak-1) > 0.02 ||
			math.Abs(d.OneStep.Seconds()/d.HalfStep.Seconds()-2) > 1e-3 {
			t.Errorf("%g F, %g A: %v, leak %g fA, want %g s", row.Cell, row.Leak, d.HalfStep, d.LeakFA, row.Half)
		}
	}
	a := bustest.MustArray()
	rails := []bus.Capture{{Codes: []uint16{0}}, {Codes: []uint16{0}, FirstSample: 1},
		{Codes: []uint16{0}, FirstSample: 2}}
	if _, ok := FitDroop(a, bustest.M0, rails); ok {
		t.Error("pixels at a rail gave a droop")
	}
}

// TestDroopBehindAnAmplifier: droop and leakage are those of the cells, whatever the
// amplifier behind them makes of them, while hold times count the steps of the converter.
func TestDroopBehindAnAmplifier(t *testing.T) {
	const cell, fall, stepsPerVolt = 100.0, 0.2, 1024 / 2.0 // fF, V/s, of 10 bits over 2 V
	for _, gain := range []float64{1, 2, -4} {
		msg := bustest.Message()
		msg.Classes[0].GetMemory().CellCapacitanceFf = cell
		msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: []float64{gain}, MidVolts: proto.Float64(1.5),
			OffsetStepVolts: proto.Float64(0), HighVolts: 3}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		var captures []bus.Capture
		for k := range 9 {
			seconds := float64(k) * 0.05
			c := bus.Capture{FirstSample: bus.Time(seconds * 1e9)}
			for i := range 64 {
				c.Codes = append(c.Codes, uint16(512.5+float64(i)/64-gain*fall*seconds*stepsPerVolt))
			}
			captures = append(captures, c)
		}
		d, ok := FitDroop(a, bustest.M0, captures)
		if half := 0.5 / (math.Abs(gain) * fall * stepsPerVolt); !ok || math.Abs(d.VoltsPerSecond/fall-1) > 0.02 ||
			math.Abs(d.LeakFA/(fall*cell)-1) > 0.02 || math.Abs(d.HalfStep.Seconds()/half-1) > 0.02 {
			t.Errorf("gain %g: %g V/s, %g fA, half a step in %v; want %g V/s, %g fA, %g s", gain, d.VoltsPerSecond,
				d.LeakFA, d.HalfStep, fall, fall*cell, half)
		}
	}
}

// TestDoubling against the closed form of the rule that leakage doubles in a fixed
// interval (common practice, no source): 15 K at 10 K a doubling are 2^1.5.
func TestDoubling(t *testing.T) {
	rate := func(v, sigma float64) Droop { return Droop{VoltsPerSecond: v, Sigma: sigma} }
	// One percent of either rate moves the ratio's logarithm, 1.5 ln 2, by 0.01 each.
	if got, sigma := DoublingKelvin(rate(1, 0.01), rate(math.Exp2(1.5), 0.01*math.Exp2(1.5)),
		15); math.Abs(got-10) > 1e-9 || math.Abs(sigma-10*0.01*math.Sqrt2/(1.5*math.Ln2)) > 1e-9 {
		t.Errorf("%g K", got)
	}
	for _, c := range [][2]float64{{0, 1}, {1, 1}, {2, 1}, {-1, 2}} {
		if got, _ := DoublingKelvin(rate(c[0], 0), rate(c[1], 0), 15); got != 0 {
			t.Errorf("from %g to %g: %g K", c[0], c[1], got)
		}
	}
}

// TestShiftOfWindows: any shift up to the limit is found by a chip's own pattern.
func TestShiftOfWindows(t *testing.T) {
	class := &chipmodel.Class{Rows: 12, Columns: 20}
	rng := rand.New(rand.NewPCG(3, 4))
	frame := make([]uint16, 240)
	for i := range frame {
		frame[i] = uint16(500 + 8*rng.NormFloat64())
	}
	w := chipmodel.Window{Row: 6, Column: 3, Rows: 2, Columns: 17, RowStep: 1, ColumnStep: 1}
	for shift := -maxShift; shift <= maxShift; shift++ {
		var part []uint16
		for r := range w.Rows {
			for c := range w.Columns {
				part = append(part, uint16(float64(frame[(w.Row+r)*20+w.Column+c+shift])+rng.NormFloat64()))
			}
		}
		if got, sure := Shift(class, frame, w, part); got != shift || sure < sureEnough(len(part)) {
			t.Errorf("shift %d: found %d, sure by %.2f", shift, got, sure)
		}
	}
	flat := make([]uint16, 240)
	if _, sure := Shift(class, flat, w, flat[:34]); sure >= sureEnough(34) {
		t.Errorf("a flat frame: sure by %.2f", sure)
	}
}

// TestShiftOfPixelsAlike: pixels that differ by noise alone are not taken for shifted ones,
// however few they are.
func TestShiftOfPixelsAlike(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	for _, size := range [][2]int{{1, 1}, {1, 5}, {5, 1}, {1, 8}, {2, 6}, {1, 13}, {3, 8}, {8, 9}, {24, 32}} {
		class := &chipmodel.Class{Rows: size[0], Columns: size[1]}
		const draws = 2000
		wrong := 0
		for range draws {
			frame, part := make([]uint16, size[0]*size[1]), make([]uint16, size[0]*size[1])
			for i := range frame {
				frame[i], part[i] = uint16(500.5+rng.NormFloat64()), uint16(500.5+rng.NormFloat64())
			}
			if shift, sure := Shift(class, frame, Whole(class), part); shift != 0 && sure >= sureEnough(len(part)) {
				wrong++
			}
		}
		if wrong > draws/1000 {
			t.Errorf("%d x %d pixels: %d of %d draws are taken for shifted", size[0], size[1], wrong, draws)
		}
	}
}

// TestSlipsOfRows: stripes, even slanted ones, tell the row where clocks are lost.
func TestSlipsOfRows(t *testing.T) {
	class := &chipmodel.Class{Rows: 24, Columns: 40}
	frames := func(slant float64, slip, at int, perRow int) (striped, even []uint16) {
		rng := rand.New(rand.NewPCG(5, uint64(at)))
		pattern := make([]float64, 24*40)
		for i := range pattern {
			pattern[i] = 8 * rng.NormFloat64()
		}
		for i := range pattern {
			shown := i
			if slip != 0 && i >= at {
				shown = (i + slip + len(pattern)) % len(pattern)
			}
			shown = min(max(shown+perRow*(i/40), 0), len(pattern)-1)
			r, c := shown/40, shown%40
			level := 500 + 200*math.Sin(2*math.Pi*(float64(c)-slant*float64(r))/12)
			striped = append(striped, uint16(level+pattern[shown]+rng.NormFloat64()))
			even = append(even, uint16(500+pattern[shown]+rng.NormFloat64()))
		}
		return striped, even
	}
	for _, slant := range []float64{0, 0.3, -0.4} {
		for _, at := range []int{170, 420, 599, 700} {
			for _, slip := range []int{0, -1, 1, -2} {
				striped, even := frames(slant, slip, at, 0)
				slips, sharp := Slips(class, striped, even)
				switch {
				case sharp > 0.2:
					t.Errorf("slant %g: sharp to %.2f", slant, sharp)
				case slip == 0 && len(slips) != 0:
					t.Errorf("slant %g: found %+v in a good frame", slant, slips)
				case slip != 0 && (len(slips) != 1 || math.Abs(slips[0].Pixels+float64(slip)) > 0.45 ||
					math.Abs(float64(slips[0].Row-at/40)) > 1):
					t.Errorf("slant %g, slip %d in row %d: found %+v", slant, slip, at/40, slips)
				}
			}
		}
	}
	striped, even := frames(0, 0, 0, 1)
	if slips, _ := Slips(class, striped, even); len(slips) == 0 || !slips[0].Every {
		t.Errorf("a clock too many in every row: %+v", slips)
	}
}

// TestSlipsOfNarrowRows: rows of a few pixels cannot tell where stripes stand, so that there
// is no verdict on them.
func TestSlipsOfNarrowRows(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for columns := 1; columns < 9; columns++ {
		class := &chipmodel.Class{Rows: 24, Columns: columns}
		var striped, even []uint16
		for i := range 24 * columns {
			striped = append(striped, uint16(500+200*math.Sin(2*math.Pi*float64(i%columns)/10)+rng.NormFloat64()))
			even = append(even, uint16(500+rng.NormFloat64()))
		}
		if slips, sharp := Slips(class, striped, even); len(slips) > 0 || sharp <= 0.3 {
			t.Errorf("%d columns: slips %+v, places told within %g pixels", columns, slips, sharp)
		}
	}
}

// TestDelaysOfSines: delays put into sampled sines with their second harmonic come out.
func TestDelaysOfSines(t *testing.T) {
	a := bustest.MustArray()
	chips := []int{bustest.M0, bustest.M1, bustest.M2}
	want := []float64{0, 150e-6, -20e-6}
	rng := rand.New(rand.NewPCG(7, 8))
	times, levels := make([][]bus.Time, 3), make([][]float64, 3)
	for range 60 {
		at := rng.Int64N(3e9)
		for i, d := range want {
			p := 2 * math.Pi * 100 * (float64(at)*1e-9 + d)
			times[i] = append(times[i], bus.Time(at))
			levels[i] = append(levels[i], 500+40*math.Sin(p)+7*math.Cos(2*p+1)+0.1*rng.NormFloat64())
		}
	}
	found, err := Delays(a, chips, times, levels, 100)
	if err != nil {
		t.Fatal(err)
	}
	for i, d := range found {
		if got := d.Delay.Seconds(); math.Abs(got-want[i]) > 8e-6 || math.Abs(d.Amplitude-40) > 0.5 ||
			d.Sigma > 10*time.Microsecond {
			t.Errorf("chip %d: %v, want %g s (amplitude %.2f)", i, d.Delay, want[i], d.Amplitude)
		}
	}
}

// TestDelaysNeedPhases: loads at the lamp's own period, or close to it, met one phase of it.
// They tell no delay, and never one with a small uncertainty.
func TestDelaysNeedPhases(t *testing.T) {
	chips := []int{bustest.M0, bustest.M1, bustest.M2}
	rng := rand.New(rand.NewPCG(1, 2))
	for _, jitter := range []int64{1, 2, 1000, 100_000} {
		times, levels := make([][]bus.Time, 3), make([][]float64, 3)
		for k := range int64(40) {
			at := k*10_000_000 + rng.Int64N(jitter)
			for i, late := range []float64{0, 1e-3, 4e-3} {
				times[i] = append(times[i], bus.Time(at))
				levels[i] = append(levels[i], math.Round(500+40*math.Sin(2*math.Pi*100*(float64(at)*1e-9+late))))
			}
		}
		var few *fit.ConditionError
		if d, err := Delays(bustest.MustArray(), chips, times, levels, 100); !errors.As(err, &few) {
			t.Errorf("loads within %d ns of one phase give %+v, %v", jitter, d, err)
		}
	}
}

// TestDeadPixels counts those that do not answer.
func TestDeadPixels(t *testing.T) {
	dark, lit := make([]uint16, 100), make([]uint16, 100)
	for i := range dark {
		dark[i], lit[i] = 500, 300
	}
	lit[3], lit[70], lit[71] = 500, 480, 900
	if dead, median := Dead(dark, lit); dead != 3 || median != -200 {
		t.Errorf("%d dead, median answer %g", dead, median)
	}
	// The limit is that of a calibration: a fifth of the median, which is not yet dead.
	lit[3], lit[70], lit[71] = 500-200*fit.DeadBelow, 500-200*fit.DeadBelow+1, 300
	if dead, _ := Dead(dark, lit); dead != 1 {
		t.Errorf("%d dead about the limit", dead)
	}
	// Half of a chip is dead, whether codes rise or fall with light.
	for _, by := range []int{-200, 200} {
		for i := range dark {
			lit[i] = uint16(500 + by*(i%2))
		}
		if dead, median := Dead(dark, lit); dead != 50 || median != float64(by)/2 {
			t.Errorf("light changes every second pixel by %d: %d dead, median answer %g", by, dead, median)
		}
	}
}

// TestAnswerTooSmallToJudge: a chip whose described answer to the light is lost in the steps of
// its converter, or which clips in the dark and in light, is not failed for not answering.
func TestAnswerTooSmallToJudge(t *testing.T) {
	for name, change := range map[string]func(*facetdv1.ChipClass){
		"short exposure": func(c *facetdv1.ChipClass) {
			c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
				Exposure: durationpb.New(10 * time.Microsecond), ElectronsPerLuxS: 8e3, ResetVolts: 2}}
		},
		"clipped": func(c *facetdv1.ChipClass) {
			c.Amplifier = &facetdv1.Amplifier{Gains: []float64{100}, MidVolts: proto.Float64(0),
				OffsetStepVolts: proto.Float64(0), LowVolts: 1, HighVolts: 2}
		},
		"": func(*facetdv1.ChipClass) {},
	} {
		msg := bustest.Message()
		change(msg.Classes[0])
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		r := NewReport(a, facetdv1.BringupStep_BRINGUP_STEP_FLAT, 0)
		codes := []uint16{500, 501, 499, 500}
		JudgeLit(r, bustest.M0, codes, codes, 200, true)
		r.Conclude("fine")
		if want := name == ""; (r.Verdict == fail) != want {
			t.Errorf("%q: %v, %s", name, r.Verdict, r.Summary)
		}
	}
}

// TestProgramsViolateNoRule and leave no output enabled, for every chip and program.
func TestProgramsViolateNoRule(t *testing.T) {
	a := bustest.MustArray()
	p := NewPrograms(a)
	programs := map[string][]bus.Op{}
	for c := range a.Chips {
		class := a.Chips[c].Class
		frame := make([]uint16, class.Rows*class.Columns)
		programs[a.Chips[c].Name+" frame"] = p.Frame(c, Whole(class), 2, time.Millisecond)
		for i, ops := range p.Sweep(NewSweep(a, c, frame, 500*time.Nanosecond)) {
			programs[fmt.Sprintf("%s sweep %d", a.Chips[c].Name, i)] = ops
		}
		if class.HasMemory() {
			programs[a.Chips[c].Name+" hold"] = p.Hold(c, Spread(class, 8), 3, time.Millisecond)
		}
		if class.HasRegister(chipmodel.Gain) {
			programs["trim"] = p.Trimmed(c, Trim{Gain: 1, Offset: -5, PixelBias: 9}, Whole(class))
		}
	}
	programs["together"] = p.Together([]int{bustest.M0, bustest.M1, bustest.M2}, 4)
	for lane := range a.Lanes {
		ops, ok := p.Idle(lane, 0, 16)
		if !ok {
			t.Fatal("no chips on a lane")
		}
		programs["idle "+a.Lanes[lane].Name] = ops
	}
	judgePrograms(t, a, programs)
	// The same sweep as a frame violates rule 4: it is the sampling of levels that may be early.
	ops := slices.Concat(p.Sweep(NewSweep(a, bustest.M0, make([]uint16, 24), 500*time.Nanosecond))...)
	early := 0
	for i := range ops {
		if s := ops[i].Scan; s != nil && s.Settle < a.LaneSettle(s.Chips[0]) {
			early++
			if !s.Levels {
				t.Error("an early sample that claims a frame")
			}
		}
	}
	if early == 0 {
		t.Error("the sweep never samples early")
	}
}

// TestProgramsOfEveryCombinationOfParts: nor do those of chips of any make, and a counter
// that is read again was reset before.
func TestProgramsOfEveryCombinationOfParts(t *testing.T) {
	for n := range chiptest.Combinations {
		msg := bustest.Message()
		class := chiptest.Class(n)
		msg.Classes, msg.Groups = []*facetdv1.ChipClass{class}, nil
		for _, c := range msg.Chips {
			c.Class = class.GetName()
		}
		a, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		p, of := NewPrograms(a), a.Classes[0]
		programs := map[string][]bus.Op{
			"frame": p.Frame(0, Whole(of), 2, time.Millisecond),
			"trim":  p.Trimmed(0, TrimGrid(a, 0)[0], Whole(of)),
		}
		for i, ops := range p.Sweep(NewSweep(a, 0, make([]uint16, of.Rows*of.Columns), 500*time.Nanosecond)) {
			programs[fmt.Sprintf("sweep %d", i)] = ops
		}
		if of.HasMemory() {
			programs["hold"], programs["together"] = p.Hold(0, Spread(of, 8), 3, time.Millisecond),
				p.Together([]int{0, 1, 2}, 4)
		}
		judgePrograms(t, a, programs)
		for name, ops := range programs {
			loads, ready := 0, false
			for i := range ops {
				switch op := &ops[i]; {
				case op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Load:
					loads++
				case op.Kind == bus.OpStrobe && op.Strobe == chipmodel.Reset:
					ready = true
				case op.Kind == bus.OpWrite && !of.HasRegister(op.Register):
					t.Errorf("%s of %s writes %v", name, of.Parts(), op.Register)
				case op.Scan != nil && of.Counts() && !ready:
					t.Errorf("%s of %s reads a counter that was not reset", name, of.Parts())
				case op.Scan != nil:
					ready = false
				}
			}
			if (loads > 0) != of.HasMemory() {
				t.Errorf("%s of %s loads %d times", name, of.Parts(), loads)
			}
		}
		if t.Failed() {
			t.Fatalf("combination %d", n)
		}
	}
}

// judgePrograms judges programs, each by itself.
func judgePrograms(t *testing.T, a *chipmodel.Array, programs map[string][]bus.Op) {
	t.Helper()
	for name, ops := range programs {
		if err := bus.CheckOps(a, ops); err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		in := rules.NewInspector(a)
		in.BeginSegment(&bus.Segment{Job: &bus.Job{Chips: a.All(), Segments: 1, Deadline: 1 << 60},
			Program: &bus.Program{Ops: ops}}, 0, 0)
		at, enabled := int64(0), map[int]bool{}
		for i := range ops {
			op := &ops[i]
			end := at + int64(bus.Cost(a, op).Total())
			var caps []bus.Capture
			if s := op.Scan; s != nil {
				timing := s.Timing(a)
				caps = []bus.Capture{{Chip: s.Chips[0], Frame: s.Frames[0], Window: s.Window,
					FirstSample: bus.Time(at + int64(timing.First)),
					RowInterval: timing.RowInterval, PixelInterval: timing.PixelInterval,
					Converted: bus.Time(at + int64(timing.Duration))}}
			}
			if op.Kind == bus.OpWrite && op.Register == chipmodel.OutputEnable {
				for _, c := range op.Target {
					enabled[c] = op.Value == 1
				}
			}
			in.Op(op, bus.Time(at), bus.Time(end), caps)
			at = end
		}
		in.EndSegment(bus.Time(at))
		if v := in.Take(); len(v) > 0 {
			t.Errorf("%s: %v", name, v)
		}
		for c, on := range enabled {
			if on {
				t.Errorf("%s leaves the output of %s enabled", name, a.Chips[c].Name)
			}
		}
		if last := ops[len(ops)-1]; last.Kind != bus.OpSelect || last.Word != 0 {
			t.Errorf("%s ends with lines active", name)
		}
	}
}

// TestPictures: charts are well-formed XML whatever the numbers and names, sheets PNGs.
func TestPictures(t *testing.T) {
	mark := 0.5
	for _, c := range []Chart{
		{Title: `a <b> & "c"`, Series: []Series{{Name: "<x>", X: []float64{1, 2, math.NaN()},
			Y: []float64{1e-9, math.Inf(1), 3}}}, LogY: true, MarkY: &mark, MarkX: &mark},
		{Title: "empty"},
		{Title: "one point", Series: []Series{{X: []float64{0}, Y: []float64{0}, Dots: true}}},
		{Title: "nothing above zero", LogY: true, Series: []Series{{X: []float64{1}, Y: []float64{-1}}}},
	} {
		d := xml.NewDecoder(bytes.NewReader(c.SVG()))
		for {
			if _, err := d.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatalf("%s: %v\n%s", c.Title, err, c.SVG())
			}
		}
		if bytes.Contains(c.SVG(), []byte("NaN")) || bytes.Contains(c.SVG(), []byte("Inf")) {
			t.Errorf("%s has numbers that are none:\n%s", c.Title, c.SVG())
		}
	}
	data, err := Sheet([]Tile{{Rows: 2, Columns: 3, Codes: []uint16{1, 2, 3, 4, 5, 60000}}, {},
		{Rows: 1, Columns: 1, Codes: []uint16{7}}})
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil || img.Bounds().Dx() < 3*32 {
		t.Errorf("%v, %v", img.Bounds(), err)
	}
}
