package analog

import (
	"math"
	"math/rand/v2"
)

// Plane is a rectangle of analog memory cells.
type Plane struct {
	Rows, Columns int
	// Volts of the cells, row by row.
	Volts []float64
	// Farads of the cells, row by row; nil when all are alike.
	Farads []float64
}

// Sharer closes the switches of patterns on planes of one class. It keeps its
// tables and buffers, so that a share allocates nothing; it is for one goroutine.
type Sharer struct {
	// SwitchOhms and CellFarads set how fast charge settles.
	SwitchOhms, CellFarads float64
	// Kelvin sets the noise that opening the switches leaves; 0 is noiseless.
	Kelvin float64
	// InjectionVolts is what opening a switch leaves on each of its cells.
	InjectionVolts float64
	// Noise is needed when Kelvin is above 0.
	Noise *rand.Rand

	seconds float64   // that kernels are for
	kernels []kernel  // by length of the chain
	noise   []float64 // of one block
	line    []float64 // of one chain
}

// kernel is what a time does to a chain of some length.
type kernel struct {
	known bool
	// matrix is nil when the chain settles as good as fully.
	matrix []float64
}

// settledBelow is the part of a difference that counts as nothing: far below a
// step of a 16-bit converter.
const settledBelow = 1e-9

// Share closes the switches of a column and a row pattern for a time, then opens
// them. Every connected block (a run of columns times a run of rows) moves towards
// the mean of its cells weighted by capacitance; what is left of a difference
// after that time follows the exact modes of a chain along each side (path graph:
// rates 2(1 - cos(pi j/n))/RC, modes of the DCT-II). seconds below zero means
// fully settled. With unequal cells the transient takes the mean capacitance,
// the final value is exact.
//
// Opening leaves noise of covariance kT(diag(1/C_i) - 1/C_total) on a block
// (equipartition with conserved charge).
func (s *Sharer) Share(p *Plane, columns, rows uint8, seconds float64) {
	for r0 := 0; r0 < p.Rows; {
		r1 := BlockEnd(rows, p.Rows, r0)
		for c0 := 0; c0 < p.Columns; {
			c1 := BlockEnd(columns, p.Columns, c0)
			if (r1-r0)*(c1-c0) > 1 {
				s.block(p, r0, r1, c0, c1, seconds)
			}
			c0 = c1
		}
		r0 = r1
	}
}

func (s *Sharer) block(p *Plane, r0, r1, c0, c1 int, seconds float64) {
	var sum, total float64
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			c := 1.0
			if p.Farads != nil {
				c = p.Farads[i]
			}
			sum += c * p.Volts[i]
			total += c
		}
	}
	mean := sum / total
	if s.kernel(max(r1-r0, c1-c0), seconds) != nil {
		s.unsettled(p, r0, r1, c0, c1, seconds, mean)
	} else {
		for r := r0; r < r1; r++ {
			for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
				p.Volts[i] = mean
			}
		}
	}
	s.open(p, r0, r1, c0, c1)
}

// kernel returns the n x n matrix that takes a chain's cells to what they are
// after a time, or nil when they are as good as equal then.
func (s *Sharer) kernel(n int, seconds float64) []float64 {
	if seconds != s.seconds {
		s.seconds = seconds
		clear(s.kernels)
	}
	if n >= len(s.kernels) {
		s.kernels = append(s.kernels, make([]kernel, n+1-len(s.kernels))...)
	}
	k := &s.kernels[n]
	if !k.known {
		k.known = true
		t := seconds / (s.SwitchOhms * s.CellFarads)
		if seconds >= 0 && math.Exp(-2*(1-math.Cos(math.Pi/float64(n)))*t) > settledBelow {
			k.matrix = ChainKernel(n, t)
		}
	}
	return k.matrix
}

// ChainKernel returns exp(-L t) for the chain of n equal cells, row by row; t is
// in units of RC.
func ChainKernel(n int, t float64) []float64 {
	k := make([]float64, n*n)
	for j := range n {
		rate := 2 * (1 - math.Cos(math.Pi*float64(j)/float64(n)))
		decay := math.Exp(-rate * t)
		norm := 2 / float64(n)
		if j == 0 {
			norm = 1 / float64(n)
		}
		for a := range n {
			va := math.Cos(math.Pi * float64(j) * (float64(a) + 0.5) / float64(n))
			for b := range n {
				vb := math.Cos(math.Pi * float64(j) * (float64(b) + 0.5) / float64(n))
				k[a*n+b] += norm * decay * va * vb
			}
		}
	}
	return k
}

// unsettled applies the chain's modes along both sides, about the plain mean, and
// moves the result to the weighted mean.
func (s *Sharer) unsettled(p *Plane, r0, r1, c0, c1 int, seconds, mean float64) {
	rows, cols := r1-r0, c1-c0
	if need := max(rows, cols); len(s.line) < need {
		s.line = make([]float64, need)
	}
	var plain float64
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			plain += p.Volts[i]
		}
	}
	plain /= float64(rows * cols)
	if cols > 1 {
		k := s.matrix(cols, seconds)
		for r := r0; r < r1; r++ {
			s.apply(k, cols, p.Volts[r*p.Columns+c0:], 1)
		}
	}
	if rows > 1 {
		k := s.matrix(rows, seconds)
		for c := c0; c < c1; c++ {
			s.apply(k, rows, p.Volts[r0*p.Columns+c:], p.Columns)
		}
	}
	shift := mean - plain
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			p.Volts[i] += shift
		}
	}
}

// matrix is the kernel of the shorter side of a block too, which may have settled
// while the longer has not.
func (s *Sharer) matrix(n int, seconds float64) []float64 {
	if k := s.kernel(n, seconds); k != nil {
		return k
	}
	k := make([]float64, n*n)
	for i := range k {
		k[i] = 1 / float64(n)
	}
	s.kernels[n].matrix = k
	return k
}

// apply multiplies n cells, stride apart, by an n x n matrix.
func (s *Sharer) apply(k []float64, n int, cells []float64, stride int) {
	if n == 2 { // pairs are what smoothing is made of
		a, b := cells[0], cells[stride]
		cells[0], cells[stride] = k[0]*a+k[1]*b, k[2]*a+k[3]*b
		return
	}
	in := s.line[:n]
	for i := range n {
		in[i] = cells[i*stride]
	}
	for a := range n {
		var v float64
		for b, x := range in {
			v += k[a*n+b] * x
		}
		cells[a*stride] = v
	}
}

// open adds what opening the switches of a block leaves.
func (s *Sharer) open(p *Plane, r0, r1, c0, c1 int) {
	if s.Kelvin <= 0 {
		if s.InjectionVolts != 0 {
			s.add(p, r0, r1, c0, c1, s.InjectionVolts, nil)
		}
		return
	}
	n := (r1 - r0) * (c1 - c0)
	if len(s.noise) < n {
		s.noise = make([]float64, n)
	}
	noise := s.noise[:n]
	sigma := math.Sqrt(BoltzmannJPerK * s.Kelvin / s.CellFarads)
	var sum, total float64
	j := 0
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			c, own := 1.0, sigma
			if p.Farads != nil {
				c = p.Farads[i] / s.CellFarads
				own = sigma / math.Sqrt(c)
			}
			noise[j] = own * s.Noise.NormFloat64()
			sum += c * noise[j]
			total += c
			j++
		}
	}
	s.add(p, r0, r1, c0, c1, s.InjectionVolts-sum/total, noise)
}

func (s *Sharer) add(p *Plane, r0, r1, c0, c1 int, all float64, each []float64) {
	j := 0
	for r := r0; r < r1; r++ {
		for i := r*p.Columns + c0; i < r*p.Columns+c1; i++ {
			p.Volts[i] += all
			if each != nil {
				p.Volts[i] += each[j]
			}
			j++
		}
	}
}
