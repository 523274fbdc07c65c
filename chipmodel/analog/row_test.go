package analog

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// TestBitsAreThoseOfTheLibrary: the generator draws what that of math/rand/v2 draws from the same seeds.
func TestBitsAreThoseOfTheLibrary(t *testing.T) {
	seeds := rand.New(rand.NewPCG(3, 4))
	for range 200 {
		seed, stream := seeds.Uint64(), seeds.Uint64()
		ours, theirs := NewNoise(seed, stream), rand.NewPCG(seed, stream)
		for i := range 200 {
			if got, want := ours.bits(), theirs.Uint64(); got != want {
				t.Fatalf("draw %d of seed %d, stream %d: %#x, want %#x", i, seed, stream, got, want)
			}
		}
	}
}

// TestNormalsAreNormals: a row of draws is what single draws are, and leaves the noise where they do.
func TestNormalsAreNormals(t *testing.T) {
	one, all := NewNoise(7, 8), NewNoise(7, 8)
	var row [1000]float64
	for range 100 {
		all.Normals(row[:])
		for i, got := range row {
			if want := one.Normal(); got != want {
				t.Fatalf("draw %d: %v, want %v", i, got, want)
			}
		}
	}
	if *one != *all {
		t.Error("the noise is not where single draws leave it")
	}
}

// TestLnAllIsLn: to the bit, also of what has no logarithm.
func TestLnAllIsLn(t *testing.T) {
	values := []float64{0, 1, -1, math.Inf(1), math.Inf(-1), math.NaN(), math.SmallestNonzeroFloat64, math.MaxFloat64,
		0x1p-1022, 0x1p-1023}
	rng := rand.New(rand.NewPCG(1, 1))
	for range 10_000 {
		values = append(values, math.Exp(100*rng.Float64()-50))
	}
	got := slices.Clone(values)
	LnAll(got)
	for i, x := range values {
		if want := Ln(x); math.Float64bits(got[i]) != math.Float64bits(want) {
			t.Errorf("of %v: %v, want %v", x, got[i], want)
		}
	}
}

// TestExpMinus: beside the exponential of the library.
func TestExpMinus(t *testing.T) {
	rng := rand.New(rand.NewPCG(2, 1))
	worst := 0.0
	at := func(x float64) {
		want := math.Exp(-x)
		worst = max(worst, math.Abs(expMinus(x)-want)/want)
	}
	for i := range 1000 {
		at(float64(i) * 0.7)
		at(float64(i) * math.Ln2 / 128)
		at(float64(i) * math.Ln2 / 256)
	}
	for range 200_000 {
		at(45 * rng.Float64())
		at(math.Exp(60*rng.Float64() - 55))
	}
	t.Logf("worst error %.2g", worst)
	if worst > 5e-16 {
		t.Errorf("off by %g of itself", worst)
	}
	if expMinus(0) != 1 {
		t.Errorf("of 0: %v", expMinus(0))
	}
}

// TestFollowSteadyIsFollow: a row is what its pixels are one by one, but for rounding, which the square of q (the
// change of the light over the time constants that it takes, see LogLag.part) amplifies: at a q of 30 to a part in 1e11
// of the light, which is a picovolt, a billionth of the noise of a pixel.
func TestFollowSteadyIsFollow(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	span := func(low, high float64) float64 { return low * math.Exp(rng.Float64()*math.Log(high/low)) }
	const n = 64
	var lag LogLag
	for range 500 {
		row := LaggingRow{Shown: make([]float64, n), Kept: make([]float64, n), Dark: make([]float64, n),
			K: span(1e-4, 1)}
		var from, to, seconds [n]float64
		for i := range n {
			row.Shown[i], row.Kept[i], row.Dark[i] = span(1e-2, 1e4), rng.Float64(), span(1e-4, 1)
			from[i], seconds[i] = span(1e-3, 1e4), span(1e-6, 1)
			to[i] = from[i] * []float64{1, 1 + 0.2*(rng.Float64()-0.5), span(0.1, 10)}[rng.IntN(3)]
			if rng.IntN(8) == 0 {
				seconds[i] = 0
			}
		}
		shown, kept := slices.Clone(row.Shown), slices.Clone(row.Kept)
		row.FollowSteady(from[:], to[:], seconds[:])
		for i := range n {
			want, left := shown[i], 1.0
			if seconds[i] > 0 {
				want, left = lag.Follow(shown[i], from[i], to[i], row.Dark[i], row.K, Gap{Seconds: seconds[i]})
			}
			x := to[i] + row.Dark[i]
			q := (to[i] - from[i]) / x / max(x/row.K*seconds[i], 1e-9)
			rounding := min(1e-14+4e-15*(1+q*q)*max(want/x, 1), 1e-6)
			if math.Abs(row.Shown[i]/want-1) > rounding || math.Abs(row.Kept[i]-kept[i]*left) > 1e-15 {
				t.Fatalf("%g lux shown, light from %g to %g in %g s, k %g: %v and %v, want %v and %v", shown[i],
					from[i], to[i], seconds[i], row.K, row.Shown[i], row.Kept[i], want, kept[i]*left)
			}
		}
	}
}
