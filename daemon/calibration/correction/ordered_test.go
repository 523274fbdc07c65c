package correction

import (
	"errors"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/invalid"
)

// A level whose light was not what was said, so that more light seems to give less signal,
// is refused by name; the same levels in any order of gathering are not.
func TestLevelsOutOfOrder(t *testing.T) {
	shape, scale := Shape{Rows: 8, Columns: 8}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	rng := rand.New(rand.NewPCG(9, 1))
	for _, slope := range []float64{200, -200} {
		level := func(said, was float64) Level {
			return Level{said, simulated(t, shape, scale, 4,
				func(int) float64 { return 2000 + slope*math.Log(0.1+was) + rng.NormFloat64() })}
		}
		if _, err := Fit(LogResponse, []Level{level(100, 100), level(1, 1), level(10, 10), level(0, 0)},
			Options{}); err != nil {
			t.Errorf("slope %g: %v", slope, err)
		}
		var m invalid.Errors
		_, err := Fit(LogResponse, []Level{level(1, 50), level(10, 10), level(100, 100)}, Options{})
		if !errors.As(err, &m) || len(m) != 1 || m[0].Path != "levels[1].lux" ||
			!strings.Contains(m[0].Message, "at 10 lux") {
			t.Errorf("slope %g, 1 lux that was 50: %v", slope, err)
		}
	}
}
