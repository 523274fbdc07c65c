package bridge

import (
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/chipmodel"
)

// looped wires every output to one of three inputs, in turns, of which the last has those of the register bus.
func looped(d *facetdv1.Device) {
	s, r := d.GetStrobes(), d.GetRegisters()
	inputs := []*facetdv1.Loopback{{Input: "E0"}, {Input: "E1"}, {Input: "E2"}}
	all := append([]string{s.GetLoad(), s.GetShare(), s.GetReset_(), s.GetAdvance(), s.GetExpose(), d.GetClock()},
		d.GetSelects()...)
	all = append(append(all, d.GetAddress().GetRow()...), d.GetAddress().GetColumn()...)
	for i, pin := range all {
		inputs[i%2].Outputs = append(inputs[i%2].Outputs, pin)
	}
	inputs[2].Outputs = append(append([]string{r.GetWrite()}, r.GetNumber()...), r.GetValue()...)
	d.Loopback = inputs
}

// testedRig is a firmware that is as careful as a real board, and its bus, which need not be configured.
func testedRig(t *testing.T, cfg bridgetest.Config, array *chipmodel.Array, untested bool) (*bridgetest.Rig, *Bus) {
	t.Helper()
	cfg.Scene = light(t)
	r := bridgetest.Start(t, cfg)
	d := dial(t, r.Address)
	a, err := array.OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(t.Context(), Config{Device: d, Array: a, Untested: untested})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := b.Close(); err != nil {
			t.Error(err)
		}
	})
	return r, b
}

// TestSelfTest: a board that drives a real array runs none before it has passed its self-test, for its build and these
// pins; then it does, and remembers it beyond its end, but not for other pins.
func TestSelfTest(t *testing.T) {
	t.Parallel()
	const seed = 4
	ctx := within(t)
	a := wired(t, shuffles(seed), looped)
	cfg := bridgetest.Config{Array: a, Real: true, Memory: filepath.Join(t.TempDir(), "memory")}
	r, b := testedRig(t, cfg, a, false)
	if err := b.Prepare(ctx, nil); !errors.As(err, new(*UntestedError)) || b.Status().Connected {
		t.Fatalf("it runs untested: %v", err)
	}
	if st := b.Status().SelfTest; !st.Required || st.Passed || b.Status().Build != "host" {
		t.Errorf("before: %+v", b.Status())
	}
	got, err := b.SelfTest(ctx)
	if err != nil || !got.Passed || got.Unwired != 0 || got.Outputs != 6+5+3+8+1+24+1 || got.Worst > 40 {
		t.Fatalf("%+v, %v", got, err)
	}
	if err := b.Prepare(ctx, nil); err != nil || !b.Status().Connected || b.Status().SelfTest != got {
		t.Errorf("afterwards: %v, %+v", err, b.Status())
	}
	if err := r.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, b = testedRig(t, cfg, a, false); !b.Status().Connected || !b.Status().SelfTest.Passed {
		t.Errorf("it has forgotten: %+v", b.Status())
	}
	other := wired(t, shuffles(seed+1), looped)
	cfg.Array = other
	if _, b = testedRig(t, cfg, other, false); b.Status().Connected {
		t.Errorf("it runs with other pins: %+v", b.Status())
	}
	if _, b = testedRig(t, cfg, other, true); !b.Status().Connected || !b.Status().SelfTest.Skipped {
		t.Errorf("an operator has said that it may run: %+v", b.Status())
	}
}

// TestAFailureTakesBackWhatPassed: a board that passed once, and fails now, runs no array, whatever it remembers.
func TestAFailureTakesBackWhatPassed(t *testing.T) {
	t.Parallel()
	ctx := within(t)
	a := wired(t, shuffles(6), looped)
	cfg := bridgetest.Config{Array: a, Real: true, Memory: filepath.Join(t.TempDir(), "memory")}
	r, b := testedRig(t, cfg, a, false)
	if got, err := b.SelfTest(ctx); err != nil || !got.Passed {
		t.Fatalf("%+v, %v", got, err)
	}
	if err := r.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	cfg.WireDelay = 400 * time.Nanosecond // which the pass of before does not know
	r, b = testedRig(t, cfg, a, false)
	if !b.Status().SelfTest.Passed {
		t.Fatalf("it has forgotten: %+v", b.Status())
	}
	if got, err := b.SelfTest(ctx); err != nil || got.Passed {
		t.Fatalf("%+v, %v", got, err)
	}
	if err := b.Prepare(ctx, nil); !errors.As(err, new(*UntestedError)) || b.Status().SelfTest.Failure == "" {
		t.Errorf("it runs after a failure: %v, %+v", err, b.Status())
	}
	if err := r.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if _, b = testedRig(t, cfg, a, false); b.Status().Connected || b.Status().SelfTest.Passed {
		t.Errorf("it remembers what has failed since: %+v", b.Status())
	}
}

// TestSelfTestOnAnEmulatedBoard: its inputs are looked at by its own code.
func TestSelfTestOnAnEmulatedBoard(t *testing.T) {
	t.Parallel()
	a := wired(t, shuffles(4), looped)
	_, b := testedRig(t, bridgetest.Config{Array: a, Emulated: true}, a, false)
	got, err := b.SelfTest(within(t))
	if err != nil || !got.Passed || got.Required || got.Outputs != 48 {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestSelfTestsThatFail: every way in which wires can be wrong fails the self-test, which says what it has seen, and
// after which the board still runs no array.
func TestSelfTestsThatFail(t *testing.T) {
	const seed = 5
	file := wired(t, shuffles(seed), looped)
	d := file.Device
	left := peertest.Cases(3, 12)
	for name, c := range map[string]struct {
		behind func(d *facetdv1.Device)
		delay  time.Duration
		want   string
	}{
		"a select is not wired": {behind: func(d *facetdv1.Device) { drop(d, d.Selects[2]) },
			want: fmt.Sprintf("was not measured, of output %v (select h)", d.Selects[2])},
		"a strobe is not wired": {behind: func(d *facetdv1.Device) { drop(d, d.Strobes.Advance) },
			want: "(strobe advance)"},
		"the last is not wired": {behind: func(d *facetdv1.Device) { drop(d, d.Clock) }, want: "(clock)"},
		"selects are swapped": {behind: func(d *facetdv1.Device) {
			d.Selects[0], d.Selects[1] = d.Selects[1], d.Selects[0]
			looped(d)
		}, want: "(select f)"},
		"a value bit is not wired": {behind: func(d *facetdv1.Device) { drop(d, d.Registers.Value[7]) },
			want: "(register value 7)"},
		"the write strobe is not wired": {behind: func(d *facetdv1.Device) { drop(d, d.Registers.Write) },
			want: "register number 0"},
		"a row is at another input": {behind: func(d *facetdv1.Device) {
			drop(d, d.Address.Row[3])
			d.Loopback[2].Outputs = append(d.Loopback[2].Outputs, d.Address.Row[3])
		}, want: "(row 3)"},
		"edges come late": {delay: 400 * time.Nanosecond, want: "measured 400ns from its time"},
	} {
		if left--; left < 0 {
			break
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			behind := wired(t, shuffles(seed), func(d *facetdv1.Device) {
				looped(d)
				if c.behind != nil {
					c.behind(d)
				}
			})
			_, b := testedRig(t, bridgetest.Config{Array: behind, Real: true, WireDelay: c.delay}, file, false)
			got, err := b.SelfTest(within(t))
			if err != nil || got.Passed || !strings.Contains(got.Failure, c.want) {
				t.Errorf("%+v, %v", got, err)
			}
			t.Log(got.Failure)
			err = b.Prepare(within(t), nil)
			if !errors.As(err, new(*UntestedError)) || b.Status().SelfTest.Failure == "" {
				t.Errorf("afterwards: %v, %+v", err, b.Status())
			}
		})
	}
}

// drop takes an output from its input.
func drop(d *facetdv1.Device, pin string) {
	for _, l := range d.GetLoopback() {
		for i, p := range l.GetOutputs() {
			if p == pin {
				l.Outputs = append(append([]string(nil), l.Outputs[:i]...), l.Outputs[i+1:]...)
				return
			}
		}
	}
}

// TestSelfTestsThatAreNone: without wires to every select line and strobe nothing is driven, and nothing passes; with
// an active stop input it is broken off.
func TestSelfTestsThatAreNone(t *testing.T) {
	t.Parallel()
	for name, change := range map[string]func(d *facetdv1.Device){"nothing is wired": nil,
		"a strobe is not": func(d *facetdv1.Device) { looped(d); drop(d, d.Strobes.Share) }} {
		a := wired(t, shuffles(6), change)
		r, b := testedRig(t, bridgetest.Config{Array: a, Real: true}, a, false)
		got, err := b.SelfTest(within(t))
		if err != nil || got.Passed || !strings.Contains(got.Failure, "no input is wired") {
			t.Errorf("%s: %+v, %v", name, got, err)
		}
		for _, pin := range r.Pins(0, 1<<60) {
			if pin.Value != 0 {
				t.Errorf("%s, and this was driven: %+v", name, pin)
			}
		}
	}
	a := wired(t, shuffles(6), looped)
	r, b := testedRig(t, bridgetest.Config{Array: a, Real: true}, a, false)
	if err := r.Process.Signal(syscall.SIGUSR1); err != nil {
		t.Fatal(err)
	}
	if got, err := b.SelfTest(within(t)); err != nil || got.Passed || !strings.Contains(got.Failure, "stop input") {
		t.Errorf("with an active stop input: %+v, %v", got, err)
	}
}
