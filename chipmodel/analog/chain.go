package analog

import "math"

// kernel is what a time does to a chain of some length.
type kernel struct {
	known   bool
	settled bool // as good as fully
	early   bool // opened so early that less than all of the opening noise has come
	// Row by row, and worked out when needed: what becomes of the cells, and the square
	// root of the part of the opening noise that has come.
	matrix, noise []float64
}

// timeKernels are the kernels of one time by length of the chain.
type timeKernels struct {
	seconds float64
	kernels []kernel
}

// keptTimes is how many times a Sharer remembers. A task has one for each size of
// its largest block, so a few are many.
const keptTimes = 8

// settledBelow is the part of a difference that counts as nothing: far below a
// step of a 16-bit converter.
const settledBelow = 1e-9

// earlyAbove is the part of a difference above which a share counts as cut short: the
// variance of the opening noise then lacks more than a millionth.
const earlyAbove = 1e-3

// at makes a time the present one.
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
		left := math.Exp(-pathRate(n, 1) * s.overRC())
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

// matrixOf is what the time does to the cells of a chain of n.
func (s *Sharer) matrixOf(k *kernel, n int) []float64 {
	if k.matrix == nil {
		t := s.overRC()
		if k.settled {
			t = math.Inf(1)
		}
		k.matrix = ChainKernel(n, t)
	}
	return k.matrix
}

// noiseOf is the square root of 1 - K^2, where K is what the time does to a chain.
func (s *Sharer) noiseOf(k *kernel, n int) []float64 {
	if k.noise == nil {
		t := s.overRC()
		if k.settled {
			t = math.Inf(1)
		}
		k.noise = chainMatrix(n, func(rate float64) float64 {
			if rate == 0 {
				return 1
			}
			return 1 - math.Sqrt(-math.Expm1(-2*rate*t))
		})
		for i := range k.noise {
			k.noise[i] = -k.noise[i]
		}
		for i := range n {
			k.noise[i*n+i]++
		}
	}
	return k.noise
}

// left is the part of the difference of a pair that a time leaves.
func (s *Sharer) left(k *kernel) float64 {
	if k.settled {
		return 0
	}
	m := s.matrixOf(k, 2)
	return m[0] - m[1]
}

// ChainKernel returns exp(-L t) for the chain of n equal cells, row by row; L is
// the Laplacian of the path graph and t is in units of RC.
func ChainKernel(n int, t float64) []float64 {
	return chainMatrix(n, func(rate float64) float64 {
		if rate == 0 {
			return 1
		}
		return math.Exp(-rate * t)
	})
}

// pathRate is the eigenvalue of mode j of the path graph of n cells.
func pathRate(n, j int) float64 { return 2 * (1 - math.Cos(math.Pi*float64(j)/float64(n))) }

// chainMatrix is the function of the Laplacian of the path graph that has a value of
// each rate: the modes are those of the DCT-II.
func chainMatrix(n int, value func(rate float64) float64) []float64 {
	k := make([]float64, n*n)
	// cos(pi j (a + 1/2)/n) repeats every 4n halves.
	cosine := make([]float64, 4*n)
	for i := range cosine {
		cosine[i] = math.Cos(math.Pi * float64(i) / float64(2*n))
	}
	for j := range n {
		weight := value(pathRate(n, j)) * 2 / float64(n)
		if j == 0 {
			weight /= 2
		}
		if weight < 1e-18 {
			continue
		}
		for a := range n {
			va := weight * cosine[j*(2*a+1)%(4*n)]
			for b := range n {
				k[a*n+b] += va * cosine[j*(2*b+1)%(4*n)]
			}
		}
	}
	return k
}

// apply multiplies n cells, stride apart, by an n x n matrix.
func (s *Sharer) apply(k []float64, n int, cells []float64, stride int) {
	if n == 2 {
		a, b := cells[0], cells[stride]
		cells[0], cells[stride] = k[0]*a+k[1]*b, k[2]*a+k[3]*b
		return
	}
	in := s.buffer(n)
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
