package facettest_test

import (
	"math"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// comb is a hexagonal chip with analog memory, read by counter behind an amplifier.
// Invented.
const comb = `
name: comb
select_lines: [x]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 12, low_volts: 0.5, high_volts: 2.5, conversion: 1us, sample_and_hold: true, noise_volts: 100e-6}
classes:
  - name: comb
    lattice: {arrangement: hexagonal, rows: 24, columns: 20, pitch_x_um: 20}
    logarithmic: {offset_volts: 1.2, volts_per_decade: 0.1, dark_lux: 0.01, offset_spread_volts: 0.02}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    memory: {load_row: 5us, cell_capacitance_ff: 150, switch_resistance_ohms: 9000, leak_fa: 2}
    counter: {reset: 2us}
    amplifier: {gains: [1, 4], mid_volts: 1.4, offset_step_volts: 0.002, low_volts: 0.2, high_volts: 2.8}
chips:
  - {name: c, class: comb, selects: [x], lane: a, mount: {}, lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}
`

// combTasks: the chip as it is, at both gains from one load, and smoothed.
const combTasks = `
tasks:
  - name: both
    target: {all: {}}
    rate_hz: 20
    views: [{name: plain}, {name: amplified, trim: {gain_index: 1}}]
  - name: smooth
    target: {all: {}}
    rate_hz: 10
    views: [{name: smooth, smoothing_steps: 8}]
`

// TestHexagonalMemoryCounterAmplifier streams a chip that no kind of chip would be: its
// frames say how its pixels lie, and hold what the light, the amplifier and the shares
// make of them.
func TestHexagonalMemoryCounterAmplifier(t *testing.T) {
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(comb), Tasks: facettest.YAML(combTasks)})
	views := map[string]*facetdv1.Frame{}
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		if why := set.Message.GetFailure(); why != "" || set.Message.GetLate() {
			t.Fatalf("a set of %s failed: %q, late: %v", set.Task(), why, set.Message.GetLate())
		}
		for _, f := range set.Message.GetFrames() {
			views[f.GetView()] = f
		}
		if len(views) == 3 {
			break
		}
	}
	// 200 lux give 1.2 V + 0.1 V x log10(200.01) = 1.4301 V: 0.0301 V above the middle of
	// the amplifier.
	for view, want := range map[string]struct{ mean, spread float64 }{
		"plain":     {1.4301, 0.02},
		"amplified": {1.4 + 4*0.0301, 4 * 0.02},
	} {
		mean, spread := levels(views[view])
		if math.Abs(mean-want.mean) > want.spread/4 || math.Abs(spread/want.spread-1) > 0.2 {
			t.Errorf("%s: %.4f V with a spread of %.4f V, want %.4f and %.4f", view, mean, spread, want.mean,
				want.spread)
		}
		if f := views[view]; f.GetArrangement() != facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL || f.GetHoldNs() == 0 {
			t.Errorf("%s: %v, held for %d ns", view, f.GetArrangement(), f.GetHoldNs())
		}
	}
	// Eight alternating pair shares along both axes leave the weights of a kernel of
	// variance 8 - 3/4: a sum of squares of about 1/(4 pi 7.25).
	_, before := levels(views["plain"])
	_, after := levels(views["smooth"])
	if want := before / math.Sqrt(4*math.Pi*7.25); after < want/2 || after > 2*want {
		t.Errorf("smoothed to a spread of %.5f V from %.5f V, want about %.5f V", after, before, want)
	}
	// Nothing was calibrated: there are no corrected frames to resample.
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{Square: true}) {
		if err != nil {
			t.Fatal(err)
		}
		if f := set.Message.GetFrames()[0]; f.GetArrangement() != facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL ||
			!strings.Contains(f.GetCorrectionNote(), "not resampled: the frame is not corrected") {
			t.Errorf("%v: %q", f.GetArrangement(), f.GetCorrectionNote())
		}
		break
	}
}

// levels are mean and standard deviation of a frame in volts.
func levels(f *facetdv1.Frame) (mean, spread float64) {
	data := f.GetData()
	n := float64(len(data) / 2)
	var squares float64
	for i := 0; i < len(data); i += 2 {
		v := f.GetCodeZeroVolts() + f.GetVoltsPerCode()*float64(uint16(data[i])|uint16(data[i+1])<<8)
		mean += v / n
		squares += v * v / n
	}
	return mean, math.Sqrt(squares - mean*mean)
}
