package correction

import (
	"bytes"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"testing"

	"facetd.example/daemon/fit"
)

func load(t testing.TB, name string, into any) {
	t.Helper()
	b, err := os.ReadFile("testdata/" + name + ".json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, into); err != nil {
		t.Fatal(err)
	}
}

func near(t testing.TB, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %v, want %v within %g of it", what, got, want, relative)
	}
}

// logArray is the array of testdata/log_pixel.json, pixel by pixel.
type logArray struct {
	x       []float64
	a, b, c []float64
	means   []float64
	left    map[string][]float64
}

func loadLogArray(t testing.TB) logArray {
	var f struct {
		X       []float64            `json:"x"`
		A       [][]float64          `json:"a"`
		B       [][]float64          `json:"b"`
		C       [][]float64          `json:"c"`
		Spatial []float64            `json:"spatial_mean_V"`
		Left    map[string][]float64 `json:"residual_rms_V"`
	}
	load(t, "log_pixel", &f)
	return logArray{f.X, slices.Concat(f.A...), slices.Concat(f.B...), slices.Concat(f.C...), f.Spatial, f.Left}
}

func (l logArray) input() *input {
	in := &input{n: len(l.a), mean: make([][]float64, len(l.x))}
	for k, x := range l.x {
		in.mean[k] = make([]float64, in.n)
		for i := range in.n {
			in.mean[k][i] = l.a[i] + l.b[i]*math.Log(l.c[i]+x)
		}
	}
	in.average(make([]Kind, in.n))
	return in
}

// TestCorrectionsOfGeneratedPixels has a 16 x 16 array generated from the model of Joseph and
// Collins (seen in the abstract) without noise: what offsets, straight lines and the full
// model leave at eight lights over seven decades is what numpy and scipy found; none of these
// numbers is published. Offset correction maps average over all lights there.
func TestCorrectionsOfGeneratedPixels(t *testing.T) {
	l := loadLogArray(t)
	in := l.input()
	offset := make([]float64, in.n)
	a, b := make([]float64, in.n), make([]float64, in.n)
	a2, b2 := make([]float64, in.n), make([]float64, in.n)
	fits := make([]logFit, in.n)
	g := newLogGrid(l.x)
	y := make([]float64, len(l.x))
	two := []float64{in.spatial[2], in.spatial[6]} // lights 1 and 1e4
	for i := range in.n {
		in.pixel(y, i)
		for k := range y {
			offset[i] += (y[k] - in.spatial[k]) / float64(len(y))
		}
		all, ends := fit.NewLine(in.spatial, y, nil), fit.NewLine(two, []float64{y[2], y[6]}, nil)
		a[i], b[i], a2[i], b2[i] = all.Intercept, all.Slope, ends.Intercept, ends.Slope
		fits[i] = g.fit(y)
		if math.Abs(fits[i].a-l.a[i]) > 1e-9 || math.Abs(fits[i].b-l.b[i]) > 1e-10 ||
			math.Abs(fits[i].c/l.c[i]-1) > 1e-8 || fits[i].edge {
			t.Errorf("pixel %d: %+v, want %v %v %v", i, fits[i], l.a[i], l.b[i], l.c[i])
		}
	}
	for k, x := range l.x {
		near(t, "mean", in.spatial[k], l.means[k], 1e-12)
		spread := func(f func(i int, y float64) float64) float64 {
			sum := 0.0 // about the mean pixel's code, which the mean of the corrected codes need not be
			for i := range in.n {
				d := f(i, in.mean[k][i]) - in.spatial[k]
				sum += d * d
			}
			return math.Sqrt(sum / float64(in.n))
		}
		check := func(name string, got float64) {
			if want := l.left[name][k]; math.Abs(got-want) > 1e-9*want+1e-12 {
				t.Errorf("%s at %g: %v V, want %v", name, x, got, want)
			}
		}
		check("raw", spread(func(_ int, y float64) float64 { return y }))
		check("offset_only", spread(func(i int, y float64) float64 { return y - offset[i] }))
		check("offset_gain", spread(func(i int, y float64) float64 { return (y - a[i]) / b[i] }))
		check("two_point", spread(func(i int, y float64) float64 { return (y - a2[i]) / b2[i] }))
		mean := Response{1, 0.0336, 0.05}
		for i := range in.n {
			got := correctLog(in.mean[k][i], fits[i].a, fits[i].b, fits[i].c, mean)
			near(t, "full correction", got, mean.Code(x), 1e-10)
		}
	}
}

// frames draws n frames of an array's means (in codes) with noise, rounded and clipped.
func frames(t testing.TB, s Shape, mean func(i int) float64, sigma func(i int) float64, n int,
	rng *rand.Rand) *Accumulator {
	t.Helper()
	acc, err := NewAccumulator(s, Scale{0.5, 1.0 / 4096, 4095})
	if err != nil {
		t.Fatal(err)
	}
	codes := make([]uint16, s.Pixels())
	for range n {
		for i := range codes {
			codes[i] = uint16(min(max(math.Round(mean(i)+sigma(i)*rng.NormFloat64()), 0), 4095))
		}
		if err := acc.Add(codes); err != nil {
			t.Fatal(err)
		}
	}
	return acc
}

// groundTruth is an array with known logarithmic pixels, in codes.
type groundTruth struct {
	Shape
	a, b, c, sigma []float64
	stuck          map[int]float64
}

func newGroundTruth(s Shape, rng *rand.Rand) *groundTruth {
	n := s.Pixels()
	w := &groundTruth{s, make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n),
		map[int]float64{}}
	for i := range n {
		w.a[i] = 1500 + 40*rng.NormFloat64()
		w.b[i] = 130 * (1 + 0.015*rng.NormFloat64())
		w.c[i] = 0.05 * math.Exp(0.2*rng.NormFloat64())
		w.sigma[i] = 1.5
	}
	return w
}

func (w *groundTruth) code(i int, lux float64) float64 {
	if v, ok := w.stuck[i]; ok {
		return v
	}
	return w.a[i] + w.b[i]*math.Log(w.c[i]+lux)
}

func (w *groundTruth) level(t testing.TB, lux float64, n int, rng *rand.Rand) Level {
	return Level{lux, frames(t, w.Shape, func(i int) float64 { return w.code(i, lux) }, func(i int) float64 {
		if _, ok := w.stuck[i]; ok {
			return 0
		}
		return w.sigma[i]
	}, n, rng)}
}

var lights = []float64{0, 0.3, 10, 1000, 30000}

// TestDefectsAndResidual breaks known pixels of arrays with normal fixed pattern and
// noise: all are found, at most one in 10,000 others with them over all seeds, and the
// residual in fresh frames falls below the temporal noise of one frame.
func TestDefectsAndResidual(t *testing.T) {
	t.Parallel()
	false_, good := 0, 0
	for seed := uint64(1); seed <= 8; seed++ {
		rng := rand.New(rand.NewPCG(seed, 7))
		w := newGroundTruth(Shape{48, 64, Square}, rng)
		want := map[int]Kind{}
		for k, i := range rng.Perm(w.Pixels())[:12] {
			switch k % 4 {
			case 0:
				w.stuck[i], want[i] = 0, StuckLow
			case 1:
				w.stuck[i], want[i] = 4095, StuckHigh
			case 2:
				w.stuck[i], want[i] = 1600, Dead
			case 3:
				w.sigma[i], want[i] = 9, Noisy
			}
		}
		var levels []Level
		for _, x := range lights {
			levels = append(levels, w.level(t, x, 32, rng))
		}
		m, err := Fit(LogResponse, levels, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range m.Defects {
			if want[d.Pixel] == 0 {
				t.Logf("seed %d: false %+v", seed, d)
				false_++
			} else if d.Kinds&want[d.Pixel] == 0 {
				t.Errorf("seed %d: %v called %v", seed, want[d.Pixel], d.Kinds)
			}
			delete(want, d.Pixel)
		}
		if len(want) > 0 {
			t.Errorf("seed %d: not found: %v", seed, want)
		}
		good += w.Pixels() - 12
		for _, x := range []float64{0, 0.1, 100, 10000} {
			fresh, err := m.Measure([]Level{w.level(t, x, 32, rng)})
			if err != nil {
				t.Fatal(err)
			}
			// The correction map stands on 32 frames a level: its own noise is about that of the mean.
			if r := fresh[0]; r.AfterCodes > 0.5*r.NoiseCodes || r.BeforeCodes < 10*r.NoiseCodes || !m.DarkResolved {
				t.Errorf("seed %d, %g lux: %+v", seed, x, r)
			} else if seed == 1 {
				t.Logf("%g lux: noise %.2f, pattern %.2f before, %.3f after, codes", x, r.NoiseCodes, r.BeforeCodes,
					r.AfterCodes)
			}
		}
	}
	t.Logf("seeds 1-8: %d false of %d good pixels", false_, good)
	if float64(false_) > 1e-4*float64(good) {
		t.Errorf("%d false of %d", false_, good)
	}
}

// TestDefectiveLines breaks a row by its offset and a column by silence.
func TestDefectiveLines(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	w := newGroundTruth(Shape{32, 40, Square}, rng)
	for c := range 40 {
		w.a[5*40+c] += 400
	}
	for r := range 32 {
		w.stuck[r*40+7] = 1700
	}
	var levels []Level
	for _, x := range lights {
		levels = append(levels, w.level(t, x, 32, rng))
	}
	m, err := Fit(OffsetGain, levels, Options{})
	if err != nil {
		t.Fatal(err)
	}
	for _, d := range m.Defects {
		row, column := d.Pixel/40 == 5, d.Pixel%40 == 7
		if row != (d.Kinds&DefectiveRow != 0) || column != (d.Kinds&DefectiveColumn != 0) {
			t.Errorf("%d: %v", d.Pixel, d.Kinds)
		}
	}
	if len(m.Defects) != 40+32-1 {
		t.Errorf("%d defects", len(m.Defects))
	}
	codes := make([]uint16, w.Pixels())
	for i := range codes {
		codes[i] = uint16(1000 + 10*(i%40))
	}
	for _, d := range m.Defects {
		codes[d.Pixel] = 4095
	}
	if filled, left, err := m.Fill(codes); filled != 71 || left != 0 || err != nil {
		t.Error(filled, left, err)
	}
	for i, c := range codes {
		if d := math.Abs(float64(c) - float64(1000+10*(i%40))); d > 10 {
			t.Errorf("pixel %d filled with %d", i, c)
		}
	}
}

// cmaps are one correction map of each method, and a frame.
func cmaps(t testing.TB) (out []*Map, codes []uint16) {
	rng := rand.New(rand.NewPCG(11, 1))
	w := newGroundTruth(Shape{40, 50, HexagonalOdd}, rng)
	w.stuck[77] = 1600
	var levels []Level
	for _, x := range lights {
		levels = append(levels, w.level(t, x, 16, rng))
	}
	for method := Offset; method <= LogResponse; method++ {
		l := levels
		if method == Offset {
			l = levels[2:3]
		}
		m, err := Fit(method, l, Options{Kelvin: 300})
		if err != nil {
			t.Fatal(err)
		}
		out = append(out, m)
	}
	codes = make([]uint16, w.Pixels())
	for i := range codes {
		codes[i] = uint16(rng.IntN(4096))
	}
	codes[0], codes[1] = 0, 4095
	return out, codes
}

// TestApply compares the fast forms with the formulas in double precision: every code of
// some pixels, within a tenth of a code beside the rounding.
func TestApply(t *testing.T) {
	all, codes := cmaps(t)
	for _, m := range all {
		out := make([]uint16, len(codes))
		r, err := m.Apply(codes, out)
		if err != nil || r.ClippedLow < 1 || r.ClippedHigh < 1 || out[0] != 0 || out[1] != 4095 {
			t.Fatalf("%v: %+v %v", m.Method, r, err)
		}
		clamped := 0
		in := make([]uint16, len(codes))
		for shift := range 100 {
			clamped = 0
			for i := range in {
				in[i] = uint16(1 + (i*97+shift*41)%4094)
			}
			if r, err = m.Apply(in, out); err != nil {
				t.Fatal(err)
			}
			for i, c := range in {
				want := m.corrected(i, float64(c))
				if want < -0.5 || want > 4095.5 {
					clamped++
				}
				if d := math.Abs(float64(out[i]) - min(max(want, 0), 4095)); d > 0.6 {
					t.Fatalf("%v: pixel %d, code %d: %d, want %v", m.Method, i, c, out[i], want)
				}
			}
			if d := r.Clamped - clamped; d < -2 || d > 2 {
				t.Errorf("%v: clamped %d, want %d", m.Method, r.Clamped, clamped)
			}
		}
		if n := testing.AllocsPerRun(5, func() { _, _ = m.Apply(codes, out); _, _, _ = m.Fill(out) }); n != 0 {
			t.Errorf("%v: %v allocations", m.Method, n)
		}
		if _, err := m.Apply(codes[1:], out); err == nil {
			t.Error("a short frame was taken")
		}
	}
	for x := -40.0; x < 40; x += 0.0137 {
		near(t, "exp", quickExp(x), math.Exp(x), 3e-8)
		if d := math.Abs(quickLn(math.Exp(x)) - x); d > 1e-8 {
			t.Errorf("ln %g off by %g", math.Exp(x), d)
		}
	}
}

func TestEncode(t *testing.T) {
	all, codes := cmaps(t)
	for _, m := range all {
		b := m.Encode()
		back, err := Decode(b)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(back.Encode(), b) {
			t.Errorf("%v: other bytes after decoding", m.Method)
		}
		x, y := make([]uint16, len(codes)), make([]uint16, len(codes))
		_, _ = m.Apply(codes, x)
		_, _ = back.Apply(codes, y)
		_, _, _ = m.Fill(x)
		_, _, _ = back.Fill(y)
		if !slices.Equal(x, y) {
			t.Errorf("%v: corrects otherwise after decoding", m.Method)
		}
		for cut := 0; cut < len(b); cut += 1 + cut/3 {
			if _, err := Decode(b[:cut]); err == nil {
				t.Errorf("%v: %d of %d bytes were taken", m.Method, cut, len(b))
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	all, _ := cmaps(f)
	for _, m := range all {
		f.Add(m.Encode())
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := Decode(b)
		if err != nil {
			return
		}
		if !bytes.Equal(m.Encode(), b) {
			t.Error("other bytes after decoding")
		}
		codes := make([]uint16, m.Shape.Pixels())
		for i := range codes {
			codes[i] = uint16(i) % (m.Scale.HighestCode/2 + 1)
		}
		if _, err := m.Apply(codes, codes); err != nil {
			t.Error(err)
		}
		if _, _, err := m.Fill(codes); err != nil {
			t.Error(err)
		}
	})
}

// TestAccumulator compares with the two-pass formulas and with merged halves.
func TestAccumulator(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	s, sc := Shape{3, 4, Square}, Scale{0, 1e-4, 65535}
	whole, _ := NewAccumulator(s, sc)
	parts := [2]*Accumulator{}
	parts[0], _ = NewAccumulator(s, sc)
	parts[1], _ = NewAccumulator(s, sc)
	var all [][]uint16
	for k := range 20 {
		f := make([]uint16, 12)
		for i := range f {
			f[i] = uint16(65525 + rng.IntN(11))
		}
		all = append(all, f)
		if whole.Add(f) != nil || parts[k/10].Add(f) != nil {
			t.Fatal("not taken")
		}
	}
	if err := parts[0].Merge(parts[1]); err != nil {
		t.Fatal(err)
	}
	for i := range 12 {
		mean, ss, high := 0.0, 0.0, 0
		for _, f := range all {
			mean += float64(f[i]) / 20
			if f[i] == 65535 {
				high++
			}
		}
		for _, f := range all {
			ss += (float64(f[i]) - mean) * (float64(f[i]) - mean) / 19
		}
		near(t, "mean", whole.Mean(i), mean, 1e-14)
		near(t, "variance", whole.Variance(i), ss, 1e-9)
		if _, h := whole.Clipped(i); h != high {
			t.Errorf("%d clipped, want %d", h, high)
		}
		if whole.Variance(i) != parts[0].Variance(i) || whole.Mean(i) != parts[0].Mean(i) {
			t.Error("merged halves differ")
		}
	}
	near(t, "pairs", parts[0].PairVariance(), whole.PairVariance(), 1e-12)
}

// TestHexagonalNeighbours: every inner pixel has six neighbours, all one pitch away.
func TestHexagonalNeighbours(t *testing.T) {
	for _, l := range []Lattice{HexagonalEven, HexagonalOdd} {
		s := Shape{9, 9, l}
		for r := 3; r < 5; r++ {
			for ring := 1; ring <= 3; ring++ {
				n := 0
				s.ring(r, 4, ring, func(r1, c1 int) {
					n++
					dx, dy := float64(s.halves(r1, c1)-s.halves(r, 4))/2, float64(r1-r)*math.Sqrt(3)/2
					if ring == 1 && math.Abs(math.Hypot(dx, dy)-1) > 1e-12 {
						t.Errorf("neighbour at %g, %g", dx, dy)
					}
				})
				if n != 6*ring {
					t.Errorf("lattice %d: %d at %d steps", l, n, ring)
				}
			}
		}
	}
}

// BenchmarkApply is each method beside a copy in a plain loop, in the same run.
func BenchmarkApply(b *testing.B) {
	all, codes := cmaps(b)
	out := make([]uint16, len(codes))
	per := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(len(codes)), "ns/pixel")
	}
	b.Run("copy loop", func(b *testing.B) {
		for b.Loop() {
			for i := range codes { // not copy(), which moves many at once
				out[i] = codes[i] ^ 1
			}
		}
		per(b)
	})
	for _, m := range all {
		b.Run(m.Method.String(), func(b *testing.B) {
			for b.Loop() {
				_, _ = m.Apply(codes, out)
			}
			per(b)
		})
	}
}
