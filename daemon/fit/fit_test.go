package fit

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s: %.15g, want %.15g", what, got, want)
	}
}

// TestLineOfAnscombe has the first data set of F. J. Anscombe, Graphs in Statistical
// Analysis, The American Statistician 27(1), 1973: its slope, intercept, sum of squares
// about the mean of x, residual sum of squares and standard error of the slope as printed.
func TestLineOfAnscombe(t *testing.T) {
	x := []float64{10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5}
	y := []float64{8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68}
	l := NewLine(x, y, nil)
	for _, c := range []struct {
		what                string
		got, printed, error float64
	}{
		{"intercept", l.Intercept, 3, 0.005}, {"slope", l.Slope, 0.5, 0.0005}, {"spread", l.Spread, 110, 1e-9},
		{"squares", l.Squares, 13.75, 0.02}, {"sigma", l.Sigma(len(x)), 0.118, 0.0005},
	} {
		if math.Abs(c.got-c.printed) > c.error {
			t.Errorf("%s: %g, printed as %g", c.what, c.got, c.printed)
		}
	}
}

// TestLineHasWeights: a weight of three is a point three times; x far from 0 loses nothing.
func TestLineHasWeights(t *testing.T) {
	a := NewLine([]float64{1e9, 1e9 + 1, 1e9 + 3}, []float64{2, 5, 4}, []float64{1, 3, 2})
	b := NewLine([]float64{0, 1, 1, 1, 3, 3}, []float64{2, 5, 5, 5, 4, 4}, nil)
	near(t, "slope", a.Slope, b.Slope, 1e-12)
	near(t, "squares", a.Squares, b.Squares, 1e-6)
	near(t, "spread", a.Spread, b.Spread, 1e-12)
	if l := NewLine([]float64{2, 2}, []float64{1, 3}, nil); l.Spread != 0 || !math.IsNaN(l.Slope) ||
		!math.IsInf(l.Sigma(2), 1) {
		t.Errorf("one x gives %+v", l)
	}
}

func TestMedian(t *testing.T) {
	for _, c := range []struct {
		of   []float64
		want float64
	}{{nil, 0}, {[]float64{7}, 7}, {[]float64{3, 1, 2}, 2}, {[]float64{4, 1, 3, 2}, 2.5}} {
		minus := make([]float64, len(c.of))
		for i, v := range c.of {
			minus[i] = -v
		}
		if got, other := Median(c.of), Median(minus); got != c.want || other != -c.want {
			t.Errorf("median of %v: %g, and %g of their negatives", c.of, got, other)
		}
	}
}

// TestTermsAreALine: with columns 1 and x the coefficients and the slope's deviation are
// those of the line.
func TestTermsAreALine(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	var rows [][]float64
	var x, y []float64
	for range 50 {
		v := rng.Float64() * 10
		x, y, rows = append(x, v), append(y, 3-2*v+rng.NormFloat64()), append(rows, []float64{1, v})
	}
	terms, err := NewTerms(rows, y)
	if err != nil {
		t.Fatal(err)
	}
	l := NewLine(x, y, nil)
	near(t, "intercept", terms.X[0], l.Intercept, 1e-12)
	near(t, "slope", terms.X[1], l.Slope, 1e-12)
	near(t, "sigma", terms.Sigma([]float64{0, 1}), l.Sigma(len(x)), 1e-12)
}

// TestTermsRefuse: what the points cannot tell is an error, never a number.
func TestTermsRefuse(t *testing.T) {
	for name, rows := range map[string][][]float64{
		"none": nil, "fewer than terms": {{1, 2, 3}, {2, 1, 1}},
		"the same": {{1, 1}, {2, 2}, {3, 3}}, "nearly the same": {{1, 1}, {2, 2.0001}, {3, 3}},
		"not a number": {{1, math.NaN()}, {2, 1}, {1, 1}},
	} {
		var wrong *ConditionError
		if _, err := NewTerms(rows, make([]float64, len(rows))); !errors.As(err, &wrong) ||
			wrong.Condition <= MaxCondition {
			t.Errorf("%s: %v", name, err)
		}
	}
}
