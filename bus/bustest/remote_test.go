package bustest_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

// remote makes a remote executor of the test array.
func remote(t *testing.T, change func(*RemoteConfig)) *Remote {
	t.Helper()
	a := MustArray()
	dies, err := virtual.New(virtual.Config{Array: a, Scene: scene.Uniform(100), Pace: facetdv1.Pace_PACE_FREE})
	if err != nil {
		t.Fatal(err)
	}
	cfg := RemoteConfig{Array: a, Dies: dies, Seed: 1, Latency: 300 * time.Microsecond, Ready: 100 * time.Microsecond,
		Drift: 1e-4, Ahead: time.Millisecond, Limits: bus.Limits{Grain: 1, LeastLead: time.Millisecond, Queue: 8,
			Release: 100 * time.Microsecond, Lease: 50 * time.Millisecond}}
	if change != nil {
		change(&cfg)
	}
	r := NewRemote(cfg)
	t.Cleanup(func() { _ = r.Close() }) // some tests have closed it
	return r
}

// read is a program that reads a chip of the test array.
func read(a, chip int) *bus.Program {
	array := MustArray()
	return &bus.Program{Ops: []bus.Op{
		Select(array.Chips[chip].Wires), Write(1, facetdv1.Register_REGISTER_OUTPUT_ENABLE, 1, chip),
		{Kind: bus.OpWait, Hold: time.Duration(a) * time.Millisecond, Phase: facetdv1.Phase_PHASE_SETTLE},
		Scan(array, chip, 0, bus.Claim{}),
		Write(2, facetdv1.Register_REGISTER_OUTPUT_ENABLE, 0, chip), Select(0),
	}}
}

func segment(n uint64, at bus.Time, p *bus.Program) *bus.Segment {
	return &bus.Segment{Program: p, Job: &bus.Job{Task: "t", Number: n, Release: at, Deadline: at.Add(time.Second),
		Chips: []int{H0}, Segments: 1}}
}

// outcomes submits five segments, 10 ms apart, and says what became of each.
func outcomes(t *testing.T, r *Remote) []string {
	t.Helper()
	p := read(3, H0)
	if err := r.Prepare(t.Context(), []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	var out []string
	for i := range 5 {
		at := bus.Time(time.Duration(40+10*i) * time.Millisecond)
		if err := r.Submit(at, segment(uint64(i), at, p)); err != nil {
			t.Fatal(err)
		}
	}
	for range 5 {
		res, err := r.Next(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		var refused *bus.RefusedError
		switch {
		case errors.As(res.Err, &refused):
			out = append(out, refused.Cause.String())
		case res.Err != nil:
			out = append(out, res.Err.Error())
		default:
			out = append(out, fmt.Sprint(len(res.Captures), " at ", res.Start.Elapsed()))
		}
	}
	return out
}

var allRan = []string{"1 at 40ms", "1 at 50ms", "1 at 60ms", "1 at 70ms", "1 at 80ms"}

// TestRemote: whatever a link does to single messages, every segment that reaches the device in time runs once, when
// it is to, and its result comes in order.
func TestRemote(t *testing.T) {
	always := func(f LinkFault) []LinkFault { f.Until = time.Hour; return []LinkFault{f} }
	for name, link := range map[string][]LinkFault{
		"good": nil, "loses": always(LinkFault{Lose: 0.4}), "doubles": always(LinkFault{Double: 0.9}),
		"delays": always(LinkFault{Delay: 5 * time.Millisecond}),
		"all":    always(LinkFault{Lose: 0.2, Double: 0.3, Delay: 3 * time.Millisecond}),
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				if got := outcomes(t, remote(t, func(c *RemoteConfig) { c.Link = link })); !slices.Equal(got, allRan) {
					t.Errorf("%v", got)
				}
			})
		})
	}
}

// TestRemoteRefuses: a segment that comes too late is refused whole, with its cause, and what was handed over behind it
// is recalled.
func TestRemoteRefuses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := remote(t, nil)
		p := read(0, H0)
		if err := r.Prepare(t.Context(), []*bus.Program{p}); err != nil {
			t.Fatal(err)
		}
		for i, lead := range []time.Duration{200 * time.Microsecond, 20 * time.Millisecond} {
			at := r.Now().Add(lead)
			if err := r.Submit(at, segment(uint64(i), at, p)); err != nil {
				t.Fatal(err)
			}
		}
		for _, want := range []bus.Cause{bus.HostStall, bus.Recalled} {
			res, err := r.Next(t.Context())
			var refused *bus.RefusedError
			if err != nil || !errors.As(res.Err, &refused) || refused.Cause != want || len(res.Captures) > 0 {
				t.Errorf("%v, %v: want %v", res.Err, err, want)
			}
		}
		at := r.Now().Add(5 * time.Millisecond)
		if err := r.Submit(at, segment(2, at, p)); err != nil {
			t.Fatal(err)
		}
		if res, err := r.Next(t.Context()); err != nil || res.Err != nil || res.Slack < 4*time.Millisecond {
			t.Errorf("afterwards: %v %v, slack %v", res.Err, err, res.Slack)
		}
		r2 := remote(t, func(c *RemoteConfig) {
			c.Link = []LinkFault{{From: 5 * time.Millisecond, Until: 30 * time.Millisecond, Lose: 1}}
		})
		if err := r2.Prepare(t.Context(), []*bus.Program{p}); err != nil {
			t.Fatal(err)
		}
		time.Sleep(6 * time.Millisecond)
		at = r2.Now().Add(10 * time.Millisecond)
		if err := r2.Submit(at, segment(0, at, p)); err != nil {
			t.Fatal(err)
		}
		var refused *bus.RefusedError
		if res, err := r2.Next(t.Context()); err != nil || !errors.As(res.Err, &refused) ||
			refused.Cause != bus.LinkDelay {
			t.Errorf("on a link that was cut for a moment: %v %v", res.Err, err)
		}
	})
}

// TestRemoteReleases: a release breaks off what runs and recalls what waits.
func TestRemoteReleases(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := remote(t, nil)
		p := read(3, H0)
		if err := r.Prepare(t.Context(), []*bus.Program{p}); err != nil {
			t.Fatal(err)
		}
		for i := range 2 {
			at := bus.Time(time.Duration(10+10*i) * time.Millisecond)
			if err := r.Submit(at, segment(uint64(i), at, p)); err != nil {
				t.Fatal(err)
			}
		}
		if err := r.WaitUntil(t.Context(), bus.Time(11*time.Millisecond)); err != nil {
			t.Fatal(err)
		}
		stop, err := r.Release(t.Context())
		if at := stop.Inactive.Elapsed(); err != nil || !stop.Confirmed || at < 11*time.Millisecond ||
			at > 12*time.Millisecond {
			t.Errorf("released %+v, %v", stop, err)
		}
		res, err := r.Next(t.Context())
		if err != nil || !errors.Is(res.Err, bus.ErrReleased) || res.Ran != 2 || len(res.Captures) > 0 {
			t.Errorf("what ran: %+v %v", res, err)
		}
		if res, err = r.Next(t.Context()); err != nil || !res.Refused() {
			t.Errorf("what waited: %+v %v", res, err)
		}
		if _, err = r.Next(t.Context()); !errors.Is(err, bus.ErrIdle) {
			t.Errorf("afterwards: %v", err)
		}
	})
}

// TestRemoteLost: a link that is cut for longer than the lease, and a reboot, are a loss, from which Prepare comes
// back.
func TestRemoteLost(t *testing.T) {
	for name, c := range map[string]struct {
		cause  error
		change func(*RemoteConfig)
	}{
		"cut": {ErrCut, func(c *RemoteConfig) {
			c.Link = []LinkFault{{From: 55 * time.Millisecond, Until: 200 * time.Millisecond, Lose: 1}}
		}},
		"reboot": {ErrRebooted, func(c *RemoteConfig) { c.Reboots = []time.Duration{55 * time.Millisecond} }},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				rebooted := 0
				r := remote(t, func(cfg *RemoteConfig) { c.change(cfg); cfg.Rebooted = func() { rebooted++ } })
				got := outcomes(t, r)
				if !slices.Equal(got[:1], allRan[:1]) || got[4] != "the bus is lost: "+c.cause.Error() {
					t.Errorf("%v", got)
				}
				if err := <-r.Lost(); !errors.Is(err, c.cause) {
					t.Errorf("lost: %v", err)
				}
				p := read(1, H0)
				if err := r.Submit(r.Now(), segment(9, 0, p)); !errors.As(err, new(*bus.LostError)) {
					t.Errorf("a submission to a lost device: %v", err)
				}
				time.Sleep(200 * time.Millisecond)
				if rebooted > 0 {
					t.Error("the dies lost their loads while the host could still account for the jobs that had them")
				}
				ctx, cancel := context.WithTimeout(t.Context(), time.Second)
				defer cancel()
				if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
					t.Fatal(err)
				}
				at := r.Now().Add(5 * time.Millisecond)
				if err := r.Submit(at, segment(5, at, p)); err != nil {
					t.Fatal(err)
				}
				if res, err := r.Next(t.Context()); err != nil || res.Err != nil || len(res.Captures) != 1 {
					t.Errorf("afterwards: %+v %v", res, err)
				}
				if rebooted == 0 {
					t.Error("what ran while nobody heard of it, or the reboot, did nothing to the dies")
				}
			})
		})
	}
}

// TestValuesGoFarAway: an executor far away runs a program with the values of each segment, and values outside their
// bounds are refused before anything is sent.
func TestValuesGoFarAway(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		r := remote(t, nil)
		slots := []bus.Slot{{Name: "row", High: 2}}
		b := bus.NewBuilder(MustArray(), slots...)
		b.Select(MustArray().Chips[H0].Wires)
		b.Do(bus.Write(facetdv1.Register_REGISTER_OUTPUT_ENABLE, 1), []int{H0})
		b.Read(bus.Scan{Chips: []int{H0}, Frames: []int{0}, RowSlot: 1,
			Window: chipmodel.Window{Rows: 2, Columns: 2, RowStep: 1, ColumnStep: 1}})
		b.Do(bus.Write(facetdv1.Register_REGISTER_OUTPUT_ENABLE, 0), []int{H0})
		p := &bus.Program{Ops: b.Take(), Slots: slots}
		if err := r.Prepare(t.Context(), []*bus.Program{p}); err != nil {
			t.Fatal(err)
		}
		at := r.Now() + bus.Time(20*time.Millisecond)
		outside := segment(0, at, p)
		outside.Values = []int{3}
		if err := r.Submit(at, outside); !errors.As(err, new(*bus.ValueError)) {
			t.Errorf("a row of 3 within 0 to 2: %v", err)
		}
		for n := range 3 {
			s := segment(uint64(n), at, p)
			s.Values = []int{n}
			if err := r.Submit(at, s); err != nil {
				t.Fatal(err)
			}
			at += bus.Time(10 * time.Millisecond)
		}
		for n := range 3 {
			res, err := r.Next(t.Context())
			if err != nil || res.Err != nil || len(res.Captures) != 1 || res.Captures[0].Window.Row != n {
				t.Fatalf("segment %d: %v, %v, %+v", n, err, res.Err, res.Captures)
			}
		}
	})
}
