package virtual

import (
	"math"
	"slices"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// ramp is light that tells which pixel it fell on and when: it grows by 1 lux a
// column, 10 lux a row, and 1000 lux a microsecond.
type ramp struct{}

func (ramp) Name() string { return "ramp" }

func (ramp) Row(dst []float64, _ *scene.View, row int, atNS bustime.Time) {
	for c := range dst {
		dst[c] = rampLux(row, c, atNS.NS())
	}
}

func rampLux(row, column int, atNS int64) float64 {
	return 1 + float64(column) + 10*float64(row) + float64(atNS)
}

// code is what the test array's pixel and an ideal converter make of light:
// 1 V + 0.2 V a decade, 0.5 to 2.5 V.
func code(lux float64, bits int) uint16 {
	volts := 1 + 0.2*math.Log10(0.01+lux)
	return uint16((volts - 0.5) / 2 * math.Exp2(float64(bits)))
}

func near(a, b uint16) bool { return a == b || a+1 == b || b+1 == a }

// Every pixel comes from where and when the window says: addressed chips and
// counter chips, with steps, in one piece and in two.
func TestWindowsAndTimes(t *testing.T) {
	b, err := newBus(Config{Array: MustArray(), Scene: ramp{}, Pace: free}, nominal)
	if err != nil {
		t.Fatal(err)
	}
	for n, c := range []struct {
		chip   int
		word   chipmodel.LineSet
		window chipmodel.Window
	}{
		{H0, H | X1, chipmodel.Window{Rows: 4, Columns: 4, RowStep: 1, ColumnStep: 1}},
		{H0, H | X1, chipmodel.Window{Row: 1, Column: 2, Rows: 2, Columns: 1, RowStep: 2, ColumnStep: 1}},
		{S0, H | X0, chipmodel.Window{Row: 3, Column: 1, Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 2}},
		{C0, G | X0, chipmodel.Window{Row: 1, Column: 1, Rows: 2, Columns: 2, RowStep: 1, ColumnStep: 3}},
		{T0, G | X1, chipmodel.Window{Row: 2, Column: 4, Rows: 1, Columns: 1, RowStep: 1, ColumnStep: 1}},
	} {
		ops := readOne(b.array, c.chip, c.word)
		scan := ops[len(ops)-2].Scan
		scan.Window, scan.FirstRow = c.window, 7
		res, err := Run(t.Context(), b, b.Now()+5000, segment("x", uint64(n), ops...))
		if err != nil {
			t.Fatal(err)
		}
		got := res.Captures[0]
		if got.FirstRow != 7 || got.Window != c.window || len(got.Codes) != c.window.Pixels() {
			t.Errorf("%d: %+v", n, got)
		}
		bits := b.array.Lanes[b.array.Chips[c.chip].Lane].Bits
		for i, have := range got.Codes {
			r, col := i/c.window.Columns, i%c.window.Columns
			// light of a row: at its first sample
			at := got.FirstSample.Add(time.Duration(int64(r) * int64(got.RowInterval)))
			want := code(rampLux(c.window.Row+r*c.window.RowStep, c.window.Column+col*c.window.ColumnStep, at.NS()),
				bits)
			if !near(have, want) {
				t.Errorf("%d, pixel %d: %d, want %d", n, i, have, want)
			}
		}
	}
}

// Memory keeps the light of the load, however late it is read and in whatever
// pieces, and a share joins pairs of columns.
func TestMemoryKeepsTheLightOfItsLoad(t *testing.T) {
	b, err := newBus(Config{Array: MustArray(), Scene: ramp{}, Pace: free}, nominal)
	if err != nil {
		t.Fatal(err)
	}
	const start = 100
	job := &bus.Job{Task: "m", Deadline: bus.Time(time.Hour), Segments: 2}
	claim := bus.Claim{Shares: []bus.Patterns{{Columns: 0x55}}}
	first, rest := Scan(b.array, M0, 0, claim), Scan(b.array, M0, 0, claim)
	whole := first.Scan.Window
	first.Scan.Window, rest.Scan.Window, rest.Scan.FirstRow = whole.Part(0, 1), whole.Part(1, 3), 1
	run := func(at bus.Time, index int, ops ...bus.Op) bus.Result {
		res, err := Run(t.Context(), b, at, &bus.Segment{Job: job, Index: index, Program: &bus.Program{Ops: ops}})
		if err != nil {
			t.Fatal(err)
		}
		return res
	}
	one := run(start, 0, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0), Write(2, chipmodel.ColumnPattern, 0x55, M0),
		Strobe(3, chipmodel.Share, 3000, M0), Write(4, chipmodel.OutputEnable, 1, M0), first,
		Write(5, chipmodel.OutputEnable, 0, M0))
	two := run(1e9, 1, Select(F|X0), Write(1, chipmodel.OutputEnable, 1, M0), rest,
		Write(2, chipmodel.OutputEnable, 0, M0))
	codes := slices.Concat(one.Captures[0].Codes, two.Captures[0].Codes)
	const light = start + 300
	for i, have := range codes {
		r, pair := i/6, i%6/2*2
		volts := func(c int) float64 { return math.Log10(0.01 + rampLux(r, c, light)) }
		want := uint16((1 + 0.2*(volts(pair)+volts(pair+1))/2 - 0.5) / 2 * 1024)
		if !near(have, want) {
			t.Errorf("pixel %d: %d, want %d", i, have, want)
		}
	}
	if c := two.Captures[0]; c.Light != light || c.Hold != c.LastSample().Sub(light) || c.FirstRow != 1 {
		t.Errorf("%+v", c)
	}
}

func TestClippedCodesAreCounted(t *testing.T) {
	read := func(lux float64) bus.Capture {
		b, err := newBus(Config{Array: MustArray(), Scene: scene.Uniform(lux), Pace: free}, nominal)
		if err != nil {
			t.Fatal(err)
		}
		res, err := Run(t.Context(), b, 0, segment("hex", 0, readOne(b.array, H0, H|X1)...))
		if err != nil {
			t.Fatal(err)
		}
		return res.Captures[0]
	}
	// 1 V + 0.2 V a decade reaches 2.5 V at 10^7.5 lux; below 0.5 V it never comes.
	if c := read(1e9); c.High != 16 || c.Low != 0 || c.Codes[0] != 4095 {
		t.Errorf("bright: %+v", c)
	}
	if c := read(100); c.High != 0 || c.Low != 0 || !near(c.Codes[3], code(100, 12)) {
		t.Errorf("medium: %+v", c)
	}
}

// Simulated dies scatter about the nominal ones: under uniform illumination the mean of all pixels lies within five
// standard errors of the spread that the class describes, 5 mV and 1 % of 0.2 V x 2 decades.
func TestSimulatedDiesScatterAboutTheNominal(t *testing.T) {
	b, err := New(Config{Array: MustArray(), Scene: scene.Uniform(100), Pace: free, Seed: 5})
	if err != nil {
		t.Fatal(err)
	}
	res, err := Run(t.Context(), b, 0, segment("hex", 0, readOne(b.array, H0, H|X1)...))
	if err != nil {
		t.Fatal(err)
	}
	codes := res.Captures[0].Codes
	var sum float64
	for _, c := range codes {
		sum += float64(c)
	}
	spread := math.Hypot(0.005, 0.01*0.2*2) / 2 * 4096
	if off := sum/float64(len(codes)) - float64(code(100,
		12)); math.Abs(off) > 5*spread/math.Sqrt(float64(len(codes)))+1 {
		t.Errorf("the mean of %v is %.1f steps off", codes, off)
	}
	if slices.Max(codes) == slices.Min(codes) {
		t.Error("the pixels do not differ")
	}
}

// A chip whose output bias is lowered settles more slowly: its pixels then
// show more of the pixel before.
func TestResidual(t *testing.T) {
	b := testBus(t, free, 1)
	scan := Scan(b.array, T0, 0, bus.Claim{}).Scan
	timing := b.array.ScanTime(scan.Chips, scan.Window, 0)
	at := func(bias uint16) float64 {
		b.chips[T0].die.Write(chipmodel.OutputBias, bias)
		return b.residual(&timing, scan, T0)
	}
	// Nominal: half a step of 12 bits. 100 below at 0.2 % a step: 20 % less bandwidth,
	// so 0.8 of the time constants.
	if nominal, slow := at(100), at(0); math.Abs(nominal-math.Exp2(-13)) > 1e-6 ||
		math.Abs(slow-math.Exp2(-13*0.8)) > 1e-5 {
		t.Errorf("residual %g nominal, want %g; %g slow, want %g", nominal, math.Exp2(-13), slow, math.Exp2(-13*0.8))
	}
}
