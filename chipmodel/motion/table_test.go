package motion

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// moments are those of errors.
type moments struct{ n, sum, squares, z float64 }

func (m *moments) add(err, variance float64) {
	m.n++
	m.sum += err
	m.squares += err * err
	m.z += err * err / variance
}

func (m *moments) bias() float64 { return m.sum / m.n }
func (m *moments) rms() float64  { return math.Sqrt(m.squares / m.n) }
func (m *moments) rmsZ() float64 { return math.Sqrt(m.z / m.n) }

// TestErrorsAreAsTold: over lattices, noise and shifts errors have no bias and are as large as told. The seed is fixed:
// what is demanded of means holds of most seeds only.
func TestErrorsAreAsTold(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	trials := peertest.Cases(25, 2000)
	least := 0.4 // a mean of few squares is often small
	if peertest.All() {
		least = 0.5
	}
	for _, s := range shapes {
		e := NewEstimator(s, Options{})
		for _, noise := range []float64{0.02, 0.05, 0.1} {
			for _, u := range []float64{0.05, 0.3, 0.5, 1.2, 3} {
				var m moments
				for range trials {
					x, y, ws := u, -u/2, randomWaves(rng, 12, 0.7)
					switch s.kind() {
					case alongRows:
						y, ws = 0, randomWaves(rng, 12, 0.7)
						for i := range ws {
							ws[i].KY /= 8
						}
					case alongColumns:
						x, y = 0, u
					}
					first, second := draw(s, ws, 0, 0), draw(s, ws, x, y)
					addNoise(rng, noise, first, second)
					got := e.Estimate(first, second, &Hint{X: x + 0.2, Y: y - 0.1})
					err, variance := got.X-x, got.XX
					if s.kind() == alongColumns {
						err, variance = got.Y-y, got.YY
					}
					if got.Refused == Estimated && variance < 1 {
						m.add(err, variance)
					}
				}
				told := m.n / float64(trials)
				few := s.Rows*s.Columns <= 64 || s.Columns < leastSide
				if told < 0.95 && !few || told < 0.5 && u < 1 {
					t.Errorf("%+v, noise %g, shift %g: only %.2f of the pairs tell something", s, noise, u, told)
				}
				if z := m.rmsZ(); m.n >= 10 && !(z > least && z < 2) {
					t.Errorf("%+v, noise %g, shift %g: errors are %.2f times what was told (rms %.4f)", s, noise, u, z,
						m.rms())
				}
				if b := math.Abs(m.bias()); b > 0.005+4*m.rms()/math.Sqrt(m.n) {
					t.Errorf("%+v, noise %g, shift %g: bias %.4f of rms %.4f", s, noise, u, b, m.rms())
				}
			}
		}
	}
}

// TestFlatLightIsRefused: of light without texture nothing is told, whatever the noise.
func TestFlatLightIsRefused(t *testing.T) {
	// Of the seeds given noise of a few pixels once agreed with that of others, or left little over, by chance.
	for _, seed := range []uint64{peertest.Seed(t), 6777651372678382832, 7556429281937335377, 14024934346316713638} {
		t.Logf("seed %d", seed)
		refusesFlat(t, rand.New(rand.NewPCG(seed, 2)))
	}
}

func refusesFlat(t *testing.T, rng *rand.Rand) {
	t.Helper()
	for _, s := range append([]Shape{{Rows: 1, Columns: 16}}, shapes...) {
		for _, o := range []Options{{}, {Noise: 1}, {NoiseFloor: 1}, {NoiseFloor: 0.3}} {
			e := NewEstimator(s, o)
			for range peertest.Cases(100, 20000) {
				first := make([]float64, s.Rows*s.Columns)
				second := make([]float64, len(first))
				addNoise(rng, 1, first, second)
				if got := e.Estimate(first, second, &Hint{}); got.Refused != Flat && got.XX < 1 {
					t.Fatalf("%+v %+v: shift %g, %g with variances %g, %g", s, o, got.X, got.Y, got.XX, got.YY)
				}
			}
		}
	}
}

// TestPatternCountsAsNoise: a fixed pattern in light without texture is not a shift of 0 where it is known.
func TestPatternCountsAsNoise(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	s := Shape{Rows: 16, Columns: 16}
	naive, knows := NewEstimator(s, Options{}), NewEstimator(s, Options{NoiseFloor: 0.3, Pattern: 3})
	for range 200 {
		first := make([]float64, 256)
		addNoise(rng, 3, first)
		second := append([]float64(nil), first...)
		addNoise(rng, 0.2, first, second)
		if got := naive.Estimate(first, second, &Hint{}); got.Refused != Estimated || math.Abs(got.X) > 0.1 {
			t.Fatalf("without the pattern known: %v, %g", got.Refused, got.X) // the confident zero
		}
		if got := knows.Estimate(first, second, &Hint{}); got.Refused != Flat {
			t.Fatalf("with the pattern known: %v, shift %g", got.Refused, got.X)
		}
	}
}

// TestHolesAreLeftOut: pixels that are no numbers, such as clipped ones, tell nothing, and with all of them gone it is
// said why.
func TestHolesAreLeftOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	for _, s := range shapes {
		e := NewEstimator(s, Options{})
		ws := randomWaves(rng, 12, 0.6)
		x, y := 0.3, 0.
		if s.kind() == alongColumns {
			x, y = 0, 0.3
		}
		if s.kind() == alongRows {
			for i := range ws {
				ws[i].KY = 0
			}
		}
		first, second := draw(s, ws, 0, 0), draw(s, ws, x, y)
		first[s.Columns+1] = math.NaN()
		second[2*s.Columns] = math.NaN()
		got := e.Estimate(first, second, &Hint{})
		if got.Refused != Estimated || !(got.Valid < 1) {
			t.Errorf("%+v: %v, valid %g", s, got.Refused, got.Valid)
		}
		near(t, "x with holes", got.X, x, 0.02)
		near(t, "y with holes", got.Y, y, 0.02)
		for i := range second {
			second[i] = math.NaN()
		}
		if got := e.Estimate(first, second, nil); got.Refused != Clipped {
			t.Errorf("%+v: nothing but holes: %v", s, got.Refused)
		}
	}
}

// TestAnotherPictureIsRefused: two pictures that have nothing in common are not a shift.
func TestAnotherPictureIsRefused(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 5))
	s := Shape{Rows: 16, Columns: 16}
	e := NewEstimator(s, Options{})
	refused := 0
	for range 200 {
		got := e.Estimate(draw(s, randomWaves(rng, 12, 0.8), 0, 0), draw(s, randomWaves(rng, 12, 0.8), 0, 0), nil)
		if got.Refused != Estimated || got.XX+got.YY > 0.05 {
			refused++
		}
	}
	if refused < 190 {
		t.Errorf("only %d of 200 pairs of strangers are refused or told to be unsure", refused)
	}
}

// TestSearchFinds: without a hint shifts of up to half of the frame are found.
func TestSearchFinds(t *testing.T) {
	rng := rand.New(rand.NewPCG(6, 6))
	for _, s := range []Shape{{Rows: 16, Columns: 16}, {Rows: 16, Columns: 16, Hexagonal: true, OddRows: true},
		{Rows: 16, Columns: 17, Hexagonal: true}} {
		e := NewEstimator(s, Options{})
		found := 0
		for range 100 {
			x, y := 14*rng.Float64()-7, 14*rng.Float64()-7
			ws := randomWaves(rng, 12, 0.8)
			got := e.Estimate(draw(s, ws, 0, 0), draw(s, ws, x, y), nil)
			if math.Hypot(got.X-x, got.Y-y) < 0.05 {
				found++
			}
		}
		if found < 95 {
			t.Errorf("%+v: only %d of 100 are found", s, found)
		}
	}
}

// BenchmarkPair is beside the classical estimate in the same run; it is a comparison, not a gate.
func BenchmarkPair(b *testing.B) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, side := range []int{8, 16, 32, 64} {
		s := Shape{Rows: side, Columns: side}
		ws := randomWaves(rng, 12, 0.7)
		first, second := draw(s, ws, 0, 0), draw(s, ws, 0.3, -0.2)
		b.Run(fmt.Sprintf("%dx%d/one-step", side, side), func(b *testing.B) {
			for b.Loop() {
				OneStep(s, first, second, 0)
			}
		})
		b.Run(fmt.Sprintf("%dx%d", side, side), func(b *testing.B) {
			e := NewEstimator(s, Options{})
			b.ReportAllocs()
			for b.Loop() {
				e.Estimate(first, second, &Hint{})
			}
		})
	}
}

func TestNothingIsAllocated(t *testing.T) {
	for _, s := range shapes {
		e := NewEstimator(s, Options{})
		rng := rand.New(rand.NewPCG(8, 8))
		ws := randomWaves(rng, 12, 0.8)
		first, second := draw(s, ws, 0, 0), draw(s, ws, 1.3, 0.4)
		if n := testing.AllocsPerRun(20, func() { e.Estimate(first, second, nil) }); n != 0 {
			t.Errorf("%+v: %g allocations a pair", s, n)
		}
	}
}

func TestShapesAreChecked(t *testing.T) {
	small := Shape{Rows: 3, Columns: 4}
	got := NewEstimator(small, Options{}).Estimate(make([]float64, 12), make([]float64, 12), nil)
	if got.Refused != TooSmall || !small.TooSmall() || (Shape{Rows: 1, Columns: 5}).TooSmall() {
		t.Errorf("of 3 x 4 pixels: %v", got.Refused)
	}
	if m := (Shape{Rows: 0, Columns: MaxSide + 1}).Check(); len(m) != 2 {
		t.Errorf("a shape without rows, and with too many columns: %v", m)
	}
	for r, want := range map[Reason]string{Gap: "gap", NotCorrected: "not corrected", OutOfRange: "out of range"} {
		if r.String() != want {
			t.Errorf("%d is called %q", r, r)
		}
	}
}
