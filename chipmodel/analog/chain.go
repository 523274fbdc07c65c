package analog

import "math"

// kernel is what a time does to a chain of some length.
type kernel struct {
	known   bool
	settled bool // as good as fully
	early   bool // opened so early that less than all of the opening noise has come
	// Worked out when needed: what becomes of the cells, and the square root of the part
	// of the opening noise that has come.
	cells, noise *operator
}

// timeKernels are the kernels of one time by length of the chain.
type timeKernels struct {
	seconds float64
	kernels []kernel
}

// keptTimes is how many times a Sharer remembers. A task has one for each size of
// its largest block, so a few are many.
const keptTimes = 8

// settledBelow is the part of a difference that is taken for zero: far below a step of a 16-bit converter.
const settledBelow = 1e-9

// earlyAbove is the part of a difference above which a share counts as cut short: the
// variance of the opening noise then lacks more than a millionth.
const earlyAbove = 1e-3

// at makes a time the current one, with its kernels if they are remembered.
func (s *Sharer) at(seconds float64) {
	if s.now != nil && s.now.seconds == seconds {
		return
	}
	for _, t := range s.times {
		if t.seconds == seconds {
			s.now = t
			return
		}
	}
	s.now = &timeKernels{seconds: seconds}
	if len(s.times) < keptTimes {
		s.times = append(s.times, s.now)
		return
	}
	s.times[s.next] = s.now
	s.next = (s.next + 1) % keptTimes
}

// kernel returns what the share's time does to a chain of n cells.
func (s *Sharer) kernel(n int) *kernel {
	if n >= len(s.now.kernels) {
		s.now.kernels = append(s.now.kernels, make([]kernel, n+1-len(s.now.kernels))...)
	}
	k := &s.now.kernels[n]
	if !k.known {
		left := math.Exp(-pathEigenvalue(n, 1) * s.overRC())
		*k = kernel{known: true, settled: n < 2 || left <= settledBelow, early: n > 1 && left > earlyAbove}
	}
	return k
}

// overRC is the present time in units of RC; a time below zero is for ever.
func (s *Sharer) overRC() float64 {
	if s.now.seconds < 0 {
		return math.Inf(1)
	}
	return s.now.seconds / (s.SwitchOhms * s.CellFarads)
}

// cellsOf is what the time does to the cells of a chain of n.
func (s *Sharer) cellsOf(k *kernel, n int) *operator {
	if k.cells == nil {
		t := s.overRC()
		if k.settled {
			t = math.Inf(1)
		}
		k.cells = newOperator(n, false, decay(t))
	}
	return k.cells
}

// noiseOf is the square root of 1 - K^2, where K is what the time does to a chain.
func (s *Sharer) noiseOf(k *kernel, n int) *operator {
	if k.noise == nil {
		t := s.overRC()
		if k.settled {
			t = math.Inf(1)
		}
		k.noise = newOperator(n, true, func(eigenvalue float64) float64 {
			if eigenvalue == 0 {
				return 1
			}
			return 1 - math.Sqrt(-math.Expm1(-2*eigenvalue*t))
		})
	}
	return k.noise
}

// left is the part of the difference of a pair that a time leaves.
func (s *Sharer) left(k *kernel) float64 {
	if k.settled {
		return 0
	}
	m := s.cellsOf(k, 2).matrix
	return m[0] - m[1]
}

// operator acts on the cells of a chain: by a matrix, row by row, or on long chains by
// the few modes that have not decayed.
type operator struct {
	matrix []float64
	modes  []chainMode
	// rest is set when the modes are subtracted from the cells.
	rest bool
}

// chainMode is one mode of a chain, as a vector of length 1, and its weight.
type chainMode struct {
	weight float64
	at     []float64
}

// longChain is the length from which an operator goes by modes.
const longChain = 33

// newOperator is a function of the Laplacian of a chain, given by its value at each eigenvalue, which falls as the
// eigenvalue rises; or, with rest, the identity less that function.
func newOperator(n int, rest bool, value func(eigenvalue float64) float64) *operator {
	modes := chainModes(n, value)
	if n >= longChain {
		return &operator{modes: modes, rest: rest}
	}
	matrix := sumOfModes(n, modes)
	if rest {
		for i := range matrix {
			matrix[i] = -matrix[i]
		}
		for i := range n {
			matrix[i*n+i]++
		}
	}
	return &operator{matrix: matrix}
}

// decay is what a time in units of RC leaves of a mode.
func decay(t float64) func(eigenvalue float64) float64 {
	return func(eigenvalue float64) float64 {
		if eigenvalue == 0 {
			return 1
		}
		return math.Exp(-eigenvalue * t)
	}
}

func sumOfModes(n int, modes []chainMode) []float64 {
	k := make([]float64, n*n)
	for _, mode := range modes {
		for a, va := range mode.at {
			va *= mode.weight
			for b, vb := range mode.at {
				k[a*n+b] += va * vb
			}
		}
	}
	return k
}

// pathEigenvalue is the eigenvalue of mode j of the path graph of n cells.
func pathEigenvalue(n, j int) float64 { return 2 * (1 - math.Cos(math.Pi*float64(j)/float64(n))) }

// chainModes are the modes of the path graph, those of the DCT-II, slowest first, down to where the value at their
// eigenvalue is nothing.
func chainModes(n int, value func(eigenvalue float64) float64) []chainMode {
	// cos(pi j (a + 1/2)/n) repeats every 4n halves.
	cosine := make([]float64, 4*n)
	for i := range cosine {
		cosine[i] = math.Cos(math.Pi * float64(i) / float64(2*n))
	}
	var modes []chainMode
	norm := math.Sqrt(1 / float64(n))
	for j := range n {
		mode := chainMode{weight: value(pathEigenvalue(n, j))}
		if mode.weight < 1e-18 {
			break
		}
		mode.at = make([]float64, n)
		for a := range n {
			mode.at[a] = norm * cosine[j*(2*a+1)%(4*n)]
		}
		modes = append(modes, mode)
		norm = math.Sqrt(2 / float64(n))
	}
	return modes
}

// apply lets an operator act on n cells, stride apart.
func (s *Sharer) apply(o *operator, n int, cells []float64, stride int) {
	k := o.matrix
	if n == 2 {
		a, b := cells[0], cells[stride]
		cells[0], cells[stride] = k[0]*a+k[1]*b, k[2]*a+k[3]*b
		return
	}
	in := s.buffer(n)
	for i := range n {
		in[i] = cells[i*stride]
	}
	if k == nil {
		o.applyModes(in, cells, stride)
		return
	}
	for a := range n {
		var v float64
		for b, w := range k[a*n : a*n+n] {
			v += w * in[b]
		}
		cells[a*stride] = v
	}
}

func (o *operator) applyModes(in, cells []float64, stride int) {
	sign := -1.0
	if !o.rest {
		sign = 1
		for i := range in {
			cells[i*stride] = 0
		}
	}
	for m := range o.modes {
		mode := &o.modes[m]
		var size float64
		for i, v := range mode.at {
			size += v * in[i]
		}
		size *= sign * mode.weight
		for i, v := range mode.at {
			cells[i*stride] += size * v
		}
	}
}
