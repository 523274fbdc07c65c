package die

import (
	"math"
	"math/cmplx"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestFlickerOfBrightPixels: a pixel that is far quicker than the lamp shows n U_T ln((1 + m)/(1 - m)) from peak to
// peak, read in time over whole periods (flicker.json; derived from y = a + b ln(c + x)).
func TestFlickerOfBrightPixels(t *testing.T) {
	var table struct {
		Swing []struct {
			Depth  float64 `json:"M"`
			Slope  float64 `json:"N"`
			Kelvin float64 `json:"T_K"`
			MV     float64 `json:"pp_mV"`
		} `json:"log_pp"`
	}
	load(t, "flicker", &table)
	for _, r := range table.Swing {
		d := lagging(t, 1, false)
		light := *flat(2e4) // tau is below a microsecond
		light.Lag = analog.NewLogLag(analog.Lamp{Hz: 100, Depth: r.Depth})
		low, high := math.Inf(1), math.Inf(-1)
		for i := range 2000 {
			v := math.Log(shownLux(d, bustime.Time(i*50_000), &light))
			low, high = min(low, v), max(high, v)
		}
		got := 1e3 * r.Slope * analog.ThermalVolts(r.Kelvin) * (high - low)
		if math.Abs(got/r.MV-1) > 1e-3 {
			t.Errorf("depth %g, slope factor %g, %g K: %.4f mV from peak to peak, want %.4f", r.Depth, r.Slope,
				r.Kelvin,
				got, r.MV)
		}
	}
	if len(table.Swing) < 12 {
		t.Error("rows are missing")
	}
}

// component is the complex amplitude of a frequency, in parts of a turn a sample, in what was sampled over whole turns
// of it.
func component(samples []float64, turn float64) complex128 {
	var sum complex128
	for i, v := range samples {
		sum += complex(v, 0) * cmplx.Rect(1, -2*math.Pi*turn*float64(i))
	}
	return sum * complex(2/float64(len(samples)), 0)
}

// TestFirstOrderResponse: to light that swings a little a logarithmic pixel is a low pass of first order: what is left
// of the swing is 1/sqrt(1 + (2 pi f tau)^2), late by atan(2 pi f tau) (any textbook of linear systems, from memory;
// that the band goes with the light as in the abstract of Delbruck and Mead, "Adaptive Photoreceptor with Wide Dynamic
// Range", ISCAS 1994).
func TestFirstOrderResponse(t *testing.T) {
	const depth, perPeriod, periods = 0.01, 16, 25
	for _, hz := range []float64{3, 25, 100, 400} {
		lag := analog.NewLogLag(analog.Lamp{Hz: hz, Depth: depth})
		for _, lux := range []float64{0.1, 0.5, 1, 3, 10, 100} {
			d := lagging(t, 1, false)
			light := *flat(lux)
			light.Lag = lag
			samples := make([]float64, perPeriod*periods)
			for i := range samples {
				at := bustime.Time(math.Round(float64(i) * 1e9 / hz / perPeriod))
				samples[i] = math.Log(shownLux(d, at, &light))
			}
			got := component(samples, 1.0/perPeriod)
			x := 2 * math.Pi * hz * lagK / lux
			want := complex(depth, 0) * cmplx.Rect(1/math.Sqrt(1+x*x), -math.Pi/2-math.Atan(x)) // of a sine
			if cmplx.Abs(got-want) > 5e-3*cmplx.Abs(want) {
				t.Errorf("%g lux, %g Hz: a swing of %.5f, %.4f rad late, want %.5f, %.4f rad", lux, hz,
					cmplx.Abs(got)/depth, -math.Pi/2-cmplx.Phase(got), cmplx.Abs(want)/depth, math.Atan(x))
			}
		}
	}
}

// TestPhotoreceptorNoise: the noise of a logarithmic photoreceptor is the same at every light, and only its band goes
// with it (Delbruck and Mead, "Adaptive Photoreceptor with Wide Dynamic Range", ISCAS 1994: seen in the abstract; that
// it is kT/C: Sarpeshkar, Delbruck and Mead, IEEE Circuits and Devices, 1993, from memory; logspeed.json has both). Its
// band is seen in the mean of frames taken far faster than the pixel: of n samples T apart, correlated by
// exp(-|i - j| T/tau), it keeps the variance worked out by summing them all.
func TestPhotoreceptorNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const side, frames = 32, 8
	sigma := lagPerDecade / math.Ln10 * analog.KTCVolts(300, lagNode) / analog.ThermalVolts(300)
	for _, lux := range []float64{0.03, 1, 30, 1000} {
		tau := lagK / lux
		gap := tau / 4
		d := New(lagClass(t, side), 0, seed)
		var single, mean float64
		sums, line := make([]float64, side*side), make([]float64, side)
		const rounds = 4
		for round := range rounds {
			clear(sums)
			for f := range frames {
				at := bustime.Time(1e9 * (float64(round)*40*tau + float64(f)*gap))
				for r := range side {
					d.Row(line, r, 0, 1, at, 0, flat(lux))
					for c, v := range line {
						v -= 1 + lagPerDecade*math.Log10(lux)
						sums[r*side+c] += v
						single += v * v / (rounds * frames * side * side)
					}
				}
			}
			for _, v := range sums {
				mean += v * v / (frames * frames * rounds * side * side)
			}
		}
		keeps := 0.0
		for i := range frames {
			for j := range frames {
				keeps += math.Exp(-math.Abs(float64(i-j))*gap/tau) / (frames * frames)
			}
		}
		// Five standard errors of 4096 independent pixels.
		if got := math.Sqrt(single); math.Abs(got/sigma-1) > 0.056 {
			t.Errorf("%g lux: noise of %.4g V, want kT/C, here %.4g V, at every light", lux, got, sigma)
		}
		if math.Abs(mean/(keeps*sigma*sigma)-1) > 0.11 {
			t.Errorf("%g lux: the mean of %d frames keeps %.4f of the variance, want %.4f", lux, frames,
				mean/(sigma*sigma), keeps)
		}
	}
}

// TestFlickerBeats: frames of a chip under a lamp on alternating mains beat with the alias of the lamp: the distance
// from its frequency to the nearest multiple of the frame rate (flicker.json; derived, it follows from the sampling
// theorem). What the pixel shows swings with that frequency alone, and by sinc(f T) of the lamp's depth, for a pixel
// that integrates over T (the transform of a rectangle, any textbook; from memory): without any swing where T is a
// multiple of the period.
func TestFlickerBeats(t *testing.T) {
	var table struct {
		Alias []struct {
			Flicker float64 `json:"flicker_Hz"`
			Frame   float64 `json:"frame_Hz"`
			Alias   float64 `json:"alias_Hz"`
		}
	}
	load(t, "flicker", &table)
	const depth, lux = 0.3, 100
	lights := map[float64]*Light{}
	for _, r := range table.Alias {
		if lights[r.Flicker] == nil {
			lights[r.Flicker] = lamp(r.Flicker, depth)
		}
		for _, exposure := range []time.Duration{200 * time.Microsecond, 3 * time.Millisecond, 25 * time.Millisecond} {
			d := linearChip(t, 1, exposure)
			samples := make([]float64, 0, 42)
			for i := range cap(samples) {
				var v [1]float64
				at := bustime.Time(math.Round((1 + float64(i)/r.Frame + 0.0007) * 1e9))
				d.Row(v[:], 0, 0, 1, at, 0, lights[r.Flicker])
				samples = append(samples, -1e3*v[0]/lux-1)
			}
			x := math.Pi * r.Flicker * exposure.Seconds()
			swing := depth * math.Abs(math.Sin(x)/x)
			// Samples of a sine obey s(n+1) + s(n-1) = 2 cos(2 pi f/F) s(n), whatever its phase, ...
			turn := 2 * math.Cos(2*math.Pi*r.Alias/r.Frame)
			for i := 1; i+1 < len(samples); i++ {
				if e := samples[i+1] + samples[i-1] - turn*samples[i]; math.Abs(e) > 1e-6 {
					t.Errorf("%g Hz at %g frames a second: no beat of %g Hz (%v)", r.Flicker, r.Frame, r.Alias, e)
					break
				}
			}
			// ... and none is larger than its amplitude, which two of them and the step between them give.
			if sin := math.Sin(2 * math.Pi * r.Alias / r.Frame); math.Abs(sin) > 0.05 {
				quadrature := (samples[1] - samples[0]*turn/2) / sin
				if got := math.Hypot(samples[0], quadrature); math.Abs(got-swing) > 1e-5 {
					t.Errorf("%g Hz at %g frames a second, exposed for %v: a swing of %v, want %v", r.Flicker, r.Frame,
						exposure, got, swing)
				}
			}
		}
	}
	if len(table.Alias) < 38 {
		t.Error("rows are missing")
	}
}
