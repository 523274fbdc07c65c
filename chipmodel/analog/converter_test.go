package analog

import (
	"math"
	"slices"
	"testing"

	"facetd.example/api/peertest"
)

// transitions finds the input at which each code begins, by bisection: a converter is
// known by these (IEEE 1241, from memory; data sheets define its errors by them, seen in Microchip's).
func transitions(c *Converter, bits int, low, high float64) []float64 {
	n := 1 << bits
	out := make([]float64, n)
	var code [1]uint16
	for k := 1; k < n; k++ {
		a, b := low-(high-low), high+(high-low)
		for range 60 {
			mid := (a + b) / 2
			c.Convert(code[:], []float64{mid}, 0, 0)
			if int(code[0]) >= k {
				b = mid
			} else {
				a = mid
			}
		}
		out[k] = b
	}
	return out
}

// nonlinearity gives INL and DNL in steps by the end-point method of IEEE 1241 (from memory; data sheets have it so,
// after correction of offset and gain: seen in Microchip's).
func nonlinearity(at []float64) (inl, dnl []float64) {
	n := len(at)
	step := (at[n-1] - at[1]) / float64(n-2)
	inl, dnl = make([]float64, n), make([]float64, n)
	for k := 1; k < n; k++ {
		inl[k] = (at[k]-at[1])/step - float64(k-1)
		if k+1 < n {
			dnl[k] = (at[k+1]-at[k])/step - 1
		}
	}
	return inl, dnl
}

// TestConverterErrors: offset, gain, bow and spread of the steps are found again from
// the transitions.
func TestConverterErrors(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	const bits, low, high = 8, 0.2, 2.2
	step := (high - low) / 256
	ideal := transitions(NewConverter(ConverterSpec{Bits: bits, LowVolts: low, HighVolts: high}, nil), bits, low, high)
	for k := 1; k < 256; k++ {
		if math.Abs(ideal[k]-(low+float64(k)*step)) > 1e-12 {
			t.Fatalf("ideal transition %d at %v V", k, ideal[k])
		}
	}
	spec := ConverterSpec{Bits: bits, LowVolts: low, HighVolts: high, OffsetVolts: 0.03, GainError: 0.02}
	at := transitions(NewConverter(spec, NewNoise(seed, 1)), bits, low, high)
	near(t, "offset", at[1]-step/1.02, low-0.03, 1e-9)
	near(t, "gain", 254*step/(at[255]-at[1]), 1.02, 1e-9)

	spec = ConverterSpec{Bits: bits, LowVolts: low, HighVolts: high, BowSteps: 2}
	inl, dnl := nonlinearity(transitions(NewConverter(spec, NewNoise(seed, 2)), bits, low, high))
	for k := 1; k < 256; k++ {
		x := float64(k) / 255
		if want := 4 * 2 * x * (1 - x); math.Abs(inl[k]-want) > 0.1 {
			t.Fatalf("bow: INL of code %d is %v steps, want %v", k, inl[k], want)
		}
	}
	if math.Abs(dnl[128]) > 0.01 || math.Abs(inl[128]-2) > 0.04 {
		t.Errorf("bow: middle INL %v, DNL %v", inl[128], dnl[128])
	}

	spec = ConverterSpec{Bits: bits, LowVolts: low, HighVolts: high, StepSpread: 0.1}
	var sum, worst, worstEnd float64
	const converters = 12
	for i := range converters {
		inl, dnl := nonlinearity(transitions(NewConverter(spec, NewNoise(seed, 10+uint64(i))), bits, low, high))
		for k := 1; k < 255; k++ {
			sum += dnl[k] * dnl[k] / (254 * converters)
			worst = max(worst, math.Abs(inl[k]))
		}
		worstEnd = max(worstEnd, math.Abs(inl[1]), math.Abs(inl[255]))
	}
	near(t, "spread of the steps", math.Sqrt(sum), 0.1, 0.1)
	if worst > 0.6 { // five standard deviations of 0.1/sqrt 2, and those of the first code
		t.Errorf("errors of steps add up to an INL of %v steps", worst)
	}
	if worstEnd > 1e-9 {
		t.Errorf("the ends are off by %v steps", worstEnd)
	}
}

// TestConverterLimits: below, above and no number at all.
func TestConverterLimits(t *testing.T) {
	for _, spread := range []float64{0, 0.5} {
		c := NewConverter(ConverterSpec{Bits: 10, HighVolts: 1, StepSpread: spread, BowSteps: spread}, NewNoise(1, 1))
		codes := make([]uint16, 5)
		c.Convert(codes, []float64{-1, math.Inf(-1), 2, math.Inf(1), math.NaN()}, 0, 0)
		for i, want := range []uint16{0, 0, 1023, 1023, 0} {
			if codes[i] != want {
				t.Errorf("input %d gives code %d, want %d", i, codes[i], want)
			}
		}
	}
}

// TestConverterRises: however wild its steps, more volts never give a lower code.
func TestConverterRises(t *testing.T) {
	for seed := range uint64(4) {
		c := NewConverter(ConverterSpec{Bits: 9, HighVolts: 1, StepSpread: 2, BowSteps: -7}, NewNoise(seed, 1))
		volts, codes := make([]float64, 20_000), make([]uint16, 20_000)
		for i := range volts {
			volts[i] = -0.1 + 1.2*float64(i)/float64(len(volts))
		}
		c.Convert(codes, volts, 0, 0)
		if !slices.IsSorted(codes) || codes[0] != 0 || codes[len(codes)-1] != 511 {
			t.Errorf("seed %d: the codes fall", seed)
		}
	}
}

// TestConverterNoise: the spread of codes of a constant input is the noise and the
// quantisation together.
func TestConverterNoise(t *testing.T) {
	const n = 100_000
	c := NewConverter(ConverterSpec{Bits: 12, HighVolts: 4.096, NoiseVolts: 2e-3}, NewNoise(5, 5))
	volts, codes := make([]float64, n), make([]uint16, n)
	for i := range volts {
		volts[i] = 2.0002
	}
	c.Convert(codes, volts, 2, 0)
	var mean, squares float64
	for _, code := range codes {
		mean += float64(code) / n
		squares += float64(code) * float64(code) / n
	}
	near(t, "noise in steps", math.Sqrt(squares-mean*mean), math.Sqrt(4+1.0/12), 0.01)
	near(t, "mean", mean, 2000.2-0.5, 1e-4)
}
