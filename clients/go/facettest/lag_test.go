package facettest_test

import (
	"fmt"
	"math"
	"math/cmplx"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
	"facetd.example/clients/go/facettest"
)

// slowing are chips of logarithmic pixels without spread that differ in how much light moves them: a photocurrent of so
// many femtoamperes a lux charges a node of 600 fF. Invented.
func slowing(perLux ...float64) string {
	var out strings.Builder
	out.WriteString(`
name: slowing
select_lines: [x, y, z]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 14, low_volts: 0.5, high_volts: 2.5, conversion: 1us, sample_and_hold: true}
classes:
`)
	for i, fa := range perLux {
		fmt.Fprintf(&out, `  - name: c%d
    lattice: {rows: 6, columns: 8, pitch_x_um: 20}
    logarithmic: {offset_volts: 1, volts_per_decade: 0.2, dark_lux: 1e-6, node_capacitance_ff: 600, photocurrent_fa_per_lux: %g}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    counter: {reset: 2us}
`, i, fa)
	}
	out.WriteString("chips:\n")
	for i := range perLux {
		fmt.Fprintf(&out, "  - {name: p%d, class: c%d, selects: [%s], lane: a, mount: {}, "+
			"lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}\n", i, i, string("xyz"[i]))
	}
	return out.String()
}

// TestFirstOrderResponseStreamed: streamed frames of logarithmic pixels under a lamp that swings a little show its
// swing
// times 1/sqrt(1 + (2 pi f tau)^2), late by atan(2 pi f tau), at the times of light that they say: the pixel is a low
// pass of first order with tau = C U_T/I (any textbook of linear systems, from memory; that its band goes with the
// light as in the abstract of Delbruck and Mead, "Adaptive Photoreceptor with Wide Dynamic Range", ISCAS 1994).
func TestFirstOrderResponseStreamed(t *testing.T) {
	const lux, hz, depth, kelvin = 40.0, 6.2, 0.08, 300
	const settle, sets = 30, 170 // frames
	// tau of 0.86, 26 and 129 ms: 2 pi f tau of 0.03, 1 and 5.
	perLux := []float64{450, 15, 3}
	var tasks strings.Builder
	tasks.WriteString("tasks:\n")
	for i := range perLux {
		fmt.Fprintf(&tasks, "  - {name: t%d, target: {list: {names: [p%d]}}, rate_hz: 17, views: [{name: v}]}\n", i, i)
	}
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(slowing(perLux...)),
		Scene: "uniform:40|flicker:mains=3.1,depth=0.08",
		Tasks: facettest.YAML(tasks.String())})
	type sample struct{ at, y float64 }
	seen := map[string][]sample{}
	full := 0 // chips with enough frames
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		f := set.Message.GetFrames()[0]
		seen[f.GetChip()] = append(seen[f.GetChip()], sample{middleOfLight(f), meanLog(f)})
		if len(seen[f.GetChip()]) == settle+sets {
			full++
		}
		if full == len(perLux) {
			break
		}
	}
	for i, fa := range perLux {
		samples := seen[fmt.Sprint("p", i)][settle : settle+sets]
		// 170 sets at 17 Hz are 62 whole periods: sines, cosines and the mean are orthogonal.
		var got complex128
		for _, s := range samples {
			got += complex(2*s.y/sets, 0) * cmplx.Rect(1, -2*math.Pi*hz*s.at)
		}
		tau := 600e-15 * 1.380649e-23 * kelvin / 1.602176634e-19 / (fa * 1e-15 * lux)
		x := 2 * math.Pi * hz * tau
		want := cmplx.Rect(depth/math.Sqrt(1+x*x), -math.Pi/2-math.Atan(x))
		// 0.3 % of pixel noise on each of 48 pixels in 170 frames, and the second order of the swing.
		if cmplx.Abs(got-want) > 2e-4+0.005*cmplx.Abs(want) {
			t.Errorf("tau of %.3g ms: a swing of %.5f, %.4f rad late, want %.5f, %.4f rad", 1e3*tau, cmplx.Abs(got),
				-math.Pi/2-cmplx.Phase(got), cmplx.Abs(want), math.Atan(x))
		}
	}
}

// middleOfLight is the bus time in seconds at which the middle of a frame took its light: pixels that do not integrate
// show that of the instant, row after row.
func middleOfLight(f *facetdv1.Frame) float64 {
	rows := f.GetRowOffsetNs()
	span := rows[len(rows)-1] + int64(f.GetColumns()-1)*f.GetPixelIntervalNs()
	return 1e-9 * (float64(f.GetLightBusNs()) + float64(span)/2)
}

// meanLog is the mean of ln(light) that the pixels of a frame show.
func meanLog(f *facetdv1.Frame) float64 {
	mean, _ := levels(f)
	return (mean - 1) / (0.2 / math.Ln10)
}
