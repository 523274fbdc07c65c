package budget

import (
	"slices"
	"strings"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/chiptest"
)

// What the array file gives nothing for is said to be missing from the sums; with a figure it is a term, and no longer
// missing.
func TestUnknownTerms(t *testing.T) {
	pairs := []Share{{Columns: mustPattern(t, "10101010"), Rows: mustPattern(t, "10101010")}}
	conditions := Conditions{Lux: 100, Hold: 5 * time.Millisecond, Shares: pairs}
	bare := changed(t, func(msg *facetdv1.Array) {
		for _, c := range msg.Classes {
			if l := c.GetLogarithmic(); l != nil {
				l.NodeCapacitanceFf, l.OffsetSpreadVolts, l.GainSpread, l.DarkSpread = 0, 0, 0, 0
			}
			if m := c.GetMemory(); m != nil {
				m.LeakFa, m.LightLeakFaPerLux, m.InjectionVolts = 0, 0, 0
			}
		}
		for _, l := range msg.Lanes {
			c := l.GetConverter()
			c.NoiseVolts, c.OffsetVolts, c.GainError = 0, 0, 0
			c.IntegralNonlinearitySteps, c.DifferentialNonlinearitySteps = 0, 0
		}
	})
	chip := slices.IndexFunc(bare.Chips, func(c chipmodel.Chip) bool { return c.Class.Name == "wall-eye" })
	fields := func(c Conditions) []string {
		b, m := New(bare, chip, c)
		if len(m) > 0 {
			t.Fatal(m)
		}
		var out []string
		for _, u := range b.Unknown {
			out = append(out, u.Field)
			if !strings.Contains(b.Table(), u.Field) {
				t.Errorf("the table says nothing of %s", u.Field)
			}
		}
		return out
	}
	all := []string{"logarithmic.node_capacitance_ff", "logarithmic.offset_spread_volts", "logarithmic.gain_spread",
		"logarithmic.dark_spread", "memory.leak_fa", "memory.light_leak_fa_per_lux", "memory.injection_volts",
		"converter.noise_volts", "converter.integral_nonlinearity_steps", "converter.differential_nonlinearity_steps",
		"converter.offset_volts", "converter.gain_error"}
	if got := fields(conditions); !slices.Equal(got, all) {
		t.Errorf("missing are %q, want %q", got, all)
	}
	short := conditions
	short.Hold, short.Shares, short.Calibrated = 0, nil, true
	want := []string{all[0], all[7], all[8], all[9]}
	if got := fields(short); !slices.Equal(got, want) {
		t.Errorf("calibrated and read at once: missing are %q, want %q", got, want)
	}
	b, _ := New(crawler(t), chip, conditions)
	for _, u := range b.Unknown {
		if u.Field == "logarithmic.node_capacitance_ff" {
			t.Error("a figure that is given is called missing")
		}
	}
}

// Of every combination of parts: no term is both counted and called missing.
func TestUnknownOrCounted(t *testing.T) {
	for n := range chiptest.Combinations {
		a := arrayOf(t, chiptest.Class(n))
		b, m := New(a, 0, Conditions{Lux: 30})
		if len(m) > 0 {
			t.Fatal(m)
		}
		for _, u := range b.Unknown {
			if slices.ContainsFunc(b.Terms, func(term Term) bool { return term.Name == u.Name }) {
				t.Errorf("%s: %s is a term, and called missing", a.Classes[0].Parts(), u.Name)
			}
		}
	}
}

func mustPattern(t *testing.T, text string) uint8 {
	t.Helper()
	p, err := analog.ParsePattern(text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}
