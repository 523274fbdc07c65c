package analog

import "math"

// kernel is what a time does to a chain of some length.
type kernel struct {
	settled bool      // as good as fully
	matrix  []float64 // row by row; nil when not yet worked out
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
	if k.matrix == nil {
		*k = s.newKernel(n)
	}
	return k
}

func (s *Sharer) newKernel(n int) kernel {
	if seconds := s.now.seconds; seconds >= 0 && n > 1 {
		t := seconds / (s.SwitchOhms * s.CellFarads)
		if math.Exp(-2*(1-math.Cos(math.Pi/float64(n)))*t) > settledBelow {
			return kernel{matrix: ChainKernel(n, t)}
		}
	}
	k := kernel{settled: true, matrix: make([]float64, n*n)}
	for i := range k.matrix {
		k.matrix[i] = 1 / float64(n)
	}
	return k
}

// left is the part of the difference of a pair that a time leaves.
func (k *kernel) left() float64 {
	if k.settled {
		return 0
	}
	return k.matrix[0] - k.matrix[1]
}

// ChainKernel returns exp(-L t) for the chain of n equal cells, row by row; L is
// the Laplacian of the path graph and t is in units of RC.
func ChainKernel(n int, t float64) []float64 {
	k := make([]float64, n*n)
	// cos(pi j (a + 1/2)/n) repeats every 4n halves.
	cosine := make([]float64, 4*n)
	for i := range cosine {
		cosine[i] = math.Cos(math.Pi * float64(i) / float64(2*n))
	}
	for j := range n {
		rate := 2 * (1 - math.Cos(math.Pi*float64(j)/float64(n)))
		weight := math.Exp(-rate*t) * 2 / float64(n)
		if j == 0 {
			weight /= 2
		}
		if weight < 1e-18 {
			break // and so are all faster modes
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
