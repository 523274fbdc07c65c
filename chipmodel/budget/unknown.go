package budget

import (
	"fmt"
	"strings"
)

// Unknown is a part of the budget that counts as nothing only because the array file gives no figure for it. A field
// of the file that is left out and one that is 0 are the same.
type Unknown struct {
	// Name is that of the term.
	Name string `json:"name"`
	// Field of the array file that would give it, from its chip class or lane on.
	Field string `json:"field"`
}

// unknown lists what the array file gives nothing for, of what counts under the conditions.
func (k *reckoning) unknown() []Unknown {
	out := []Unknown{}
	note := func(counts bool, name, field string, figure float64) {
		if counts && figure == 0 {
			out = append(out, Unknown{name, field})
		}
	}
	spec, c := k.class.Spec, k.lane.Spec.GetConverter()
	if p := spec.GetLinear(); p != nil {
		note(true, "dark current", "linear.dark_electrons_per_s", p.GetDarkElectronsPerS())
		note(true, "read noise", "linear.read_noise_electrons", p.GetReadNoiseElectrons())
		note(!k.Calibrated, "spread of the dark level", "linear.dark_spread_electrons", p.GetDarkSpreadElectrons())
		note(!k.Calibrated, "spread of the gain", "linear.gain_spread", p.GetGainSpread())
	} else {
		p := spec.GetLogarithmic()
		note(true, "shot noise", "logarithmic.node_capacitance_ff", p.GetNodeCapacitanceFf())
		note(!k.Calibrated, "spread of the offset", "logarithmic.offset_spread_volts", p.GetOffsetSpreadVolts())
		note(!k.Calibrated, "spread of the gain", "logarithmic.gain_spread", p.GetGainSpread())
		note(!k.Calibrated, "spread of the dark term", "logarithmic.dark_spread", p.GetDarkSpread())
	}
	if m := spec.GetMemory(); m != nil {
		note(k.Hold > 0, "droop in the dark", "memory.leak_fa", m.GetLeakFa())
		note(k.Hold > 0, "droop by light", "memory.light_leak_fa_per_lux", m.GetLightLeakFaPerLux())
		note(len(k.Shares) > 0, "charge injection", "memory.injection_volts", m.GetInjectionVolts())
	}
	note(true, "amplifier and converter noise", "converter.noise_volts", c.GetNoiseVolts())
	note(true, "integral non-linearity", "converter.integral_nonlinearity_steps", c.GetIntegralNonlinearitySteps())
	note(true, "differential non-linearity", "converter.differential_nonlinearity_steps",
		c.GetDifferentialNonlinearitySteps())
	note(!k.Calibrated, "offset of the converter", "converter.offset_volts", c.GetOffsetVolts())
	note(!k.Calibrated, "gain error of the converter", "converter.gain_error", c.GetGainError())
	if r := spec.GetRegulator(); r != nil {
		note(true, "supply ripple", "regulator.supply_ripple_volts", r.GetSupplyRippleVolts())
	}
	return out
}

// unknownLines says what the sums do not have in them.
func unknownLines(unknown []Unknown) string {
	if len(unknown) == 0 {
		return ""
	}
	var out strings.Builder
	out.WriteString("not in the sums, as the array file gives nothing (or 0) for it:\n")
	width := 0
	for _, u := range unknown {
		width = max(width, len(u.Name))
	}
	for _, u := range unknown {
		fmt.Fprintf(&out, "  %-*s  %s\n", width, u.Name, u.Field)
	}
	return out.String()
}
