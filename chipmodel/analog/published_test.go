package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// TestKTC: 64.3 uV on 1 pF at 300 K was seen on a secondary page (ktc.json); the other rows are derived from the exact
// constants.
func TestKTC(t *testing.T) {
	var table struct {
		Rows []struct {
			C   float64 `json:"C_F"`
			T   float64 `json:"T_K"`
			V   float64 `json:"v_rms_V"`
			Els float64 `json:"q_rms_electrons"`
		}
	}
	load(t, "ktc", &table)
	for _, r := range table.Rows {
		v := KTCVolts(r.T, r.C)
		near(t, fmt.Sprintf("noise of %g F", r.C), v, r.V, 1e-12)
		near(t, fmt.Sprintf("electrons on %g F", r.C), v*r.C/ElectronC, r.Els, 1e-12)
	}
	near(t, "1 pF", KTCVolts(300, 1e-12), 64.3e-6, 1e-3)
}

// TestThermalVoltage: kT/q, and the 59.5 mV a decade at 300 K of K. P. Cheung (2010; the figure seen in a secondary
// table, see thermal.json).
func TestThermalVoltage(t *testing.T) {
	var table struct {
		Rows []struct {
			T   float64 `json:"T_K"`
			UT  float64 `json:"kT_q_mV"`
			Dec float64 `json:"ln10_kT_q_mV_per_decade"`
		}
	}
	load(t, "thermal", &table)
	for _, r := range table.Rows {
		near(t, "kT/q in mV", 1e3*ThermalVolts(r.T), r.UT, 1e-12)
		near(t, "mV a decade", 1e3*math.Ln10*ThermalVolts(r.T), r.Dec, 1e-12)
	}
	near(t, "mV a decade at 300 K", 1e3*math.Ln10*ThermalVolts(300), 59.5, 1e-3)
}

// TestSettlingCounts: time constants until a full-scale step has settled to one step
// of a converter, as printed in Analog Devices AN-1024 and TI SLYW038D (without its
// misprinted rows), from our ghost model; and to half a step.
func TestSettlingCounts(t *testing.T) {
	var table struct {
		Rows []struct {
			Bits int
			One  float64 `json:"ntau_1lsb"`
			Half float64 `json:"ntau_half_lsb"`

			TI  *float64 `json:"slyw038d"`
			AN2 *float64 `json:"an1024"`
		}
	}
	load(t, "settling", &table)
	printed := 0
	for _, r := range table.Rows {
		near(t, "half a step", SettlingTaus(r.Bits+1), r.Half, 1e-14)
		near(t, "one step", SettlingTaus(r.Bits), r.One, 1e-14)
		for _, p := range []*float64{r.AN2, r.TI} {
			if p == nil {
				continue
			}
			printed++
			if math.Abs(SettlingTaus(r.Bits)-*p) > 0.005 {
				t.Errorf("%d bits: %v time constants, printed %v", r.Bits, SettlingTaus(r.Bits), *p)
			}
		}
	}
	if printed < 20 {
		t.Errorf("only %d printed values", printed)
	}
}

// TestConverterSine: signal to noise and distortion of a full-scale sine (coherent
// sampling, as IEEE 1241 has it, from memory) against a simulation made elsewhere and
// against 6.02 N + 1.76 dB (seen; see quantisation.json).
func TestConverterSine(t *testing.T) {
	var table struct {
		Rows []struct {
			Bits  int
			Ideal float64 `json:"snr_ideal_dB"`
			SINAD float64 `json:"simulated_sinad_dB"`
			RMS   float64 `json:"simulated_rms_err_lsb"`
		}
	}
	load(t, "quantisation", &table)
	const n, cycles = 1 << 18, 80917
	volts, codes := make([]float64, n), make([]uint16, n)
	for i := range volts {
		volts[i] = 0.5 + 0.5*math.Sin(2*math.Pi*float64(i)*cycles/n+0.37)
	}
	for _, r := range table.Rows {
		c := NewConverter(ConverterSpec{Bits: r.Bits, HighVolts: 1}, nil)
		c.Convert(codes, volts, 0, 0)
		steps := math.Exp2(float64(r.Bits))
		// Least squares of a sine and a constant, as a spectrum has them.
		var in, quad, mean, noise float64
		for i, code := range codes {
			sin, cos := math.Sincos(2*math.Pi*float64(i)*cycles/n + 0.37)
			v := (float64(code) + 0.5) / steps
			in, quad, mean = in+2*v*sin/n, quad+2*v*cos/n, mean+v/n
			e := v - volts[i]
			noise += e * e
		}
		near(t, fmt.Sprintf("%d bits: rms error in steps", r.Bits), math.Sqrt(noise/n)*steps, r.RMS, 2e-3)
		var rest float64
		for i, code := range codes {
			sin, cos := math.Sincos(2*math.Pi*float64(i)*cycles/n + 0.37)
			e := (float64(code)+0.5)/steps - mean - in*sin - quad*cos
			rest += e * e
		}
		sinad := 10 * math.Log10((in*in+quad*quad)/2/(rest/n))
		if math.Abs(sinad-r.SINAD) > 0.001 || math.Abs(sinad-r.Ideal) > 0.3 {
			t.Errorf("%d bits: SINAD %.4f dB, simulated elsewhere %.4f, ideal %.3f", r.Bits, sinad, r.SINAD, r.Ideal)
		}
	}
}

// TestDroop: volts a second, and how long a cell holds to half a step of 1 V.
func TestDroop(t *testing.T) {
	var table struct {
		Rows []struct {
			C     float64 `json:"C_F"`
			I     float64 `json:"I_leak_A"`
			Droop float64 `json:"droop_V_per_s"`
			B8    float64 `json:"hold_half_lsb_8bit_1V_s"`
			B10   float64 `json:"hold_half_lsb_10bit_1V_s"`
			B12   float64 `json:"hold_half_lsb_12bit_1V_s"`
		}
	}
	load(t, "droop", &table)
	for _, r := range table.Rows {
		droop := DroopVoltsPerS(r.I, r.C)
		near(t, "droop", droop, r.Droop, 1e-12)
		for bits, want := range map[int]float64{8: r.B8, 10: r.B10, 12: r.B12} {
			near(t, fmt.Sprintf("hold to half a step of %d bits", bits), math.Exp2(-float64(bits+1))/droop, want, 1e-12)
		}
	}
	if got := Doubling(316, 8); got != 4 {
		t.Errorf("two doublings give %v", got)
	}
}

// TestLogPixelSpeed: time constant and noise of a logarithmic pixel (Sarpeshkar, Delbruck and Mead 1993, from memory).
func TestLogPixelSpeed(t *testing.T) {
	var table struct {
		Log []struct {
			I, C, T  float64
			IA       float64 `json:"I_A"`
			CF       float64 `json:"C_F"`
			TK       float64 `json:"T_K"`
			Tau      float64 `json:"tau_s"`
			Noise    float64 `json:"v_noise_uV"`
			Contrast float64 `json:"noise_equiv_contrast"`
		} `json:"log_pixel"`
	}
	load(t, "logspeed", &table)
	for _, r := range table.Log {
		near(t, "time constant", LogTau(r.CF, r.TK, r.IA), r.Tau, 1e-12)
		near(t, "noise", 1e6*KTCVolts(r.TK, r.CF), r.Noise, 1e-12)
		near(t, "contrast", KTCVolts(r.TK, r.CF)/ThermalVolts(r.TK), r.Contrast, 1e-12)
	}
}

// TestLogStep: the response to a step of light against a numerical integration of
// C dV/dt = I_load - I_photo.
func TestLogStep(t *testing.T) {
	var table struct {
		Rows []struct {
			C    float64   `json:"C_F"`
			I1   float64   `json:"I1_A"`
			I2   float64   `json:"I2_A"`
			Tau  float64   `json:"tau2_s"`
			When []float64 `json:"t_over_tau"`
			DV   []float64 `json:"dV_ode_V"`
		}
	}
	load(t, "logstep", &table)
	for _, r := range table.Rows {
		near(t, "tau", LogTau(r.C, 300, r.I2), r.Tau, 1e-9)
		for i, x := range r.When {
			// In units where a current of 1 A is 1 lux.
			shown, _ := NewLogLag(Lamp{}).Follow(r.I1, r.I2, r.I2, 0, r.C*ThermalVolts(300), Gap{Seconds: x * r.Tau})
			if got := -ThermalVolts(300) * math.Log(shown/r.I1); math.Abs(got-r.DV[i]) > 1e-11 {
				t.Errorf("%g to %g A after %g tau: %v V, want %v V", r.I1, r.I2, x, got, r.DV[i])
			}
		}
	}
}

// TestLogPixelArray: the response of an array of pixels with spread a, b and c: its
// mean over the array, and the fixed pattern, at eight lights (model of Joseph and
// Collins 2002, seen in the abstract; the values were generated from it).
func TestLogPixelArray(t *testing.T) {
	var table struct {
		X, A, B, C []float64
		Mean       []float64 `json:"spatial_mean_V"`
		Raw        []float64 `json:"raw_residual_rms_V"`
	}
	load(t, "logpixel", &table)
	for i, x := range table.X {
		var sum, squares float64
		for j := range table.A {
			v := LogResponse(table.A[j], table.B[j], table.C[j], x)
			sum += v
			squares += v * v
		}
		n := float64(len(table.A))
		near(t, fmt.Sprintf("mean at %g", x), sum/n, table.Mean[i], 1e-12)
		near(t, fmt.Sprintf("fixed pattern at %g", x), math.Sqrt(squares/n-sum/n*sum/n), table.Raw[i], 1e-6)
	}
}

// TestLineLag: what a line that has not settled shows of pixel after pixel.
func TestLineLag(t *testing.T) {
	var table struct {
		Lag []struct {
			T   float64   `json:"T_over_tau"`
			In  []float64 `json:"in_V"`
			Out []float64 `json:"sampled_V"`
		} `json:"line_lag"`
	}
	load(t, "logpixel", &table)
	c := NewConverter(ConverterSpec{Bits: 16, HighVolts: 2}, nil)
	var code [1]uint16
	for _, r := range table.Lag {
		previous := r.In[0]
		for i, v := range r.In {
			previous = c.Convert(code[:], []float64{v}, previous, math.Exp(-r.T))
			if math.Abs(previous-r.Out[i]) > 1e-14 {
				t.Errorf("%g tau, pixel %d: %v V, want %v V", r.T, i, previous, r.Out[i])
			}
			if want := uint16(r.Out[i] * (1 << 15)); code[0] != want {
				t.Errorf("%g tau, pixel %d: code %d, want %d", r.T, i, code[0], want)
			}
		}
	}
}

// TestLn compares the quick logarithm with math.Log over all magnitudes.
func TestLn(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 200_000 {
		x := math.Float64frombits(rng.Uint64() &^ (1 << 63))
		if rng.IntN(2) == 0 {
			x = math.Exp(2 * rng.NormFloat64())
		}
		got, want := Ln(x), math.Log(x)
		if math.IsNaN(want) && math.IsNaN(got) || got == want {
			continue
		}
		if !(math.Abs(got-want) <= 4e-16*(1+math.Abs(want))) {
			t.Fatalf("Ln(%v) = %v, want %v", x, got, want)
		}
	}
	for _, x := range []float64{0, -1, math.Inf(1), math.NaN(), 5e-324, 1, math.MaxFloat64} {
		got, want := Ln(x), math.Log(x)
		if got != want && !(math.IsNaN(got) && math.IsNaN(want)) && math.Abs(got-want) > 1e-13 {
			t.Errorf("Ln(%v) = %v, want %v", x, got, want)
		}
	}
}
