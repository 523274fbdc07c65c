package die

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// load reads a table of check values, which says where it is from.
func load(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile("../analog/testdata/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatalf("%s: %v", name, err)
	}
}

// classOf makes the array of the trim test into one with another class.
func classOf(t testing.TB, change func(*facetdv1.ChipClass)) *chipmodel.Array {
	t.Helper()
	msg := proto.Clone(partsArray()).(*facetdv1.Array)
	change(msg.Classes[0])
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// bare takes from a class all that it has beside lattice, pixels and readout.
func bare(c *facetdv1.ChipClass) {
	c.Counter, c.Regulator, c.PixelBias, c.OutputBias, c.Amplifier = nil, nil, nil, nil, nil
}

// TestTemperature: offset drifts, the slope goes as kT/q, the dark term doubles every
// 8 K (common model, from memory; values worked out elsewhere).
func TestTemperature(t *testing.T) {
	var table struct {
		Rows []struct {
			T float64 `json:"T_K"`
			X float64
			V float64
		} `json:"temperature"`
	}
	load(t, "logpixel", &table)
	for _, r := range table.Rows {
		a := classOf(t, func(c *facetdv1.ChipClass) {
			c.TemperatureK = r.T
			c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{
				OffsetVolts: 1, VoltsPerDecade: 0.07738435813203127, DarkLux: 0.05, OffsetDriftVoltsPerK: -1.5e-3,
				DarkDoublingK: 8,
			}}
			bare(c)
			c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
		})
		var got [1]float64
		newIdeal(a, 0).Row(got[:], 0, 0, 1, 0, 0, flat(r.X))
		if math.Abs(got[0]-r.V) > 1e-12 {
			t.Errorf("%g K, light %g: %v V, want %v V", r.T, r.X, got[0], r.V)
		}
		// A die of another temperature that is brought to this one.
		a.Chips[0].Class.Spec.TemperatureK = 310
		d := newIdeal(a, 0)
		d.SetKelvin(r.T)
		if d.Row(got[:], 0, 0, 1, 0, 0, flat(r.X)); math.Abs(got[0]-r.V) > 1e-12 {
			t.Errorf("from 310 K to %g K, light %g: %v V, want %v V", r.T, r.X, got[0], r.V)
		}
	}
	if len(table.Rows) < 20 {
		t.Error("rows are missing")
	}
}

// TestAmplifier: out = clip(mid + G (in - bias)) (values worked out elsewhere); the
// bias is made with the pixel's bias register.
func TestAmplifier(t *testing.T) {
	var table struct {
		Rows []struct {
			G    float64
			Low  float64   `json:"out_low_V"`
			High float64   `json:"out_high_V"`
			Mid  float64   `json:"mid_V"`
			Bias float64   `json:"bias_V"`
			In   []float64 `json:"in_V"`
			Out  []float64 `json:"out_V"`
		} `json:"amplifier"`
	}
	load(t, "logpixel", &table)
	for _, r := range table.Rows {
		a := classOf(t, func(c *facetdv1.ChipClass) {
			c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{VoltsPerDecade: 1,
				DarkLux: 1e-9}}
			k := c.GetAmplifier()
			k.Gains, k.MidVolts, k.LowVolts, k.HighVolts = []float64{r.G}, proto.Float64(r.Mid), r.Low, r.High
			c.PixelBias = &facetdv1.PixelBias{Nominal: 100, VoltsPerStep: proto.Float64(r.Mid - r.Bias)}
		})
		d := newIdeal(a, 0)
		d.Write(chipmodel.PixelBias, 101)
		for i, v := range r.In {
			var got [1]float64
			d.Row(got[:], 0, 0, 1, 0, 0, flat(math.Pow(10, v)))
			if math.Abs(got[0]-r.Out[i]) > 1e-7 { // a dark term of 1e-9 lux is left
				t.Errorf("gain %g, %g V in: %v V, want %v V", r.G, v, got[0], r.Out[i])
			}
		}
	}
}

// TestJoinedBeforeSensing: pixels of unequal offsets joined before sensing are
// parallel loads in weak inversion (values worked out elsewhere).
func TestJoinedBeforeSensing(t *testing.T) {
	var table struct {
		B       float64   `json:"b_V"`
		I0      float64   `json:"I0_A"`
		I       []float64 `json:"I_A"`
		A       []float64 `json:"a_V"`
		Pre     []float64 `json:"V_pre_with_offsets"`
		Columns int
		Pattern uint16
	}
	load(t, "binning", &table)
	rows := len(table.I) / table.Columns
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: uint32(rows), Columns: uint32(table.Columns), PitchXUm: 10}
		bare(c)
		c.PixelSwitches = &facetdv1.PixelSwitches{PatternSettle: dur(1000)}
	})
	d := newIdeal(a, 0)
	px := d.px
	for i := range table.A {
		px.a[i], px.b[i], px.c[i] = table.A[i], table.B, 0
	}
	d.Write(chipmodel.ColumnPattern, table.Pattern)
	d.Write(chipmodel.RowPattern, table.Pattern)
	got := frame(d, rows, table.Columns, 0, Still(func(dst []float64, row int, _ bustime.Time) {
		for c := range dst {
			dst[c] = table.I[row*table.Columns+c] / table.I0
		}
	}))
	for i, v := range got {
		if math.Abs(v-table.Pre[i]) > 1e-12 {
			t.Fatalf("pixel %d: %v V, want %v V", i, v, table.Pre[i])
		}
	}
}

// emvaChip is a linear chip with the true figures of a camera, read by a 12-bit converter in
// which a digit is worth 1/K electrons and the signal falls.
type emvaChip struct {
	die  *Die
	lane *Lane
	side int
	at   bustime.Time
}

// frame gives the digits of one frame, rising with light.
func (c *emvaChip) frame(lux float64) []float64 {
	out := make([]float64, 0, c.side*c.side)
	volts, codes := make([]float64, c.side), make([]uint16, c.side)
	for r := range c.side {
		c.die.Row(volts, r, 0, 1, bustime.Time(c.at), 0, flat(lux))
		c.lane.Convert(codes, volts, 0)
		for _, code := range codes {
			out = append(out, 4095-float64(code))
		}
	}
	c.at += 1e6
	return out
}

func newEMVAChip(t testing.TB, seed uint64, k, full, read, dsnu, prnu, offset float64) *emvaChip {
	t.Helper()
	const side, voltsPerE = 128, 50e-6
	msg := partsArray()
	step := voltsPerE / k
	msg.Lanes[0].Converter.LowVolts = 3 - (4095-offset)*step
	msg.Lanes[0].Converter.HighVolts = 3 + (offset+1)*step
	msg.Classes[0].Lattice = &facetdv1.Lattice{Rows: side, Columns: side, PitchXUm: 10}
	bare(msg.Classes[0])
	msg.Classes[0].Counter = &facetdv1.Counter{Reset_: dur(1000)}
	msg.Classes[0].Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
		Exposure: dur(1e6), ElectronsPerLuxS: 1e5, FullWellElectrons: full, VoltsPerElectron: voltsPerE, ResetVolts: 3,
		ReadNoiseElectrons: read, DarkSpreadElectrons: dsnu, GainSpread: prnu,
	}}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return &emvaChip{die: New(a, 0, seed), lane: NewLane(a, 0, seed), side: side}
}

func meanVariance(v []float64) (mean, variance float64) {
	for _, x := range v {
		mean += x / float64(len(v))
	}
	for _, x := range v {
		variance += (x - mean) * (x - mean) / float64(len(v)-1)
	}
	return mean, variance
}

// temporal gives the mean and the temporal variance of two frames under one light.
func (c *emvaChip) temporal(lux float64) (mean, variance float64) {
	one, two := c.frame(lux), c.frame(lux)
	diff := make([]float64, len(one))
	for i := range one {
		diff[i] = one[i] - two[i]
		mean += (one[i] + two[i]) / 2 / float64(len(one))
	}
	_, v := meanVariance(diff)
	return mean, v / 2
}

// spatial gives mean and spatial variance of the average of 100 frames, less what
// temporal noise leaves in it.
func (c *emvaChip) spatial(lux float64) (mean, variance float64) {
	const frames = 100
	average := make([]float64, c.side*c.side)
	for range frames {
		for i, v := range c.frame(lux) {
			average[i] += v / frames
		}
	}
	_, temporal := c.temporal(lux)
	mean, v := meanVariance(average)
	return mean, v - temporal/frames
}

// TestPhotonTransfer measures a simulated camera as EMVA 1288 (release 3; emva1288.json says what of it was seen) does,
// from
// its frames alone, and finds its gain, read noise, dark non-uniformity (DSNU) and
// photo response non-uniformity (PRNU) again. Bounds are five standard errors of
// 16384 pixels: 1.1 % in a variance, which is 0.4 % in the slope of twelve of them.
func TestPhotonTransfer(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	var table struct {
		Truth struct {
			K      float64
			Sigma  float64 `json:"sigma_d_e"`
			Offset float64 `json:"offset_DN"`
			Full   float64 `json:"full_well_e"`
			DSNU   float64 `json:"dsnu_e"`
			PRNU   float64
		}
	}
	load(t, "emva1288", &table)
	truth := table.Truth
	c := newEMVAChip(t, seed, truth.K, truth.Full, truth.Sigma, truth.DSNU, truth.PRNU, truth.Offset)
	darkMean, darkVariance := c.temporal(0)
	var xy, xx float64
	for i := range 12 {
		mean, variance := c.temporal(170 * float64(i+1) / 12) // 17000 of 20000 electrons
		x, y := mean-darkMean, variance-darkVariance
		xy, xx = xy+x*y/(variance*variance), xx+x*x/(variance*variance) // weighted by 1/error^2
	}
	k := xy / xx
	check := func(what string, got, want, relative float64) {
		t.Helper()
		t.Logf("%s: %.5g of %.5g", what, got, want)
		if math.Abs(got/want-1) > relative {
			t.Errorf("%s: %v, want %v within %g", what, got, want, relative)
		}
	}
	check("gain in digits an electron", k, truth.K, 0.02)
	check("read noise in electrons", math.Sqrt(darkVariance-1.0/12)/k, truth.Sigma, 0.05)
	check("dark level in digits", darkMean, truth.Offset, 0.02)
	meanDark, spatialDark := c.spatial(0)
	meanHalf, spatialHalf := c.spatial(100)
	check("DSNU in electrons", math.Sqrt(spatialDark)/k, truth.DSNU, 0.05)
	check("PRNU", math.Sqrt(spatialHalf-spatialDark)/(meanHalf-meanDark), truth.PRNU, 0.05)
	saturated, _ := c.temporal(2000)
	check("full well in electrons", (saturated-truth.Offset)/truth.K, truth.Full, 1e-3)
}

// TestBestSignalToNoise: without read noise and spread the best signal to noise ratio
// is the root of the full well (EMVA 1288, seen as quoted from release 3.0).
func TestBestSignalToNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	var table struct {
		Rows []struct {
			Full float64 `json:"full_well_e"`
			SNR  float64 `json:"snr_max"`
			DB   float64 `json:"snr_max_dB"`
		} `json:"snr_max"`
	}
	load(t, "emva1288", &table)
	for _, r := range table.Rows {
		if r.Full > 30_000 {
			continue // beyond our 12 bits at a digit for a few electrons
		}
		const k = 0.12
		c := newEMVAChip(t, seed, k, 2*r.Full, 0, 0, 0, 40) // so that light at the full well is not clipped
		mean, variance := c.temporal(r.Full / 100)
		got := (mean - 40) / math.Sqrt(variance-1.0/12)
		if math.Abs(got/r.SNR-1) > 0.03 || math.Abs(20*math.Log10(got)-r.DB) > 0.26 { // 3 % are 0.26 dB
			t.Errorf("full well %g: signal to noise %v or %.2f dB, want %v or %.2f dB", r.Full, got, 20*math.Log10(got),
				r.SNR, r.DB)
		}
	}
}

// TestStarvedOutput: a lowered output bias narrows the band; the same time then leaves
// a ghost, which slowing the readout by the same factor takes away.
func TestStarvedOutput(t *testing.T) {
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.OutputBias = &facetdv1.OutputBias{Nominal: 128, BandwidthPerStep: proto.Float64(0.005)}
	})
	d := newIdeal(a, 0)
	if d.Bandwidth() != 1 {
		t.Errorf("bandwidth %v at nominal bias", d.Bandwidth())
	}
	d.Write(chipmodel.OutputBias, 28)
	if math.Abs(d.Bandwidth()-0.5) > 1e-12 {
		t.Errorf("bandwidth %v 100 steps below nominal, want one half", d.Bandwidth())
	}
	l := NewLane(a, 0, 1)
	needed := a.LaneSettle(0)
	slow := dur(needed).AsDuration() * 2 // needed over bandwidth
	if got, want := l.Residual(needed, slow), math.Exp2(-6.5); math.Abs(got-want) > 1e-12 {
		t.Errorf("ghost of %v, want %v: half of 13 ln 2 time constants", got, want)
	}
	if got := l.Residual(slow, slow); got != math.Exp2(-13) {
		t.Errorf("given twice the time a ghost of %v is left", got)
	}
	d.Write(chipmodel.OutputBias, 0)
	if got := analog.BiasBandwidth(0.005, -128); d.Bandwidth() != got {
		t.Errorf("bandwidth %v, want %v", d.Bandwidth(), got)
	}
	if got := analog.BiasBandwidth(0.1, -128); !(got > 0 && got < 0.1) {
		t.Errorf("a starved output has bandwidth %v", got)
	}
	other := newIdeal(crawler(t), 0)
	if fmt.Sprint(other.Bandwidth()) != "1" {
		t.Error("a chip without bias registers has another bandwidth")
	}
}
