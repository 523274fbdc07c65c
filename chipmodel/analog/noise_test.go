package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// TestNormal compares draws with the normal distribution: moments up to the fourth,
// the distribution function at twenty places (error function), tails, and no
// correlation from draw to draw. Bounds are five standard errors.
func TestNormal(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := NewNoise(seed, 3)
	const n = 2_000_000
	draws := make([]float64, n)
	var m1, m2, m3, m4, lag float64
	for i := range draws {
		x := rng.Normal()
		draws[i] = x
		m1, m2, m3, m4 = m1+x/n, m2+x*x/n, m3+x*x*x/n, m4+x*x*x*x/n
		if i > 0 {
			lag += x * draws[i-1] / n
		}
	}
	within := func(what string, got, want, variance float64) {
		t.Helper()
		if math.Abs(got-want) > 5*math.Sqrt(variance/n) {
			t.Errorf("%s: %v, want %v within %v", what, got, want, 5*math.Sqrt(variance/n))
		}
	}
	within("mean", m1, 0, 1)
	within("variance", m2, 1, 2)
	within("third moment", m3, 0, 15)
	within("fourth moment", m4, 3, 96)
	within("correlation of neighbours", lag, 0, 1)
	slices.Sort(draws)
	for _, x := range []float64{-4.5, -4, -3.66, -3.65, -3, -2.5, -2, -1.5, -1, -0.5, -0.1, 0, 0.21, 0.5, 1, 1.5, 2, 3,
		3.6, 3.7, 4} {
		at, _ := slices.BinarySearch(draws, x)
		p := 0.5 * math.Erfc(-x/math.Sqrt2)
		within(fmt.Sprintf("part below %g", x), float64(at)/n, p, p*(1-p))
	}
}

// TestPoisson: mean and variance of a count are equal, on both sides of the change
// of method.
func TestPoisson(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := NewNoise(seed, 4)
	for _, mean := range []float64{0, 0.3, 4, 49.9, 50, 1000} {
		const n = 100_000
		var sum, squares float64
		for range n {
			x := rng.Poisson(mean)
			if x < 0 || x != math.Floor(x) {
				t.Fatalf("a count of %v", x)
			}
			sum += x / n
			squares += x * x / n
		}
		if math.Abs(sum-mean) > 5*math.Sqrt(mean/n) {
			t.Errorf("mean %v, want %v", sum, mean)
		}
		if variance := squares - sum*sum; math.Abs(variance-mean) > 0.03*mean+0.1 {
			t.Errorf("variance %v, want %v", variance, mean)
		}
	}
}

// covariance measures what opening leaves on a plane, in units of kT.
func covariance(s *Sharer, p *Plane, columns, rows uint8, draws int) []float64 {
	n := len(p.Volts)
	out := make([]float64, n*n)
	kt := BoltzmannJPerK * s.Kelvin
	for range draws {
		clear(p.Volts)
		s.Share(p, columns, rows, -1)
		for i, a := range p.Volts {
			for j, b := range p.Volts {
				out[i*n+j] += a * b / kt / float64(draws)
			}
		}
	}
	return out
}

// TestOpeningNoise: the noise that opening leaves has the covariance
// kT(diag(1/C_i) - 1/C_total), for chains of unequal cells with values worked out
// elsewhere, and for square blocks with the formula.
func TestOpeningNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	var table struct {
		Noise []struct {
			C   []float64
			Cov [][]float64 `json:"cov_units_kT"`
		}
	}
	load(t, "chain", &table)
	const draws = 60_000
	judge := func(what string, got []float64, want func(i, j int) float64, n int) {
		t.Helper()
		for i := range n {
			for j := range n {
				spread := math.Sqrt((want(i, i)*want(j, j) + want(i, j)*want(i, j)) / draws)
				if math.Abs(got[i*n+j]-want(i, j)) > 5.5*spread {
					t.Errorf("%s, cells %d and %d: %v, want %v within %v", what, i, j, got[i*n+j], want(i, j),
						5.5*spread)
				}
			}
		}
	}
	for k, r := range table.Noise {
		p := &Plane{Rows: 1, Columns: len(r.C), Volts: make([]float64, len(r.C)), Farads: r.C}
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(seed, uint64(k))}
		got := covariance(s, p, 0xff, 0, draws)
		judge(fmt.Sprint(r.C), got, func(i, j int) float64 { return r.Cov[i][j] }, len(r.C))
	}
	for k, p := range []*Plane{
		{Rows: 2, Columns: 2, Volts: make([]float64, 4)},
		{Rows: 2, Columns: 2, Volts: make([]float64, 4), Farads: []float64{1, 2, 0.5, 3}},
		{Rows: 3, Columns: 3, Volts: make([]float64, 9), Farads: []float64{1, 2, 0.5, 3, 1, 1, 2, 1, 4}},
	} {
		farads, total := p.Farads, 0.0
		if farads == nil {
			farads = []float64{1, 1, 1, 1}
		}
		for _, c := range farads {
			total += c
		}
		pattern := uint8(0x7f)
		if p.Rows == 2 {
			pattern = 0x55
		}
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 310, Noise: NewNoise(seed, 100+uint64(k))}
		judge(fmt.Sprint("block of ", farads), covariance(s, p, pattern, pattern, draws), func(i, j int) float64 {
			if i == j {
				return 1/farads[i] - 1/total
			}
			return -1 / total
		}, len(farads))
	}
}

// TestOpeningEarly: switches that open before charge has settled leave what noise has
// come by then, kT/C (1 - exp(-2 L t/RC)) (fluctuation and dissipation: the noise that
// was there decays by the same factor), on chains and on blocks.
func TestOpeningEarly(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const draws = 60_000
	for _, c := range []struct {
		rows, columns int
		seconds       float64
	}{{1, 2, 0.2}, {2, 2, 0.3}, {1, 4, 0.5}, {3, 2, 0.4}, {2, 2, 1.5}} {
		n := c.rows * c.columns
		p := &Plane{Rows: c.rows, Columns: c.columns, Volts: make([]float64, n)}
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(seed, 7)}
		// Twice the time is the kernel's square.
		rows, columns := chainKernel(c.rows, 2*c.seconds), chainKernel(c.columns, 2*c.seconds)
		want := func(i, j int) float64 {
			k := rows[i/c.columns*c.rows+j/c.columns] * columns[i%c.columns*c.columns+j%c.columns]
			if i == j {
				return 1 - k
			}
			return -k
		}
		got := make([]float64, n*n)
		for range draws {
			clear(p.Volts)
			s.Share(p, 0x7f, 0x7f, c.seconds)
			for i, a := range p.Volts {
				for j, b := range p.Volts {
					got[i*n+j] += a * b / (BoltzmannJPerK * 300) / draws
				}
			}
		}
		for i := range n {
			for j := range n {
				spread := math.Sqrt((want(i, i)*want(j, j) + want(i, j)*want(i, j)) / draws)
				if math.Abs(got[i*n+j]-want(i, j)) > 5.5*spread {
					t.Errorf("%d x %d after %g RC, cells %d and %d: %v, want %v within %v", c.rows, c.columns,
						c.seconds, i, j, got[i*n+j], want(i, j), 5.5*spread)
				}
			}
		}
	}
}

// TestNoiseStays: independent noise of kT/C on every cell is what any sequence of
// shares with opening noise leaves: smoothing does not lower it (thermal
// equilibrium), nor colour it.
func TestNoiseStays(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := NewNoise(seed, 5)
	const cell, kelvin = 100e-15, 300
	s := &Sharer{SwitchOhms: 1e4, CellFarads: cell, Kelvin: kelvin, Noise: rng}
	p := &Plane{Rows: 64, Columns: 64, Volts: make([]float64, 64*64)}
	sigma := KTCVolts(kelvin, cell)
	for i := range p.Volts {
		p.Volts[i] = sigma * rng.Normal()
	}
	for step := range 41 {
		pattern := []uint8{0x55, 0xaa, 0x77, 0xff, 0x12}[step%5]
		seconds := -1.0
		if step%3 == 2 {
			seconds = 0.4 * s.SwitchOhms * cell // opened early
		}
		s.Share(p, pattern, pattern, seconds)
		if step%10 != 0 {
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

// Shares keep charge with noise as well: opening moves charge, it makes none.
func TestNoiseMakesNoCharge(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, spread := range []float64{0, 0.1} {
		p := randomPlane(rng, 9, 13, spread)
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(1, 1)}
		p.weigh(1)
		before, _ := p.charge(0, 9, 0, 13)
		for _, pattern := range []uint8{0x55, 0xaa, 0x33, 0xff} {
			s.Share(p, pattern, pattern, 0.7)
		}
		after, _ := p.charge(0, 9, 0, 13)
		if math.Abs(after-before) > 1e-12 {
			t.Errorf("charge %v becomes %v", before, after)
		}
	}
}

// TestInjection: opening leaves the same voltage on every cell of a block and none on
// cells of their own.
func TestInjection(t *testing.T) {
	for _, pattern := range []uint8{0x55, 0xaa, 0x33} {
		s := &Sharer{InjectionVolts: 0.01}
		p := &Plane{Rows: 4, Columns: 5, Volts: make([]float64, 20)}
		s.Share(p, pattern, 0, -1)
		for i, v := range p.Volts {
			c := i % 5
			joined := c < 4 && pattern>>c&1 == 1 || c > 0 && pattern>>(c-1)&1 == 1
			if want := 0.01; joined && v != want || !joined && v != 0 {
				t.Errorf("pattern %02x, column %d: %v V", pattern, c, v)
			}
		}
	}
}
