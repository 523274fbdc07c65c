package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

func hexCentre(r, c int) (x, y float64) {
	return float64(c) + 0.5*float64(r&1), float64(r) * math.Sqrt(3) / 2
}

// TestHexResampling against scipy.interpolate.LinearNDInterpolator (values made
// elsewhere) on a wave and on random samples.
func TestHexResampling(t *testing.T) {
	var table struct {
		Waves []struct {
			Wavelength float64 `json:"wavelength_in_p"`
			Max        float64 `json:"max_err_hex"`
			Bound      float64 `json:"bound_k2p2_over_8"`
		} `json:"plane_waves"`
		Vectors struct {
			Rows, Columns int
			X             []float64 `json:"grid_x"`
			Y             []float64 `json:"grid_y"`
			Wave, Random  struct{ Samples, Resampled []float64 }
		}
	}
	load(t, "hex", &table)
	v := table.Vectors
	h, err := NewHexResampler(v.Rows, v.Columns, v.X, v.Y)
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]float64, len(v.X)*len(v.Y))
	for _, c := range []struct{ Samples, Resampled []float64 }{v.Wave, v.Random} {
		if err := h.Resample(dst, c.Samples); err != nil {
			t.Fatal(err)
		}
		if d := largest(dst, c.Resampled); d > 1e-12 {
			t.Errorf("wrong by %g", d)
		}
	}
	// The error of waves from all sides stays within k^2/8, and comes near it.
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 6))
	const rows, columns = 40, 40
	fine, err := NewHexResampler(rows, columns, span(0.5, columns-1, 0.13), span(0, (rows-1)*HexRowPitch, 0.13))
	if err != nil {
		t.Fatal(err)
	}
	out, samples := make([]float64, fine.Rows*fine.Columns), make([]float64, rows*columns)
	for _, w := range table.Waves {
		k := 2 * math.Pi / w.Wavelength
		var worst float64
		for range 12 {
			sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
			phase := 2 * math.Pi * rng.Float64()
			wave := func(x, y float64) float64 { return math.Cos(k*(cos*x+sin*y) + phase) }
			for r := range rows {
				for c := range columns {
					samples[r*columns+c] = wave(hexCentre(r, c))
				}
			}
			if err := fine.Resample(out, samples); err != nil {
				t.Fatal(err)
			}
			for i := range out {
				x, y := 0.5+0.13*float64(i%fine.Columns), 0.13*float64(i/fine.Columns)
				worst = max(worst, math.Abs(out[i]-wave(x, y)))
			}
		}
		if worst > w.Bound || worst < 0.7*w.Max {
			t.Errorf("wavelength %g: error %v, bound %v, found elsewhere %v", w.Wavelength, worst, w.Bound, w.Max)
		}
	}
}

func span(from, to, step float64) (out []float64) {
	for i := 0; from+float64(i)*step <= to; i++ {
		out = append(out, from+float64(i)*step)
	}
	return out
}

// TestHexPlaces: at its cells the lattice is found again exactly; what is linear in x
// and y is exact everywhere within; beyond the cells a row keeps its end values.
func TestHexPlaces(t *testing.T) {
	const rows, columns = 7, 5
	samples := make([]float64, rows*columns)
	plane := func(x, y float64) float64 { return 3 + 2*x - 0.7*y }
	for r := range rows {
		for c := range columns {
			samples[r*columns+c] = plane(hexCentre(r, c))
		}
	}
	at := func(x, y float64) float64 {
		h, err := NewHexResampler(rows, columns, []float64{x}, []float64{y})
		if err != nil {
			t.Fatal(err)
		}
		var dst [1]float64
		if err := h.Resample(dst[:], samples); err != nil {
			t.Fatal(err)
		}
		return dst[0]
	}
	for r := range rows {
		for c := range columns {
			if x, y := hexCentre(r, c); math.Abs(at(x, y)-samples[r*columns+c]) > 1e-12 {
				t.Errorf("cell (%d,%d): %v, want %v", r, c, at(x, y), samples[r*columns+c])
			}
		}
	}
	square, err := NewHexToSquare(rows, columns, false)
	if err != nil {
		t.Fatal(err)
	}
	dst := make([]float64, square.Rows*square.Columns)
	if err := square.Resample(dst, samples); err != nil {
		t.Fatal(err)
	}
	for i, v := range dst {
		x, y := 0.5+HexPitch*float64(i%square.Columns), HexPitch*float64(i/square.Columns)
		if math.Abs(v-plane(x, y)) > 1e-12 {
			t.Errorf("(%v,%v): %v, want %v", x, y, v, plane(x, y))
		}
	}
	if got, want := at(-100, 0), samples[0]; math.Abs(got-want) > 1e-12 {
		t.Errorf("left of the first row: %v, want %v", got, want)
	}
	if got, want := at(100, 100), samples[len(samples)-1]; math.Abs(got-want) > 1e-12 {
		t.Errorf("beyond the last cell: %v, want %v", got, want)
	}
}

// TestHexSaves: for all waves up to one spatial frequency a hexagonal lattice needs 13.4 % fewer samples than a square
// one (Petersen and Middleton 1962, from memory; the figure seen in the abstract of "Analysis of time-sequential
// sampling with a spatially hexagonal lattice"). A lattice tells waves apart up to half the frequency of the slowest
// wave that it shows as uniform light. That one is searched for here on the lattice of the resampler, and the samples
// of that lattice are counted over an area.
func TestHexSaves(t *testing.T) {
	const rows, columns = 21, 19
	// How far a wave is from uniform on the lattice that the resampler takes its samples to stand on.
	x, y := span(3, columns-4, 0.37), span(2, (rows-4)*HexRowPitch, 0.37)
	h, err := NewHexResampler(rows, columns, x, y)
	if err != nil {
		t.Fatal(err)
	}
	samples, out := make([]float64, rows*columns), make([]float64, len(x)*len(y))
	uneven := func(fx, fy float64) float64 {
		for r := range rows {
			for c := range columns {
				px, py := hexCentre(r, c)
				samples[r*columns+c] = math.Cos(2 * math.Pi * (fx*px + fy*py))
			}
		}
		if err := h.Resample(out, samples); err != nil {
			t.Fatal(err)
		}
		var worst float64
		for _, v := range out {
			worst = max(worst, 1-v)
		}
		return worst
	}
	slowest := math.Inf(1)
	for i := range 121 { // a quarter of the plane; the lattice mirrors
		for j := range 121 {
			// In steps in which 1 and 2/sqrt(3) cycles a pitch, where aliases can be, are met exactly.
			fx, fy := float64(i)/60, float64(j)/(60*2*HexRowPitch)
			if f := math.Hypot(fx, fy); f > 0 && f < slowest && uneven(fx, fy) < 1e-9 {
				slowest = f
			}
		}
	}
	cells := 0
	const side = 200
	for r := range 2 * side {
		for c := range 2 * side {
			if px, py := hexCentre(r, c); px < side && py < side {
				cells++
			}
		}
	}
	square := slowest * slowest // samples an area of the square lattice with an alias at that frequency
	if saved := 1 - float64(cells)/(side*side)/square; math.Abs(saved-0.134) > 0.001 {
		t.Errorf("the slowest alias is at %v cycles a pitch; %d cells on %d pitches squared save %.4f, want 0.134",
			slowest, cells, side*side, saved)
	}
}

func TestHexRefuses(t *testing.T) {
	one := []float64{0}
	for i, try := range []func() error{
		func() error { _, err := NewHexResampler(1, 5, one, one); return err },
		func() error { _, err := NewHexResampler(5, 1, one, one); return err },
		func() error { _, err := NewHexResampler(5, 5, nil, one); return err },
		func() error { _, err := NewHexResampler(5, 5, []float64{math.NaN()}, one); return err },
		func() error {
			h, _ := NewHexToSquare(5, 5, false)
			return h.Resample(make([]float64, 3), make([]float64, 25))
		},
	} {
		if err := try(); err == nil {
			t.Errorf("case %d is taken", i)
		} else if fmt.Sprint(err) == "" {
			t.Errorf("case %d has no reason", i)
		}
	}
	if _, err := NewHexResampler(2, 2, one, one); err != nil { // two triangles
		t.Error(err)
	}
}
