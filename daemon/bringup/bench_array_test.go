package bringup

import (
	"context"
	"fmt"
	"testing"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/environment"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/probe/diagnosis"
	"facetd.example/scheduler/program"
)

// benchYAML is an invented array with chips of three makes.
const benchYAML = `name: bench # invented
select_lines: [f, g, x0, x1, x2]
timing: {dead_time: 200ns, select_setup: 300ns, write: 1us, strobe: 500ns, release_limit: 20us}
lanes:
  - name: a
    line_capacitance_pf: 12
    chip_capacitance_pf: 2
    converter: {bits: 12, low_volts: 0.4, high_volts: 2.4, conversion: 800ns, sample_and_hold: true, noise_volts: 120e-6}
  - name: b
    line_capacitance_pf: 15 # the longer cable
    chip_capacitance_pf: 2
    converter: {bits: 10, low_volts: 0.4, high_volts: 2.4, conversion: 900ns, noise_volts: 200e-6}
classes:
  - name: mem
    lattice: {rows: 24, columns: 24, pitch_x_um: 20}
    logarithmic: {offset_volts: 1.1, volts_per_decade: 0.2, dark_lux: 0.05, offset_spread_volts: 0.006, gain_spread: 0.01, node_capacitance_ff: 40, photocurrent_fa_per_lux: 120}
    readout: {step: 300ns, row_step: 300ns, output_resistance_ohms: 20000} # data sheet
    memory: {load_row: 5us, cell_capacitance_ff: 150, switch_resistance_ohms: 9000, leak_fa: 3, leak_doubling_k: 10, cell_spread: 0.004}
  - name: count
    lattice: {rows: 24, columns: 32, pitch_x_um: 20}
    logarithmic: {offset_volts: 1.0, volts_per_decade: 0.2, dark_lux: 0.05, offset_spread_volts: 0.008, gain_spread: 0.01, node_capacitance_ff: 60, photocurrent_fa_per_lux: 120}
    readout:
      step: 250ns
      settle: 5us # measured on the old board
    counter: {reset: 2us}
  - name: trim
    lattice: {rows: 16, columns: 32, pitch_x_um: 20}
    logarithmic: {offset_volts: 1.15, volts_per_decade: 0.12, dark_lux: 0.05, offset_spread_volts: 0.004, gain_spread: 0.01, node_capacitance_ff: 60, photocurrent_fa_per_lux: 120}
    readout: {step: 250ns, settle: 4us}
    counter: {reset: 2us}
    regulator: {supply_volts: 5, output_volts: 3.3, dropout_volts: 0.3, rejection_db: 60}
    pixel_bias: {nominal: 128, volts_per_step: 0.003}
    output_bias: {nominal: 100, bandwidth_per_step: 0.002}
    amplifier: {gains: [1, 2, 3.5, 6, 10], mid_volts: 1.3, offset_step_volts: 0.004, low_volts: 0.3, high_volts: 2.3}
chips:
  - {name: m0, class: mem, selects: [f, x0], lane: a, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
  - {name: m1, class: mem, selects: [f, x1], lane: a, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
  - {name: m2, class: mem, selects: [f, x2], lane: b, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
  - {name: c0, class: count, selects: [g, x0], lane: a, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
  - {name: c1, class: count, selects: [g, x1], lane: b, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
  - {name: t0, class: trim, selects: [g, x2], lane: b, lens: {horizontal_fov_deg: 30, vertical_fov_deg: 30}}
`

func mustArray(t testing.TB) *chipmodel.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("bench.yaml", []byte(benchYAML))
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// rig is a simulated array with the service over it: the dispatcher's part is played by
// running every program at once.
type rig struct {
	a       *chipmodel.Array
	bus     *virtual.Bus
	service *Service
	count   uint64
	told    []*facetdv1.Event
	// after, where set, is called after so many programs.
	after func(programs uint64)
}

func (r *rig) Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error) {
	r.count++
	if r.after != nil {
		r.after(r.count)
	}
	job := &bus.Job{Number: r.count, Deadline: 1 << 62, Chips: r.a.All(), Segments: 1}
	res, err := bustest.Run(ctx, r.bus, r.bus.Now(), &bus.Segment{Job: job, Program: &bus.Program{Ops: ops}})
	return res.Captures, err
}

func (r *rig) Registers() program.Registers               { return make(program.Registers, len(r.a.Chips)) }
func (r *rig) Resync()                                    {}
func (r *rig) Do(_ context.Context, f func() error) error { return f() }

func newRig(t testing.TB, groundTruth *facetdv1.GroundTruth, seed uint64, data string, faults ...*facetdv1.Fault) *rig {
	t.Helper()
	r, err := makeRig(t, groundTruth, seed, data, faults...)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// newRigAllowing is newRig in whose folder there may be files that cannot be read.
func newRigAllowing(t testing.TB, groundTruth *facetdv1.GroundTruth, seed uint64, data string) *rig {
	t.Helper()
	r, err := makeRig(t, groundTruth, seed, data)
	if err == nil {
		t.Error("a file that cannot be read was passed over in silence")
	}
	return r
}

func makeRig(t testing.TB, groundTruth *facetdv1.GroundTruth, seed uint64, data string,
	faults ...*facetdv1.Fault) (*rig, error) {
	t.Helper()
	return rigOf(t, benchYAML, groundTruth, seed, data, faults...)
}

// rigOf is a rig of another array.
func rigOf(t testing.TB, text string, groundTruth *facetdv1.GroundTruth, seed uint64, data string,
	faults ...*facetdv1.Fault) (*rig, error) {
	t.Helper()
	a, errs := arrayfile.ParseArray("bench.yaml", []byte(text))
	if len(errs) > 0 {
		t.Fatal(errs)
	}
	cfg := virtual.Config{Array: a, Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE, Seed: seed}
	if groundTruth != nil {
		var m invalid.Errors
		if cfg.GroundTruth, m = groundtruth.Of(a, groundTruth); len(m) > 0 {
			t.Fatal(m)
		}
	}
	b, err := virtual.New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if err := b.SetFaults(faults); err != nil {
		t.Fatal(err)
	}
	r := &rig{a: a, bus: b}
	light := environment.New(environment.Config{Bus: b, Scene: "uniform:50", Do: r.Do, Now: b.Now})
	r.service, err = New(Config{
		Array: a, ArrayName: "bench.yaml", ArrayFile: []byte(text), Runner: r, Light: light, Now: b.Now,
		Data: data, Events: func(e *facetdv1.Event) { r.told = append(r.told, e) },
		Clock: func() time.Time { return time.Date(2026, 1, 2, 3, 4, 5, 0, time.UTC) },
		Probe: func(ctx context.Context, progress func(*facetdv1.ProbeProgress) error) (*facetdv1.ProbeResult, error) {
			return probe.New(probe.Config{Array: a, Runner: r, Now: b.Now}).Probe(ctx,
				diagnosis.Options{Thorough: true}, progress)
		},
	})
	return r, err
}

// stream gathers events.
type stream struct {
	grpc.ServerStream
	ctx    context.Context
	events []*facetdv1.BringupEvent
	event  func(*facetdv1.BringupEvent)
}

func (s *stream) Context() context.Context { return s.ctx }

func (s *stream) take(e *facetdv1.BringupEvent) error {
	s.events = append(s.events, e)
	if s.event != nil {
		s.event(e)
	}
	return s.ctx.Err()
}

type startStream struct{ *stream }

func (s startStream) Send(r *facetdv1.StartBringupResponse) error { return s.take(r.GetEvent()) }

type resumeStream struct{ *stream }

func (s resumeStream) Send(r *facetdv1.ResumeBringupResponse) error { return s.take(r.GetEvent()) }

// all runs steps unattended under virtual light; none means all.
func (r *rig) all(t testing.TB, steps ...facetdv1.BringupStep) *facetdv1.BringupRun {
	t.Helper()
	s := &stream{ctx: t.Context()}
	err := r.service.StartBringup(&facetdv1.StartBringupRequest{Steps: steps, Unattended: true, VirtualLight: true},
		startStream{s})
	if err != nil {
		t.Fatal(err)
	}
	run := s.events[len(s.events)-1].GetEnded()
	if run == nil {
		t.Fatalf("the last of %d events is not the end", len(s.events))
	}
	if n := r.bus.Inspector().Broken(); n != 0 { // accounts (rule 9) are the dispatcher's
		t.Fatalf("%d rules violated: %v", n, r.bus.Inspector().Violations())
	}
	if n, _ := r.bus.Contentions(); n != 0 && len(r.bus.Faults()) == 0 {
		t.Fatalf("%d contentions", n)
	}
	return run
}

// value finds a measurement.
func value(t testing.TB, run *facetdv1.BringupRun, subject, quantity string) float64 {
	t.Helper()
	for _, r := range run.GetResults() {
		for _, m := range r.GetMeasurements() {
			if m.GetSubject() == subject && m.GetQuantity() == quantity {
				return m.GetValue()
			}
		}
	}
	t.Fatalf("nobody measured %q of %s:\n%s", quantity, subject, describe(run))
	return 0
}

func describe(run *facetdv1.BringupRun) string {
	out := ""
	for _, r := range run.GetResults() {
		out += fmt.Sprintf("%v %v: %s\n", r.GetStep(), r.GetVerdict(), r.GetSummary())
		for _, m := range r.GetMeasurements() {
			if m.GetVerdict() != pass || testing.Verbose() {
				out += fmt.Sprintf("    %v %s %s = %.5g %s [%v %v] %s\n", m.GetVerdict(), m.GetSubject(),
					m.GetQuantity(), m.GetValue(), m.GetUnit(), m.Low, m.High, m.GetNote())
			}
		}
		for _, p := range r.GetProposals() {
			out += fmt.Sprintf("    propose %s: %s (now %s)\n", p.GetPath(), p.GetValue(), p.GetCurrent())
		}
	}
	return out + run.GetPatch()
}

// Short names for the schema's.
const (
	pass    = facetdv1.Verdict_VERDICT_PASS
	warn    = facetdv1.Verdict_VERDICT_WARN
	fail    = facetdv1.Verdict_VERDICT_FAIL
	skipped = facetdv1.Verdict_VERDICT_SKIPPED
)
