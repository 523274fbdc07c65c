package correction

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
	"facetd.example/deploy"
)

// TestEMVA1288 takes the photon transfer of EMVA Standard 1288 (release 3.1; the file says
// what of it was seen) over a table of means and variances: what was worked out from the
// same table elsewhere comes out to 12 digits, and the truth behind it within the errors of
// that table.
func TestEMVA1288(t *testing.T) {
	var table struct {
		SNR []struct {
			Full float64 `json:"full_well_e"`
			SNR  float64 `json:"snr_max"`
		} `json:"snr_max"`
		Synthetic struct {
			Truth struct {
				K    float64
				Dark float64 `json:"sigma_d_e"`
				DSNU float64 `json:"dsnu_e"`
				PRNU float64 `json:"prnu"`
			}
			Points []struct {
				Photons  float64 `json:"mu_p"`
				Mean     float64 `json:"mean_DN"`
				Variance float64 `json:"temporal_var_DN2"`
			} `json:"photon_transfer"`
			K            float64 `json:"K_est"`
			Responsivity float64 `json:"responsivity_DN_per_photon"`
			Dark         float64 `json:"sigma_d_est"`
			SpatialDark  float64 `json:"s2_dark_DN2"`
			SpatialHalf  float64 `json:"s2_half_DN2"`
			MeanDark     float64 `json:"mean_dark"`
			MeanHalf     float64 `json:"mean_half"`
			DSNU         float64 `json:"DSNU_est_e"`
			PRNU         float64 `json:"PRNU_est"`
			Linearity    float64 `json:"linearity_error_est"`
		}
		Bowed struct {
			Linearity float64 `json:"linearity_error"`
		}
	}
	b, err := os.ReadFile("testdata/emva1288.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &table); err != nil {
		t.Fatal(err)
	}
	s := &table.Synthetic
	zero := s.Points[0]
	d := point{temporal: zero.Variance, spatial: s.SpatialDark}
	var lit []point
	for _, p := range s.Points[1:] {
		// The spatial variances were measured at half of the brightest level only.
		lit = append(lit, point{p.Photons, p.Mean - zero.Mean, p.Variance, s.SpatialHalf})
	}
	got := transferOf(d, lit)
	near := func(name string, got, want, within float64) {
		t.Helper()
		if !(math.Abs(got/want-1) <= within) {
			t.Errorf("%s is %.15g, want %.15g within %g", name, got, want, within)
		}
	}
	near("K", got.CodesPerElectron, s.K, 1e-12)
	near("responsivity", got.CodesPerLux, s.Responsivity, 1e-12)
	near("dark noise", got.DarkNoise, s.Dark, 1e-12)
	near("DSNU", got.DSNU, s.DSNU, 1e-12)
	near("linearity error", got.LinearityError, s.Linearity, 1e-9)
	var bowed []point
	for h := 1.0; h <= 50; h++ {
		bowed = append(bowed, point{lux: h, signal: 40 * h * (1 - 0.004*h)})
	}
	near("linearity error of a bow", linearityError(bowed, bowed[49].signal), table.Bowed.Linearity, 1e-12)
	if e := linearityError(bowed[:3], bowed[49].signal); !math.IsNaN(e) {
		t.Errorf("a linearity error of %g of levels below 5 %% of saturation", e)
	}
	// The table's half level is a measurement of its own.
	half := point{signal: s.MeanHalf - s.MeanDark, spatial: s.SpatialHalf, temporal: 1}
	(&Transfer{}).rest(d, []point{half}, half, false)
	prnu := &Transfer{CodesPerElectron: s.K}
	prnu.rest(d, []point{half}, point{signal: 2 * half.signal}, false)
	near("PRNU", prnu.PRNU, s.PRNU, 1e-12)
	near("K against the truth", got.CodesPerElectron, s.Truth.K, 0.005)
	near("dark noise against the truth", got.DarkNoise, s.Truth.Dark, 0.01)
	near("DSNU against the truth", got.DSNU, s.Truth.DSNU, 0.01)
	near("PRNU against the truth", prnu.PRNU, s.Truth.PRNU, 0.01)
	if got.Saturation != 0 || len(s.Points) < 12 {
		t.Errorf("saturation at %g electrons in a table of %d points that shows none", got.Saturation, len(s.Points))
	}
	for _, r := range table.SNR {
		full := &Transfer{CodesPerElectron: 0.1}
		full.rest(point{}, []point{{signal: 0.1 * r.Full}}, point{signal: 0.1 * r.Full}, true)
		near("largest SNR", full.MaxSNR, r.SNR, 1e-12)
	}
	if len(table.SNR) < 9 {
		t.Error("rows are missing")
	}
}

// TestLogFitBesideSciPy fits y = a + b ln(c + x) to noisy responses of a hundred pixels
// beside scipy.optimize.least_squares: nowhere does scipy, started at the truth, find a
// smaller sum of squares, and the parameters agree.
func TestLogFitBesideSciPy(t *testing.T) {
	t.Parallel()
	python := peertest.Python(t, "numpy", "scipy")
	const seed, pixels = 20261125, 100
	rng := rand.New(rand.NewPCG(seed, 2))
	x := []float64{0, 0.03, 0.3, 3, 30, 300, 3000}
	type task struct {
		X    []float64   `json:"x"`
		Y    [][]float64 `json:"y"`
		From [][]float64 `json:"from"`
	}
	in := task{X: x}
	var ours []logFit
	for range pixels {
		a, b, c := 1800+30*rng.NormFloat64(), 190*(1+0.02*rng.NormFloat64()), 0.04*math.Exp(0.3*rng.NormFloat64())
		y := make([]float64, len(x))
		for i := range x {
			y[i] = a + b*math.Log(c+x[i]) + 0.5*rng.NormFloat64()
		}
		in.Y, in.From = append(in.Y, y), append(in.From, []float64{a, b, math.Log(c)})
		ours = append(ours, newLogGrid(x).fit(y))
	}
	text, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	cmd := exec.Command(python, "-c", `
import json, sys, numpy as np
from scipy.optimize import least_squares
t = json.load(sys.stdin)
x = np.array(t["x"])
fits = []
for y, start in zip(t["y"], t["from"]):
    y = np.array(y)
    r = least_squares(lambda p: p[0] + p[1]*np.log(np.exp(p[2]) + x) - y, start, x_scale=[10, 10, 1], xtol=1e-14, ftol=1e-14, gtol=1e-14)
    fits.append([r.x[0], r.x[1], float(np.exp(r.x[2])), 2*r.cost])
json.dump(fits, sys.stdout)
`)
	cmd.Stdin, cmd.Stderr = bytes.NewReader(text), os.Stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	var theirs [][4]float64
	if err := json.Unmarshal(out, &theirs); err != nil {
		t.Fatal(err)
	}
	for i, f := range ours {
		w := theirs[i]
		if f.squares > w[3]*(1+1e-9)+1e-12 || math.Abs(f.a-w[0]) > 1e-3 || math.Abs(f.b-w[1]) > 1e-3 ||
			math.Abs(f.c/w[2]-1) > 1e-4 {
			t.Errorf("seed %d, pixel %d: a %.9g b %.9g c %.9g, squares %.12g; scipy %.9g", seed, i, f.a, f.b, f.c,
				f.squares, w)
		}
	}
	if len(theirs) != pixels {
		t.Errorf("%d fits from scipy", len(theirs))
	}
}

// TestSimulatedDies calibrates a simulated chip of each logarithmic class of the demo, read
// through its simulated lane with noise, droop and converter errors: at light between the
// levels the fixed pattern falls from far above the temporal noise to below a third of it,
// and truly defective pixels apart nothing is called defective beyond one in 10,000.
func TestSimulatedDies(t *testing.T) {
	t.Parallel()
	array, m := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	seen := map[string]bool{}
	for chip := range array.Chips {
		class := array.Chips[chip].Class
		if seen[class.Name] {
			continue
		}
		seen[class.Name] = true
		s := newSimulatedChip(t, array, chip)
		var levels []Level
		for _, lux := range []float64{0.1, 1, 10, 100, 1000} {
			levels = append(levels, s.level(t, lux, 64))
		}
		cmap, err := Fit(LogResponse, levels, Options{Kelvin: class.Spec.GetTemperatureK()})
		if err != nil {
			t.Fatal(class.Name, err)
		}
		between := s.level(t, 40, 64)
		left, err := cmap.Measure([]Level{between})
		if err != nil {
			t.Fatal(err)
		}
		l := left[0]
		t.Logf("%s: pattern %.2f codes before, %.3f after, temporal noise %.2f, %d defects", class.Name, l.BeforeCodes,
			l.AfterCodes, l.NoiseCodes, len(cmap.Defects))
		// What the mean of 64 frames hides, in correction map and frames, and the steps of the converter.
		limit := math.Sqrt(2*l.NoiseCodes*l.NoiseCodes/64 + 2*0.2*0.2 + 1.0/12)
		if l.BeforeCodes < 5*l.NoiseCodes || l.AfterCodes > limit {
			t.Errorf("%s: %.3f codes left, at most %.3f expected", class.Name, l.AfterCodes, limit)
		}
		if n := float64(class.Rows * class.Columns); float64(len(cmap.Defects)) > max(1, n/10000) {
			t.Errorf("%s: %d of %g good pixels are called defective", class.Name, len(cmap.Defects), n)
		}
		// The light that the correction map says is the light that was there, within the spread of the
		// mean pixel: a decade is CodesPerDecade codes.
		if off := (cmap.Mean.Code(40) - l.MeanCode) / cmap.CodesPerDecade; math.Abs(off) > 0.01 {
			t.Errorf("%s: the mean response at 40 lux is off by %.4f decades", class.Name, off)
		}
	}
	if len(seen) < 4 {
		t.Errorf("only classes %v", seen)
	}
}

// simulatedChip reads whole frames of a die through its lane.
type simulatedChip struct {
	die   *die.Die
	lane  *die.Lane
	class *chipmodel.Class
	scale Scale
	atNS  int64
}

func newSimulatedChip(t *testing.T, a *chipmodel.Array, chip int) *simulatedChip {
	t.Helper()
	lane := a.Chips[chip].Lane
	conv := a.Lanes[lane].Spec.GetConverter()
	top := math.Exp2(float64(conv.GetBits()))
	return &simulatedChip{die: die.New(a, chip, 5), lane: die.NewLane(a, lane, 5), class: a.Chips[chip].Class,
		scale: Scale{CodeZeroVolts: conv.GetLowVolts(), VoltsPerCode: (conv.GetHighVolts() - conv.GetLowVolts()) / top,
			HighestCode: uint16(top) - 1}}
}

func (s *simulatedChip) level(t *testing.T, lux float64, frames int) Level {
	t.Helper()
	acc, err := NewAccumulator(Shape{Rows: s.class.Rows, Columns: s.class.Columns}, s.scale)
	if err != nil {
		t.Fatal(err)
	}
	light := die.Still(func(dst []float64, _ int, _ bustime.Time) {
		for i := range dst {
			dst[i] = lux
		}
	})
	volts := make([]float64, s.class.Columns)
	codes := make([]uint16, s.class.Rows*s.class.Columns)
	s.atNS += 30_000_000_000 // dim pixels have long settled
	for range frames {
		s.atNS += 100_000_000
		s.die.Strobe(chipmodel.Load, bustime.Time(s.atNS), 0, light)
		for r := range s.class.Rows {
			s.die.Row(volts, r, 0, 1, bustime.Time(s.atNS+10_000_000+int64(r)*200_000), 5_000, light)
			s.lane.Convert(codes[r*s.class.Columns:(r+1)*s.class.Columns], volts, 0)
		}
		if err := acc.Add(codes); err != nil {
			t.Fatal(err)
		}
	}
	return Level{Lux: lux, Frames: acc}
}

// TestFalseDefects: of good pixels with normal pattern and noise no more than one in
// 10,000 is called defective, over many chips; the seed is in the log.
func TestFalseDefects(t *testing.T) {
	t.Parallel()
	const seed = 77
	rng := rand.New(rand.NewPCG(seed, 3))
	shape, scale := Shape{Rows: 64, Columns: 64}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	false_, pixels := 0, 0
	for range 25 {
		a, b := make([]float64, shape.Pixels()), make([]float64, shape.Pixels())
		for i := range a {
			a[i], b[i] = 1500+15*rng.NormFloat64(), 220*(1+0.01*rng.NormFloat64())
		}
		var levels []Level
		for _, lux := range []float64{1, 30, 900} {
			levels = append(levels, Level{lux,
				simulated(t, shape, scale, 8,
					func(i int) float64 { return a[i] + b[i]*math.Log(0.05+lux) + 1.5*rng.NormFloat64() })})
		}
		m, err := Fit(OffsetGain, levels, Options{})
		if err != nil {
			t.Fatal(err)
		}
		false_ += len(m.Defects)
		pixels += shape.Pixels()
	}
	t.Logf("seed %d: %d of %d good pixels called defective", seed, false_, pixels)
	if false_*10000 > pixels {
		t.Errorf("more than one in 10,000")
	}
}
