package budget

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"google.golang.org/protobuf/types/known/durationpb"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/chiptest"
)

// TestEveryCombinationOfParts: whatever a class is made of, the noise of simulated frames
// is what the budget states, with patterns, shares and gains drawn at random.
func TestEveryCombinationOfParts(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	patterns := map[uint8]int{0: 1, 0x55: 2, 0x77: 4} // and the cells that each joins
	pattern := func() uint8 { return []uint8{0, 0x55, 0x77}[r.IntN(3)] }
	for n := range chiptest.Combinations {
		a := arrayOf(t, chiptest.Class(n))
		class := a.Classes[0]
		c := Conditions{Lux: 20 + 12*r.Float64()} // far from either end of the converter
		switch {
		case class.HasMemory():
			for range r.IntN(3) {
				c.Shares = append(c.Shares, Share{Columns: pattern(), Rows: pattern()})
			}
		case class.HasSwitches():
			c.Columns, c.Rows = pattern(), pattern()
		}
		if class.HasShutter() { // up to twice as long and five times shorter than by itself, of as much light
			c.Exposure = 2*time.Millisecond + time.Duration(r.Int64N(int64(18*time.Millisecond)))
			c.Lux *= class.Exposure().Seconds() / c.Exposure.Seconds()
		}
		c.GainIndex = r.IntN(max(len(class.Spec.GetAmplifier().GetGains()), 1))
		b, m := New(a, 0, c)
		if m.Err() != nil {
			t.Fatal(class.Parts(), m)
		}
		const frames = 80
		random, fixed := measure(a, 0, c, frames, seed+uint64(n))
		// A deviation of n samples has a standard error of 1/sqrt(2n). Pixels of a block
		// are one sample; ripple moves all pixels of a frame alike.
		rows, columns := patterns[c.Rows], patterns[c.Columns]
		for _, s := range c.Shares {
			rows, columns = max(rows, patterns[s.Rows]), max(columns, patterns[s.Columns])
		}
		allowed := 0.01 + 5/math.Sqrt(2*frames*float64(144/rows/columns))
		// The pattern is one draw of so many blocks; a few of them tell nothing.
		blocks := float64(144 / rows / columns)
		if pattern := term(b, "fixed pattern").Codes; blocks >= 36 &&
			math.Abs(fixed/pattern-1) > 0.02+6/math.Sqrt(2*blocks) {
			t.Errorf("combination %d (%s), %+v: pattern of %.3f codes measured, %.3f stated\n%s", n, class.Parts(), c,
				fixed, pattern, b.Table())
		}
		ripple := term(b, "supply ripple").Codes / b.Random.Codes
		if off := random/b.Random.Codes - 1; math.Abs(off) > allowed+ripple*ripple*5/math.Sqrt(2*frames) {
			t.Errorf("combination %d (%s), %+v: noise of %.3f codes measured, %.3f stated\n%s", n, class.Parts(), c,
				random, b.Random.Codes, b.Table())
		}
	}
}

// TestWhatAGainAmplifies: a term that arises before the amplifier grows with its gain, one that
// arises after it does not.
func TestWhatAGainAmplifies(t *testing.T) {
	for n := range chiptest.Combinations {
		class := chiptest.Class(n)
		if class.Amplifier == nil {
			continue
		}
		class.Amplifier.Gains = []float64{0.5, -1} // far from clipping
		if class.Memory != nil {
			class.Memory.InjectionVolts, class.Memory.LightLeakFaPerLux = 1e-3, 0.1
		}
		a := arrayOf(t, class)
		c := Conditions{Lux: 20, DifferenceVolts: 0.1}
		if class.Memory != nil {
			c.Hold, c.Shares = 10*time.Millisecond, []Share{{Columns: 0x55, Rows: 0x55}}
		}
		small, m := New(a, 0, c)
		if c.GainIndex = 1; m.Err() == nil {
			_, m = New(a, 0, c)
		}
		if m.Err() != nil {
			t.Fatal(a.Classes[0].Parts(), m)
		}
		large, _ := New(a, 0, c)
		after := map[string]bool{"amplifier and converter noise": true, "quantisation": true,
			"ghost of the previous pixel": true, "shares not settled": true} // of the difference that is given
		for _, one := range small.Terms {
			want := 2.0
			if after[one.Name] {
				want = 1
			}
			if got := term(large, one.Name).Volts / one.Volts; math.Abs(got-want) > 1e-9 {
				t.Errorf("%s: twice the gain makes %g of %q", a.Classes[0].Parts(), got, one.Name)
			}
		}
		if len(large.Terms) != len(small.Terms) || class.Memory != nil && term(large, "droop").Volts == 0 {
			t.Errorf("%s: terms %v", a.Classes[0].Parts(), large.Terms)
		}
	}
}

// arrayOf is an array of one chip.
func arrayOf(t *testing.T, class *facetdv1.ChipClass) *chipmodel.Array {
	t.Helper()
	ns := func(n int64) *durationpb.Duration { return &durationpb.Duration{Nanos: int32(n)} }
	a, m := chipmodel.New(&facetdv1.Array{
		Name: "one", SelectLines: []string{"x"}, Classes: []*facetdv1.ChipClass{class},
		Timing: &facetdv1.BusTiming{DeadTime: ns(200), SelectSetup: ns(300), Write: ns(1000), Strobe: ns(500),
			ReleaseLimit: ns(20000)},
		Lanes: []*facetdv1.Lane{{Name: "a", LineCapacitancePf: 10, ChipCapacitancePf: proto.Float64(1),
			Converter: &facetdv1.Converter{
				Bits: 12, LowVolts: 0.5, HighVolts: 2.5, Conversion: ns(1000), NoiseVolts: 2e-4,
			}}},
		Chips: []*facetdv1.Chip{{Name: "c", Class: class.GetName(), Lane: "a", Selects: []string{"x"},
			Mount: &facetdv1.Mount{}, Lens: &facetdv1.Lens{HorizontalFovDeg: 30, VerticalFovDeg: 30}}},
	})
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// TestExposuresOfABudget: the budget with an exposure is that of a class which has it; what its shutter cannot do, or a
// class without one, is refused.
func TestExposuresOfABudget(t *testing.T) {
	shut := 0
	for n := range chiptest.Combinations {
		a := arrayOf(t, chiptest.Class(n))
		class := a.Classes[0]
		at := Conditions{Lux: 30, Exposure: 4 * time.Millisecond}
		b, m := New(a, 0, at)
		if !class.HasShutter() {
			if len(m) != 1 || m[0].Path != "exposure" {
				t.Errorf("combination %d (%s): %v", n, class.Parts(), m)
			}
			continue
		}
		shut++
		other := chiptest.Class(n)
		other.GetLinear().Exposure = durationpb.New(at.Exposure)
		want, err := New(arrayOf(t, other), 0, Conditions{Lux: 30})
		if m.Err() != nil || err.Err() != nil || b.Table() != want.Table() {
			t.Errorf("combination %d: %v %v\n%s\nof a class with it:\n%s", n, m, err, b.Table(), want.Table())
		}
		if own, _ := New(a, 0, Conditions{Lux: 30}); own.Table() == b.Table() {
			t.Errorf("combination %d: the exposure changes nothing", n)
		}
		for _, wrong := range []time.Duration{-1, 1, time.Hour} {
			if _, m := New(a, 0, Conditions{Lux: 30, Exposure: wrong}); len(m) != 1 || m[0].Path != "exposure" {
				t.Errorf("combination %d: %v: %v", n, wrong, m)
			}
		}
	}
	if shut == 0 {
		t.Error("no combination has a shutter")
	}
}
