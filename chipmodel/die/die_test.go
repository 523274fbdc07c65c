package die

import (
	"math"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/deploy"
)

func crawler(t testing.TB) *chipmodel.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

func flat(lux float64) *Light {
	return Still(func(dst []float64, _ int, _ bustime.Time) {
		for i := range dst {
			dst[i] = lux
		}
	})
}

// ramp is brighter to the right and downwards.
var ramp = Still(func(dst []float64, row int, _ bustime.Time) {
	for i := range dst {
		dst[i] = 10 * math.Exp(0.1*float64(i)+0.07*float64(row))
	}
})

func frame(d *Die, rows, columns int, at bustime.Time, light *Light) []float64 {
	out := make([]float64, rows*columns)
	for r := range rows {
		d.Row(out[r*columns:(r+1)*columns], r, 0, 1, bustime.Time(at.Add(time.Duration(int64(r)*int64(columns)*1000))),
			1000, light)
	}
	return out
}

func TestEqualSeedsEqualVolts(t *testing.T) {
	a := crawler(t)
	for _, name := range []string{"wall-03", "bed-1", "bow-left", "bow-comb"} {
		c := &a.Chips[a.Chip(name)]
		read := func(seed uint64) []float64 {
			d := New(a, c.Index, seed)
			d.Write(chipmodel.ColumnPattern, 0x55)
			d.Strobe(chipmodel.Load, 1000, 0, ramp)
			d.Strobe(chipmodel.Share, 2e6, time.Microsecond, ramp)
			return frame(d, c.Class.Rows, c.Class.Columns, 3e6, ramp)
		}
		one, two, other := read(1), read(1), read(2)
		same := 0
		for i := range one {
			if one[i] != two[i] {
				t.Fatalf("%s pixel %d: %v and %v for one seed", name, i, one[i], two[i])
			}
			if one[i] == other[i] {
				same++
			}
		}
		if same > len(one)/10 {
			t.Errorf("%s: %d of %d pixels alike for two seeds", name, same, len(one))
		}
	}
}

// TestIdealMemoryChip: an ideal die gives the logarithm exactly, and exact block
// means after a share.
func TestIdealMemoryChip(t *testing.T) {
	a := crawler(t)
	c := &a.Chips[a.Chip("wall-00")]
	d := newIdeal(a, c.Index)
	d.Strobe(chipmodel.Load, 0, 0, ramp)
	rows, cols := c.Class.Rows, c.Class.Columns
	before := frame(d, rows, cols, 1e6, ramp)
	spec := c.Class.Spec.GetLogarithmic()
	dark := spec.GetDarkLux() * math.Exp2((c.Class.Spec.GetTemperatureK()-300)/spec.GetDarkDoublingK())
	offset := spec.GetOffsetVolts() + spec.GetOffsetDriftVoltsPerK()*(c.Class.Spec.GetTemperatureK()-300)
	for _, at := range [][2]int{{0, 0}, {7, 11}, {39, 39}} {
		lux := 10 * math.Exp(0.1*float64(at[1])+0.07*float64(at[0]))
		want := offset + spec.GetVoltsPerDecade()*c.Class.Spec.GetTemperatureK()/300*math.Log10(lux+dark)
		if got := before[at[0]*cols+at[1]]; math.Abs(got-want) > 1e-12 {
			t.Errorf("pixel %v: %v V, want %v V", at, got, want)
		}
	}
	d.Write(chipmodel.ColumnPattern, 0x77) // fours
	d.Write(chipmodel.RowPattern, 0x55)    // pairs
	d.Strobe(chipmodel.Share, 2e6, 0, ramp)
	after := frame(d, rows, cols, 3e6, ramp)
	for r := range rows {
		for col := range cols {
			var sum float64
			for br := r &^ 1; br < r&^1+2; br++ {
				for bc := col &^ 3; bc < col&^3+4; bc++ {
					sum += before[br*cols+bc]
				}
			}
			if got := after[r*cols+col]; math.Abs(got-sum/8) > 1e-12 {
				t.Fatalf("pixel (%d,%d): %v V, its block's mean is %v V", r, col, got, sum/8)
			}
		}
	}
}

// TestJoinedBeforeAgainstSharedAfter: pixels joined before sensing show the log of
// the mean light, cells shared after it the mean of the logs, which is lower
// (Jensen's inequality).
func TestJoinedBeforeAgainstSharedAfter(t *testing.T) {
	a := crawler(t)
	c := &a.Chips[a.Chip("bow-left")]
	d := newIdeal(a, c.Index)
	d.Write(chipmodel.ColumnPattern, 0x55)
	var got [1]float64
	d.Row(got[:], 0, 0, 1, 0, 0, ramp)
	spec := c.Class.Spec.GetLogarithmic()
	dark := spec.GetDarkLux() * math.Exp2((c.Class.Spec.GetTemperatureK()-300)/spec.GetDarkDoublingK())
	l0, l1 := 10.0, 10*math.Exp(0.1)
	perDecade := spec.GetVoltsPerDecade() * c.Class.Spec.GetTemperatureK() / 300
	before := spec.GetOffsetVolts() + perDecade*math.Log10((l0+l1)/2+dark)
	after := spec.GetOffsetVolts() + perDecade*(math.Log10(l0+dark)+math.Log10(l1+dark))/2
	if math.Abs(got[0]-before) > 1e-12 {
		t.Errorf("joined before sensing: %v V, want %v V", got[0], before)
	}
	if before <= after {
		t.Errorf("log of the mean %v is not above the mean of the logs %v", before, after)
	}
}

// TestDroop: a held cell falls by leakage x time / capacitance, each row from its
// own load on.
func TestDroop(t *testing.T) {
	a := crawler(t)
	c := &a.Chips[a.Chip("wall-00")]
	d := New(a, c.Index, 3)
	d.Strobe(chipmodel.Load, 0, 0, flat(1))
	n := c.Class.Columns
	early, late := make([]float64, n), make([]float64, n)
	d.Row(early, 5, 0, 1, 1e6, 0, flat(1))
	d.Row(late, 5, 0, 1, 1e6+1e9, 0, flat(1))
	m := c.Class.Spec.GetMemory()
	doublings := (c.Class.Spec.GetTemperatureK() - 300) / m.GetLeakDoublingK()
	leak := m.GetLeakFa()*math.Exp2(doublings) + m.GetLightLeakFaPerLux()
	want := leak / m.GetCellCapacitanceFf() // volts in one second
	var mean float64
	for i := range n {
		mean += (early[i] - late[i]) / float64(n)
	}
	if math.Abs(mean/want-1) > 0.01 {
		t.Errorf("droop of %v V in a second, want %v V within the cells' spread", mean, want)
	}
	if got := d.Hold(5, 1e9); got != 1e9-a.Timing.Strobe-5*m.GetLoadRow().AsDuration() {
		t.Errorf("row 5 is held for %d ns", got)
	}
}

// TestLoadNoise: two loads of the same light differ by the pixel's and the cell's
// kT/C noise and nothing else.
func TestLoadNoise(t *testing.T) {
	a := crawler(t)
	c := &a.Chips[a.Chip("wall-00")]
	d := New(a, c.Index, peertest.Seed(t))
	read := func(at int64) []float64 {
		d.Strobe(chipmodel.Load, bustime.Time(at), 0, flat(100))
		return frame(d, c.Class.Rows, c.Class.Columns, bustime.Time(at+1e6), flat(100))
	}
	read(0) // the pixels take on the light
	one, two := read(1e9), read(2e9)
	var sum float64
	for i := range one {
		sum += (one[i] - two[i]) * (one[i] - two[i])
	}
	got := math.Sqrt(sum / float64(2*len(one)))
	kelvin := c.Class.Spec.GetTemperatureK()
	log := c.Class.Spec.GetLogarithmic()
	chain := log.GetVoltsPerDecade() / math.Ln10 * kelvin / 300 / analog.ThermalVolts(kelvin)
	want := math.Hypot(
		chain*analog.KTCVolts(kelvin, log.GetNodeCapacitanceFf()*1e-15),
		analog.KTCVolts(kelvin, c.Class.Spec.GetMemory().GetCellCapacitanceFf()*1e-15))
	if math.Abs(got/want-1) > 0.1 {
		t.Errorf("noise of %v V, want %v V", got, want)
	}
}

// TestLagInTheDark: after a step from light to darkness a pixel falls slowly, by
// the logistic curve; in bright light it follows at once.
func TestLagInTheDark(t *testing.T) {
	follow := func(before, after, seconds, k float64) float64 {
		shown, _ := analog.NewLogLag(analog.Lamp{}).Follow(before, after, after, 0, k, analog.Gap{Seconds: seconds})
		return shown
	}
	if got := follow(100, 1, 0, 0.01); math.Abs(got-100) > 1e-9 {
		t.Errorf("no time after the step the pixel shows %v, want the old light", got)
	}
	// One time constant of the new light after a step from far above: 1/(1-1/e).
	if got, want := follow(1e9, 1, 0.01, 0.01), 1/(1-math.Exp(-1)); math.Abs(got-want) > 1e-6 {
		t.Errorf("one time constant after the step the pixel shows %v, want %v", got, want)
	}
	if got := follow(1, 100, 1, 0.01); got != 100 {
		t.Errorf("long after the step the pixel shows %v", got)
	}
}

func TestTrimRegisters(t *testing.T) {
	msg := partsArray()
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	d := newIdeal(a, 0)
	read := func() float64 {
		var v [1]float64
		d.Row(v[:], 0, 0, 1, 0, 0, flat(100))
		return v[0]
	}
	base := read()                  // gain 1
	d.Write(chipmodel.Offset, 0xff) // -1
	if got := read() - base; math.Abs(got+0.01) > 1e-12 {
		t.Errorf("offset -1 moves the output by %v V, want -10 mV", got)
	}
	d.Write(chipmodel.Offset, 0)
	d.Write(chipmodel.Gain, 1)
	if got, want := read(), 1+4*(base-1); math.Abs(got-want) > 1e-12 {
		t.Errorf("gain 4: %v V, want %v V", got, want)
	}
	d.Write(chipmodel.PixelBias, 228) // +100 steps of 10 mV, times 4: clips
	if got := read(); got != 2.5 {
		t.Errorf("a driven amplifier gives %v V, want its high limit", got)
	}
}

func partsArray() *facetdv1.Array {
	return &facetdv1.Array{
		SelectLines: []string{"y"},
		Timing: &facetdv1.BusTiming{DeadTime: dur(200), SelectSetup: dur(300), Write: dur(1000), Strobe: dur(500),
			ReleaseLimit: dur(20000)},
		Lanes: []*facetdv1.Lane{{Name: "a",
			Converter: &facetdv1.Converter{Bits: 12, HighVolts: 3, Conversion: dur(1000)}}},
		Classes: []*facetdv1.ChipClass{{
			Name: "t", Lattice: &facetdv1.Lattice{Rows: 4, Columns: 4, PitchXUm: 20},
			Readout: &facetdv1.Readout{Step: dur(100), Settle: dur(1000)},
			Pixel: &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 1,
				VoltsPerDecade: 0.06, DarkLux: 0.01}},
			Counter:    &facetdv1.Counter{Reset_: dur(1000)},
			Regulator:  &facetdv1.Regulator{SupplyVolts: 5, OutputVolts: 3, DropoutVolts: 0.3, RejectionDb: 60},
			PixelBias:  &facetdv1.PixelBias{Nominal: 128, VoltsPerStep: proto.Float64(0.01)},
			OutputBias: &facetdv1.OutputBias{Nominal: 128, BandwidthPerStep: proto.Float64(0)},
			Amplifier: &facetdv1.Amplifier{Gains: []float64{1, 4}, MidVolts: proto.Float64(1),
				OffsetStepVolts: proto.Float64(0.01), LowVolts: 0.1, HighVolts: 2.5},
		}},
		Chips: []*facetdv1.Chip{{Name: "c", Class: "t", Selects: []string{"y"}, Lane: "a",
			Lens: &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30}}},
	}
}

// TestQuantisationNoise: the error of an ideal 10-bit converter over a ramp is a
// step over sqrt(12), which is the 6.02 N + 1.76 dB of Analog Devices MT-001 (seen in secondary pages).
func TestQuantisationNoise(t *testing.T) {
	c := analog.NewConverter(analog.ConverterSpec{Bits: 10, HighVolts: 1}, nil)
	const n = 100_003
	volts, codes := make([]float64, n), make([]uint16, n)
	for i := range volts {
		volts[i] = float64(i) / n
	}
	c.Convert(codes, volts, 0, 0)
	var sum float64
	for i, code := range codes {
		e := volts[i] - (float64(code)+0.5)/1024
		sum += e * e
	}
	step := 1.0 / 1024
	if got, want := math.Sqrt(sum/n), step/math.Sqrt(12); math.Abs(got/want-1) > 1e-3 {
		t.Errorf("rms error %v, want %v", got, want)
	}
}

// TestGhost: given (N+1) ln 2 time constants a full-scale step is short by half a
// step of the converter (Analog Devices AN-1024, Table 1, and its half-step column
// derived from the same law).
func TestGhost(t *testing.T) {
	a := crawler(t)
	l := NewLane(a, 0, 1)
	if got, want := l.Residual(time.Millisecond, time.Millisecond), math.Exp2(-13); got != want {
		t.Errorf("residual at the settling time %v, want half a step of 12 bits, %v", got, want)
	}
	if got := l.Residual(500*time.Microsecond, time.Millisecond); math.Abs(got-math.Exp2(-6.5)) > 1e-15 {
		t.Errorf("residual at half the settling time %v", got)
	}
}

// TestJoinedLag: joined pixels follow a step of light as one, by the curve of their mean
// light, however uneven it is.
func TestJoinedLag(t *testing.T) {
	// C U_T/I of 1 nF at 300 K and 10 nA (a lux) is 2.5852 ms.
	a := classOf(t, func(c *facetdv1.ChipClass) {
		bare(c)
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(1000)}
		l := c.GetLogarithmic() // so large a node that its noise is small
		l.NodeCapacitanceFf, l.PhotocurrentFaPerLux, l.DarkLux = 1e6, 1e7, 1e-9
	})
	d := New(a, 0, 1)
	d.Write(chipmodel.ColumnPattern, 0x55)
	uneven := func(left, right float64) *Light {
		return Still(func(dst []float64, _ int, _ bustime.Time) {
			for i := range dst {
				dst[i] = left
				if i%2 == 1 {
					dst[i] = right
				}
			}
		})
	}
	var v [2]float64
	d.Row(v[:], 0, 0, 1, 0, 0, uneven(6, 2))
	d.Row(v[:], 0, 0, 1, 2_585_200, 0, uneven(0.5, 1.5))
	// One time constant after a step from a mean of 4 lux to one of 1 lux.
	want := 1 + 0.06*math.Log10(1/(1+(1.0/4-1)*math.Exp(-1)))
	for i := range v {
		if math.Abs(v[i]-want) > 1e-4 {
			t.Errorf("pixel %d shows %v V, want %v V", i, v[i], want)
		}
	}
}

// TestNoAllocation: once patterns have been met, nothing that a bus does to a die
// allocates.
func TestNoAllocation(t *testing.T) {
	a := crawler(t)
	light := ramp
	for _, name := range []string{"wall-00", "bed-1", "bow-left", "bow-comb"} {
		c := &a.Chips[a.Chip(name)]
		d, lane := New(a, c.Index, 1), NewLane(a, c.Lane, 1)
		volts, codes := make([]float64, c.Class.Columns), make([]uint16, c.Class.Columns)
		at := int64(0)
		frame := func() {
			at += 1e8
			d.Strobe(chipmodel.Load, bustime.Time(at), 0, light)
			for _, p := range []uint16{0x55, 0xaa, 0x77} {
				d.Write(chipmodel.ColumnPattern, p)
				d.Write(chipmodel.RowPattern, p)
				d.Strobe(chipmodel.Share, bustime.Time(at), 20, light)
				d.Row(volts, 3, 0, 1, bustime.Time(at+1e6), 1000, light)
				lane.Convert(codes, volts, 1e-4)
			}
		}
		frame()
		if n := testing.AllocsPerRun(10, frame); n != 0 {
			t.Errorf("%s: %v allocations a frame", name, n)
		}
	}
}

// TestDarkCurrent: the dark signal of a linear pixel doubles with temperature.
func TestDarkCurrent(t *testing.T) {
	read := func(kelvin float64) float64 {
		a := classOf(t, func(c *facetdv1.ChipClass) {
			c.TemperatureK = kelvin
			bare(c)
			c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
			c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
				Exposure: dur(1e7), ElectronsPerLuxS: 1e5, DarkElectronsPerS: 1e4, FullWellElectrons: 1e4,
				VoltsPerElectron: 1e-4, ResetVolts: 2, DarkDoublingK: 7,
			}}
		})
		var v [1]float64
		newIdeal(a, 0).Row(v[:], 0, 0, 1, 0, 0, flat(0))
		return 2 - v[0]
	}
	for kelvin, want := range map[float64]float64{300: 0.01, 307: 0.02, 321: 0.08, 293: 0.005} {
		if got := read(kelvin); math.Abs(got/want-1) > 1e-9 {
			t.Errorf("%g K: dark signal %v V, want %v V", kelvin, got, want)
		}
	}
}

func BenchmarkLoad(b *testing.B) {
	a := crawler(b)
	c := &a.Chips[a.Chip("wall-00")]
	d := New(a, c.Index, 1)
	pixels := float64(c.Class.Rows * c.Class.Columns)
	b.Run("die", func(b *testing.B) {
		at := int64(0)
		for b.Loop() {
			at += 66e6
			d.Strobe(chipmodel.Load, bustime.Time(at), 0, flat(100))
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/pixels, "ns/pixel")
	})
	b.Run("bare-log", func(b *testing.B) {
		out := make([]float64, int(pixels))
		for b.Loop() {
			for i := range out {
				out[i] = math.Log(100 + float64(i))
			}
		}
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/pixels, "ns/pixel")
	})
}

func BenchmarkShare(b *testing.B) {
	a := crawler(b)
	c := &a.Chips[a.Chip("wall-00")]
	d := New(a, c.Index, 1)
	d.Write(chipmodel.ColumnPattern, 0x55)
	d.Write(chipmodel.RowPattern, 0x55)
	pixels := float64(c.Class.Rows * c.Class.Columns)
	hold := a.ShareTime(c.Class, 0x55, 0x55) - a.Timing.Strobe
	for b.Loop() {
		d.Strobe(chipmodel.Share, 0, hold, nil)
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/pixels, "ns/pixel")
}

func dur(d time.Duration) *durationpb.Duration { return durationpb.New(d) }

// newIdeal makes a die without noise, spread, leakage, lag and injection, whose
// switches settle fully.
func newIdeal(a *chipmodel.Array, chip int) *Die {
	return newDie(a.Chips[chip].Class, a.Timing.Strobe, nil)
}
