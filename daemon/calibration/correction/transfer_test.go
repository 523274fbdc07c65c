package correction

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/invalid"
)

// simulated fills an accumulator with frames of code(pixel), rounded and kept in range.
func simulated(t *testing.T, shape Shape, scale Scale, frames int, code func(i int) float64) *Accumulator {
	t.Helper()
	a, err := NewAccumulator(shape, scale)
	if err != nil {
		t.Fatal(err)
	}
	codes := make([]uint16, shape.Pixels())
	for range frames {
		for i := range codes {
			codes[i] = uint16(min(max(math.Round(code(i)), 0), float64(scale.HighestCode)))
		}
		if err := a.Add(codes); err != nil {
			t.Fatal(err)
		}
	}
	return a
}

// TestPhotonTransferFindsWhatTheSensorHas: an invented linear sensor whose electrons are
// counted here one by one (Poisson by its normal limit, which it has reached at these
// numbers), with the figures known. Both signs of the signal.
func TestPhotonTransferFindsWhatTheSensorHas(t *testing.T) {
	const (
		seed                             = 11
		k, dark, perLux, full            = 0.25, 40.0, 120.0, 12000.0 // codes per electron, electrons
		readNoise, dsnu, prnu, zero, top = 9.0, 14.0, 0.012, 100.0, 4000.0
	)
	shape, scale := Shape{Rows: 60, Columns: 70}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	for _, falling := range []bool{false, true} {
		rng := rand.New(rand.NewPCG(seed, 1))
		gain, offset := make([]float64, shape.Pixels()), make([]float64, shape.Pixels())
		for i := range gain {
			gain[i], offset[i] = 1+prnu*rng.NormFloat64(), dsnu*rng.NormFloat64()
		}
		var levels []Level
		for _, lux := range []float64{0, 5, 10, 20, 30, 40, 50, 60, 70, 80, 90, 95, 120, 150} {
			levels = append(levels, Level{Lux: lux, Frames: simulated(t, shape, scale, 16, func(i int) float64 {
				n := perLux*lux*gain[i] + dark
				n = min(n+math.Sqrt(n)*rng.NormFloat64()+offset[i], full) + readNoise*rng.NormFloat64()
				if falling {
					return top - k*n
				}
				return zero + k*n
			})})
		}
		got, err := PhotonTransfer(levels)
		if err != nil {
			t.Fatal(err)
		}
		// The level of the largest variance is the one just below the full well: 95 lux give
		// 11,440 electrons, of which the spread reaches 12,000.
		for name, v := range map[string]struct{ got, want, within float64 }{
			"gain":          {got.CodesPerElectron, k, 0.01},
			"dark noise":    {got.DarkNoise, math.Sqrt(readNoise*readNoise + dark), 0.01},
			"DSNU":          {got.DSNU, dsnu, 0.04},
			"PRNU":          {got.PRNU, prnu, 0.04},
			"codes per lux": {got.CodesPerLux, k * perLux, 0.001},
			"saturation":    {got.Saturation, 95 * perLux, 0.06},
			"SNR":           {got.MaxSNR, math.Sqrt(got.Saturation), 1e-9},
			"range": {got.DynamicRange,
				got.Saturation / (0.5 + math.Sqrt(readNoise*readNoise+dark+1/(12*k*k)+0.25)), 0.02},
		} {
			if math.Abs(v.got/v.want-1) > v.within {
				t.Errorf("falling %t: %s is %.5g, want %.5g within %g %%", falling, name, v.got, v.want, 100*v.within)
			}
		}
		if !(got.LinearityError < 0.001) {
			t.Errorf("falling %t: a straight response departs by %g", falling, got.LinearityError)
		}
		// Without the levels beyond it, saturation is not seen and not claimed.
		below, err := PhotonTransfer(levels[:6])
		if err != nil || below.Saturation != 0 || below.DynamicRange != 0 {
			t.Errorf("below saturation: %+v, %v", below, err)
		}
	}
}

func TestPhotonTransferRefuses(t *testing.T) {
	shape, scale := Shape{Rows: 8, Columns: 8}, Scale{VoltsPerCode: 1, HighestCode: 1000}
	rng := rand.New(rand.NewPCG(3, 3))
	level := func(lux, noise float64, frames int) Level {
		return Level{lux, simulated(t, shape, scale, frames,
			func(int) float64 { return 100 + lux + noise*rng.NormFloat64() })}
	}
	for name, levels := range map[string][]Level{
		"none": nil, "no dark": {level(1, 1, 4), level(2, 1, 4), level(3, 1, 4), level(4, 1, 4)},
		"few":                  {level(0, 1, 4), level(1, 1, 4), level(2, 1, 4)},
		"one frame":            {level(0, 1, 1), level(10, 1, 4), level(20, 1, 4), level(30, 1, 4)},
		"noise that falls off": {level(0, 40, 8), level(100, 9, 8), level(200, 4, 8), level(300, 1, 8)},
	} {
		var m invalid.Errors
		if got, err := PhotonTransfer(levels); !errors.As(err, &m) {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
	}
}

// TestOffsetUpdate: after all offsets have drifted by amounts of their own, one level brings the
// pattern of other levels down to what it was; the old correction map would leave the drift.
func TestOffsetUpdate(t *testing.T) {
	const noise, drift = 1.5, 7.0
	shape, scale := Shape{Rows: 24, Columns: 30}, Scale{VoltsPerCode: 1e-3, HighestCode: 4095}
	rng := rand.New(rand.NewPCG(5, 1))
	n := shape.Pixels()
	a, b, c, moved := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
	for i := range n {
		a[i], b[i], c[i], moved[i] = 1500+12*rng.NormFloat64(), 220*(1+0.01*rng.NormFloat64()),
			0.05*math.Exp(0.1*rng.NormFloat64()), -20+drift*rng.NormFloat64()
	}
	level := func(lux float64, drifted float64) Level {
		return Level{lux, simulated(t, shape, scale, 64, func(i int) float64 {
			return a[i] + b[i]*math.Log(c[i]+lux) + drifted*moved[i] + noise*rng.NormFloat64()
		})}
	}
	for method, levels := range map[Method][]Level{
		Offset: {level(30, 0)}, OffsetGain: {level(10, 0), level(300, 0)},
		LogResponse: {level(0, 0), level(0.1, 0), level(1, 0), level(100, 0), level(1000, 0)},
	} {
		m, err := Fit(method, levels, Options{Kelvin: 300})
		if err != nil {
			t.Fatal(err)
		}
		before := m.Encode()
		fresh := level(30, 1)
		fresh.Lux = -1 // nobody measured it
		z, err := UpdateOffsets(m, fresh, Options{Kelvin: 315})
		if err != nil {
			t.Fatal(method, err)
		}
		if string(m.Encode()) != string(before) {
			t.Errorf("%v: the old correction map changed", method)
		}
		if z.Kelvin != 315 || len(z.Levels) != 1 || z.Levels[0].AfterCodes > 0.2 || z.Levels[0].BeforeCodes < drift {
			t.Errorf("%v: %g K, %+v", method, z.Kelvin, z.Levels)
		}
		test := level(60, 1)
		old, err := m.Measure([]Level{test})
		if err != nil {
			t.Fatal(err)
		}
		now, err := z.Measure([]Level{test})
		if err != nil {
			t.Fatal(err)
		}
		limit := 0.35 // what noise of 1.5 codes over 8 leaves in two correction maps
		if method == Offset {
			limit = 0.01*220*math.Log(2)*1.1 + 0.35 // the slopes, which it does not know
		}
		if old[0].AfterCodes < 0.8*drift || now[0].AfterCodes > limit {
			t.Errorf("%v: %.2f codes left by the old correction map, %.2f by the new", method, old[0].AfterCodes,
				now[0].AfterCodes)
		}
		if back, err := Decode(z.Encode()); err != nil || string(back.Encode()) != string(z.Encode()) {
			t.Errorf("%v: its bytes do not come back: %v", method, err)
		}
		var wrong invalid.Errors
		if _, err := UpdateOffsets(m, Level{1, simulated(t, shape, scale, 1, func(int) float64 { return 9 })},
			Options{}); !errors.As(err, &wrong) {
			t.Errorf("one frame: %v", err)
		}
		if _, err := UpdateOffsets(m, Level{1, simulated(t, shape, scale, 4, func(int) float64 { return 0 })},
			Options{}); !errors.As(err, &wrong) {
			t.Errorf("all clipped: %v", err)
		}
	}
}
