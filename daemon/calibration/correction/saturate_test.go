package correction

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

// wells is a chip of linear pixels whose full well lies within the range of the converter.
type wells struct {
	Shape
	gain   []float64 // codes per lux
	full   float64   // code at which they saturate
	read   float64   // noise without light, in codes
	broken map[int]float64
}

func newWells(rng *rand.Rand) *wells {
	w := &wells{Shape: Shape{24, 32, Square}, full: 2400, read: 1.2, broken: map[int]float64{}}
	for range w.Pixels() {
		w.gain = append(w.gain, 20*(1+0.02*rng.NormFloat64()))
	}
	return w
}

// level draws frames: shot noise, which a full well has not, and read noise.
func (w *wells) level(t *testing.T, lux float64, n int, rng *rand.Rand) Level {
	const dark, codesPerElectron = 100.0, 0.05
	light := func(i int) float64 { return min(w.gain[i]*lux, w.full) }
	return Level{lux, frames(t, w.Shape, func(i int) float64 {
		if code, is := w.broken[i]; is {
			return code
		}
		return dark + light(i)
	}, func(i int) float64 {
		if _, is := w.broken[i]; is {
			return 0
		}
		if light(i) == w.full {
			return w.read
		}
		return math.Sqrt(w.read*w.read + codesPerElectron*light(i))
	}, n, rng)}
}

// A level at which wells are full, some or all of them, is refused by its light; none of its pixels is called
// defective. Without the level the correction map is as good as any.
func TestFullWellIsNoDefect(t *testing.T) {
	for seed := uint64(1); seed <= 6; seed++ {
		rng := rand.New(rand.NewPCG(seed, 3))
		w := newWells(rng)
		for k, i := range rng.Perm(w.Pixels())[:4] {
			w.broken[i] = []float64{0, 4095, 900, 1500}[k]
		}
		var levels []Level
		for _, lux := range []float64{0, 40, 80, 118, 240} { // 118 lux fills the wells of four pixels in five or so
			levels = append(levels, w.level(t, lux, 16, rng))
		}
		levels[3] = w.level(t, []float64{116, 118, 120, 122, 124, 140}[seed-1], 16, rng)
		saturated := Saturated(levels)
		for l, n := range saturated {
			if TooSaturated(n, w.Pixels()) != (l >= 3) {
				t.Errorf("seed %d: %d of %d pixels saturate at %g lux", seed, n, w.Pixels(), levels[l].Lux)
			}
		}
		_, err := Fit(OffsetGain, levels, Options{})
		if err == nil || !strings.Contains(err.Error(), "pixels saturate (take less light") {
			t.Errorf("seed %d: %v", seed, err)
		}
		m, err := Fit(OffsetGain, levels[:3], Options{})
		if err != nil {
			t.Fatalf("seed %d: %v", seed, err)
		}
		if len(m.Defects) != len(w.broken) {
			t.Errorf("seed %d: %d pixels are called defective, of which %d are: %v", seed, len(m.Defects),
				len(w.broken), m.Defects)
		}
	}
}

// What saturates by a common end of the range is told as well, and pixels that are stuck are not counted.
func TestClippedWells(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 3))
	w := newWells(rng)
	w.full = 5000
	for _, i := range rng.Perm(w.Pixels())[:20] { // more than one in a hundred
		w.broken[i] = 4095
	}
	var levels []Level
	for _, lux := range []float64{0, 60, 195} {
		levels = append(levels, w.level(t, lux, 16, rng))
	}
	got := Saturated(levels)
	if got[0] != 0 || got[1] != 0 || !TooSaturated(got[2], w.Pixels()) {
		t.Errorf("%d pixels saturate", got)
	}
	if c := SaturationCaution(got[2], w.Pixels()); !strings.Contains(c, "% of the pixels saturate") {
		t.Error(c)
	}
	if c := SaturationCaution(3, w.Pixels()); c != "" {
		t.Error(c)
	}
}
