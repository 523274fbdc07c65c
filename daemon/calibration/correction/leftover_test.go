package correction

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// TestWhatIsLeftOfThePattern: the spread of good pixels that are corrected without noise, at light beside that of the
// levels, is what the map says is left, for maps of few frames and of many.
func TestWhatIsLeftOfThePattern(t *testing.T) {
	rng := rand.New(rand.NewPCG(peertest.Seed(t), 5))
	for _, c := range []struct {
		method Method
		lights []float64
		frames int
		at     []float64
	}{
		{Offset, []float64{100}, 4, []float64{100}},
		{Offset, []float64{100}, 64, []float64{100, 1000, 10000}},
		{OffsetGain, []float64{30, 3000}, 8, []float64{30, 300, 3000}},
		{LogResponse, []float64{0.1, 10, 1000}, 8, []float64{10, 100, 1000}},
		{LogResponse, []float64{0, 0.05, 1, 30, 1000, 30000}, 32, []float64{1, 5, 30, 300, 1000}},
	} {
		w := newGroundTruth(Shape{40, 48, Square}, rng)
		var levels []Level
		for _, x := range c.lights {
			levels = append(levels, w.level(t, x, c.frames, rng))
		}
		m, err := Fit(c.method, levels, Options{})
		if err != nil {
			t.Fatal(err)
		}
		for _, lux := range c.at {
			spread, mean := m.spread(w, lux)
			got, known := m.PatternAt(mean)
			if !known || got < 0.6*spread-0.05 || got > 1.8*spread+0.1 {
				t.Errorf("%v of %d frames at %d levels, at %g lux: %.3f codes are told (%v), %.3f are left", c.method,
					c.frames, len(c.lights), lux, got, known, spread)
			}
		}
	}
	if _, known := (&Map{}).PatternAt(100); known {
		t.Error("a map without levels knows what is left")
	}
}

// spread is the standard deviation of good pixels that were corrected before they were rounded, and their mean.
func (m *Map) spread(w *groundTruth, lux float64) (spread, mean float64) {
	defect := map[int]bool{}
	for _, d := range m.Defects {
		defect[d.Pixel] = true
	}
	var n, sum, squares float64
	for i := range w.Pixels() {
		if defect[i] {
			continue
		}
		v := w.code(i, lux)
		switch m.Method {
		case Offset:
			v -= float64(m.Offset[i])
		case OffsetGain:
			v = (v - float64(m.Offset[i])) / float64(m.Gain[i])
		case LogResponse:
			v = correctLog(v, float64(m.Offset[i]), float64(m.Gain[i]), float64(m.Dark[i]), m.Mean)
		}
		n++
		sum += v
		squares += v * v
	}
	mean = sum / n
	return math.Sqrt(squares/n - mean*mean), mean
}
