package bringup

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/api/peertest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/die"
	"facetd.example/daemon/failure"
)

const (
	supplies   = facetdv1.BringupStep_BRINGUP_STEP_SUPPLIES
	selects    = facetdv1.BringupStep_BRINGUP_STEP_SELECTS
	levelsStep = facetdv1.BringupStep_BRINGUP_STEP_LEVELS
	dark       = facetdv1.BringupStep_BRINGUP_STEP_DARK
	lit        = facetdv1.BringupStep_BRINGUP_STEP_FLAT
	settling   = facetdv1.BringupStep_BRINGUP_STEP_SETTLING
	converters = facetdv1.BringupStep_BRINGUP_STEP_CONVERTERS
	hold       = facetdv1.BringupStep_BRINGUP_STEP_HOLD
	trim       = facetdv1.BringupStep_BRINGUP_STEP_TRIM
	order      = facetdv1.BringupStep_BRINGUP_STEP_ORDER
	skew       = facetdv1.BringupStep_BRINGUP_STEP_SKEW
)

// TestFaultFreeArrayPasses: on an array that is as described every step passes, for several
// seeds, and nothing is proposed but leak doublings within their tolerance.
func TestFaultFreeArrayPasses(t *testing.T) {
	for seed := range uint64(6) {
		run := newRig(t, nil, seed, "").all(t)
		if !run.GetFinished() || run.GetVerdict() != pass || len(run.GetResults()) != 11 || run.GetPatch() != "" {
			t.Errorf("seed %d:\n%s", seed, describe(run))
		}
		if looked := run.GetResults()[0].GetSummary(); !strings.HasSuffix(looked,
			"; not looked at: the supplies at the board (nobody was asked)") {
			t.Errorf("seed %d: an unattended run says %q", seed, looked)
		}
		for _, r := range run.GetResults() {
			if r.GetVerdict() != pass || r.GetSummary() == "" {
				t.Errorf("seed %d: %v is %v: %s", seed, r.GetStep(), r.GetVerdict(), r.GetSummary())
			}
		}
	}
}

func off(got, want float64) float64 { return math.Abs(got/want - 1) }

// TestFindsTheTrueSettlingTime: whatever the true resistance of the outputs, the sweep
// comes within 5 % of when the true lane is within half a step, on addressed and
// counter chips, converters with and without sample and hold, of 12 and of 10 bits; and
// the patch proposes the slowest of each class.
func TestFindsTheTrueSettlingTime(t *testing.T) {
	worst := 0.0
	for seed, factor := range []float64{0.5, 0.8, 1, 1.3, 1.7, 2.5, 4} {
		described := mustArray(t)
		msg := describedMessage(t)
		for _, class := range msg.GetClasses() {
			if s := class.GetReadout().GetSettle(); s != nil {
				class.Readout.Settle = durationpb.New(time.Duration(float64(s.AsDuration()) * factor))
			} else {
				class.Readout.OutputResistanceOhms *= factor
			}
		}
		r := newRig(t, &facetdv1.GroundTruth{Array: msg}, uint64(seed)+10, "")
		run := r.all(t, settling)
		groundTruth, _ := chipmodel.New(msg)
		slowest := map[string]float64{}
		for c := range described.Chips {
			want := float64(groundTruth.LaneSettle(c))
			got := value(t, run, described.Chips[c].Name, "settling to half a step")
			worst = max(worst, off(got, want))
			if off(got, want) > 0.05 {
				t.Errorf("factor %g, %s: %.0f ns, it is %.0f ns", factor, described.Chips[c].Name, got, want)
			}
			class := described.Chips[c].Class.Name
			slowest[class] = max(slowest[class], want)
		}
		wantVerdict := pass
		if factor > 1 {
			wantVerdict = fail
		}
		if run.GetVerdict() != wantVerdict {
			t.Errorf("factor %g: verdict %v\n%s", factor, run.GetVerdict(), describe(run))
		}
		if proposed := len(run.GetResults()[0].GetProposals()); factor == 1 && proposed != 0 || factor != 1 &&
			proposed != 3 {
			t.Errorf("factor %g: %d proposals\n%s", factor, proposed, describe(run))
		}
		for _, p := range run.GetResults()[0].GetProposals() {
			var i int
			if _, err := fmt.Sscanf(p.GetPath(), "classes[%d].readout.settle", &i); err != nil {
				t.Fatal(err)
			}
			d, err := time.ParseDuration(p.GetValue())
			if want := slowest[described.Classes[i].Name]; err != nil || off(float64(d), want) > 0.05 {
				t.Errorf("factor %g: proposes %s for %s, the slowest is %.0f ns", factor, p.GetValue(), p.GetPath(),
					want)
			}
			if !strings.Contains(run.GetPatch(), "settle: "+p.GetValue()) {
				t.Errorf("the patch lacks %s:\n%s", p.GetValue(), run.GetPatch())
			}
		}
	}
	t.Logf("worst error %.2f %%", 100*worst)
}

func describedMessage(t *testing.T) *facetdv1.Array {
	t.Helper()
	a, m := arrayfile.ParseArray("bench.yaml", []byte(benchYAML))
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a.Message
}

// TestFindsTheTrueHoldLimit against the closed form: dV/dt = I/C, so that half a step
// is lost after half a step times C over I; and the leak that is proposed.
func TestFindsTheTrueHoldLimit(t *testing.T) {
	worst := 0.0
	for seed, leak := range []float64{0.8, 2, 3, 6, 15, 60} {
		msg := describedMessage(t)
		msg.Classes[0].GetMemory().LeakFa = leak
		msg.Classes[0].GetMemory().LeakDoublingK = 8
		run := newRig(t, &facetdv1.GroundTruth{Array: msg}, uint64(seed)+20, "").all(t, hold)
		for _, c := range []struct {
			name string
			bits float64
		}{{"m0", 12}, {"m1", 12}, {"m2", 10}} {
			want := 0.5 * 2 / math.Exp2(c.bits) * 150e-15 / (leak * 1e-15) * 1e3
			got := value(t, run, c.name, "hold to half a step")
			worst = max(worst, off(got, want))
			if off(got, want) > 0.05 {
				t.Errorf("%g fA, %s: %.4g ms, it is %.4g ms", leak, c.name, got, want)
			}
		}
		if got := value(t, run, "mem", "leakage doubles every"); off(got, 8) > 0.05 {
			t.Errorf("%g fA: doubles every %.3g K", leak, got)
		}
		var proposed float64
		for _, p := range run.GetResults()[0].GetProposals() {
			if p.GetPath() == "classes[0].memory.leak_fa" {
				fmt.Sscan(p.GetValue(), &proposed)
			}
		}
		if leak != 3 && off(proposed, leak) > 0.05 || leak == 3 && proposed != 0 {
			t.Errorf("%g fA: proposed %g", leak, proposed)
		}
		if want := leak > 4.5; (run.GetVerdict() == fail) != want {
			t.Errorf("%g fA: %v", leak, run.GetVerdict())
		}
	}
	t.Logf("worst error %.2f %%", 100*worst)
}

// bestSpan tries every gain, every 4th offset and every 4th bias on dies of the ground truth,
// in the dark and in light, and returns the largest span from dark to lit at which no
// pixel is nearer to a limit than a hundredth of the range.
func bestSpan(t *testing.T, a *chipmodel.Array, chip int, seed uint64) float64 {
	t.Helper()
	class := a.Chips[chip].Class
	spec := class.Spec.GetAmplifier()
	conv := a.Lanes[a.Chips[chip].Lane].Spec.GetConverter()
	margin := 0.01 * (conv.GetHighVolts() - conv.GetLowVolts())
	low, high := max(conv.GetLowVolts(), spec.GetLowVolts())+margin,
		min(conv.GetHighVolts(), spec.GetHighVolts())-margin
	best := 0.0
	measure := func(d *die.Die, at int64, lux float64) (mean, lowest, highest float64) {
		light := die.Still(func(dst []float64, _ int, _ bustime.Time) {
			for i := range dst {
				dst[i] = lux
			}
		})
		row := make([]float64, class.Columns)
		lowest, highest = math.Inf(1), math.Inf(-1)
		for r := range 4 {
			d.Row(row, r, 0, 1, bustime.Time(at), 0, light)
			for _, v := range row {
				mean += v / float64(4*len(row))
				lowest, highest = min(lowest, v), max(highest, v)
			}
		}
		return mean, lowest, highest
	}
	inDark, inLight := die.New(a, chip, seed), die.New(a, chip, seed)
	measure(inDark, 0, 0)
	measure(inLight, 0, uniformLux)
	for g := range spec.GetGains() {
		for offset := -128; offset < 128; offset += 4 {
			for bias := 0; bias < 256; bias += 4 {
				for _, d := range []*die.Die{inDark, inLight} {
					d.Write(chipmodel.Gain, uint16(g))
					d.Write(chipmodel.Offset, uint16(uint8(int8(offset))))
					d.Write(chipmodel.PixelBias, uint16(bias))
				}
				d, dl, dh := measure(inDark, 1e12, 0)
				l, ll, lh := measure(inLight, 1e12, uniformLux)
				if min(dl, ll) > low && max(dh, lh) < high {
					best = max(best, math.Abs(l-d))
				}
			}
		}
	}
	return best / (conv.GetHighVolts() - conv.GetLowVolts()) * 100
}

// TestFindsTheBestGain against a search of every setting on the simulated die itself.
func TestFindsTheBestGain(t *testing.T) {
	for seed, decade := range []float64{0.05, 0.08, 0.12, 0.17, -0.1} {
		msg := describedMessage(t)
		msg.Classes[2].GetLogarithmic().VoltsPerDecade = decade
		msg.Classes[2].GetLogarithmic().OffsetVolts += 0.1 * float64(seed%3-1)
		groundTruth, m := chipmodel.New(msg)
		if len(m) > 0 {
			t.Fatal(m)
		}
		r := newRig(t, &facetdv1.GroundTruth{Array: msg}, uint64(seed)+30, "")
		run := r.all(t, trim)
		want := bestSpan(t, groundTruth, groundTruth.Chip("t0"), uint64(seed)+30)
		got := value(t, run, "t0", "span from dark to lit")
		t.Logf("%g V a decade: %.1f %% of the converter, the best is %.1f %%", decade, got, want)
		if want == 0 || off(got, want) > 0.05 {
			t.Errorf("%g V a decade: uses %.1f %%, the best is %.1f %%\n%s", decade, got, want, describe(run))
		}
		for _, what := range []string{"lowest pixel, lit, checked with this setting",
			"highest pixel, lit, checked with this setting"} {
			if v := value(t, run, "t0", what); v < 1 || v > 1022 {
				t.Errorf("%g V a decade: %s at %g", decade, what, v)
			}
		}
	}
}

// TestEachFaultInItsStep: a fault is reported by the step that looks for it, names the
// chip or lane, and no other step finds anything.
func TestEachFaultInItsStep(t *testing.T) {
	chipGroundTruth := func(c *facetdv1.ChipGroundTruth) *facetdv1.GroundTruth {
		return &facetdv1.GroundTruth{Chips: []*facetdv1.ChipGroundTruth{c}}
	}
	for _, c := range []struct {
		name        string
		groundTruth *facetdv1.GroundTruth
		fault       *facetdv1.Fault
		step        facetdv1.BringupStep
		subject     string
		verdict     facetdv1.Verdict
	}{
		{"dead chip", nil, &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "m1"}, selects, "m1",
			fail},
		{"dead chip with amplifier", nil, &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "t0"},
			selects, "t0", fail},
		{"swapped lines", nil, &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED, Line: "x0",
			OtherLine: "x2"}, selects, ", m0, m2, c0, t0", fail}, // the array, and the chips measured to be silent
		{"stuck chip", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "c1", OffsetVolts: 9}), nil, levelsStep, "c1",
			fail},
		{"slow driver", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "m0", SettleFactor: proto.Float64(1.5)}), nil,
			settling, "m0",
			fail},
		{"slow counter", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "c1", SettleFactor: proto.Float64(2)}), nil,
			settling, "c1",
			fail},
		{"wrong first conversions", &facetdv1.GroundTruth{Lanes: []*facetdv1.LaneGroundTruth{{Lane: "b",
			FirstVolts: 0.01, RestNs: 1e6}}}, nil, converters, "b", warn},
		{"leaky chip", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "m2", LeakFactor: proto.Float64(4)}), nil, hold,
			"m2", fail},
		{"lost clock", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "c0", Slip: -1, SlipAt: 200}), nil, order, "c0",
			fail},
		{"extra clock", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "c1", Slip: 1, SlipAt: 415}), nil, order, "c1",
			fail},
		{"clock lost while pixels are passed",
			chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "c0", Slip: -1, SlipAt: 100, PassedOnly: true}), nil, order,
			"c0", fail},
		{"extra clocks while pixels are passed",
			chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "t0", Slip: 2, SlipAt: 40, PassedOnly: true}), nil, order,
			"t0", fail},
		{"late load", chipGroundTruth(&facetdv1.ChipGroundTruth{Chip: "m1", LoadDelayNs: 150e3}), nil, skew, "m1",
			fail},
	} {
		for seed := range uint64(peertest.Cases(1, 3)) {
			var faults []*facetdv1.Fault
			if c.fault != nil {
				faults = append(faults, c.fault)
			}
			run := newRig(t, c.groundTruth, seed+40, "", faults...).all(t)
			bad := func(x facetdv1.BringupStep, want bool) {
				t.Errorf("%s, seed %d: %v found something: %v\n%s", c.name, seed, x, !want, describe(run))
			}
			for _, r := range run.GetResults() {
				found := r.GetVerdict() == warn || r.GetVerdict() == fail
				if found != (r.GetStep() == c.step) {
					bad(r.GetStep(), !found)
				}
				if r.GetStep() != c.step {
					continue
				}
				if r.GetVerdict() != c.verdict || len(r.GetActions()) == 0 {
					t.Errorf("%s: verdict %v with %d actions", c.name, r.GetVerdict(), len(r.GetActions()))
				}
				for _, m := range r.GetMeasurements() {
					if m.GetVerdict() != pass && !slices.Contains(strings.Split(c.subject, ", "), m.GetSubject()) {
						t.Errorf("%s, seed %d: blames %q: %s", c.name, seed, m.GetSubject(), m.GetQuantity())
					}
				}
			}
		}
	}
}

// TestShortSupply: a regulator without enough supply fails by the description alone.
func TestShortSupply(t *testing.T) {
	r := newRig(t, nil, 1, "")
	r.a.Classes[2].Spec.GetRegulator().SupplyRippleVolts = 1.5
	run := r.all(t, supplies)
	if run.GetVerdict() != fail || !strings.Contains(run.GetResults()[0].GetSummary(), "trim") {
		t.Error(describe(run))
	}
}

// TestResumedAfterAKill: a run whose stream is cut off in the middle of a step, and
// whose daemon is then gone, goes on with that step in another daemon, and knows what
// the steps before found.
func TestResumedAfterAKill(t *testing.T) {
	data := t.TempDir()
	groundTruth := &facetdv1.GroundTruth{Chips: []*facetdv1.ChipGroundTruth{{Chip: "c1", OffsetVolts: 9},
		{Chip: "m0", SettleFactor: proto.Float64(1.5)}}}
	r := newRig(t, groundTruth, 5, data)
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	s := &stream{ctx: ctx}
	s.event = func(e *facetdv1.BringupEvent) {
		if p := e.GetProgress(); p.GetStep() == hold && p.GetDone() > 0.5 {
			cancel()
		}
	}
	err := r.service.StartBringup(&facetdv1.StartBringupRequest{Unattended: true, VirtualLight: true}, startStream{s})
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("cut off: %v", err)
	}
	id := s.events[0].GetStarted().GetId()
	if got, _ := r.service.cfg.Light.GetScene(t.Context(), nil); got.GetEnvironment().GetScene() != "uniform:50" {
		t.Errorf("the light of before did not come back: %v", got)
	}

	// What a kill in the middle of writing leaves does no harm.
	for name, text := range map[string]string{fileio.TempPrefix + "123": "{", "junk.json": "{]"} {
		if err := os.WriteFile(filepath.Join(data, "bringup", name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	again := newRigAllowing(t, groundTruth, 6, data)
	if _, err := os.Stat(filepath.Join(data, "bringup", fileio.TempPrefix+"123")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file half written was left: %v", err)
	}
	list, err := again.service.ListBringups(t.Context(), nil)
	if err != nil || len(list.GetRuns()) != 1 || list.GetRuns()[0].GetFinished() ||
		len(list.GetRuns()[0].GetResults()) != 7 {
		t.Fatalf("kept: %v, %v", list, err)
	}
	s = &stream{ctx: t.Context()}
	if err := again.service.ResumeBringup(&facetdv1.ResumeBringupRequest{Id: id}, resumeStream{s}); err != nil {
		t.Fatal(err)
	}
	run := s.events[len(s.events)-1].GetEnded()
	var steps []facetdv1.BringupStep
	for _, r := range run.GetResults() {
		steps = append(steps, r.GetStep())
	}
	if want := []facetdv1.BringupStep{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11}; !slices.Equal(steps, want) {
		t.Errorf("steps %v", steps)
	}
	for _, e := range s.events {
		if r := e.GetResult(); r != nil && r.GetStep() < hold {
			t.Errorf("%v was done again", r.GetStep())
		}
	}
	// c1 is stuck: the order step leaves it out, since the run knows.
	for _, m := range run.GetResults()[9].GetMeasurements() {
		if m.GetSubject() == "c1" {
			t.Error("a chip that was left out before came back")
		}
	}
	if !run.GetFinished() || run.GetVerdict() != fail || run.GetChips()[0].GetSettleNs() == 0 {
		t.Errorf("%v\n%s", run.GetChips(), describe(run))
	}
	if err := again.service.ResumeBringup(&facetdv1.ResumeBringupRequest{Id: "nothing"},
		resumeStream{s}); !errors.As(err, new(*failure.NotFound)) {
		t.Errorf("unknown run: %v", err)
	}
	again.service.runs[id].ArrayDigest = "other"
	if err := again.service.ResumeBringup(&facetdv1.ResumeBringupRequest{Id: id}, resumeStream{s}); !errors.As(err,
		new(*failure.Precondition)) {
		t.Errorf("another array: %v", err)
	}
}

// TestOperatorIsAsked: every question waits for its answer; no skips the step, and what
// is noted is kept.
func TestOperatorIsAsked(t *testing.T) {
	r := newRig(t, nil, 3, "")
	s := &stream{ctx: t.Context()}
	asked := 0
	s.event = func(e *facetdv1.BringupEvent) {
		q := e.GetQuestion()
		if q == nil {
			return
		}
		asked++
		// At once, as a client that is faster than the daemon.
		if _, err := r.service.AnswerBringup(context.Background(), &facetdv1.AnswerBringupRequest{
			Id: "20260102-030405", Question: q.GetNumber(), Proceed: q.GetStep() != dark, Note: "5.02 V, 80 mA" +
				strings.Repeat("é", 2000),
		}); err != nil {
			t.Errorf("question %d could not be answered: %v", q.GetNumber(), err)
		}
	}
	if err := r.service.StartBringup(&facetdv1.StartBringupRequest{Steps: []facetdv1.BringupStep{dark, supplies, lit}},
		startStream{s}); err != nil {
		t.Fatal(err)
	}
	run := s.events[len(s.events)-1].GetEnded()
	if asked != 3 || len(run.GetAnswers()) != 3 {
		t.Fatalf("asked %d times, %d answers", asked, len(run.GetAnswers()))
	}
	if a := run.GetAnswers()[0]; a.GetAssumed() || !a.GetProceed() ||
		!strings.HasPrefix(a.GetNote(), "5.02 V, 80 mA") || len([]rune(a.GetNote())) != maxNote {
		t.Errorf("answer %v", a)
	}
	var verdicts []facetdv1.Verdict
	for _, r := range run.GetResults() {
		verdicts = append(verdicts, r.GetVerdict())
	}
	if !slices.Equal(verdicts, []facetdv1.Verdict{pass, skipped, pass}) {
		t.Errorf("verdicts %v\n%s", verdicts, describe(run))
	}
	if _, err := r.service.AnswerBringup(t.Context(),
		&facetdv1.AnswerBringupRequest{Id: run.GetId(), Question: 1}); !errors.As(err, new(*failure.Precondition)) {
		t.Errorf("an answer to nothing: %v", err)
	}
}

// TestErrorsStartNothing: bad steps are all told, and a second run is refused.
func TestErrorsStartNothing(t *testing.T) {
	r := newRig(t, nil, 3, "")
	s := &stream{ctx: t.Context()}
	err := r.service.StartBringup(&facetdv1.StartBringupRequest{Steps: []facetdv1.BringupStep{99, dark, dark}},
		startStream{s})
	var m invalid.Errors
	if !errors.As(err, &m) || len(m) != 2 || len(s.events) != 0 {
		t.Errorf("%v, %d events", err, len(s.events))
	}
	leave, err := r.service.enter()
	if err != nil {
		t.Fatal(err)
	}
	defer leave()
	if err := r.service.StartBringup(&facetdv1.StartBringupRequest{}, startStream{s}); !errors.As(err,
		new(*failure.InProgress)) {
		t.Errorf("a second run: %v", err)
	}
}

// TestARunThatHasEndedHoldsNothing: whoever is told that a run has ended may begin or
// resume one in the same instant.
func TestARunThatHasEndedHoldsNothing(t *testing.T) {
	r := newRig(t, nil, 3, "")
	var runs []string
	var begin func(again bool)
	begin = func(again bool) {
		s := &stream{ctx: t.Context()}
		s.event = func(e *facetdv1.BringupEvent) {
			if e.GetEnded() == nil {
				return
			}
			runs = append(runs, e.GetEnded().GetId())
			if !again {
				return
			}
			begin(false)
			next := &stream{ctx: t.Context()}
			if err := r.service.ResumeBringup(&facetdv1.ResumeBringupRequest{Id: e.GetEnded().GetId()},
				resumeStream{next}); err != nil {
				t.Errorf("resuming: %v", err)
			}
		}
		request := &facetdv1.StartBringupRequest{Steps: []facetdv1.BringupStep{supplies}, Unattended: true}
		if err := r.service.StartBringup(request, startStream{s}); err != nil {
			t.Errorf("beginning: %v", err)
		}
	}
	begin(true)
	if len(runs) != 2 || runs[0] == runs[1] {
		t.Errorf("ended: %v", runs)
	}
}

// TestADeadChipIsNotAlive: by the levels alone, without a probe before, a chip that does not drive its lane fails: its
// lane shows the level and noise of an undriven one. The others pass.
func TestADeadChipIsNotAlive(t *testing.T) {
	for seed, name := range []string{"m0", "m1", "c0", "t0"} {
		r := newRig(t, nil, uint64(seed), "",
			&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: name})
		run := r.all(t, levelsStep, dark)
		if levels := run.GetResults()[0]; levels.GetVerdict() != fail ||
			!strings.Contains(levels.GetSummary(), name) {
			t.Errorf("seed %d, %s dead: %s", seed, name, describe(run))
		}
		for _, m := range run.GetResults()[0].GetMeasurements() {
			if m.GetVerdict() != pass && m.GetSubject() != name {
				t.Errorf("seed %d, %s dead: blames %s", seed, name, m.GetSubject())
			}
		}
		if e := r.told[0]; len(r.told) != 2 || e.GetKind() != facetdv1.EventKind_EVENT_KIND_BRINGUP ||
			e.GetSeverity() != facetdv1.Severity_SEVERITY_ERROR || !slices.Equal(e.GetChips(), []string{name}) ||
			e.GetFields()["step"].GetText() != "levels" || r.told[1].GetSeverity() != facetdv1.Severity_SEVERITY_INFO {
			t.Errorf("%s dead: events %v", name, r.told)
		}
		if st := r.service.Stats().Steps; st[fail] != 1 || st[pass] != 1 {
			t.Errorf("%s dead: steps counted %v", name, st)
		}
		// What is not looked at afterwards is named.
		after := run.GetResults()[1]
		if after.GetVerdict() != pass || !strings.HasPrefix(after.GetSummary(), "dark frames of 5 of 6 chips") ||
			len(after.GetNotLookedAt()) != 1 || !strings.HasPrefix(after.GetNotLookedAt()[0], name+" (") ||
			!strings.Contains(after.GetSummary(), "not looked at: "+name) {
			t.Errorf("seed %d, %s dead: %q, %q", seed, name, after.GetSummary(), after.GetNotLookedAt())
		}
	}
}

// TestALaneLeftOutIsNamed: with a lane cut off, no conclusion is about every chip.
func TestALaneLeftOutIsNamed(t *testing.T) {
	r := newRig(t, nil, 1, "", &facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, Lane: "b"})
	for _, result := range r.all(t).GetResults() {
		if result.GetStep() <= selects || result.GetVerdict() == skipped || result.GetStep() == converters {
			continue
		}
		if s := result.GetSummary(); strings.Contains(s, "all ") || strings.Contains(s, "every") ||
			!strings.Contains(s, "not looked at: ") {
			t.Errorf("%v: %s", result.GetStep(), s)
		}
	}
	// Without the probe before, the levels find it.
	run := newRig(t, nil, 1, "", r.bus.Faults()...).all(t, levelsStep)
	var silent []string
	for _, m := range run.GetResults()[0].GetMeasurements() {
		if m.GetVerdict() == fail {
			silent = append(silent, m.GetSubject())
		}
	}
	if want := []string{"m2", "c1", "t0"}; !slices.Equal(silent, want) {
		t.Errorf("%v do not drive, want %v", silent, want)
	}
}
