package facettest_test

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
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
		Tasks: facettest.YAML("tasks: [{name: all, target: {all: {}}, rate_hz: 17, views: [{name: v}]}]")})
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

// shut is a pair of chips with memory whose integrating pixels have a shutter, and a counter chip beside them.
// Invented.
const shut = `
name: shut
select_lines: [m, x, y, c]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 10
    chip_capacitance_pf: 2
    converter: {bits: 14, low_volts: 0.5, high_volts: 2.5, conversion: 1us, sample_and_hold: true}
classes:
  - name: snap
    lattice: {rows: 8, columns: 12, pitch_x_um: 20}
    linear: {exposure: 10ms, electrons_per_lux_s: 25000, full_well_electrons: 400000, volts_per_electron: 5e-6,
      reset_volts: 2.4, shutter: {least: 100us, most: 40ms}}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    memory: {load_row: 1us, cell_capacitance_ff: 1000, share_settle: 4us}
  - name: walk
    lattice: {rows: 4, columns: 4, pitch_x_um: 20}
    readout: {step: 250ns, row_step: 250ns, output_resistance_ohms: 20000}
    counter: {reset: 2us}
chips:
  - {name: left, class: snap, selects: [m, x], lane: a, mount: {}, lens: {horizontal_fov_deg: 40,
      vertical_fov_deg: 40}}
  - {name: right, class: snap, selects: [m, y], lane: a, mount: {}, lens: {horizontal_fov_deg: 40,
      vertical_fov_deg: 40}}
  - {name: bed, class: walk, selects: [c], lane: a, mount: {}, lens: {horizontal_fov_deg: 40, vertical_fov_deg: 40}}
groups: [{name: pair, chips: [left, right]}]
`

// TestExposureFromJobToJob: an exposure is set between the jobs of a task, beside another. From the job on that the
// answer names its frames say it, both chips are exposed at once and their light is that of its middle; under a lamp
// they show its swing then, lowered to sinc(f T) of that very exposure (as above). No job is late anywhere.
func TestExposureFromJobToJob(t *testing.T) {
	const lux, hz, depth, voltsPerLuxS = 200.0, 5.4, 0.4, 25000 * 5e-6
	a := facettest.New(t, facettest.Config{Array: facettest.YAML(shut),
		Scene: "uniform:200|flicker:mains=2.7,depth=0.4",
		Tasks: facettest.YAML(`
tasks:
  - {name: look, target: {group: pair}, rate_hz: 12, views: [{name: v, exposure: 2ms,
      movable: {exposure: {low: 100us, high: 40ms}}}]}
  - {name: bed, target: {list: {names: [bed]}}, rate_hz: 12}
`)})
	exposures := []time.Duration{30 * time.Millisecond, 100 * time.Microsecond, 7654321, 40 * time.Millisecond,
		time.Millisecond}
	now, next := 2*time.Millisecond, time.Duration(0)
	var from uint64
	shown := map[time.Duration]int{}
	for set, err := range a.Client.FrameSets(t.Context(), facet.StreamOptions{}) {
		if err != nil {
			t.Fatal(err)
		}
		s := set.Message
		if s.GetLate() || s.GetFailure() != "" {
			t.Fatalf("job %d of %s: late %v, %s", s.GetJob(), s.GetTask(), s.GetLate(), s.GetFailure())
		}
		if s.GetTask() == "bed" {
			continue
		}
		if next > 0 && s.GetJob() >= from {
			now, next = next, 0
		}
		for _, f := range s.GetFrames() {
			if f.GetExposureNs() != now.Nanoseconds() || s.GetSkewNs() != 0 {
				t.Fatalf("job %d: %s was exposed for %d ns, set was %v; skew %d ns", s.GetJob(), f.GetChip(),
					f.GetExposureNs(), now, s.GetSkewNs())
			}
			mean, _ := levels(f)
			got := (2.4 - mean) / (voltsPerLuxS * now.Seconds()) / lux
			x := math.Pi * hz * now.Seconds()
			want := 1 + depth*math.Sin(x)/x*math.Sin(2*math.Pi*hz*float64(f.GetLightBusNs())*1e-9)
			// Five sigma of the shot noise of 96 pixels and of the kT/C noise of their cells (64 uV at 1 pF), and half
			// a step of the converter.
			electrons := 25000 * lux * now.Seconds()
			noise := 5*math.Sqrt((1/electrons+math.Pow(64e-6/5e-6/electrons, 2))/96*1.5) + 61e-6/(5e-6*electrons)
			if math.Abs(got-want) > noise+0.001 {
				t.Errorf("job %d: %s after %v: %.4f of the mean light, want %.4f within %.4f", s.GetJob(), f.GetChip(),
					now, got, want, noise+0.001)
			}
		}
		if shown[now]++; shown[now] == 6 {
			if len(exposures) == 0 {
				break
			}
			next, exposures = exposures[0], exposures[1:]
			if from, err = a.Client.SetTaskParameters(t.Context(), "look", &facetdv1.ViewParameters{
				Exposure: durationpb.New(next)}); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(shown) != 6 {
		t.Errorf("exposures that were shown: %v", shown)
	}
	if _, err := a.Client.SetTaskParameters(t.Context(), "look", &facetdv1.ViewParameters{
		Exposure: durationpb.New(41 * time.Millisecond)}); err == nil {
		t.Error("an exposure beyond its bounds is taken")
	}
}
