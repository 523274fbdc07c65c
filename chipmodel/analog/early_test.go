package analog

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// TestSettlesToHalfAStep: after the settling time the worst that any cells between 0
// and 1 can leave of their differences is half a step, in lines, squares and what lies
// between. The worst is found cell by cell from the exact kernel: with cells of 0 or 1
// it is the sum of what is positive in a row of kernel less mean.
func TestSettlesToHalfAStep(t *testing.T) {
	for _, bits := range []int{8, 12} {
		for long := 2; long <= 12; long++ {
			for short := 1; short <= long; short++ {
				after := ShareSettle(short, long, 1e9, 1e-9, bits).Seconds() // RC is 1 s
				along, across := chainKernel(long, after), chainKernel(short, after)
				var worst float64
				for a := range long * short {
					var sum float64
					for b := range long * short {
						sum += max(along[a%long*long+b%long]*across[a/long*short+b/long]-1/float64(long*short), 0)
					}
					worst = max(worst, sum)
				}
				if steps := worst * math.Exp2(float64(bits+1)); steps > 1.003 || steps < 0.98 {
					t.Errorf("%d x %d to %d bits: %v half steps are left", short, long, bits, steps)
				}
			}
		}
	}
	for _, sides := range [][2]int{{100, 100}, {4096, 4096}} { // the limit, 8/pi^2 for a square
		n := sides[0]
		want := ChainTau(n) * math.Log(8/math.Pi/math.Pi*math.Exp2(13))
		near(t, fmt.Sprint("settling of ", sides), ShareSettle(n, n, 1e6, 1e-9, 12).Seconds()*1e3, want, 2e-4)
	}
}

// langevin works out the covariance of the noise of a chain, in kT, whose switches have
// been closed for a time, by integrating d(cov)/dt = -A cov - cov A' + 2 C^-1 L C^-1 with
// A = C^-1 L in small steps (fluctuation and dissipation; R is 1).
func langevin(farads []float64, seconds float64) []float64 {
	n := len(farads)
	lap := make([]float64, n*n)
	for i := range n - 1 {
		lap[i*n+i]++
		lap[(i+1)*n+i+1]++
		lap[i*n+i+1]--
		lap[(i+1)*n+i]--
	}
	rate := func(cov []float64) []float64 {
		out := make([]float64, n*n)
		for i := range n {
			for j := range n {
				out[i*n+j] = 2 * lap[i*n+j] / farads[i] / farads[j]
				for k := range n {
					out[i*n+j] -= lap[i*n+k]/farads[i]*cov[k*n+j] + cov[i*n+k]*lap[k*n+j]/farads[j]
				}
			}
		}
		return out
	}
	cov := make([]float64, n*n)
	steps := int(seconds*2000) + 1
	h := seconds / float64(steps)
	for range steps {
		k1 := rate(cov)
		mid := slices.Clone(cov)
		for i := range mid {
			mid[i] += h * k1[i]
		}
		k2 := rate(mid)
		for i := range cov {
			cov[i] += h / 2 * (k1[i] + k2[i])
		}
	}
	return cov
}

// TestEarlyOpeningNoise: switches opened before the charge has settled leave the noise
// that has come by then, as the Langevin equation has it.
func TestEarlyOpeningNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const draws = 40_000
	equal := []float64{1, 1, 1, 1}
	for k, c := range []struct {
		farads  []float64
		seconds float64
		slack   float64 // what unequal cells are off by
	}{
		{equal[:2], 0, 0}, {equal[:2], 0.1, 0}, {equal[:2], 0.8, 0}, {equal[:2], 3, 0}, {equal, 0.3, 0}, {equal, 2, 0},
		{[]float64{1, 1.02, 0.97, 1.01}, 1, 0.02},
	} {
		n := len(c.farads)
		want := langevin(c.farads, c.seconds)
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(seed, uint64(k))}
		got := make([]float64, n*n)
		for range draws {
			p := &Plane{Rows: 1, Columns: n, Volts: make([]float64, n), Farads: c.farads}
			s.Share(p, 0x7f, 0, c.seconds)
			for i, a := range p.Volts {
				for j, b := range p.Volts {
					got[i*n+j] += a * b / (BoltzmannJPerK * 300 * draws)
				}
			}
		}
		for i := range n {
			for j := range n {
				spread := math.Sqrt((want[i*n+i]*want[j*n+j] + want[i*n+j]*want[i*n+j]) / draws)
				if math.Abs(got[i*n+j]-want[i*n+j]) > 5.5*spread+c.slack+1e-5 {
					t.Errorf("%v after %g RC, cells %d and %d: %v, want %v", c.farads, c.seconds, i, j, got[i*n+j],
						want[i*n+j])
				}
			}
		}
	}
}

// TestNoiseStaysWhenOpenedEarly: independent noise of kT/C on every cell is what shares
// of any length leave, in pairs, larger blocks and lines (thermal equilibrium).
func TestNoiseStaysWhenOpenedEarly(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := NewNoise(seed, 6)
	const cell, kelvin, ohms = 100e-15, 300, 1e4
	s := &Sharer{SwitchOhms: ohms, CellFarads: cell, Kelvin: kelvin, Noise: rng}
	p := &Plane{Rows: 64, Columns: 64, Volts: make([]float64, 64*64)}
	sigma := KTCVolts(kelvin, cell)
	for i := range p.Volts {
		p.Volts[i] = sigma * rng.Normal()
	}
	for step := range 60 {
		pattern := []uint8{0x55, 0xaa, 0x77, 0x7f, 0}[step%5]
		s.Share(p, pattern, []uint8{0x55, 0, 0x77}[step%3], []float64{0, 0.05, 0.4, 2, 9}[step%4]*ohms*cell)
		if step%10 != 9 {
			continue
		}
		var variance, beside float64
		for r := range 64 {
			for c := range 63 {
				a, b := p.Volts[r*64+c], p.Volts[r*64+c+1]
				variance += a * a / sigma / sigma / (64 * 63)
				beside += a * b / sigma / sigma / (64 * 63)
			}
		}
		if math.Abs(variance-1) > 0.12 || math.Abs(beside) > 0.09 { // five standard errors
			t.Errorf("after %d shares: variance %v kT/C, correlation %v", step+1, variance, beside)
		}
	}
}
