package motion

import (
	"encoding/json"
	"math"
	"os"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: %.12g, want %.12g within %g", what, got, want, tolerance)
	}
}

// whole is a shape whose pixels with gradients hold whole periods of 8 and 6 pixels.
var whole = Shape{Rows: 26, Columns: 26}

// TestGratingIsAsDerived: 2 tan(ku/2) (1 - 2b (1 - cos k)) / sin k, derived in the package documentation's terms: the
// mean of both frames has the gradient of the grating in the middle between them.
func TestGratingIsAsDerived(t *testing.T) {
	for _, c := range []struct{ b, period, u, want float64 }{
		{0, 8, 0.3, 0.334766}, {1. / 6, 8, 0.3, 0.302083}, {0.18, 8, 0.3, 0.299468},
		{0.18, 6, -0.45, 0}, {0.1, 12, 0.2, 0}, {0.18, 4, 0.1, 0},
	} {
		k := 2 * math.Pi / c.period
		want := 2 * math.Tan(k*c.u/2) * (1 - 2*c.b*(1-math.Cos(k))) / math.Sin(k)
		if c.want != 0 {
			near(t, "closed form", want, c.want, 5e-7)
		}
		e := NewEstimator(whole, Options{Smoothing: Smooth{B: c.b, Set: true}, FirstOrder: true})
		ws := []wave{{KX: k, Amp: 1, Phase: 0.4}}
		got := e.Estimate(draw(whole, ws, 0, 0), draw(whole, ws, c.u, 0), &Hint{})
		near(t, "along rows", got.X, want, 1e-9)
		ws = []wave{{KY: k, Amp: 30, Phase: 1.4}}
		got = e.Estimate(draw(whole, ws, 0, 0), draw(whole, ws, 0, c.u), &Hint{})
		near(t, "along columns", got.Y, want, 1e-9)
		near(t, "across", got.X, 0, 1e-9)
		if got.Refused != Estimated || got.XX < 26*26-1 || got.YY > 1e-4 {
			t.Errorf("a grating: %v, variances %g and %g", got.Refused, got.XX, got.YY)
		}
	}
}

// TestShiftsAreStraightened: of a grating the second difference along it is -2 (1 - cos k) times the gradient, so that
// of a shift of v in the first order v - v^3 (1 - cos k)/6 remains, where gradients have pixels on both sides; for all
// lattices it is nearer to the truth where most is wrong, at half a pixel of a fine grating.
func TestShiftsAreStraightened(t *testing.T) {
	k, u := 2*math.Pi/8, 0.45
	first := 2 * math.Tan(k*u/2) * (1 - 2*Smoothing*(1-math.Cos(k))) / math.Sin(k)
	e := NewEstimator(whole, Options{})
	ws := []wave{{KX: k, Amp: 1, Phase: 0.4}}
	got := e.Estimate(draw(whole, ws, 0, 0), draw(whole, ws, u, 0), &Hint{})
	near(t, "along rows", got.X, first-first*first*first*(1-math.Cos(k))/6, 2e-4)
	for _, s := range shapes {
		k := 1.6
		ws, x, y := []wave{{KX: k, Amp: 1}, {KY: k, Amp: 1, Phase: 1}}, 0.45, 0.4
		switch s.kind() {
		case alongRows:
			ws, y = ws[:1], 0
		case alongColumns:
			ws, x = ws[1:], 0
		}
		one, two := draw(s, ws, 0, 0), draw(s, ws, x, y)
		before := NewEstimator(s, Options{FirstOrder: true}).Estimate(one, two, &Hint{})
		after := NewEstimator(s, Options{}).Estimate(one, two, &Hint{})
		wrong, right := math.Hypot(before.X-x, before.Y-y), math.Hypot(after.X-x, after.Y-y)
		if !(right < 0.6*wrong) {
			t.Errorf("%+v: %.4f px wrong, and %.4f in the first order", s, right, wrong)
		}
	}
}

// TestHexagonalGratingIsAsDerived: along a row the three axes give (2/3)(sin k + sin(k/2)) for the gradient and
// 1 - b (1 - cos k) - 2 b (1 - cos(k/2)) for the smoothing.
func TestHexagonalGratingIsAsDerived(t *testing.T) {
	s := Shape{Rows: 12, Columns: 26, Hexagonal: true, OddRows: true}
	for _, b := range []float64{0, 1. / 6, 0.18} {
		k, u := 2*math.Pi/8, 0.3
		want := 2 * math.Tan(k*u/2) * (1 - b*(1-math.Cos(k)) - 2*b*(1-math.Cos(k/2))) /
			(2. / 3 * (math.Sin(k) + math.Sin(k/2)))
		e := NewEstimator(s, Options{Smoothing: Smooth{B: b, Set: true}, FirstOrder: true})
		ws := []wave{{KX: k, Amp: 1, Phase: 0.4}}
		got := e.Estimate(draw(s, ws, 0, 0), draw(s, ws, u, 0), &Hint{})
		near(t, "hexagonal, along rows", got.X, want, 1e-9)
	}
}

// TestOffsetIsTold: light that grows alike everywhere changes nothing of the shift.
func TestOffsetIsTold(t *testing.T) {
	for _, s := range shapes {
		e := NewEstimator(s, Options{})
		ws := []wave{{KX: 0.3, KY: 0.2, Amp: 1}, {KX: -0.2, KY: 0.35, Amp: 1, Phase: 1}}
		if s.kind() == alongRows || s.kind() == alongColumns {
			ws = []wave{{KX: 0.3, Amp: 1}, {KX: 0.5, Amp: 1, Phase: 1}}
			if s.kind() == alongColumns {
				ws = []wave{{KY: 0.3, Amp: 1}, {KY: 0.5, Amp: 1, Phase: 1}}
			}
		}
		first, second := draw(s, ws, 0, 0), draw(s, ws, 0.05, 0.05)
		still := e.Estimate(first, second, &Hint{})
		for i := range second {
			second[i] += 17
		}
		got := e.Estimate(first, second, &Hint{})
		if got.Refused != Estimated {
			t.Fatalf("%+v: %v", s, got.Refused)
		}
		near(t, "offset", got.Offset-still.Offset, 17, 1e-9)
		near(t, "x", got.X, still.X, 1e-9)
		near(t, "y", got.Y, still.Y, 1e-9)
	}
}

type published struct {
	Scene []struct {
		KX, KY, Phase, Amp float64
	} `json:"scene"`
	Frames []struct {
		U, V float64
		Data [][]float64
	} `json:"frames"`
	Estimates []struct {
		U, V float64
		D1   []float64 `json:"est_D1"`
	} `json:"estimates"`
	Gratings []struct {
		Period, U, Est float64
		ClosedForm     float64 `json:"closed_form"`
	} `json:"gratings"`
}

func readPublished(t *testing.T) (p published) {
	t.Helper()
	data, err := os.ReadFile("testdata/motion.json")
	if err == nil {
		err = json.Unmarshal(data, &p)
	}
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestPublishedFrames: the one-step estimate is that of the table, and the estimator's own is nearer to the truth.
func TestPublishedFrames(t *testing.T) {
	p := readPublished(t)
	s := Shape{Rows: 16, Columns: 16}
	var ws []wave
	var sum float64
	for _, w := range p.Scene {
		ws, sum = append(ws, wave(w)), sum+w.Amp
	}
	for i := range ws {
		ws[i].Amp *= 0.45 / sum
	}
	still := draw(s, ws, 0, 0)
	for _, f := range p.Frames {
		got := draw(s, ws, f.U, f.V)
		for i := range got {
			near(t, "pixel", got[i]+0.5, f.Data[i/16][i%16], 1e-12)
		}
	}
	e := NewEstimator(s, Options{})
	for _, c := range p.Estimates {
		moved := draw(s, ws, c.U, c.V)
		one := OneStep(s, still, moved, 0)
		if one.Refused != Estimated {
			t.Fatal("the one-step estimate tells nothing")
		}
		near(t, "one step, x", one.X, c.D1[0], 1e-9)
		near(t, "one step, y", one.Y, c.D1[1], 1e-9)
		own := e.Estimate(still, moved, nil)
		near(t, "own, x", own.X, c.U, 0.01)
		near(t, "own, y", own.Y, c.V, 0.01)
	}
}
