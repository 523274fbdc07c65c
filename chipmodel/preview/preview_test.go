package preview

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
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

func class(t testing.TB, a *chipmodel.Array, name string) *chipmodel.Class {
	t.Helper()
	for _, c := range a.Classes {
		if c.Name == name {
			return c
		}
	}
	t.Fatalf("no class %s", name)
	return nil
}

func random(rows, columns int, low, high float64, seed uint64) Matrix {
	rng := rand.New(rand.NewPCG(seed, 0))
	m := Matrix{Rows: rows, Columns: columns}
	for range rows * columns {
		m.Pixels = append(m.Pixels, low+(high-low)*rng.Float64())
	}
	return m
}

// connected is the stupid reference: means of connected components by flooding.
func connected(m Matrix, columns, rows string) Matrix {
	out := Matrix{m.Rows, m.Columns, slices.Clone(m.Pixels)}
	seen := make([]bool, len(m.Pixels))
	closed := func(pattern string, i int) bool { return pattern != "-" && pattern[i%8] == '1' }
	for start := range m.Pixels {
		if seen[start] {
			continue
		}
		block := []int{start}
		seen[start] = true
		var sum float64
		for k := 0; k < len(block); k++ {
			i := block[k]
			r, c := i/m.Columns, i%m.Columns
			sum += m.Pixels[i]
			for _, n := range []struct {
				ok bool
				at int
			}{
				{c+1 < m.Columns && closed(columns, c), i + 1}, {c > 0 && closed(columns, c-1), i - 1},
				{r+1 < m.Rows && closed(rows, r), i + m.Columns}, {r > 0 && closed(rows, r-1), i - m.Columns},
			} {
				if n.ok && !seen[n.at] {
					seen[n.at] = true
					block = append(block, n.at)
				}
			}
		}
		for _, i := range block {
			out.Pixels[i] = sum / float64(len(block))
		}
	}
	return out
}

func difference(a, b Matrix) float64 {
	if a.Rows != b.Rows || a.Columns != b.Columns {
		return math.Inf(1)
	}
	var worst float64
	for i := range a.Pixels {
		worst = max(worst, math.Abs(a.Pixels[i]-b.Pixels[i]))
	}
	return worst
}

// TestIdealVolts: step by step the built-in chip gives what flooding connected cells
// gives, for any size and patterns.
func TestIdealVolts(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	pattern := func() string {
		if rng.IntN(5) == 0 {
			return None
		}
		var b []byte
		for range 8 {
			b = append(b, '0'+byte(rng.IntN(2)))
		}
		return string(b)
	}
	for range 200 {
		in := random(1+rng.IntN(20), 1+rng.IntN(20), -1, 3, rng.Uint64())
		want := in
		r := Request{Input: in, Ideal: true}
		for range rng.IntN(4) {
			c, w := pattern(), pattern()
			r.Columns, r.Rows = append(r.Columns, c), append(r.Rows, w)
			want = connected(want, c, w)
		}
		got, m := Run(r)
		if m.Err() != nil {
			t.Fatal(m)
		}
		if d := difference(got, want); d > 1e-12 {
			t.Fatalf("%d x %d, columns %q, rows %q: wrong by %g", in.Rows, in.Columns, r.Columns, r.Rows, d)
		}
	}
}

// TestOneListAlone: an absent list is no pattern at all.
func TestOneListAlone(t *testing.T) {
	in := random(4, 4, 0, 1, 3)
	got, m := Run(Request{Input: in, Ideal: true, Columns: []string{"10101010"}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if d := difference(got, connected(in, "10101010", "-")); d > 1e-15 {
		t.Errorf("wrong by %g", d)
	}
}

// TestLux: shared after sensing, light takes its geometric mean (with the dark term);
// joined before it, the arithmetic one, which is larger.
func TestLux(t *testing.T) {
	a := crawler(t)
	in := Matrix{1, 2, []float64{1, 100}}
	got, m := Run(Request{Input: in, Unit: Lux, Ideal: true, Columns: []string{"10000000"}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if want := math.Sqrt((1+0.01)*(100+0.01)) - 0.01; math.Abs(got.Pixels[0]/want-1) > 1e-9 {
		t.Errorf("shared: %v lux, want %v", got.Pixels[0], want)
	}
	bow := class(t, a, "bow-pair")
	before := Matrix{bow.Rows, bow.Columns, make([]float64, bow.Rows*bow.Columns)}
	for i := range before.Pixels {
		before.Pixels[i] = 1 + 99*float64(i%2)
	}
	got, m = Run(Request{Class: bow, Array: a, Input: before, Unit: Lux, Ideal: true, Columns: []string{"10101010"}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if math.Abs(got.Pixels[0]-50.5) > 1e-6 {
		t.Errorf("joined: %v lux, want 50.5", got.Pixels[0])
	}
}

// TestUnchanged: without steps every class gives an ideal input back, in either unit.
func TestUnchanged(t *testing.T) {
	a := crawler(t)
	for _, c := range a.Classes {
		in := random(c.Rows, c.Columns, 0.1, 500, 4)
		got, m := Run(Request{Class: c, Array: a, Input: in, Unit: Lux, Ideal: true})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if d := difference(got, in); d > 1e-9*500 {
			t.Errorf("%s: light is wrong by %g", c.Name, d)
		}
		in = random(c.Rows, c.Columns, 1.1, 1.5, 4)
		got, m = Run(Request{Class: c, Array: a, Input: in, Ideal: true})
		if m.Err() != nil {
			t.Fatal(m)
		}
		if d := difference(got, in); d > 1e-12 {
			t.Errorf("%s: volts are wrong by %g", c.Name, d)
		}
	}
}

// TestView: a view's smoothing and binning are the same steps as written out, and its
// window shows one pixel of each bin.
func TestView(t *testing.T) {
	a := crawler(t)
	c := class(t, a, "wall-eye")
	in := random(c.Rows, c.Columns, 0.8, 1.6, 5)
	written, m := Run(Request{Class: c, Array: a, Input: in, Ideal: true,
		Columns: []string{"10101010", "01010101", "11101110"}, Rows: []string{"10101010", "01010101", "10101010"}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	viewed, m := Run(Request{Class: c, Array: a, Input: in, Ideal: true,
		View: &facetdv1.View{SmoothingSteps: 2, Binning: &facetdv1.Binning{Rows: 2, Columns: 4}}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if viewed.Rows != c.Rows/2 || viewed.Columns != c.Columns/4 {
		t.Fatalf("the view is %d x %d", viewed.Rows, viewed.Columns)
	}
	for r := range viewed.Rows {
		for col := range viewed.Columns {
			if got, want := viewed.At(r, col), written.At(2*r, 4*col); got != want {
				t.Fatalf("pixel (%d,%d): %v, want %v", r, col, got, want)
			}
		}
	}
}

// TestNoise: equal seeds give equal results, and what the real chip adds to an even
// input is the noise of its cells (kT/C).
func TestNoise(t *testing.T) {
	a := crawler(t)
	c := class(t, a, "wall-eye")
	in := Matrix{c.Rows, c.Columns, slices.Repeat([]float64{1.2}, c.Rows*c.Columns)}
	run := func(seed uint64, hold time.Duration) Matrix {
		got, m := Run(Request{Class: c, Array: a, Input: in, Seed: seed, Hold: hold})
		if m.Err() != nil {
			t.Fatal(m)
		}
		return got
	}
	one, two, other := run(1, 0), run(1, 0), run(2, 0)
	if difference(one, two) != 0 || difference(one, other) == 0 {
		t.Error("results do not follow the seed")
	}
	var mean, squares float64
	n := float64(len(one.Pixels))
	for _, v := range one.Pixels {
		mean += v / n
		squares += (v - 1.2) * (v - 1.2) / n
	}
	m := c.Spec.GetMemory()
	want := math.Sqrt(1.380649e-23 * c.Spec.GetTemperatureK() / (m.GetCellCapacitanceFf() * 1e-15))
	if got := math.Sqrt(squares); math.Abs(got/want-1) > 0.1 {
		t.Errorf("noise of %v V, want %v V", got, want)
	}
	held := run(1, time.Second)
	leak := m.GetLeakFa() * math.Exp2((c.Spec.GetTemperatureK()-300)/m.GetLeakDoublingK()) / m.GetCellCapacitanceFf()
	if got := one.Pixels[7] - held.Pixels[7]; math.Abs(got/leak-1) > 0.03 {
		t.Errorf("a second's hold loses %v V, want %v V", got, leak)
	}
}

// TestRefusals: every error of a request is reported, with its place and what to do.
func TestRefusals(t *testing.T) {
	a := crawler(t)
	wall, bow, bed := class(t, a, "wall-eye"), class(t, a, "bow-pair"), class(t, a, "bed-eye")
	fit := func(c *chipmodel.Class) Matrix { return random(c.Rows, c.Columns, 1.1, 1.4, 1) }
	nan := fit(wall)
	nan.Pixels[43] = math.NaN()
	dim := fit(bed)
	dim.Pixels[3] = -50
	for name, c := range map[string]struct {
		r    Request
		want []string
	}{
		"pattern": {Request{Input: random(3, 3, 0, 1, 1), Ideal: true, Columns: []string{"101", "1010101x"}},
			[]string{`columns[0]: a switch pattern has 8 characters`,
				`columns[1]: a switch pattern is made of 0 and 1`}},
		"lengths": {Request{Input: random(3, 3, 0, 1, 1), Ideal: true, Columns: []string{"10101010"},
			Rows: []string{"-", "-"}},
			[]string{"do not pair up"}},
		"empty":    {Request{Ideal: true}, []string{"0 values"}},
		"no class": {Request{Input: random(3, 3, 0, 1, 1)}, []string{"no chip class is named"}},
		"size": {Request{Class: wall, Array: a, Input: random(3, 3, 0, 1, 1)},
			[]string{"3 x 3, the lattice of class \"wall-eye\" is 40 x 40"}},
		"not finite": {Request{Class: wall, Array: a, Input: nan}, []string{"row 1, column 3: NaN is not finite"}},
		"volts": {Request{Input: Matrix{1, 2, []float64{0, 1e6}}, Ideal: true},
			[]string{"row 0, column 1: 1e+06 V are impossible"}},
		"lux": {Request{Input: Matrix{1, 2, []float64{-3, 1}}, Unit: Lux, Ideal: true},
			[]string{"row 0, column 0: -3 lux are impossible"}},
		"no light": {Request{Class: bed, Array: a, Input: dim}, []string{"row 0, column 3: -50 V: no light gives"}},
		"smoothing": {Request{Class: bow, Array: a, Input: fit(bow), View: &facetdv1.View{SmoothingSteps: 4}},
			[]string{"cannot share 4 times, so they cannot smooth: their switches join pixels before the light is " +
				"sensed"}},
		"no switches": {Request{Class: bed, Array: a, Input: fit(bed), Columns: []string{"10101010"}},
			[]string{"they have no switches"}},
		"hold": {Request{Class: bed, Array: a, Input: fit(bed), Hold: time.Second},
			[]string{"they have no memory"}},
		"window": {Request{Class: wall, Array: a, Input: fit(wall),
			View: &facetdv1.View{Window: &facetdv1.Window{Row: 44, Columns: 90}}},
			[]string{"view.window.row: 44 is outside the lattice of 40", "view.window.columns: 90 pixels"}},
		"binning": {Request{Class: wall, Array: a, Input: fit(wall),
			View: &facetdv1.View{Binning: &facetdv1.Binning{Rows: 3}}},
			[]string{"a block of 3 is not possible"}},
		"trim": {Request{Class: wall, Array: a, Input: fit(wall), View: &facetdv1.View{Trim: &facetdv1.TrimSettings{}}},
			[]string{"neither biases nor amplifier"}},
		"work": {Request{Input: random(1, 1, 0, 1, 1), Ideal: true, View: &facetdv1.View{SmoothingSteps: 1 << 20}},
			[]string{"1048576 steps are too many"}},
	} {
		out, m := Run(c.r)
		if len(m) != len(c.want) || len(out.Pixels) != 0 {
			t.Errorf("%s: %d errors, want %d:\n%v", name, len(m), len(c.want), m)
			continue
		}
		for i, w := range c.want {
			if !strings.Contains(m[i].String(), w) {
				t.Errorf("%s: %q, want %q", name, m[i], w)
			}
			if m[i].Hint == "" {
				t.Errorf("%s: %q says not what to do", name, m[i])
			}
		}
	}
}

// TestAmplifier: a preview of a chip with an amplifier shows its output in volts, and
// light again in lux.
func TestAmplifier(t *testing.T) {
	c := &chipmodel.Class{Name: "t", Rows: 1, Columns: 2, Spec: &facetdv1.ChipClass{
		TemperatureK: 300,
		Pixel: &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 1,
			VoltsPerDecade: 0.1, DarkLux: 0.01}},
		Regulator: &facetdv1.Regulator{SupplyVolts: 5, OutputVolts: 3},
		Amplifier: &facetdv1.Amplifier{Gains: []float64{1, 2}, MidVolts: proto.Float64(1),
			OffsetStepVolts: proto.Float64(0.01), LowVolts: 0, HighVolts: 3},
	}}
	view := &facetdv1.View{Trim: &facetdv1.TrimSettings{GainIndex: 1, Offset: -5}}
	got, m := Run(Request{Class: c, Input: Matrix{1, 2, []float64{1.1, 1.3}}, View: view, Ideal: true})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if d := difference(got, Matrix{1, 2, []float64{1.15, 1.55}}); d > 1e-12 {
		t.Errorf("%v V", got.Pixels)
	}
	got, m = Run(Request{Class: c, Input: Matrix{1, 2, []float64{3, 70}}, Unit: Lux, View: view, Ideal: true})
	if m.Err() != nil {
		t.Fatal(m)
	}
	if d := difference(got, Matrix{1, 2, []float64{3, 70}}); d > 1e-9 {
		t.Errorf("%v lux", got.Pixels)
	}
	view.Trim = &facetdv1.TrimSettings{GainIndex: 2, Offset: 200}
	if _, m = Run(Request{Class: c, Input: Matrix{1, 2, []float64{1, 1}}, View: view}); len(m) != 2 {
		t.Errorf("errors: %v", m)
	}
}

// TestOutputForm: the printed form is one object with rows, columns and pixels.
func TestOutputForm(t *testing.T) {
	got, m := Run(Request{Input: Matrix{2, 2, []float64{1, 2, 3, 4}}, Ideal: true, Columns: []string{"10101010"}})
	if m.Err() != nil {
		t.Fatal(m)
	}
	b, err := json.Marshal(got)
	if err != nil {
		t.Fatal(err)
	}
	if want := `{"rows":2,"columns":2,"pixels":[[1.5,1.5],[3.5,3.5]]}`; string(b) != want {
		t.Errorf("%s, want %s", b, want)
	}
	if _, err := json.Marshal(Matrix{1, 1, []float64{math.NaN()}}); err == nil {
		t.Error("NaN is written as JSON")
	}
}
