package motion

import (
	"math"
	"math/rand/v2"
)

// wave is a grating of so many radians a column along a row and down.
type wave struct{ KX, KY, Phase, Amp float64 }

// randomWaves draws gratings of up to some radians a column in any direction.
func randomWaves(rng *rand.Rand, n int, most float64) (out []wave) {
	for range n {
		k := most * math.Sqrt(rng.Float64())
		s, c := math.Sincos(2 * math.Pi * rng.Float64())
		out = append(out, wave{KX: k * c, KY: k * s, Phase: 2 * math.Pi * rng.Float64(), Amp: 0.5 + rng.Float64()/2})
	}
	return out
}

// draw samples gratings that moved by columns and rows, exactly.
func draw(s Shape, waves []wave, right, down float64) []float64 {
	out := make([]float64, s.Rows*s.Columns)
	for row := range s.Rows {
		for column := range s.Columns {
			x, y := float64(column)+float64(s.halves(row))/2-right, (float64(row)-down)*s.rowPitch()
			for _, w := range waves {
				out[row*s.Columns+column] += w.Amp * math.Cos(w.KX*x+w.KY*y+w.Phase)
			}
		}
	}
	return out
}

func addNoise(rng *rand.Rand, sigma float64, frames ...[]float64) {
	for _, f := range frames {
		for i := range f {
			f[i] += sigma * rng.NormFloat64()
		}
	}
}

var shapes = []Shape{
	{Rows: 8, Columns: 8}, {Rows: 16, Columns: 16}, {Rows: 16, Columns: 16, Hexagonal: true, OddRows: true},
	{Rows: 16, Columns: 15, Hexagonal: true}, {Rows: 4, Columns: 32}, {Rows: 32, Columns: 3}, {Rows: 20, Columns: 24},
}
