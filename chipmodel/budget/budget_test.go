package budget

import (
	"encoding/json"
	"math"
	"os"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
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

// changed is the crawler with something changed.
func changed(t testing.TB, change func(*facetdv1.Array)) *chipmodel.Array {
	t.Helper()
	msg := proto.CloneOf(crawler(t).Message)
	change(msg)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

func linearBed(t testing.TB, more func(*facetdv1.Array), pixel ...func(*facetdv1.LinearPixel)) *chipmodel.Array {
	return changed(t, func(msg *facetdv1.Array) {
		more(msg)
		for _, c := range msg.Classes {
			if c.Name == "bed-eye" {
				c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
					Exposure: durationpb.New(10 * time.Millisecond), ElectronsPerLuxS: 2e4, DarkElectronsPerS: 4e4,
					FullWellElectrons: 5e4, VoltsPerElectron: 30e-6, ResetVolts: 2,
					ReadNoiseElectrons: 15, DarkSpreadElectrons: 10, GainSpread: 0.008,
				}}
				for _, change := range pixel {
					change(c.GetLinear())
				}
			}
		}
	})
}

// measure simulates frames of a chip in uniform illumination and gives the temporal noise of a
// pixel and the spread of the pixels' means, both in steps of the converter. The budget is that of the middle of a
// chip: pixels so near its ends that shares average fewer of them are left out.
func measure(a *chipmodel.Array, chip int, c Conditions, frames int, seed uint64) (random, fixed float64) {
	_, random, fixed = measureAll(a, chip, c, frames, seed)
	return random, fixed
}

// measureAll gives the mean code as well.
func measureAll(a *chipmodel.Array, chip int, c Conditions, frames int, seed uint64) (mean, random, fixed float64) {
	d, lane := die.New(a, chip, seed), die.NewLane(a, a.Chips[chip].Lane, seed)
	class := a.Chips[chip].Class
	light := die.Still(func(dst []float64, _ int, _ bustime.Time) {
		for i := range dst {
			dst[i] = c.Lux
		}
	})
	d.Write(chipmodel.ColumnPattern, uint16(c.Columns))
	d.Write(chipmodel.RowPattern, uint16(c.Rows))
	d.Write(chipmodel.Gain, uint16(c.GainIndex))
	n := class.Rows * class.Columns
	sum, squares := make([]float64, n), make([]float64, n)
	volts, codes := make([]float64, class.Columns), make([]uint16, class.Columns)
	at := int64(0)
	for f := range frames + 1 {
		at += 1e9
		d.Strobe(chipmodel.Load, bustime.Time(at), c.Exposure, light)
		for _, s := range c.Shares {
			d.Write(chipmodel.ColumnPattern, uint16(s.Columns))
			d.Write(chipmodel.RowPattern, uint16(s.Rows))
			d.Strobe(chipmodel.Share, bustime.Time(at+1e6), a.ShareTime(class, s.Columns, s.Rows)-a.Timing.Strobe,
				light)
		}
		for r := range class.Rows {
			d.Row(volts, r, 0, 1, bustime.Time(at+2e6), 0, light)
			lane.Convert(codes, volts, 0)
			if f == 0 {
				continue // pixels take on the light
			}
			for i, code := range codes {
				sum[r*class.Columns+i] += float64(code)
				squares[r*class.Columns+i] += float64(code) * float64(code)
			}
		}
	}
	m := float64(frames)
	var spread, pixels float64
	inside := func(do func(i int)) {
		for r := len(c.Shares); r < class.Rows-len(c.Shares); r++ {
			for column := len(c.Shares); column < class.Columns-len(c.Shares); column++ {
				do(r*class.Columns + column)
			}
		}
	}
	inside(func(i int) {
		random += (squares[i] - sum[i]*sum[i]/m) / (m - 1)
		mean += sum[i] / m
		pixels++
	})
	random, mean = random/pixels, mean/pixels
	inside(func(i int) { spread += (sum[i]/m - mean) * (sum[i]/m - mean) / pixels })
	return mean, math.Sqrt(random), math.Sqrt(max(spread-random/m, 0))
}

func term(b Budget, name string) Term {
	for _, t := range b.Terms {
		if t.Name == name {
			return t
		}
	}
	return Term{}
}

// TestBesideSimulation: the closed forms of the budget against noise and fixed pattern
// measured on simulated frames, for each kind of pixel and with shares.
func TestBesideSimulation(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	// Without the converter's own curve, which stretches what falls on a few codes.
	straight := func(msg *facetdv1.Array) {
		for _, l := range msg.Lanes {
			l.Converter.IntegralNonlinearitySteps, l.Converter.DifferentialNonlinearitySteps = 0, 0
		}
	}
	plain := changed(t, straight)
	for _, c := range []struct {
		name  string
		array *chipmodel.Array
		chip  string
		with  Conditions
		// Pixels to one independent value: those of a block; after two shares of pairs three an axis, since each pair
		// is correlated by a half with those beside it.
		block int
	}{
		{"memory", plain, "wall-00", Conditions{Lux: 100}, 1},
		{"memory in dim light", plain, "wall-00", Conditions{Lux: 0.05}, 1},
		{"memory, smoothed", plain, "wall-00", Conditions{Lux: 100, Shares: []Share{{0x55, 0x55, 0}, {0xaa, 0xaa, 0}}},
			9},
		{"memory, binned", plain, "wall-00", Conditions{Lux: 100, Shares: []Share{{0x77, 0x77, 0}}}, 16},
		{"counter", plain, "bed-1", Conditions{Lux: 30}, 1},
		{"hexagonal", plain, "bow-comb", Conditions{Lux: 30}, 1},
		{"joined", plain, "bow-left", Conditions{Lux: 30, Columns: 0x77, Rows: 0x55}, 8},
		{"linear", linearBed(t, straight), "bed-1", Conditions{Lux: 100}, 1},
	} {
		chip := c.array.Chip(c.chip)
		b, m := New(c.array, chip, c.with)
		if m.Err() != nil {
			t.Fatal(c.name, m)
		}
		const dies, frames = 24, 12
		var random, fixed float64 // squares
		for i := range uint64(dies) {
			r, f := measure(c.array, chip, c.with, frames, seed+i)
			random, fixed = random+r*r/dies, fixed+f*f/dies
		}
		if got := math.Sqrt(random); math.Abs(got/b.Random.Codes-1) > 0.03 {
			t.Errorf("%s: noise of %.3f codes measured, %.3f reckoned\n%s", c.name, got, b.Random.Codes, b.Table())
		}
		pattern, class := term(b, "fixed pattern").Codes, c.array.Chips[chip].Class
		within := 0.01 + 5/math.Sqrt(2*dies*float64(class.Rows*class.Columns/c.block)) // five standard errors
		if got := math.Sqrt(fixed); math.Abs(got/pattern-1) > within || within > 0.15 {
			t.Errorf("%s: pattern of %.3f codes measured, %.3f reckoned within %.3f\n%s", c.name, got, pattern, within,
				b.Table())
		}
	}
}

// TestInputReferredNoise: for sensors whose response is no straight line EMVA 1288, release 4 General, has no photon
// transfer (seen in a report of its publication) and refers the noise to the input: sigma_y over the slope of the
// response at the working point (from memory). So measured, the signal-to-noise ratio of the light itself is what the
// budget says in decades, 1/(ln 10 x decades), of logarithmic pixels over four decades as of linear ones.
func TestInputReferredNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	straight := func(msg *facetdv1.Array) {
		for _, l := range msg.Lanes {
			l.Converter.IntegralNonlinearitySteps, l.Converter.DifferentialNonlinearitySteps = 0, 0
		}
	}
	logarithmic, linear := changed(t, straight), linearBed(t, straight)
	for _, c := range []struct {
		array *chipmodel.Array
		chip  string
		lux   float64
	}{{logarithmic, "wall-00", 0.05}, {logarithmic, "wall-00", 1}, {logarithmic, "wall-00", 300},
		{logarithmic, "bed-1", 30}, {linear, "bed-1", 100}} {
		chip := c.array.Chip(c.chip)
		at := func(lux float64) (mean, random float64) {
			mean, random, _ = measureAll(c.array, chip, Conditions{Lux: lux}, 60, seed)
			return mean, random
		}
		const apart = 1.3
		_, noise := at(c.lux)
		bright, _ := at(c.lux * apart)
		dim, _ := at(c.lux / apart)
		slope := math.Abs(bright-dim) / (c.lux * (apart - 1/apart))
		b, m := New(c.array, chip, Conditions{Lux: c.lux})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if got, want := c.lux*slope/noise, 1/(math.Ln10*b.Random.Decades); math.Abs(got/want-1) > 0.06 {
			t.Errorf("%s at %g lux: a ratio of %.4g measured, %.4g reckoned", c.chip, c.lux, got, want)
		}
	}
}

// TestTerms: single terms against the formula for a chip of round numbers.
func TestTerms(t *testing.T) {
	a := changed(t, func(msg *facetdv1.Array) {
		for _, c := range msg.Classes {
			if m := c.GetMemory(); m != nil {
				c.TemperatureK = 300
				m.CellCapacitanceFf, m.LeakFa, m.LightLeakFaPerLux, m.InjectionVolts = 100, 2, 0.01, 1e-3
				l := c.GetLogarithmic()
				l.VoltsPerDecade, l.DarkLux, l.NodeCapacitanceFf = 0.2, 1e-6, 50
			}
		}
		for _, l := range msg.Lanes {
			l.Converter = &facetdv1.Converter{Bits: 12, HighVolts: 4.096, Conversion: durationpb.New(time.Microsecond),
				NoiseVolts: 3e-4, OffsetVolts: 2e-3, IntegralNonlinearitySteps: 2}
		}
	})
	chip := a.Chip("wall-00")
	b, m := New(a, chip, Conditions{Lux: 100, Hold: 50 * time.Millisecond, DifferenceVolts: 0.5,
		Shares: []Share{{0x55, 0x55, 3}, {0xaa, 0xaa, 3}}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	for name, want := range map[string]float64{
		"kT/C of the memory cells": 203.51773878460816e-6, // 100 fF at 300 K
		// 287.8 uV on 50 fF is a contrast of 0.011133, on a slope of 0.2/ln 10 V; four
		// shares' weights leave two cells to the axis 1/4 each of four.
		"shot noise, as kT/C of the pixel": 0.011133279775273506 * 0.2 / math.Ln10 / 4,
		"droop":                            3e-15 / 100e-15 * 0.05,
		"charge injection":                 2e-3,
		"amplifier and converter noise":    3e-4,
		"quantisation":                     1e-3 / math.Sqrt(12),
		"ghost of the previous pixel":      0.5 / 8192,
		"integral non-linearity":           2e-3 * math.Sqrt(8.0/15),
		"offset and gain of the converter": 2e-3,
		"shares not settled":               2 * 0.5 * 0.5 * math.Exp(-3/0.45), // 3 ns, RC of 9 kohm and 100 fF, pairs
	} {
		got := term(b, name)
		if math.Abs(got.Volts/want-1) > 1e-3 {
			t.Errorf("%s: %v V, want %v V", name, got.Volts, want)
		}
		if math.Abs(got.Codes-got.Volts/1e-3) > 1e-9 || math.Abs(got.Decades/(got.Volts/0.2)-1) > 1e-6 {
			t.Errorf("%s: %v V are %v codes and %v decades", name, got.Volts, got.Codes, got.Decades)
		}
		if got.Remedy == "" {
			t.Errorf("%s has no remedy", name)
		}
	}
	var squares float64
	for i, term := range b.Terms {
		squares += term.Volts * term.Volts
		if i > 0 && term.Volts > b.Terms[i-1].Volts {
			t.Error("the terms are not sorted")
		}
	}
	if math.Abs(b.Total.Volts/math.Sqrt(squares)-1) > 1e-12 || b.Largest != b.Terms[0].Name ||
		b.Remedy != b.Terms[0].Remedy {
		t.Errorf("total %v, largest %q", b.Total.Volts, b.Largest)
	}
	calibrated, _ := New(a, chip, Conditions{Lux: 100, Calibrated: true, DifferenceVolts: 0.5})
	if term(calibrated, "fixed pattern").Volts != 0 ||
		term(calibrated, "offset and gain of the converter").Volts != 0 || calibrated.Total.Volts >= b.Total.Volts {
		t.Error("a calibration takes nothing away")
	}
	half, _ := New(a, chip, Conditions{Lux: 100, DifferenceVolts: 0.5, Bandwidth: 0.5})
	if got, want := term(half, "ghost of the previous pixel").Volts, 0.5*math.Exp2(-6.5); math.Abs(got/want-1) > 1e-9 {
		t.Errorf("half the bandwidth leaves a ghost of %v V, want %v V", got, want)
	}
}

// TestWhatAMeanOfFramesLeaves: the pixel's own noise is the same in frames that follow each other within its time
// constant C U_T/I, so that a mean of those gains little: whoever is told to take one is told how far apart. 60 fF
// under 90 fA a lux are 17 ms at one lux, and ten times that at a tenth (worked out from the formula, which is from
// memory).
func TestWhatAMeanOfFramesLeaves(t *testing.T) {
	const name = "shot noise, as kT/C of the pixel"
	for _, c := range []struct {
		perLux, lux float64
		says        string
	}{{90, 1, "time constant at this light, 17 ms"}, {90, 0.1, "time constant at this light, 1.7e+02 ms"},
		{90, 10, "time constant at this light, 1.7 ms"}, {0, 1, "time constant, which goes as one over the light"}} {
		a := changed(t, func(msg *facetdv1.Array) {
			for _, class := range msg.Classes {
				class.TemperatureK = 300
				if l := class.GetLogarithmic(); l != nil {
					l.NodeCapacitanceFf, l.PhotocurrentFaPerLux, l.DarkLux = 60, c.perLux, 1e-9
				}
			}
		})
		b, m := New(a, a.Chip("wall-00"), Conditions{Lux: c.lux, Calibrated: true})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if remedy := term(b, name).Remedy; !strings.Contains(remedy, "several frames that are further apart than its "+
			c.says) {
			t.Errorf("%g fA a lux at %g lux: %q", c.perLux, c.lux, remedy)
		}
	}
}

// TestLeastLight: at the absolute sensitivity threshold of EMVA 1288, mu_p.min = (sqrt(sigma_d^2 + 1/(12 K^2) + 1/4) +
// 1/2)/eta, signal and noise are equal (relation from memory of release 3.1, derived again; values worked out
// elsewhere).
func TestLeastLight(t *testing.T) {
	var table struct {
		Rows []struct {
			Sigma  float64 `json:"sigma_d_e"`
			K      float64 `json:"K_DN_per_e"`
			Eta    float64
			Photon float64 `json:"mu_p_min_photons"`
		} `json:"mu_p_min"`
	}
	text, err := os.ReadFile("../analog/testdata/emva1288.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &table); err != nil {
		t.Fatal(err)
	}
	const voltsPerE = 1e-5
	for _, r := range table.Rows {
		a := linearBed(t, func(msg *facetdv1.Array) {
			for _, l := range msg.Lanes {
				l.Converter = &facetdv1.Converter{Bits: 12, HighVolts: 4096 * voltsPerE / r.K,
					Conversion: durationpb.New(time.Microsecond)}
			}
		}, func(p *facetdv1.LinearPixel) {
			// A lux brings one photon in the exposure.
			p.Exposure, p.ElectronsPerLuxS = durationpb.New(time.Second), r.Eta
			p.VoltsPerElectron, p.ReadNoiseElectrons, p.DarkElectronsPerS = voltsPerE, r.Sigma, 0
		})
		b, m := New(a, a.Chip("bed-1"), Conditions{Lux: r.Photon})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if snr := r.Eta * r.Photon * voltsPerE / b.Random.Volts; math.Abs(snr-1) > 1e-6 {
			t.Errorf("read noise %g, gain %g: signal to noise %v\n%s", r.Sigma, r.K, snr, b.Table())
		}
	}
	if len(table.Rows) != 21 {
		t.Errorf("%d rows", len(table.Rows))
	}
}

// TestSupplyRipple: high above the output the regulator rejects what it says, a sine of
// peak over root two; too low a supply lets all through; and between, part of a cycle.
func TestSupplyRipple(t *testing.T) {
	for supply, want := range map[float64]float64{5: 0.1 / 1000 / math.Sqrt2, 3.2: 0.1 / math.Sqrt2} {
		c := &facetdv1.Regulator{SupplyVolts: supply, SupplyRippleVolts: 0.1, OutputVolts: 3, DropoutVolts: 0.3,
			RejectionDb: 60}
		if got := supplyRipple(c); math.Abs(got/want-1) > 1e-6 {
			t.Errorf("a supply of %g V leaves %v V, want %v V", supply, got, want)
		}
	}
	// At the limit half a cycle passes: a half wave of rms 1/2, less its mean 1/pi.
	c := &facetdv1.Regulator{SupplyVolts: 3.3, SupplyRippleVolts: 0.1, OutputVolts: 3, DropoutVolts: 0.3,
		RejectionDb: 200}
	if got, want := supplyRipple(c), 0.1*math.Sqrt(0.25-1/(math.Pi*math.Pi)); math.Abs(got/want-1) > 1e-4 {
		t.Errorf("at the limit %v V are left, want %v V", got, want)
	}
}

// TestFullWell: up to the full well the noise grows with the light; beyond it no photon counts any more and the noise
// is that of the readout alone. The budget says so of the noise as of what it is worth: a full well is a finding.
func TestFullWell(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	a := linearBed(t, func(msg *facetdv1.Array) {
		for _, l := range msg.Lanes {
			l.Converter.IntegralNonlinearitySteps, l.Converter.DifferentialNonlinearitySteps = 0, 0
			l.Converter.LowVolts, l.Converter.HighVolts = 0, 2.5 // what the full well gives is well within
		}
	})
	chip := a.Chip("bed-1")
	// 20,000 electrons a lux and second for 10 ms, 400 of the dark, 50,000 in all.
	const full = (5e4 - 400) / 200.0
	for _, c := range []struct {
		lux, shot float64
		by        string
	}{{0.4 * full, math.Sqrt(0.4*(5e4-400)+400) * 30e-6, ""}, {1.3 * full, 0, "full well"}} {
		b, m := New(a, chip, Conditions{Lux: c.lux})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if got := term(b, "shot noise").Volts; math.Abs(got-c.shot) > 1e-6*c.shot {
			t.Errorf("%g lux: shot noise of %v V, want %v V", c.lux, got, c.shot)
		}
		bright := b.Saturation.Bright
		if b.Saturation.By != c.by || bright == nil || math.Abs(bright.Lux/full-1) > 1e-9 || bright.By != "full well" {
			t.Errorf("%g lux: %+v, the brightest light %+v, want a full well at %g lux", c.lux, b.Saturation, bright,
				full)
		}
		if warned := strings.Contains(b.Table(), "SATURATED"); warned != (c.by != "") {
			t.Errorf("%g lux: warned %v\n%s", c.lux, warned, b.Table())
		}
		random, fixed := measure(a, chip, Conditions{Lux: c.lux}, 60, seed)
		if math.Abs(random/b.Random.Codes-1) > 0.05 {
			t.Errorf("%g lux: noise of %.3f codes measured, %.3f reckoned\n%s", c.lux, random, b.Random.Codes,
				b.Table())
		}
		if c.by != "" && (b.VoltsPerDecade != 0 || !(fixed < 0.2)) {
			t.Errorf("%g lux: %v V a decade, a pattern of %.3f codes of full wells", c.lux, b.VoltsPerDecade, fixed)
		}
	}
}

func TestRefuses(t *testing.T) {
	a := crawler(t)
	for name, c := range map[string]struct {
		chip string
		with Conditions
		want []string
	}{
		"dark": {"wall-00", Conditions{}, []string{"lux: 0 is not possible"}},
		"nan":  {"wall-00", Conditions{Lux: math.NaN(), Bandwidth: -1}, []string{"lux: NaN", "bandwidth: -1"}},
		"counter": {"bed-1", Conditions{Lux: 1, Hold: 1, Shares: []Share{{}}},
			[]string{"shares: chips of class", "hold: chips of class"}},
		"patterns": {"wall-00", Conditions{Lux: 1, Columns: 1}, []string{"set no patterns before sensing"}},
		"gain":     {"wall-00", Conditions{Lux: 1, GainIndex: 2}, []string{"there is no gain 2"}},
	} {
		_, m := New(a, a.Chip(c.chip), c.with)
		if len(m) != len(c.want) {
			t.Errorf("%s: %v", name, m)
			continue
		}
		for i, w := range c.want {
			if !strings.Contains(m[i].String(), w) || m[i].Hint == "" {
				t.Errorf("%s: %q, want %q", name, m[i], w)
			}
		}
	}
	if _, m := New(a, 99, Conditions{Lux: 1}); len(m) != 1 {
		t.Errorf("no such chip: %v", m)
	}
}

// TestForms: the table names every term, and JSON comes back as it was.
func TestForms(t *testing.T) {
	a := crawler(t)
	b, m := New(a, a.Chip("wall-00"), Conditions{Lux: 50, Hold: 20 * time.Millisecond})
	if m.Err() != nil {
		t.Fatal(m)
	}
	table := b.Table()
	for _, want := range []string{"wall-00 (wall-eye)", "all terms", "all random terms", "largest: " + b.Largest} {
		if !strings.Contains(table, want) {
			t.Errorf("%q is missing in\n%s", want, table)
		}
	}
	for _, x := range b.Terms {
		if !strings.Contains(table, x.Name) {
			t.Errorf("%q is missing in\n%s", x.Name, table)
		}
	}
	text, err := json.Marshal(b)
	if err != nil {
		t.Fatal(err)
	}
	var again Budget
	if err := json.Unmarshal(text, &again); err != nil {
		t.Fatal(err)
	}
	if again.Total != b.Total || len(again.Terms) != len(b.Terms) || again.Terms[0] != b.Terms[0] {
		t.Errorf("JSON changes the budget: %s", text)
	}
}
