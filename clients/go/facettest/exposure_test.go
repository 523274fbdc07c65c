package facettest_test

import (
	"math"
	"testing"

	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// sum is a chip of integrating pixels without spread. Invented.
const sum = `
name: sum
select_lines: [x]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 14, low_volts: 0.5, high_volts: 2.5, conversion: 1us, sample_and_hold: true}
classes:
  - name: sum
    lattice: {rows: 8, columns: 12, pitch_x_um: 20}
    linear: {exposure: 40ms, electrons_per_lux_s: 25000, full_well_electrons: 400000, volts_per_electron: 5e-6, reset_volts: 2.4}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    counter: {reset: 2us}
chips:
  - {name: s, class: sum, selects: [x], lane: a, mount: {}, lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}
`

// TestExposedUnderFlicker: the frames of integrating pixels under a lamp show its swing at the time that they say, the
// middle of their exposure, lowered to sinc(f T) (the mean of a sine over a time, any textbook of the Fourier
// transform;
// from memory).
func TestExposedUnderFlicker(t *testing.T) {
	const lux, hz, depth, exposure, voltsPerLux = 200.0, 5.4, 0.4, 40e-3, 25000 * 40e-3 * 5e-6
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(sum), Scene: "uniform:200|flicker:mains=2.7,depth=0.4",
		Tasks: facettest.YAML("tasks: [{name: all, target: {all: true}, rate_hz: 17, views: [{name: v}]}]")})
	n, low, high := 0, math.Inf(1), math.Inf(-1)
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		f := set.Message.GetFrames()[0]
		if f.GetExposureNs() != 40e6 || f.GetLightBusNs() != f.GetFirstSampleBusNs()-20e6 {
			t.Fatalf("exposed for %d ns, light of %d ns, first sample at %d ns", f.GetExposureNs(), f.GetLightBusNs(),
				f.GetFirstSampleBusNs())
		}
		mean, _ := levels(f)
		got := (2.4 - mean) / voltsPerLux / lux
		x := math.Pi * hz * exposure
		want := 1 + depth*math.Sin(x)/x*math.Sin(2*math.Pi*hz*float64(f.GetLightBusNs())*1e-9)
		// Shot noise of 96 pixels of 200,000 electrons: 0.02 %; a row takes less than a degree of the lamp.
		if math.Abs(got-want) > 0.003 {
			t.Errorf("set %d: %.4f of the mean light, want %.4f", set.Message.GetJob(), got, want)
		}
		low, high = min(low, got), max(high, got)
		if n++; n == 40 {
			break
		}
	}
	if high-low < 1.5*depth {
		t.Errorf("the frames swing by %.3f only", high-low)
	}
}
