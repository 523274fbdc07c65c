package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

type sharingCase struct {
	Image    string
	Name     string
	Steps    [][2]uint8
	TOverRC  float64 `json:"t_over_RC"`
	Expected []float64
}

type sharingTable struct {
	Images []struct {
		ID            string
		Rows, Columns int
		Data          []float64
	}
	Settled, Unequal, Unsettled []sharingCase
	Farads                      []float64
}

func (s *sharingTable) plane(id string) *Plane {
	for _, i := range s.Images {
		if i.ID == id {
			return &Plane{Rows: i.Rows, Columns: i.Columns, Volts: slices.Clone(i.Data)}
		}
	}
	panic("no image " + id)
}

// TestSharing: settled shares against means over connected blocks found by union-find,
// unequal cells against means weighted by capacitance, and shares cut short against
// matrix exponentials and numerical integration. All made elsewhere.
func TestSharing(t *testing.T) {
	var table sharingTable
	load(t, "sharing", &table)
	check := func(c sharingCase, farads []float64, s *Sharer, seconds, tolerance float64) {
		p := table.plane(c.Image)
		p.Farads = farads
		scale := slices.Max(p.Volts)
		for _, step := range c.Steps {
			s.Share(p, step[0], step[1], seconds)
		}
		if d := largest(p.Volts, c.Expected); d > tolerance*scale {
			t.Errorf("%s %s: wrong by %g", c.Image, c.Name, d)
		}
	}
	for _, c := range table.Settled {
		check(c, nil, &Sharer{}, -1, 1e-12)
		check(c, nil, &Sharer{SwitchOhms: 1, CellFarads: 1}, 1e6, 1e-12)
	}
	for _, c := range table.Unequal {
		check(c, table.Farads, &Sharer{CellFarads: 1}, -1, 1e-12)
	}
	for _, c := range table.Unsettled {
		check(c, nil, &Sharer{SwitchOhms: 1, CellFarads: 1}, c.TOverRC, 1e-9)
	}
	if len(table.Settled) < 20 || len(table.Unequal) < 2 || len(table.Unsettled) < 4 {
		t.Error("rows are missing")
	}
}

// TestChain: slowest time constants, what a worst case leaves, settling times and cut
// short shares of a chain, against eigenvalues and integrations made elsewhere.
func TestChain(t *testing.T) {
	var table struct {
		Chain []struct {
			N         int
			Tau       float64 `json:"tau_over_RC"`
			Amplitude float64 `json:"worst_amp_first_mode"`
			T8        float64 `json:"t_half_lsb_8bit_over_RC"`
			T10       float64 `json:"t_half_lsb_10bit_over_RC"`
			T12       float64 `json:"t_half_lsb_12bit_over_RC"`
		}
		Block []struct {
			Rows, Cols int
			Tau        float64 `json:"tau_over_RC"`
		} `json:"block2d"`
		Timed []struct {
			T        float64 `json:"t_over_RC"`
			Variance float64 `json:"variance_cells2"`
			Centre   float64
		}
		Partial []struct {
			N    int
			T    float64 `json:"t_over_RC"`
			X, Y []float64
		}
		Pair []struct {
			C1, C2 float64
			Final  float64 `json:"final_from_1_0"`
		} `json:"unequal_pair"`
	}
	load(t, "chain", &table)
	for _, r := range table.Chain {
		near(t, fmt.Sprintf("tau of %d cells", r.N), ChainTau(r.N), r.Tau, 1e-9)
		near(t, fmt.Sprintf("worst amplitude of %d cells", r.N), ChainWorst(r.N), r.Amplitude, 1e-9)
		for bits, want := range map[int]float64{8: r.T8, 10: r.T10, 12: r.T12} {
			got := ShareSettle(1, r.N, 1e9, 1e-9, bits).Seconds() // RC is 1 s
			near(t, fmt.Sprintf("settling of %d cells to %d bits", r.N, bits), got, want, 1e-6)
		}
	}
	for _, r := range table.Block {
		near(t, fmt.Sprintf("tau of %d x %d", r.Rows, r.Cols), ChainTau(max(r.Rows, r.Cols)), r.Tau, 1e-9)
	}
	for _, r := range table.Partial {
		k, got := chainKernel(r.N, r.T), make([]float64, r.N)
		for i := range got {
			for j, x := range r.X {
				got[i] += k[i*r.N+j] * x
			}
		}
		if d := largest(got, r.Y); d > 1e-10 {
			t.Errorf("%d cells after %g RC: wrong by %g", r.N, r.T, d)
		}
	}
	for _, r := range table.Pair {
		p := &Plane{Rows: 1, Columns: 2, Volts: []float64{1, 0}, Farads: []float64{r.C1, r.C2}}
		(&Sharer{CellFarads: 1}).Share(p, 1, 0, -1)
		near(t, "unequal pair", p.Volts[0], r.Final, 1e-14)
		near(t, "unequal pair", p.Volts[1], r.Final, 1e-14)
	}
	// far from the ends a long chain is a discrete Gaussian (Lindeberg 1990, from memory)
	for _, r := range table.Timed {
		const n = 201
		k := chainKernel(n, r.T)
		var variance float64
		for i := range n {
			d := float64(i - n/2)
			variance += d * d * k[i*n+n/2]
		}
		near(t, "variance", variance, r.Variance, 1e-9)
		near(t, "centre", k[n/2*n+n/2], r.Centre, 1e-9)
	}
}

// TestBlockSettles: at the time ShareSettle gives, the worst pattern that a block can
// hold, found from all its modes, is half a step away from settled, within two hundredths.
func TestBlockSettles(t *testing.T) {
	const bits = 10
	for _, side := range [][2]int{{1, 2}, {1, 5}, {2, 2}, {3, 3}, {4, 4}, {8, 8}, {7, 8}, {3, 8}, {8, 2}, {20, 20},
		{20, 19}, {1, 40}} {
		when := ShareSettle(side[0], side[1], 1e9, 1e-9, bits).Seconds() // RC is 1 s
		rows, columns := chainKernel(side[0], when), chainKernel(side[1], when)
		cells := float64(side[0] * side[1])
		var worst float64 // at a corner: the cells whose weight is above the mean's are 1
		for _, r := range rows[:side[0]] {
			for _, c := range columns[:side[1]] {
				worst += max(0, r*c-1/cells)
			}
		}
		near(t, fmt.Sprintf("error of %v in steps", side), worst*(1<<bits), 0.5, 0.02)
	}
}

// TestPatterns: the blocks of all patterns, against union-find.
func TestPatterns(t *testing.T) {
	var table struct {
		Patterns []struct {
			Value   uint8
			Spatial string
			Ends20  []int
			Ends13  []int
		}
	}
	load(t, "patterns", &table)
	for _, p := range table.Patterns {
		got, err := ParsePattern(p.Spatial)
		if err != nil || got != p.Value {
			t.Errorf("%s is read as %#02x, %v", p.Spatial, got, err)
		}
		if want := fmt.Sprintf("%s (0x%02x)", p.Spatial, p.Value); FormatPattern(got) != want {
			t.Errorf("%#02x is written %s", got, FormatPattern(got))
		}
		for cells, want := range map[int][]int{20: p.Ends20, 13: p.Ends13} {
			var ends []int
			longest := 0
			for c := 0; c < cells; {
				end := BlockEnd(p.Value, cells, c)
				longest = max(longest, end-c)
				ends = append(ends, end-1)
				c = end
			}
			if !slices.Equal(ends, want) {
				t.Errorf("%s on %d cells: blocks end at %v, want %v", p.Spatial, cells, ends, want)
			}
			if LargestBlock(p.Value, cells) != longest {
				t.Errorf("%s on %d cells: largest block %d, want %d", p.Spatial, cells, LargestBlock(p.Value, cells),
					longest)
			}
		}
	}
	if len(table.Patterns) != 128 {
		t.Errorf("%d patterns", len(table.Patterns))
	}
}

// TestAlternatingPairs: weights and variance of repeated pair shares from one bright
// cell (binomial weights; variance t - 3/4 about their own mean), and of larger blocks
// that alternate by half their length: (n^2 - 1)/12 + (t - 1) n^2/4.
func TestAlternatingPairs(t *testing.T) {
	var table struct {
		Impulse []struct {
			Steps   int `json:"single_steps"`
			Cells   []int
			Weights []float64
		}
		Variance []struct {
			T              int
			Even           bool
			Mean, Variance float64
		}
		Blocks []struct {
			N, T     int
			Values   []string
			Variance float64 `json:"var_about_mean"`
		}
	}
	load(t, "gaussian", &table)
	const n, middle = 256, 128
	run := func(start, steps int, patterns ...uint8) []float64 {
		p := &Plane{Rows: 1, Columns: n, Volts: make([]float64, n)}
		p.Volts[start] = 1
		var s Sharer
		for i := range steps {
			s.Share(p, patterns[i%2], 0, -1)
		}
		return p.Volts
	}
	moments := func(v []float64, start int) (mean, variance float64) {
		for i, x := range v {
			mean += x * float64(i-start)
		}
		for i, x := range v {
			d := float64(i-start) - mean
			variance += x * d * d
		}
		return mean, variance
	}
	for _, r := range table.Impulse {
		v := run(middle, r.Steps, 0x55, 0xaa)
		for i, c := range r.Cells {
			if math.Abs(v[middle+c]-r.Weights[i]) > 1e-15 {
				t.Errorf("%d steps, cell %d: %v, want %v", r.Steps, c, v[middle+c], r.Weights[i])
			}
		}
	}
	for _, r := range table.Variance {
		start := middle
		if !r.Even {
			start++
		}
		mean, variance := moments(run(start, r.T, 0x55, 0xaa), start)
		near(t, "mean", mean, r.Mean, 1e-12)
		near(t, "variance", variance, r.Variance, 1e-12)
	}
	for _, r := range table.Blocks {
		if r.T > 8 {
			continue // it reaches the ends of our line
		}
		var p [2]uint8
		for i, v := range r.Values {
			if _, err := fmt.Sscanf(v, "0x%x", &p[i]); err != nil {
				t.Fatal(err)
			}
		}
		_, variance := moments(run(middle, r.T, p[0], p[1]), middle)
		near(t, fmt.Sprintf("variance of %d steps of blocks of %d", r.T, r.N), variance, r.Variance, 1e-12)
	}
}

// TestSharedAfterSensing: a share of logarithmic signals gives the mean of the
// voltages.
func TestSharedAfterSensing(t *testing.T) {
	var table struct {
		B       float64   `json:"b_V"`
		I0      float64   `json:"I0_A"`
		I       []float64 `json:"I_A"`
		A       []float64 `json:"a_V"`
		Post    []float64 `json:"V_post_sharing"`
		Columns int
		Pattern uint8
	}
	load(t, "binning", &table)
	p := &Plane{Rows: len(table.I) / table.Columns, Columns: table.Columns}
	for i, current := range table.I {
		p.Volts = append(p.Volts, LogResponse(table.A[i], table.B, 0, current/table.I0))
	}
	(&Sharer{}).Share(p, table.Pattern, table.Pattern, -1)
	if d := largest(p.Volts, table.Post); d > 1e-12 {
		t.Errorf("wrong by %g", d)
	}
}

// randomPlane has unequal cells when a spread is given.
func randomPlane(rng *rand.Rand, rows, columns int, spread float64) *Plane {
	p := &Plane{Rows: rows, Columns: columns}
	for range rows * columns {
		p.Volts = append(p.Volts, rng.Float64())
		if spread > 0 {
			p.Farads = append(p.Farads, 1+spread*(2*rng.Float64()-1))
		}
	}
	return p
}

func (p *Plane) clone() *Plane {
	return &Plane{Rows: p.Rows, Columns: p.Columns, Volts: slices.Clone(p.Volts), Farads: p.Farads}
}

// TestShareProperties: whatever the pattern, time and cells, a share conserves charge;
// settled, it does nothing the second time; with equal cells it raises no maximum and
// lowers no minimum, and rows and columns may come in either order; without closed
// switches it does nothing.
func TestShareProperties(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	for range 2000 {
		spread := []float64{0, 0, 0.02, 0.3}[rng.IntN(4)]
		p := randomPlane(rng, 1+rng.IntN(12), 1+rng.IntN(19), spread)
		columns, rows := uint8(rng.IntN(256)), uint8(rng.IntN(256))
		if rng.IntN(2) == 0 { // pairs have code of their own
			columns, rows = []uint8{0x55, 0xaa, 0}[rng.IntN(3)], []uint8{0x55, 0xaa}[rng.IntN(2)]
		}
		s := &Sharer{SwitchOhms: 1, CellFarads: 1}
		seconds := []float64{-1, 0, 0.3 * rng.ExpFloat64(), 20 * rng.ExpFloat64()}[rng.IntN(4)]
		before := p.clone()
		s.Share(p, columns, rows, seconds)
		where := fmt.Sprintf("%d x %d, columns %02x, rows %02x, %g RC, spread %g", p.Rows, p.Columns, columns, rows,
			seconds, spread)
		total := func(q *Plane) (sum float64) {
			for i, v := range q.Volts {
				c := 1.0
				if q.Farads != nil {
					c = q.Farads[i]
				}
				sum += c * v
			}
			return sum
		}
		if was, is := total(before), total(p); math.Abs(is-was) > 1e-13*float64(len(p.Volts)) {
			t.Errorf("%s: charge %v becomes %v", where, was, is)
		}
		slack := 1e-14
		if spread > 0 && seconds >= 0 {
			slack = spread // see Share
		}
		if slices.Max(p.Volts) > slices.Max(before.Volts)+slack ||
			slices.Min(p.Volts) < slices.Min(before.Volts)-slack {
			t.Errorf("%s: from %v..%v to %v..%v", where, slices.Min(before.Volts), slices.Max(before.Volts),
				slices.Min(p.Volts), slices.Max(p.Volts))
		}
		if seconds < 0 {
			again := p.clone()
			s.Share(again, columns, rows, seconds)
			if d := largest(again.Volts, p.Volts); d > 1e-15*8 {
				t.Errorf("%s: a second share changes %g", where, d)
			}
		}
		if spread == 0 {
			one, two := before.clone(), before.clone()
			s.Share(one, columns, 0, seconds)
			s.Share(one, 0, rows, seconds)
			s.Share(two, 0, rows, seconds)
			s.Share(two, columns, 0, seconds)
			if d := max(largest(one.Volts, p.Volts), largest(two.Volts, p.Volts)); d > 1e-13 {
				t.Errorf("%s: the order of rows and columns changes %g", where, d)
			}
		}
		still := before.clone()
		s.Share(still, 0, 0, seconds)
		if !slices.Equal(still.Volts, before.Volts) {
			t.Errorf("%s: open switches changed something", where)
		}
	}
}

// TestLongChains: chains too long for a matrix do the same by their modes.
func TestLongChains(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 11))
	for _, n := range []int{longChain - 1, longChain, 64, 100} {
		for _, seconds := range []float64{0, 0.5, 30, float64(n * n), float64(5 * n * n)} {
			p := randomPlane(rng, 1, n, 0)
			want := make([]float64, n)
			k := chainKernel(n, seconds)
			for i := range want {
				for j, v := range p.Volts {
					want[i] += k[i*n+j] * v
				}
			}
			(&Sharer{SwitchOhms: 1, CellFarads: 1}).Share(p, 0xff, 0xff, seconds)
			if d := largest(p.Volts, want); d > 1e-8 { // what counts as settled is 1e-9
				t.Errorf("%d cells after %g RC: wrong by %g", n, seconds, d)
			}
		}
	}
	// The noise of a share cut short is the same by modes as by a matrix.
	for _, seconds := range []float64{0.1, 40} {
		s := &Sharer{SwitchOhms: 1, CellFarads: 1, Kelvin: 300, Noise: NewNoise(1, 1)}
		s.at(seconds)
		const n = longChain + 7
		byModes := s.noiseOf(s.kernel(n), n)
		matrix := sumOfModes(n, byModes.modes)
		in, out := randomPlane(rng, 1, n, 0).Volts, make([]float64, n)
		for i := range n {
			out[i] = in[i]
			for j, v := range in {
				out[i] -= matrix[i*n+j] * v
			}
		}
		s.apply(byModes, n, in, 1)
		if d := largest(in, out); d > 1e-12 {
			t.Errorf("noise after %g RC: wrong by %g", seconds, d)
		}
	}
	// A share of a million cells in a row is no more than their mean.
	p := randomPlane(rng, 1, 1<<20, 0)
	mean := 0.0
	for _, v := range p.Volts {
		mean += v / (1 << 20)
	}
	(&Sharer{}).Share(p, 0xff, 0xff, -1)
	near(t, "mean of a million", p.Volts[77], mean, 1e-12)
}

// TestUnequalUnsettled compares a cut short share of unequal cells with a stupid
// integration of C dV/dt = -L V/R: the difference stays within what the slowest mode
// can leave, times the spread of the cells, times the time constants that passed.
func TestUnequalUnsettled(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	for range 60 {
		const spread = 0.02
		n := 2 + rng.IntN(3)
		p := randomPlane(rng, n, n, spread)
		want := p.clone()
		seconds := 4 * rng.Float64()
		integrate(want, seconds)
		(&Sharer{SwitchOhms: 1, CellFarads: 1}).Share(p, 0x7f, 0x7f, seconds)
		passed := seconds / ChainTau(n) // cells are between 0 and 1
		if d := largest(p.Volts, want.Volts); d > 2*spread*(1+passed)*math.Exp(-passed)+1e-6 {
			t.Errorf("%d x %d after %g RC, %g time constants: wrong by %g", n, n, seconds, passed, d)
		}
	}
}

// integrate closes all switches for a time, by Heun's method in small steps.
func integrate(p *Plane, seconds float64) {
	steps := int(seconds*400) + 1
	h := seconds / float64(steps)
	rate := func(v []float64) []float64 {
		out := make([]float64, len(v))
		join := func(i, j int) {
			out[i] += (v[j] - v[i]) / p.Farads[i]
			out[j] += (v[i] - v[j]) / p.Farads[j]
		}
		for r := range p.Rows {
			for c := range p.Columns {
				i := r*p.Columns + c
				if c+1 < p.Columns {
					join(i, i+1)
				}
				if r+1 < p.Rows {
					join(i, i+p.Columns)
				}
			}
		}
		return out
	}
	for range steps {
		k1 := rate(p.Volts)
		mid := make([]float64, len(k1))
		for i := range mid {
			mid[i] = p.Volts[i] + h*k1[i]
		}
		k2 := rate(mid)
		for i := range p.Volts {
			p.Volts[i] += h / 2 * (k1[i] + k2[i])
		}
	}
}

func FuzzParsePattern(f *testing.F) {
	for _, s := range []string{"10101010", "00000000", "11111111", "1010101", "101010102", "", "1010 010"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		p, err := ParsePattern(s)
		if err != nil {
			if p != 0 {
				t.Errorf("%q is refused but gives %#x", s, p)
			}
			return
		}
		if got := FormatPattern(p); got != fmt.Sprintf("%s (0x%02x)", s, p) {
			t.Errorf("%q is read as %s", s, got)
		}
	})
}
