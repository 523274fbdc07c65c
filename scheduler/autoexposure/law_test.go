package autoexposure

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// bench is a pixel array that a law is tried on: an independent model, in which a pixel is a number of volts.
type bench struct {
	cfg   Config
	law   *Law
	now   Setting
	rng   *rand.Rand
	volts func(lux, seconds float64) float64
	meter Meter
}

// integrating is a bench of the linear pixels of the test array: 800,000 electrons a second and lux, of 15 uV each
// below 2.4 V, down to 0.9 V; the converter takes 0.5 to 2.5 V.
func integrating(level float64, low, high time.Duration, rate float64) *bench {
	a := bustest.MustLinearArray()
	c := &a.Chips[bustest.M0]
	cfg := Config{Class: c.Class, Lanes: []*chipmodel.Lane{&a.Lanes[c.Lane]}, Level: level, Exposed: true, Step: 125,
		Averaging: Averaging(1, rate), Low: Setting{Exposure: low}, High: Setting{Exposure: high}}
	b := &bench{cfg: cfg, law: New(cfg), now: Setting{Exposure: low}, rng: rand.New(rand.NewPCG(1, 2))}
	b.volts = func(lux, seconds float64) float64 {
		electrons := min(8e5*lux*seconds, 1e5)
		return 2.4 - 15e-6*(electrons+math.Sqrt(electrons+100)*b.rng.NormFloat64())
	}
	return b
}

// amplified is a bench of logarithmic pixels, 0.2 V a decade, behind an amplifier with gains 1, 2 and 4 about 1.2 V and
// offsets of 8 mV.
func amplified(level float64, rate float64) *bench {
	msg := bustest.Message()
	msg.Classes[2].Amplifier.OffsetStepVolts = proto.Float64(0.008)
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		panic(m)
	}
	c := &a.Chips[bustest.T0]
	cfg := Config{Class: c.Class, Lanes: []*chipmodel.Lane{&a.Lanes[c.Lane]}, Level: level,
		Averaging: Averaging(1, rate), Low: Setting{Offset: -128}, High: Setting{Gain: 2, Offset: 127}}
	b := &bench{cfg: cfg, law: New(cfg), rng: rand.New(rand.NewPCG(1, 2))}
	b.volts = func(lux, _ float64) float64 {
		v := 1 + 0.2*math.Log10(0.01+lux) + 0.005*b.rng.NormFloat64()
		v = 1.2 + []float64{1, 2, 4}[b.now.Gain]*(v-1.2) + 0.008*float64(b.now.Offset)
		return min(max(v, 0.1), 3)
	}
	return b
}

// job makes a job in a light, sets what the law says for the next, and returns the level.
func (b *bench) job(lux float64) float64 {
	b.meter.Reset()
	bits := b.cfg.Lanes[0].Bits
	codes := make([]uint16, 60)
	for i := range codes {
		v := b.volts(lux, b.now.Exposure.Seconds())
		codes[i] = uint16(min(max((v-0.5)/2*float64(uint(1)<<bits), 0), float64(uint(1)<<bits-1)))
	}
	b.meter.Add(codes, bits)
	m, _ := b.meter.Measure(b.cfg.Percentile)
	b.now = b.law.Next(b.now, b.now, m)
	return m.Level
}

// TestFourDecadesOfLight: after each step of the light, up or down by up to four decades, the sixth job in it at the
// latest shows the level, and then nothing changes any more.
func TestFourDecadesOfLight(t *testing.T) {
	for name, make := range map[string]func() *bench{
		"exposure": func() *bench { return integrating(0.5, 5*time.Microsecond, 1500*time.Millisecond, 50) },
		"gain":     func() *bench { return amplified(0.5, 50) },
	} {
		t.Run(name, func(t *testing.T) {
			b := make()
			lux := 100.0
			for i, next := range []float64{1, 0.1, 10, 1000, 100, 1000, 0.1, 1000, 1, 1000, 2.5, 0.1, 0.25, 800} {
				lux = next
				var last Setting
				for job := range 60 {
					level := b.job(lux)
					off := math.Abs(level-0.5) / 0.45 // dark is at 0.95
					if !b.cfg.Exposed {
						off = math.Abs(level - 0.5)
					}
					if job >= 5 && off > 0.1 {
						t.Fatalf("step %d to %g lx: job %d shows %.3f with %+v", i, lux, job, level, b.now)
					}
					if job == 5 {
						last = b.now
					}
					if job > 12 && b.now != last && b.cfg.Exposed &&
						math.Abs(math.Log(float64(b.now.Exposure)/float64(last.Exposure))) > 0.1 {
						t.Fatalf("step %d to %g lx: job %d changes %+v to %+v", i, lux, job, last, b.now)
					}
				}
			}
		})
	}
}

// flickering runs a bench under 100 Hz light and returns by what factor the exposures of the jobs from one on vary.
func flickering(b *bench, rate, depth float64, from, jobs int) (factor float64, changes int) {
	low, high := math.Inf(1), 0.0
	last := b.now
	for n := range jobs {
		at := float64(n)/rate + 0.0013
		b.job(1000 * (1 + depth*math.Sin(2*math.Pi*100*at)))
		if n >= from {
			low, high = min(low, b.now.Exposure.Seconds()), max(high, b.now.Exposure.Seconds())
			if b.now != last {
				changes++
			}
		}
		last = b.now
	}
	return high / low, changes
}

// TestFlicker: under 100 Hz light, at rates of all kinds beside it, exposures vary by no more than the light does while
// the mean is found, and by no more than a fifth once it has been over a second.
func TestFlicker(t *testing.T) {
	for _, rate := range []float64{7, 10, 13.3, 24, 25, 29.97, 30, 33, 40, 48, 49, 50, 51, 60, 66, 67, 90, 99, 120,
		240} {
		for _, depth := range []float64{0.1, 0.2, 0.33} {
			b := integrating(0.5, 5*time.Microsecond, 2*time.Millisecond, rate)
			second := max(int(math.Ceil(rate)), leastAveraging)
			if f, _ := flickering(b, rate, depth, 5, second); f > 1.1*(1+depth)/(1-depth) {
				t.Errorf("%g Hz, depth %g: exposures vary by a factor of %.2f at first", rate, depth, f)
			}
			if f, n := flickering(b, rate, depth, second, 10*second); f > 1.2 {
				t.Errorf("%g Hz, depth %g: exposures vary by a factor of %.2f after a second, in %d changes", rate,
					depth, f, n)
			}
		}
	}
}

// TestDeepFlicker: light that goes nearly out is followed at first, and then taken for flicker as well, where it beats
// faster than the mean is long.
func TestDeepFlicker(t *testing.T) {
	for _, rate := range []float64{12, 30, 40, 48, 60, 66, 120} {
		b := integrating(0.5, 5*time.Microsecond, 2*time.Millisecond, rate)
		if f, n := flickering(b, rate, 0.85, int(10*rate), int(40*rate)); f > 1.5 {
			t.Errorf("%g Hz: exposures vary by a factor of %.2f, in %d changes", rate, f, n)
		}
	}
}

// TestGreaterGainsForDimLight: the least gain is used with which the longest exposure is enough, and no gain is left
// for another and taken back.
func TestGreaterGainsForDimLight(t *testing.T) {
	msg := bustest.LinearMessage()
	msg.Classes[0].Amplifier = &facetdv1.Amplifier{Gains: []float64{1, 4, 2}, MidVolts: proto.Float64(2.38),
		OffsetStepVolts: proto.Float64(0.002), LowVolts: 0.1, HighVolts: 3}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	c := &a.Chips[bustest.M0]
	cfg := Config{Class: c.Class, Lanes: []*chipmodel.Lane{&a.Lanes[c.Lane]}, Level: 0.6, Exposed: true, Step: 125,
		Averaging: 50, Low: Setting{Exposure: 10 * time.Microsecond, Offset: -50},
		High: Setting{Exposure: time.Millisecond, Gain: 2, Offset: -50}}
	if m := Check(cfg); len(m) > 0 {
		t.Fatal(m)
	}
	b := &bench{cfg: cfg, law: New(cfg), now: cfg.Low, rng: rand.New(rand.NewPCG(1, 2))}
	b.volts = func(lux, seconds float64) float64 {
		electrons := min(8e5*lux*seconds, 1e5)
		v := 2.4 - 15e-6*(electrons+math.Sqrt(electrons+100)*b.rng.NormFloat64())
		return min(max(2.38+[]float64{1, 4, 2}[b.now.Gain]*(v-2.38)-0.1, 0.1), 3)
	}
	for _, x := range []struct {
		lux  float64
		gain int
	}{{1000, 0}, {62, 0}, {40, 2}, {20, 1}, {3, 1}, {2000, 0}} {
		last := -1
		for job := range 300 { // one is but a little dimmer than that before: it is averaged
			level := b.job(x.lux)
			if job == 200 {
				last = b.now.Gain
			}
			if job <= 200 {
				continue
			}
			if b.now.Gain != last {
				t.Errorf("%g lx: the gain changes from %d to %d", x.lux, last, b.now.Gain)
			}
			if math.Abs(level-0.6) > 0.04 && b.now.Exposure < cfg.High.Exposure {
				t.Errorf("%g lx: job %d shows %.3f with %+v", x.lux, job, level, b.now)
			}
		}
		if b.now.Gain != x.gain {
			t.Errorf("%g lx: gain %d after all, want %d (%+v)", x.lux, b.now.Gain, x.gain, b.now)
		}
	}
}

// TestStepsOfExposures: what is set is within the bounds and on a step of the bus, in any light.
func TestStepsOfExposures(t *testing.T) {
	b := integrating(0.5, 5125, 200*time.Microsecond, 50)
	for range 2000 {
		b.job(math.Pow(10, 8*b.rng.Float64()-3))
		if e := b.now.Exposure; e%125 != 0 || e < 5125 || e > 200*time.Microsecond {
			t.Fatalf("exposure %v", e)
		}
	}
}

// TestMeter counts as a sorted list does.
func TestMeter(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, bits := range []int{8, 10, 12, 14, 16} {
		var m Meter
		most := 1<<bits - 1
		n := make([]int, most+1)
		sum := 0
		for range 3 {
			codes := make([]uint16, 500)
			for i := range codes {
				codes[i] = uint16(min(rng.IntN(most+1), rng.IntN(most+1)))
				n[codes[i]]++
				sum += int(codes[i])
			}
			m.Add(codes, bits)
		}
		at := func(part float64) float64 {
			seen := 0
			for code, count := range n {
				if seen += count; float64(seen) >= part*1500 {
					return float64(code) / float64(most)
				}
			}
			return 1
		}
		for _, percentile := range []float64{0, 30, 99.5} {
			got, ok := m.Measure(percentile)
			want := Measure{Level: float64(sum) / 1500 / float64(most), Low: at(0.01), High: at(0.99)}
			if percentile > 0 {
				want.Level = at(percentile / 100)
			}
			near := func(a, b float64) bool { return math.Abs(a-b) <= 1.0/4095 }
			if !ok || !near(got.Level, want.Level) || !near(got.Low, want.Low) || !near(got.High, want.High) {
				t.Errorf("%d bits, percentile %g: %+v, want %+v", bits, percentile, got, want)
			}
		}
	}
	var large Meter
	codes := make([]uint16, 4<<20)
	for i := range codes {
		codes[i] = uint16(i % 1024)
	}
	large.Add(codes, 10)
	if got, _ := large.Measure(50); large.pixels > counted || math.Abs(got.Level-0.5) > 0.01 ||
		math.Abs(got.High-0.99) > 0.01 {
		t.Errorf("of a large frame %d pixels are counted: %+v", large.pixels, got)
	}
	if _, ok := new(Meter).Measure(0); ok {
		t.Error("no pixel has a level")
	}
}

// TestCheck: levels that cannot be, and gains with which dim light shows nothing, are refused with what can be.
func TestCheck(t *testing.T) {
	for _, x := range []struct {
		b    *bench
		says string
	}{
		{integrating(0.5, 1000, 2000, 50), ""},
		{integrating(0.94, 1000, 2000, 50), "codes from 0.95 without light to 0.20 where they saturate"},
		{integrating(0.21, 1000, 2000, 50), "0.21 is not well within"},
		{amplified(0.5, 50), ""},
		{amplified(0.99, 50), "0.99 is not within what amplifier and converter pass"},
	} {
		got := fmt.Sprint(Check(x.b.cfg))
		if x.says == "" && len(Check(x.b.cfg)) > 0 || !strings.Contains(got, x.says) {
			t.Errorf("level %g: %s, want %q", x.b.cfg.Level, got, x.says)
		}
	}
}
