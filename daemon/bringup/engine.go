package bringup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/failure"
)

// Illumination levels that a run sets on a virtual bus, in lux, and the stripes that it lays
// over the lattices: 10 columns a period.
const (
	uniformLux = 200.0
	darkScene  = "uniform:0"
	stripes    = "grating:mean=200,contrast=0.95,cycles_per_pixel=0.1"
	warmingK   = 15.0
)

// engine runs the steps of one run.
type engine struct {
	cfg Config
	a   *chipmodel.Array
	p   *measure.Programs
	run *facetdv1.BringupRun
	// emit reports to the operator; ask asks a question and waits for the answer.
	emit func(*facetdv1.BringupEvent) error
	ask  func(ctx context.Context, q *facetdv1.BringupQuestion) (proceed bool, note string, err error)

	step   facetdv1.BringupStep
	before *facetdv1.Environment // of a virtual bus, to be put back
	around *facetdv1.Environment // what this run last set of a virtual bus
	lights string                // what the light is now
	dark   map[int][]uint16      // whole frames
}

// skipError ends a step with its reason.
type skipError struct {
	why       string
	disturbed bool // nothing that the step found counts
}

func (e *skipError) Error() string { return e.why }

func skipf(format string, args ...any) error { return &skipError{why: fmt.Sprintf(format, args...)} }

// one runs one step. An error means that the run cannot go on; whatever keeps the step
// from being done is in its result.
func (e *engine) one(ctx context.Context, step facetdv1.BringupStep) (*facetdv1.BringupResult, error) {
	e.step = step
	r := measure.NewReport(e.a, step, e.cfg.Now())
	chips := proto.CloneOf(e.run).GetChips()
	err := e.do(ctx, step, r)
	if err == nil {
		err = e.undisturbed(ctx)
	}
	// Whatever the step left, the timetable gets what it assumes.
	e.cfg.Runner.Resync()
	r.EndBusNs = e.cfg.Now().NS()
	var skip *skipError
	switch {
	case ctx.Err() != nil:
		return nil, ctx.Err()
	case errors.As(err, &skip):
		if skip.disturbed {
			end := r.EndBusNs
			r = measure.NewReport(e.a, step, bus.Time(r.StartBusNs))
			r.EndBusNs = end
			e.run.Chips = chips
			for c, chip := range chips {
				e.p.Settled(c, time.Duration(chip.GetSettleNs()))
			}
		}
		r.Verdict, r.Summary = facetdv1.Verdict_VERDICT_SKIPPED, skip.why
	case err != nil:
		return nil, err
	}
	return r.BringupResult, nil
}

func (e *engine) do(ctx context.Context, step facetdv1.BringupStep, r *measure.Report) error {
	switch step {
	case facetdv1.BringupStep_BRINGUP_STEP_SUPPLIES:
		return e.supplies(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_SELECTS:
		return e.selects(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_LEVELS:
		return e.levels(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_DARK:
		return e.darkFrame(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_FLAT:
		return e.flatFrame(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_SETTLING:
		return e.settling(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_CONVERTERS:
		return e.converters(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_HOLD:
		return e.hold(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_TRIM:
		return e.trim(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_ORDER:
		return e.order(ctx, r)
	case facetdv1.BringupStep_BRINGUP_STEP_SKEW:
		return e.skew(ctx, r)
	}
	return skipf("there is no such step")
}

// program runs operations in a gap of the timetable. Whatever keeps a single program from running,
// mostly that no gap is long enough, skips the step; a safe stop ends the run.
func (e *engine) program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error) {
	captures, err := e.cfg.Runner.Program(ctx, ops)
	if failure.IsPrecondition(err, failure.SafeStop) {
		return nil, err
	}
	if err != nil && ctx.Err() == nil {
		return nil, skipf("a measuring program could not run: %v; bring-up works best without tasks", err)
	}
	return captures, err
}

// programs runs one program after another, and returns the captures of all.
func (e *engine) programs(ctx context.Context, all [][]bus.Op) ([]bus.Capture, error) {
	var captures []bus.Capture
	for _, ops := range all {
		more, err := e.program(ctx, ops)
		if err != nil {
			return nil, err
		}
		captures = append(captures, more...)
	}
	return captures, nil
}

// rest lets bus time pass. Where no gap of the timetable is long enough it passes by
// itself, since the timetable runs.
func (e *engine) rest(ctx context.Context, d time.Duration) error {
	ops := []bus.Op{
		{Kind: bus.OpSelect},
		{Kind: bus.OpWait, Hold: d, Phase: facetdv1.Phase_PHASE_SETTLE},
	}
	_, err := e.cfg.Runner.Program(ctx, ops)
	if failure.IsPrecondition(err, failure.SafeStop) {
		return err
	}
	if err == nil || ctx.Err() != nil {
		return ctx.Err()
	}
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
	return ctx.Err()
}

func (e *engine) progress(done float64, format string, args ...any) {
	// Lost progress is no loss; a stream that ended shows in ctx.
	_ = e.emit(&facetdv1.BringupEvent{Event: &facetdv1.BringupEvent_Progress{Progress: &facetdv1.BringupProgress{
		Step: e.step, Doing: fmt.Sprintf(format, args...), Done: done,
	}}})
}

// confirm asks the operator to do something. It is an error that skips the step when
// the operator does not.
func (e *engine) confirm(ctx context.Context, text string) error {
	q := &facetdv1.BringupQuestion{Number: uint32(len(e.run.Answers) + 1), Step: e.step, Text: text}
	answer := &facetdv1.BringupAnswer{Question: q, Proceed: true, Assumed: true, Note: "nobody was asked"}
	if !e.run.Unattended {
		proceed, note, err := e.ask(ctx, q)
		if err != nil {
			return err
		}
		answer = &facetdv1.BringupAnswer{Question: q, Proceed: proceed, Note: note}
	}
	e.run.Answers = append(e.run.Answers, answer)
	if !answer.Proceed {
		return skipf("the operator did not confirm: %s", text)
	}
	return nil
}

// light brings the light that a step needs: on a virtual bus the scene, elsewhere what
// the operator is asked for.
func (e *engine) light(ctx context.Context, scene, ask string) error {
	if e.lights == scene {
		return nil
	}
	e.lights = ""
	if e.run.VirtualLight {
		if err := e.setEnvironment(ctx, &facetdv1.SetSceneRequest{Scene: scene}); err != nil {
			return err
		}
	} else if err := e.confirm(ctx, ask); err != nil {
		return err
	}
	e.lights = scene
	if strings.Contains(scene, "flicker") {
		return e.rest(ctx, time.Second) // it never stands still
	}
	return e.steady(ctx)
}

func (e *engine) setEnvironment(ctx context.Context, r *facetdv1.SetSceneRequest) error {
	if e.before == nil {
		now, err := e.cfg.Light.GetScene(ctx, &facetdv1.GetSceneRequest{})
		if err != nil {
			return err
		}
		e.before = now.GetEnvironment()
	}
	if err := e.undisturbed(ctx); err != nil {
		return err
	}
	got, err := e.cfg.Light.SetScene(ctx, r)
	e.around = got.GetEnvironment()
	return err
}

// undisturbed skips a step during which somebody else set the light or the temperature of
// a virtual bus, such as a calibration: what it measured says nothing about the array.
func (e *engine) undisturbed(ctx context.Context) error {
	if e.around == nil {
		return nil
	}
	now, err := e.cfg.Light.GetScene(ctx, &facetdv1.GetSceneRequest{})
	if err != nil {
		return err
	}
	is, was := now.GetEnvironment(), e.around
	if proto.Equal(is, was) {
		return nil
	}
	e.lights, e.around = "", nil // the next step sets its own
	return &skipError{disturbed: true, why: fmt.Sprintf("somebody else changed the light or the temperature "+
		"meanwhile: %s, %+g K instead of %s, %+g K; measure again while nobody else sets them",
		is.GetScene(), is.GetTemperatureOffsetK(), was.GetScene(), was.GetTemperatureOffsetK())}
}

// restore puts back the environment of a virtual bus.
func (e *engine) restore() error {
	if e.before == nil {
		return nil
	}
	// ctx of the run may have ended; the daemon's own end ends this too.
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
	defer cancel()
	_, err := e.cfg.Light.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: e.before.GetScene(),
		TemperatureOffsetK: &e.before.TemperatureOffsetK})
	e.before = nil
	return err
}

// steady waits until the chips have followed the light: slow logarithmic pixels take
// C U_T / I, seconds in the dark. At most about half a minute.
func (e *engine) steady(ctx context.Context) error {
	var last []float64
	for round := range 60 {
		var means []float64
		for _, c := range e.active() {
			captures, err := e.program(ctx, e.p.Frame(c, measure.Spread(e.a.Chips[c].Class, 64), 1, 0))
			if err != nil {
				return err
			}
			if len(captures) > 0 {
				means = append(means, measure.Mean(captures[0].Codes))
			}
		}
		moved := 0.0
		for i := range means {
			if i < len(last) {
				moved = max(moved, math.Abs(means[i]-last[i]))
			}
		}
		if last != nil && moved < 1.5 {
			return nil
		}
		e.progress(0, "the chips follow the light, round %d: %.1f codes", round+1, moved)
		last = means
		if err := e.rest(ctx, 500*time.Millisecond); err != nil {
			return err
		}
	}
	return nil
}

// active are the chips in use.
func (e *engine) active() []int {
	var out []int
	for c := range e.a.Chips {
		if e.run.Chips[c].Excluded == "" {
			out = append(out, c)
		}
	}
	return out
}

// chips are those in use that a step is about, and how many of the array it is about; it is skipped when none can be
// used. The report names those that cannot.
func (e *engine) chips(r *measure.Report, what string, is func(*chipmodel.Class) bool) (use []int, all int, err error) {
	for c := range e.a.Chips {
		if !is(e.a.Chips[c].Class) {
			continue
		}
		all++
		if why := e.run.Chips[c].Excluded; why != "" {
			r.LeftOut(e.name(c), why)
		} else {
			use = append(use, c)
		}
	}
	switch {
	case len(use) > 0:
		return use, all, nil
	case all > 0:
		return nil, all, skipf("none of the %s can be used: see the steps before", what)
	}
	return nil, 0, skipf("the array has no %s", what)
}

func every(*chipmodel.Class) bool { return true }

func (e *engine) exclude(chip int, why string) {
	if e.run.Chips[chip].Excluded == "" {
		e.run.Chips[chip].Excluded = why
	}
}

func (e *engine) name(chip int) string { return e.a.Chips[chip].Name }

func (e *engine) lane(chip int) *chipmodel.Lane { return &e.a.Lanes[e.a.Chips[chip].Lane] }

// frame reads whole lattices n times.
func (e *engine) frame(ctx context.Context, chip, n int) ([]bus.Capture, error) {
	var all []bus.Capture
	for range n {
		captures, err := e.program(ctx, e.p.Frame(chip, measure.Whole(e.a.Chips[chip].Class), 1, 0))
		if err != nil {
			return nil, err
		}
		all = append(all, captures...)
	}
	if len(all) < n {
		return nil, skipf("chip %s gave no capture", e.name(chip))
	}
	return all, nil
}
