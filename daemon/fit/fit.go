// Package fit has the statistics that measurements share: a straight line, a median, and
// linear least squares that refuse what the data cannot tell.
package fit

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Line is a straight line y = Intercept + Slope x of least squares.
type Line struct {
	Intercept, Slope float64
	// Squares is the weighted sum of the squares of what the line leaves.
	Squares float64
	// Spread is the weighted sum of the squares of x about its mean. The variance of the
	// slope is that of a point of weight 1 over Spread.
	Spread float64
}

// DeadBelow is the part of the typical response to light below which a pixel counts as dead, at bring-up as in a
// calibration (common practice, no source).
const DeadBelow = 0.2

// NewLine fits a line to points; weights nil are all 1. It takes at least two different x:
// otherwise Spread is 0, and Slope is NaN.
func NewLine(x, y, weights []float64) Line {
	weight := func(i int) float64 {
		if weights == nil {
			return 1
		}
		return weights[i]
	}
	// Sums about the means: those of the squares themselves would lose digits.
	var w, mx, my, sxy float64
	for i := range x {
		w += weight(i)
		mx += weight(i) * x[i]
		my += weight(i) * y[i]
	}
	mx, my = mx/w, my/w
	var l Line
	for i := range x {
		l.Spread += weight(i) * (x[i] - mx) * (x[i] - mx)
		sxy += weight(i) * (x[i] - mx) * (y[i] - my)
	}
	l.Slope = sxy / l.Spread
	l.Intercept = my - l.Slope*mx
	for i := range x {
		r := y[i] - l.Intercept - l.Slope*x[i]
		l.Squares += weight(i) * r * r
	}
	return l
}

// Sigma is the standard deviation of the slope as the residuals of n points of weight 1 tell
// it; infinite where Spread is 0.
func (l Line) Sigma(n int) float64 {
	if l.Spread == 0 {
		return math.Inf(1)
	}
	return math.Sqrt(l.Squares / float64(max(n-2, 1)) / l.Spread)
}

// Median sorts values and returns the middle one, or the mean of the two in the middle:
// either alone would make a result depend on the sign of what was measured. The median of
// nothing is 0.
func Median(values []float64) float64 {
	slices.Sort(values)
	n := len(values)
	if n == 0 {
		return 0
	}
	return (values[(n-1)/2] + values[n/2]) / 2
}

// MaxCondition is how much worse than another a term may be known before it counts as not
// known at all. Common practice, no source; points that are spread well have a few.
const MaxCondition = 1000

// ConditionError says that the points cannot tell the terms apart.
type ConditionError struct {
	// Condition is the condition number of the design, infinite with too few points.
	Condition float64
}

func (e *ConditionError) Error() string {
	return fmt.Sprintf("the points do not tell the terms apart: condition %.3g, limit %d", e.Condition, MaxCondition)
}

// Terms are the coefficients of a linear model.
type Terms struct {
	X []float64
	// Variance is that of a point, as the residuals tell it.
	Variance float64
	qr       mat.QR
}

// NewTerms fits y with one coefficient for each column of rows, by least squares over a QR
// decomposition. Error: *ConditionError.
func NewTerms(rows [][]float64, y []float64) (*Terms, error) {
	n := len(rows)
	if n == 0 || n < len(rows[0]) {
		return nil, &ConditionError{math.Inf(1)}
	}
	design := mat.NewDense(n, len(rows[0]), slices.Concat(rows...))
	t := &Terms{}
	t.qr.Factorize(design)
	if c := t.qr.Cond(); !(c <= MaxCondition) {
		return nil, &ConditionError{c}
	}
	var x, rest mat.VecDense
	if err := t.qr.SolveVecTo(&x, false, mat.NewVecDense(n, y)); err != nil {
		return nil, fmt.Errorf("least squares: %w", err) // cannot be: Cond was fine
	}
	rest.MulVec(design, &x)
	rest.SubVec(mat.NewVecDense(n, y), &rest)
	t.X = x.RawVector().Data
	t.Variance = mat.Dot(&rest, &rest) / float64(max(n-len(t.X), 1))
	return t, nil
}

// Sigma is the standard deviation of a quantity that changes by gradient with the terms.
func (t *Terms) Sigma(gradient []float64) float64 {
	// With A = QR, the shortest w with A'w = g has w'w = g'(A'A)^-1 g.
	var w mat.VecDense
	if err := t.qr.SolveVecTo(&w, true, mat.NewVecDense(len(gradient), gradient)); err != nil {
		return math.Inf(1)
	}
	return math.Sqrt(t.Variance * mat.Dot(&w, &w))
}
