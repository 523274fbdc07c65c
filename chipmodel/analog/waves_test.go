package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	"gonum.org/v1/gonum/mat"
)

type wavesTable struct {
	Response []struct {
		T     int
		Omega float64 `json:"omega_over_pi"`
		H0    float64 `json:"H0_formula"`
		H1    float64 `json:"H1_alias_formula"`
	}
	Eigenvalues []struct{ L, Nonzero int }
	Reciprocal  struct{ Rows [][2]float64 }
	Slopes      struct {
		Rows []struct {
			N      float64
			Source float64 `json:"source_driven_mV_per_decade"`
			Gate   float64 `json:"gate_driven_mV_per_decade"`
		}
	}
}

// TestFrequencyResponse: what t alternating pair shares leave of a wave, and the alias
// that they make half a turn away, on cells that the ends do not reach.
func TestFrequencyResponse(t *testing.T) {
	var table wavesTable
	load(t, "waves", &table)
	const n, from, window = 256, 120, 16
	for _, r := range table.Response {
		w := math.Pi * r.Omega
		// A complex wave, as a cosine and a sine.
		var parts [2][]float64
		for part := range parts {
			p := &Plane{Rows: 1, Columns: n, Volts: make([]float64, n)}
			for i := range p.Volts {
				p.Volts[i] = math.Cos(w*float64(i) - float64(part)*math.Pi/2)
			}
			var s Sharer
			for step := range r.T {
				s.Share(p, []uint8{0x55, 0xaa}[step%2], 0, -1)
			}
			parts[part] = p.Volts
		}
		at := func(omega float64) float64 { // of the 16 frequencies that these cells tell apart
			var sum complex128
			for i := from; i < from+window; i++ {
				sin, cos := math.Sincos(-omega * float64(i))
				sum += complex(parts[0][i], parts[1][i]) * complex(cos, sin)
			}
			return math.Hypot(real(sum), imag(sum)) / window
		}
		if got := at(w); math.Abs(got-r.H0) > 1e-12 {
			t.Errorf("%d shares at %g pi: %v, want %v", r.T, r.Omega, got, r.H0)
		}
		if got := at(w + math.Pi); math.Abs(got-r.H1) > 1e-12 {
			t.Errorf("%d shares at %g pi: alias %v, want %v", r.T, r.Omega, got, r.H1)
		}
	}
	if len(table.Response) < 24 {
		t.Error("rows are missing")
	}
}

// shareMatrix is what shares do to a line, column by column.
func shareMatrix(n int, steps ...uint8) [][]float64 {
	out := make([][]float64, n)
	for j := range n {
		p := &Plane{Rows: 1, Columns: n, Volts: make([]float64, n)}
		p.Volts[j] = 1
		var s Sharer
		for _, pattern := range steps {
			s.Share(p, pattern, 0, -1)
		}
		out[j] = p.Volts
	}
	return out
}

// TestDoubleStepEigenvalues: a double step on L cells has the eigenvalues cos^2(pi j/L) for j < ceil(L/2), and zeros.
// A settled share is a projection P, so that the double step QP has the eigenvalues of the symmetric PQP, which are
// worked out here numerically; that QP has no others follows from the traces of its powers, which are their power sums.
func TestDoubleStepEigenvalues(t *testing.T) {
	var table wavesTable
	load(t, "waves", &table)
	for _, r := range table.Eigenvalues {
		symmetric := mat.NewSymDense(r.L, nil)
		for j, column := range shareMatrix(r.L, 0x55, 0xaa, 0x55) {
			for i := range j + 1 {
				symmetric.SetSym(i, j, column[i])
			}
		}
		var eigen mat.EigenSym
		if !eigen.Factorize(symmetric, false) {
			t.Fatalf("%d cells: no eigenvalues", r.L)
		}
		values := eigen.Values(nil)
		slices.Reverse(values)
		positive := 0
		for j, v := range values {
			want := 0.0
			if j < (r.L+1)/2 {
				want = math.Pow(math.Cos(math.Pi*float64(j)/float64(r.L)), 2)
			}
			if math.Abs(v-want) > 1e-13*float64(r.L) {
				t.Errorf("%d cells: eigenvalue %d is %v, want %v", r.L, j, v, want)
			}
			if v > 1e-6 {
				positive++
			}
		}
		if positive != r.Nonzero {
			t.Errorf("%d cells: %d eigenvalues are not 0, want %d", r.L, positive, r.Nonzero)
		}
		step := mat.NewDense(r.L, r.L, nil)
		for j, column := range shareMatrix(r.L, 0x55, 0xaa) {
			step.SetCol(j, column)
		}
		power := mat.DenseCopyOf(step)
		for k := 1; k <= r.L; k++ {
			want := 0.0
			for _, v := range values {
				want += math.Pow(v, float64(k))
			}
			if math.Abs(power.Trace()-want) > 1e-12*float64(r.L) {
				t.Errorf("%d cells: the trace of power %d is %v, want %v", r.L, k, power.Trace(), want)
			}
			var next mat.Dense
			next.Mul(step, power)
			power.CloneFrom(&next)
		}
	}
	if len(table.Eigenvalues) < 11 {
		t.Error("rows are missing")
	}
}

// TestEndsReflect: a line shares as if mirrored at both ends, half a cell beyond the
// last.
func TestEndsReflect(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 11))
	for _, n := range []int{7, 8, 13, 16} {
		for _, steps := range []int{1, 2, 5, 12} {
			line := randomPlane(rng, 1, n, 0)
			mirrored := &Plane{Rows: 1, Columns: 6 * n}
			for i := range 6 * n {
				at := i % (2 * n)
				mirrored.Volts = append(mirrored.Volts, line.Volts[min(at, 2*n-1-at)])
			}
			var s Sharer
			for step := range steps {
				pattern := []uint8{0x55, 0xaa}[step%2]
				s.Share(line, pattern, 0, -1)
				s.Share(mirrored, pattern, 0, -1)
			}
			if d := largest(line.Volts, mirrored.Volts[2*n:3*n]); d > 1e-14 {
				t.Errorf("%d cells, %d shares: differs by %g from the mirrored line", n, steps, d)
			}
		}
	}
}

// TestAllPatterns: the blocks of all 256 patterns on lines of 1 to 40 cells, and of two
// patterns on a rectangle, against sets joined switch by switch (union-find).
func TestAllPatterns(t *testing.T) {
	for pattern := range 256 {
		for cells := 1; cells <= 40; cells++ {
			set := make([]int, cells)
			for i := range set {
				set[i] = i
			}
			largestSet := 1
			for i := range cells - 1 {
				if pattern>>(i%8)&1 == 1 {
					from, into := set[i+1], set[i]
					size := 0
					for j := range set {
						if set[j] == from {
							set[j] = into
						}
						if set[j] == into {
							size++
						}
					}
					largestSet = max(largestSet, size)
				}
			}
			if got := LargestBlock(uint8(pattern), cells); got != largestSet {
				t.Fatalf("pattern %02x on %d cells: largest block %d, want %d", pattern, cells, got, largestSet)
			}
			for c := 0; c < cells; {
				end := BlockEnd(uint8(pattern), cells, c)
				for i := range cells {
					if in := i >= c && i < end; in != (set[i] == set[c]) {
						t.Fatalf("pattern %02x on %d cells: block of cell %d ends at %d", pattern, cells, c, end)
					}
				}
				c = end
			}
		}
	}
	if LargestBlock(0xff, 0) != 0 {
		t.Error("no cells have a block")
	}
}

// TestEveryPatternShares: random pairs of patterns on random planes, settled, against
// means of what a flood through closed switches reaches.
func TestEveryPatternShares(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 12))
	for range 400 {
		p := randomPlane(rng, 1+rng.IntN(20), 1+rng.IntN(20), []float64{0, 0.1}[rng.IntN(2)])
		columns, rows := uint8(rng.IntN(256)), uint8(rng.IntN(256))
		want := slices.Clone(p.Volts)
		seen := make([]bool, len(want))
		for start := range want {
			if seen[start] {
				continue
			}
			var charge, farads float64
			reached := []int{start}
			seen[start] = true
			for k := 0; k < len(reached); k++ {
				i := reached[k]
				r, c := i/p.Columns, i%p.Columns
				f := 1.0
				if p.Farads != nil {
					f = p.Farads[i]
				}
				charge, farads = charge+f*p.Volts[i], farads+f
				visit := func(closed bool, j int) {
					if closed && !seen[j] {
						seen[j] = true
						reached = append(reached, j)
					}
				}
				visit(c+1 < p.Columns && columns>>(c&7)&1 == 1, min(i+1, len(want)-1))
				visit(c > 0 && columns>>((c+7)&7)&1 == 1, max(i-1, 0))
				visit(r+1 < p.Rows && rows>>(r&7)&1 == 1, min(i+p.Columns, len(want)-1))
				visit(r > 0 && rows>>((r+7)&7)&1 == 1, max(i-p.Columns, 0))
			}
			for _, i := range reached {
				want[i] = charge / farads
			}
		}
		(&Sharer{CellFarads: 1}).Share(p, columns, rows, -1)
		if d := largest(p.Volts, want); d > 1e-13 {
			t.Errorf("%d x %d, columns %02x, rows %02x: wrong by %g", p.Rows, p.Columns, columns, rows, d)
		}
	}
}

// TestReciprocalWaves: a wave of the reciprocal lattice is constant on a hexagonal
// lattice, and so on what is read from it.
func TestReciprocalWaves(t *testing.T) {
	var table wavesTable
	load(t, "waves", &table)
	const rows, columns = 12, 14
	h, err := NewHexToSquare(rows, columns, false)
	if err != nil {
		t.Fatal(err)
	}
	samples, dst := make([]float64, rows*columns), make([]float64, h.Rows*h.Columns)
	for _, g := range table.Reciprocal.Rows {
		for r := range rows {
			for c := range columns {
				x, y := hexCentre(r, c)
				samples[r*columns+c] = math.Cos(2 * math.Pi * (g[0]*x + g[1]*y))
			}
		}
		if err := h.Resample(dst, samples); err != nil {
			t.Fatal(err)
		}
		for i, v := range dst {
			if math.Abs(v-1) > 1e-12 {
				t.Fatalf("wave %v: %v at point %d, want 1", g, v, i)
			}
		}
	}
	if len(table.Reciprocal.Rows) < 4 {
		t.Error("rows are missing")
	}
}

// TestSlopes: millivolts a decade of a logarithmic pixel of slope factor n, read off its
// response.
func TestSlopes(t *testing.T) {
	var table wavesTable
	load(t, "waves", &table)
	for _, r := range table.Slopes.Rows {
		decade := func(b float64) float64 { return 1e3 * (LogResponse(0, b, 0, 10) - LogResponse(0, b, 0, 1)) }
		near(t, fmt.Sprintf("slope factor %g, gate driven", r.N), decade(r.N*ThermalVolts(300)), r.Gate, 1e-10)
		near(t, fmt.Sprintf("slope factor %g, source driven", r.N), decade(ThermalVolts(300)), r.Source, 1e-10)
	}
	if len(table.Slopes.Rows) < 4 {
		t.Error("rows are missing")
	}
}
