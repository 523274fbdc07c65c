package correction

import (
	"math"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
)

// TestWhatDecodeGivesBack: every field of a map that was encoded, and no list of defects that is not in order.
func TestWhatDecodeGivesBack(t *testing.T) {
	all, _ := cmaps(t)
	for _, m := range all {
		back, err := Decode(m.Encode())
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(back, m) {
			t.Errorf("%v: %+v came back as %+v", m.Method, m, back)
		}
		if resolved := m.Method == LogResponse; m.DarkResolved != resolved {
			t.Errorf("%v: dark terms resolved: %v", m.Method, m.DarkResolved)
		}
		for name, defects := range map[string][]Defect{
			"no kind":             {{3, 0}},
			"a kind that is none": {{3, allKinds + 1}},
			"no such pixel":       {{m.Shape.Pixels(), Dead}},
			"one twice":           {{3, Dead}, {3, Noisy}},
			"out of order":        {{4, Dead}, {3, Dead}},
		} {
			spoiled := *m
			spoiled.Defects = defects
			if _, err := Decode(spoiled.Encode()); err == nil {
				t.Errorf("%v: %s was taken", m.Method, name)
			}
		}
	}
}

// TestLinesByTheirPixels: a line is defective once more than half of its pixels are, though its median is like that of
// the others; at exactly half it is not.
func TestLinesByTheirPixels(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	shape, scale := Shape{Rows: 24, Columns: 40}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	off := func(i int) float64 { // ten above and ten below in row 5, eleven above in row 9
		column := i % 40
		switch row := i / 40; {
		case row == 5 && column < 10, row == 9 && column < 11:
			return 400
		case (row == 5 || row == 9) && column >= 30:
			return -400
		}
		return 0
	}
	m, err := Fit(Offset, []Level{{10, simulated(t, shape, scale, 16,
		func(i int) float64 { return 2000 + off(i) + 1.5*rng.NormFloat64() })}}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	count := 0
	for _, d := range m.Defects {
		if row := d.Pixel / 40; (d.Kinds&DefectiveRow != 0) != (row == 9) ||
			(d.Kinds&OffsetOutlier != 0) != (off(d.Pixel) != 0) {
			t.Errorf("row %d, column %d: %v", row, d.Pixel%40, d.Kinds)
		}
		count++
	}
	if count != 20+40 {
		t.Errorf("%d pixels are defective, want 20 of row 5 and all of row 9", count)
	}
}

// TestNoisyLines: a row whose noise differs from that of the others is defective from four times their variance on.
func TestNoisyLines(t *testing.T) {
	for times, want := range map[float64]bool{1: false, 2.9: false, 6: true} {
		rng := rand.New(rand.NewPCG(8, uint64(times)))
		shape, scale := Shape{Rows: 24, Columns: 60}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
		m, err := Fit(Offset, []Level{{10, simulated(t, shape, scale, 32, func(i int) float64 {
			sigma := 6.0
			if i/60 == 7 {
				sigma *= math.Sqrt(times)
			}
			return 2000 + sigma*rng.NormFloat64()
		})}}, Options{})
		if err != nil {
			t.Fatal(err)
		}
		rows := 0
		for _, d := range m.Defects {
			if d.Kinds&DefectiveRow != 0 {
				rows++
			}
		}
		if want && rows != 60 || !want && rows != 0 {
			t.Errorf("a row of %g times the variance: %d pixels of defective rows", times, rows)
		}
	}
}

// TestOneCodeByChance: a pixel that lies in the middle of a code stays there through 50 frames with a noise of 0.4
// codes once in a hundred thousand, erf(1/(2 sqrt 2 0.4))^50, which is far more often than a false defect may be; not
// so through 100.
func TestOneCodeByChance(t *testing.T) {
	for frames, want := range map[int]bool{50: false, 100: true} {
		rng := rand.New(rand.NewPCG(6, 1))
		shape, scale := Shape{Rows: 12, Columns: 16}, Scale{VoltsPerCode: 1e-3, HighestCode: 1023}
		m, err := Fit(Offset, []Level{{10, simulated(t, shape, scale, frames, func(i int) float64 {
			if i == 77 {
				return 500
			}
			return 500 + float64(i%16)/16 - 0.5 + 0.4*rng.NormFloat64()
		})}}, Options{FalseRate: 1e-6})
		if err != nil {
			t.Fatal(err)
		}
		if got := len(m.Defects) == 1 && m.Defects[0] == (Defect{77, Constant}); got != want || !want &&
			len(m.Defects) > 0 {
			t.Errorf("one code in %d frames: defects %+v", frames, m.Defects)
		}
	}
}

// TestWhatLightDoesIsNotKept: light that wanders slowly makes all pixels alike from frame to frame, and is no noise of
// theirs that lasts.
func TestWhatLightDoesIsNotKept(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 2))
	shape, scale := Shape{Rows: 30, Columns: 30}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	count := 0
	a := simulated(t, shape, scale, 32, func(int) float64 {
		frame := count / shape.Pixels()
		count++
		return 2000 + 10*math.Sin(float64(frame)/5) + 4*rng.NormFloat64()
	})
	if got := a.Kept(); got > 0.05 {
		t.Errorf("kept by %.3f from one frame to the next", got)
	}
}

// TestFilledWithTheMiddle: the median of the good neighbours, between the middle two where they are even in number,
// and a half rounded up; in a frame too small for three of them what there is; elsewhere two are not enough.
func TestFilledWithTheMiddle(t *testing.T) {
	const x = 999
	for name, c := range map[string]struct {
		shape       Shape
		codes, want []uint16
	}{
		"eight": {Shape{Rows: 3, Columns: 3}, []uint16{80, 10, 20, 41, x, 50, 30, 70, 60},
			[]uint16{4: 46}},
		"corner": {Shape{Rows: 3, Columns: 3}, []uint16{x, 10, 20, 90, 40, 50, 30, 70, 60},
			[]uint16{0: 40}},
		"two of a small frame": {Shape{Rows: 1, Columns: 3}, []uint16{10, x, 15}, []uint16{1: 13}},
		"two of a larger one": {Shape{Rows: 3, Columns: 3}, []uint16{10, x, x, x, x, x, x, x, 20},
			[]uint16{1: x, 2: x, 3: x, 4: x, 5: x, 6: x, 7: x}},
	} {
		m := Map{Shape: c.shape, Method: Offset, Offset: make([]float32, c.shape.Pixels())}
		for i, code := range c.codes {
			if code == x {
				m.Defects = append(m.Defects, Defect{i, Dead})
			}
		}
		m.prepare()
		codes := append([]uint16(nil), c.codes...)
		filled, unfilled, err := m.Fill(codes)
		if err != nil || filled+unfilled != len(m.Defects) || (filled > 0) == strings.Contains(name, "larger") {
			t.Errorf("%s: %d filled, %d not, %v", name, filled, unfilled, err)
		}
		for i, code := range c.codes {
			want := code
			if code == x {
				want = c.want[i]
			}
			if codes[i] != want {
				t.Errorf("%s: pixel %d has %d, want %d", name, i, codes[i], want)
			}
		}
	}
}

// TestGainBelowSaturation: the gain is that of signals up to seven tenths of the one with the most noise, where wells
// begin to fill; signals weigh by their squares.
func TestGainBelowSaturation(t *testing.T) {
	dark := point{temporal: 2}
	at := func(signal, gain float64) point {
		return point{lux: signal / 10, signal: signal, temporal: dark.temporal + gain*signal}
	}
	// 0.4 at 300 and 0.5 at 600: (0.4 + 4 0.5) / 5.
	lit := []point{at(300, 0.4), at(600, 0.5), at(800, 0.7), at(1000, 0.9), at(1100, 0.1)}
	if got := transferOf(dark, lit); math.Abs(got.CodesPerElectron-0.48) > 1e-12 ||
		math.Abs(got.CodesPerLux-10) > 1e-9 || math.Abs(got.Saturation-1000/0.48) > 1e-9 {
		t.Errorf("%+v", got)
	}
	// Where saturation was not seen all count: the last is the noisiest.
	lit = []point{at(300, 0.4), at(600, 0.4), at(1000, 0.4), at(1100, 0.4)}
	if got := transferOf(dark, lit); math.Abs(got.CodesPerElectron-0.4) > 1e-12 || got.Saturation != 0 {
		t.Errorf("without saturation: %+v", got)
	}
}

// TestPixelsThatAreNotLogarithmic: a response that does not bend is refused as a logarithmic one.
func TestPixelsThatAreNotLogarithmic(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 9))
	shape, scale := Shape{Rows: 6, Columns: 8}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	var levels []Level
	for _, lux := range []float64{0, 25, 50, 75, 100} {
		levels = append(levels, Level{lux, simulated(t, shape, scale, 16,
			func(int) float64 { return 500 + 20*lux + rng.NormFloat64() })})
	}
	if _, err := Fit(LogResponse, levels, Options{}); err == nil || !strings.Contains(err.Error(), "does not bend") {
		t.Errorf("a straight response: %v", err)
	}
	if _, err := Fit(OffsetGain, levels, Options{}); err != nil {
		t.Error(err)
	}
}

// TestGoldenSection finds the least squares from either side, where slopes do not help.
func TestGoldenSection(t *testing.T) {
	g := newLogGrid([]float64{0, 0.1, 1, 10, 100})
	for _, c := range []float64{0.02, 0.3, 4} {
		y := make([]float64, len(g.x))
		for i, x := range g.x {
			y[i] = 900 - 130*math.Log(c+x)
		}
		at := math.Log(c)
		for _, bounds := range [][2]float64{{-0.3, 0.9}, {-0.9, 0.3}, {-0.5, 0.5}} {
			if got := g.golden(y, at+bounds[0], at+bounds[1]); math.Abs(got-at) > 1e-6 {
				t.Errorf("between %g and %g about %g: %g off", bounds[0], bounds[1], at, got-at)
			}
		}
	}
}

// TestADriftOfTheLimit: a drift is told once it is more than 0.3 codes.
func TestADriftOfTheLimit(t *testing.T) {
	flat := simulated(t, Shape{Rows: 2, Columns: 2}, Scale{VoltsPerCode: 1e-3, HighestCode: 255}, 8,
		func(int) float64 { return 100 })
	for by, want := range map[float64]bool{0.3: false, 0.31: true, -0.3: false, -0.31: true} {
		if got := JudgeLevel(flat, []float64{0, by}, true).Cautions; (len(got) == 1) != want {
			t.Errorf("by %g: %q", by, got)
		}
	}
}
