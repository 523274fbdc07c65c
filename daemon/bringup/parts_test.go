package bringup

import (
	"strings"
	"testing"
)

// TestOtherCombinationsPass: a fault-free array whose chips are made of other parts passes
// every step as well: memory on a hexagonal lattice, read by counter behind an amplifier;
// pixel switches with both biases; linear pixels behind an amplifier, addressed.
func TestOtherCombinationsPass(t *testing.T) {
	const amplifier = "    amplifier: {gains: [1, 2], mid_volts: 1.3, offset_step_volts: 0.004, low_volts: 0.3, " +
		"high_volts: 2.3}\n"
	text := benchYAML
	for _, change := range []struct{ from, to string }{
		{"{rows: 24, columns: 24, pitch_x_um: 20}", "{arrangement: hexagonal, rows: 24, columns: 24, pitch_x_um: 20}"},
		{"    memory: {", "    counter: {reset: 2us}\n" + amplifier + "    memory: {"},
		{"    counter: {reset: 2us}\n  - name: trim", "    pixel_switches: {pattern_settle: 20us}\n" +
			"    pixel_bias: {nominal: 128, volts_per_step: 0.003}\n    output_bias: {nominal: 100, " +
			"bandwidth_per_step: 0.002}\n  - name: trim"},
		{"logarithmic: {offset_volts: 1.15, volts_per_decade: 0.12, dark_lux: 0.05, offset_spread_volts: 0.004, " +
			"gain_spread: 0.01, node_capacitance_ff: 60, photocurrent_fa_per_lux: 120}",
			"linear: {exposure: 5ms, electrons_per_lux_s: 20000, reset_volts: 2.1, read_noise_electrons: 10, " +
				"gain_spread: 0.01}"},
		{"    counter: {reset: 2us}\n    regulator", "    regulator"},
	} {
		if strings.Count(text, change.from) != 1 {
			t.Fatalf("%q stands %d times in the array", change.from, strings.Count(text, change.from))
		}
		text = strings.Replace(text, change.from, change.to, 1)
	}
	r, err := rigOf(t, text, nil, 3, "")
	if err != nil {
		t.Fatal(err)
	}
	run := r.all(t)
	if !run.GetFinished() || run.GetVerdict() != pass || len(run.GetResults()) != 11 {
		t.Errorf("%s", describe(run))
	}
}
