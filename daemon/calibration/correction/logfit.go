package correction

import (
	"math"
	"slices"

	"facetd.example/api/invalid"
	"facetd.example/chipmodel/analog"
)

// logGrid fits y = a + b ln(c + x) at fixed lights x by variable projection (Golub and
// Pereyra, SIAM J. Numer. Anal. 10(2), 1973; seen in the abstract): a and b follow from c by linear regression,
// so that only c is searched: first on a grid that all pixels share, then for the zero of
// the derivative between the grid points about the best.
type logGrid struct {
	x []float64
	c []float64
	// Of each c: ln(c + x) less its mean, and the sum of squares of that.
	basis   [][]float64
	squares []float64
	logs, r []float64
}

// The grid of c goes from a thousandth of the lowest light to the highest, in steps of
// gridStep.
const gridStep = 1.5

func newLogGrid(x []float64) *logGrid {
	lowest, highest := math.Inf(1), 0.0
	for _, v := range x {
		if v > 0 {
			lowest = min(lowest, v)
		}
		highest = max(highest, v)
	}
	g := &logGrid{x: x, logs: make([]float64, len(x)), r: make([]float64, len(x))}
	for c := lowest * 1e-3; c < highest*gridStep; c *= gridStep {
		basis, _, ss := g.regressor(nil, c)
		g.c, g.basis, g.squares = append(g.c, c), append(g.basis, slices.Clone(basis)), append(g.squares, ss)
	}
	return g
}

// regressor is ln(c + x) less its mean, that mean, and the sum of squares.
func (g *logGrid) regressor(_ []float64, c float64) (basis []float64, mean, squares float64) {
	for i, x := range g.x {
		g.logs[i] = analog.Ln(c + x)
		mean += g.logs[i]
	}
	mean /= float64(len(g.x))
	for i := range g.logs {
		g.logs[i] -= mean
		squares += g.logs[i] * g.logs[i]
	}
	return g.logs, mean, squares
}

// logFit is one pixel's fit.
type logFit struct {
	a, b, c float64
	squares float64 // of the residuals
	edge    bool    // c lies at an end of the grid: the levels do not tell it
	// spread is the standard error of ln c for residuals of unit standard deviation.
	spread float64
}

// fit finds a, b and c. y is changed.
func (g *logGrid) fit(y []float64) logFit {
	my := 0.0
	for _, v := range y {
		my += v / float64(len(y))
	}
	best, most := 0, -1.0
	for k, basis := range g.basis {
		s := 0.0
		for i, v := range y {
			s += (v - my) * basis[i]
		}
		if explained := s * s / g.squares[k]; explained > most {
			best, most = k, explained
		}
	}
	if best == 0 || best == len(g.c)-1 {
		f := g.at(y, g.c[best])
		f.edge = true
		return f
	}
	return g.at(y, math.Exp(g.zero(y, math.Log(g.c[best-1]), math.Log(g.c[best]), math.Log(g.c[best+1]))))
}

// zero is the ln c between low and high where the derivative of the sum of squares is
// zero: by bisection and regula falsi in turns (the Illinois variant), or by golden
// section if its signs are not those of one minimum.
func (g *logGrid) zero(y []float64, low, middle, high float64) float64 {
	fl, fh := g.derivative(y, low), g.derivative(y, high)
	if !(fl < 0 && fh > 0) {
		return g.golden(y, low, high)
	}
	if fm := g.derivative(y, middle); fm < 0 {
		low, fl = middle, fm
	} else {
		high, fh = middle, fm
	}
	side := 0
	for range 60 {
		s := (low*fh - high*fl) / (fh - fl)
		if !(s > low && s < high) {
			s = (low + high) / 2
		}
		f := g.derivative(y, s)
		switch {
		case f == 0 || high-low < 1e-14*(1+math.Abs(s)):
			return s
		case f < 0:
			low, fl = s, f
			if side < 0 {
				fh /= 2
			}
			side = -1
		default:
			high, fh = s, f
			if side > 0 {
				fl /= 2
			}
			side = 1
		}
		if f := math.Abs(f); f < 1e-15*(math.Abs(fl)+math.Abs(fh)) {
			return s
		}
	}
	return (low + high) / 2
}

// derivative is half that of the sum of squares by ln c: -b sum r c/(c+x).
func (g *logGrid) derivative(y []float64, lnC float64) float64 {
	c := math.Exp(lnC)
	f := g.at(y, c)
	sum := 0.0
	for i, x := range g.x {
		sum += g.r[i] * c / (c + x)
	}
	return -f.b * sum
}

func (g *logGrid) golden(y []float64, low, high float64) float64 {
	const part = 0.6180339887498949
	p, q := high-part*(high-low), low+part*(high-low)
	fp, fq := g.at(y, math.Exp(p)).squares, g.at(y, math.Exp(q)).squares
	for range 50 {
		if fp < fq {
			high, q, fq = q, p, fp
			p = high - part*(high-low)
			fp = g.at(y, math.Exp(p)).squares
		} else {
			low, p, fp = p, q, fq
			q = low + part*(high-low)
			fq = g.at(y, math.Exp(q)).squares
		}
	}
	return (low + high) / 2
}

// at fits a and b for a c, and leaves the residuals in g.r.
func (g *logGrid) at(y []float64, c float64) logFit {
	basis, mean, ss := g.regressor(nil, c)
	my, sxy := 0.0, 0.0
	for _, v := range y {
		my += v
	}
	my /= float64(len(y))
	for i, v := range y {
		sxy += (v - my) * basis[i]
	}
	f := logFit{b: sxy / ss, c: c}
	f.a = my - f.b*mean
	for i, v := range y {
		g.r[i] = v - my - f.b*basis[i]
		f.squares += g.r[i] * g.r[i]
	}
	return f
}

// withSpread adds the standard error of ln c: one over the length of what is left of its
// column of the Jacobian, b c/(c+x), beside those of a and b.
func (g *logGrid) withSpread(f logFit) logFit {
	basis, _, ss := g.regressor(nil, f.c)
	mean := 0.0
	for _, x := range g.x {
		mean += f.c / (f.c + x) / float64(len(g.x))
	}
	var along, length float64
	for i, x := range g.x {
		v := f.c/(f.c+x) - mean
		along += v * basis[i]
		length += v * v
	}
	f.spread = 1 / (math.Abs(f.b) * math.Sqrt(max(length-along*along/ss, 1e-300)))
	return f
}

// resolvedBelow is the standard error of ln c above which the levels do not tell pixels'
// dark terms apart, so that fitting them would put noise into the correction map.
const resolvedBelow = 0.5

func (in *input) fitLog(m *Map, kinds []Kind, squares []float64) error {
	x := make([]float64, len(in.levels))
	for i, l := range in.levels {
		x[i] = l.Lux
	}
	g := newLogGrid(x)
	mean := g.fit(in.spatial)
	if mean.edge && mean.c > slices.Max(x)/2 {
		return invalid.Errors{{Path: "levels",
			Message: "the mean response does not bend as a logarithm does: its dark term comes out above the " +
				"highest light", Hint: "check the order of the levels and that the pixels are logarithmic; correct " +
				"offset and gain otherwise"}}
	}
	if mean.edge && !slices.Contains(x, 0) { // the dark term is not seen
		mean = g.at(in.spatial, 0)
	}
	m.Mean = Response{mean.a, mean.b, mean.c}
	m.CodesPerDecade = math.Abs(mean.b) * math.Ln10
	m.DarkResolved = !mean.edge && mean.c > 0 && g.withSpread(mean).spread*in.meanNoise(kinds) < resolvedBelow
	m.Offset, m.Gain, m.Dark = make([]float32, in.n), make([]float32, in.n), make([]float32, in.n)
	y := make([]float64, len(x))
	for i := range in.n {
		in.pixel(y, i)
		f := logFit{edge: true}
		if m.DarkResolved {
			f = g.fit(y)
		}
		if f.edge {
			f = g.at(y, mean.c)
		}
		m.Offset[i], m.Gain[i], m.Dark[i], squares[i] = float32(f.a), float32(f.b), float32(f.c), f.squares
	}
	return nil
}

// meanNoise is the noise of the temporal means of good pixels, in codes.
func (in *input) meanNoise(kinds []Kind) float64 {
	sum, n := 0.0, 0
	for l, variance := range in.variance {
		for i, v := range variance {
			if kinds[i] == 0 {
				sum += v / float64(in.levels[l].Frames.Frames())
				n++
			}
		}
	}
	return math.Sqrt(sum / float64(max(n, 1)))
}
