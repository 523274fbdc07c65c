package bridge

import (
	"context"
	"errors"
	"fmt"
	"net"
	"reflect"
	"strings"
	"sync"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

const seed = 7

// demo takes longer to make than a test of it.
var demo = sync.OnceValues(func() (scene.Scene, error) {
	return scene.Parse("demo:low=1,high=800,yaw_swing=10,yaw_swing_hz=0.2,forward_rate=0.1,travel=1", nil)
})

func light(t testing.TB) scene.Scene {
	t.Helper()
	s, err := demo()
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// rig is a firmware with the array of bustest, and the bus of it.
type rig struct {
	*bridgetest.Rig
	*Bus
}

func start(t testing.TB, cfg bridgetest.Config) *rig {
	t.Helper()
	if cfg.Array == nil {
		cfg.Array = bustest.MustLinearArray()
	}
	return startWith(t, cfg, cfg.Array)
}

// startWith is start with another array than that behind the pins.
func startWith(t testing.TB, cfg bridgetest.Config, array *chipmodel.Array) *rig {
	t.Helper()
	cfg.Scene, cfg.Seed = light(t), seed
	r := &rig{Rig: bridgetest.Start(t, cfg)}
	d := dial(t, r.Address)
	a, err := array.OnGrain(d.Grain())
	if err != nil {
		t.Fatal(err)
	}
	if r.Bus, err = New(t.Context(), Config{Device: d, Array: a}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		r.accounted(t)
		if err := r.Close(); err != nil && err != bus.ErrClosed {
			t.Error(err)
		}
	})
	return r
}

// dial connects to a device that may still begin.
func dial(t testing.TB, address string) *Device {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	for {
		d, err := Dial(ctx, address, false)
		if err == nil {
			return d
		}
		if ctx.Err() != nil {
			t.Fatalf("no device answers: %v", err)
		}
		time.Sleep(time.Millisecond) // until it listens
	}
}

// waitForLink waits until a socket is listened on.
func waitForLink(t testing.TB, address string) {
	t.Helper()
	for began := time.Now(); ; time.Sleep(time.Millisecond) {
		conn, err := net.Dial("unix", strings.TrimPrefix(address, "unix:"))
		if err == nil {
			_ = conn.Close() // that is all
			return
		}
		if time.Since(began) > time.Minute {
			t.Fatal(err)
		}
	}
}

// programs are of every kind of operation, on every kind of chip.
func programs(a *chipmodel.Array) []*bus.Program {
	build := func(slots []bus.Slot, write func(b *bus.Builder)) *bus.Program {
		b := bus.NewBuilder(a, slots...)
		write(b)
		b.Select(0)
		return &bus.Program{Ops: b.Take(), Slots: slots}
	}
	enable := func(b *bus.Builder, on uint16, chips ...int) { b.Do(bus.Write(chipmodel.OutputEnable, on), chips) }
	window := func(chip int, w chipmodel.Window) bus.Scan {
		return bus.Scan{Chips: []int{chip}, Frames: []int{0}, Window: w}
	}
	pair := build(nil, func(b *bus.Builder) { // two lanes in parallel, one of which does not hold
		b.Select(bustest.F | bustest.X0 | bustest.X1)
		enable(b, 1, bustest.M0, bustest.M1)
		b.Do(bus.Strobe(chipmodel.Load), []int{bustest.M0, bustest.M1})
		b.Do(bus.Write(chipmodel.ColumnPattern, 0b1), []int{bustest.M0, bustest.M1})
		b.Do(bus.Share(3*time.Microsecond), []int{bustest.M0, bustest.M1})
		b.Wait(20 * time.Microsecond)
		b.Read(bus.Scan{Chips: []int{bustest.M0, bustest.M1}, Frames: []int{0, 1},
			Claim:  bus.Claim{Shares: []bus.Patterns{{Columns: 1}}},
			Window: chipmodel.Window{Row: 1, Column: 1, Rows: 2, Columns: 3, RowStep: 2, ColumnStep: 2}})
		enable(b, 0, bustest.M0, bustest.M1)
	})
	exposed := build([]bus.Slot{
		{Name: "exposure", Low: 1_000, High: 500_000, Default: 100_000, Step: int(a.Grain())},
		{Name: "row", Low: 0, High: 2, Default: 1}, {Name: "column", Low: 0, High: 3, Default: 2},
	}, func(b *bus.Builder) {
		b.Select(bustest.F | bustest.X2)
		enable(b, 1, bustest.M2)
		b.Do(bus.Expose(100*time.Microsecond, 1), []int{bustest.M2})
		b.Do(bus.Strobe(chipmodel.Load), []int{bustest.M2})
		s := window(bustest.M2, chipmodel.Window{Row: 1, Column: 2, Rows: 2, Columns: 3, RowStep: 1, ColumnStep: 1})
		s.RowSlot, s.ColumnSlot = 2, 3
		s.Claim = bus.Claim{Exposure: 100 * time.Microsecond, ExposureSlot: 1}
		b.Read(s)
		enable(b, 0, bustest.M2)
	})
	counter := build([]bus.Slot{{Name: "row", Low: 0, High: 1, Default: 0}}, func(b *bus.Builder) {
		b.Select(bustest.G | bustest.X0)
		enable(b, 1, bustest.C0)
		b.Do(bus.Strobe(chipmodel.Reset), []int{bustest.C0})
		s := window(bustest.C0, chipmodel.Window{Column: 1, Rows: 2, Columns: 2, RowStep: 1, ColumnStep: 2})
		s.RowSlot = 1
		b.Read(s)
		enable(b, 0, bustest.C0)
	})
	trimmed := build([]bus.Slot{{Name: "gain", Low: 0, High: 2, Default: 1}}, func(b *bus.Builder) {
		b.Select(bustest.G | bustest.X1)
		enable(b, 1, bustest.T0)
		b.Do(bus.SlotAction(chipmodel.Gain, 1, []bus.Slot{{Default: 1}}), []int{bustest.T0})
		b.Do(bus.Write(chipmodel.OutputBias, 90), []int{bustest.T0})
		b.Do(bus.Strobe(chipmodel.Reset), []int{bustest.T0})
		s := window(bustest.T0, chipmodel.Window{Rows: 3, Columns: 5, RowStep: 1, ColumnStep: 1})
		s.Settle = 20 * time.Microsecond
		b.Read(s)
		enable(b, 0, bustest.T0)
	})
	joined := build(nil, func(b *bus.Builder) {
		b.Select(bustest.H | bustest.X0)
		enable(b, 1, bustest.S0)
		b.Do(bus.Write(chipmodel.RowPattern, 0b1), []int{bustest.S0})
		b.Wait(10 * time.Microsecond)
		b.Read(window(bustest.S0, chipmodel.Window{Rows: 4, Columns: 4, RowStep: 1, ColumnStep: 1}))
		enable(b, 0, bustest.S0)
	})
	return []*bus.Program{pair, exposed, counter, trimmed, joined}
}

// run is a run of a program.
type run struct {
	program int
	values  []int
}

var runs = []run{{program: 0}, {program: 1}, {program: 2}, {program: 3}, {program: 4},
	{1, []int{1_000, 2, 0}}, {1, []int{500_000, 0, 3}}, {2, []int{1}}, {3, []int{0}}, {3, []int{2}}, {program: 0}}

// tries is how often what this machine stood still for is tried again.
const tries = 5

// conform tries to run segments on a device until none is refused, as this machine stood still: only what is wrong with
// the device is told in the end. Each try begins a device anew, as noise goes on with every sample that was taken.
func conform(t testing.TB, begin func() *rig) (r *rig, said string) {
	t.Helper()
	for try := 0; ; try++ {
		r = begin()
		said, refused := conforms(t, r)
		if !refused || try == tries {
			return r, said
		}
		if err := r.Close(); err != nil {
			t.Error(err)
		}
		t.Logf("once more, as %s", said[:min(len(said), 200)])
	}
}

// conforms runs segments back to back on a device, and tells the first thing in which captures differ from those of a
// virtual bus with its grain, or the pins from the plan; "" where nothing does. refused says that one was refused.
func conforms(t testing.TB, r *rig) (said string, refused bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	a := r.array
	v, err := virtual.New(virtual.Config{Array: a, Scene: light(t), Seed: seed, Pace: facetdv1.Pace_PACE_FREE})
	if err != nil {
		t.Fatal(err)
	}
	all := programs(a)
	if err := r.Prepare(ctx, all); err != nil {
		t.Fatal(err)
	}
	at := a.UpTime(r.Now().Add(3 * r.Limits().LeastLead))
	begin := at
	var segments []*bus.Segment
	var starts []bus.Time
	var want []bustest.Pin
	var lights []bus.Time // of the frames whose light is marked
	for i, run := range runs {
		p := all[run.program]
		s := &bus.Segment{Job: &bus.Job{Task: "t", Number: uint64(i), Deadline: 1 << 60, Segments: 1},
			Program: p,
			Values:  run.values, Mark: a.Device.Marks("t") && i%3 != 2}
		if err := r.Submit(at, s); err != nil {
			t.Fatal(err)
		}
		segments, starts = append(segments, s), append(starts, at)
		ops := bus.Fill(nil, p.Ops, p.Slots, run.values)
		want = append(want, bustest.PlannedPins(a, at, ops)...)
		if s.Mark {
			want = append(want, bustest.PlannedMarks(a, at, ops, a.Device.Mark.Width)...)
		}
		at = at.Add(bus.CostOf(a, p.Ops).Total())
	}
	for i, s := range segments {
		got, err := r.Next(ctx)
		if err != nil {
			t.Fatal(err)
		}
		var late *bus.RefusedError // what is recalled is behind one that was late, or wrong
		refused = refused || errors.As(got.Err, &late) && late.Cause != bus.Recalled
		r.Inspector().JobEnded(s.Job, bus.Outcome{Kind: bus.OnTime})
		copied := *s
		job := *s.Job
		copied.Job = &job
		planned, err := bustest.Run(ctx, v, starts[i], &copied)
		if err != nil {
			t.Fatal(err)
		}
		v.Inspector().JobEnded(copied.Job, bus.Outcome{Kind: bus.OnTime})
		planned.Slack = got.Slack
		if said == "" && !reflect.DeepEqual(got, planned) {
			said = fmt.Sprintf("segment %d: got %+v, planned %+v", i, got, planned)
		}
		for _, c := range got.Captures {
			if s.Mark && c.FirstRow == 0 {
				lights = append(lights, c.Light)
			}
		}
		if said == "" && got.Slack <= 0 {
			said = fmt.Sprintf("segment %d: slack %v", i, got.Slack)
		}
	}
	stop, err := r.Release(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if took := stop.Inactive.Sub(stop.Received); said == "" && (took < 0 || took > r.Limits().Release) {
		said = fmt.Sprintf("the release took %v, and %v is told", took, r.Limits().Release)
		refused = true // this machine may have stood still in the middle of it
	}
	if diff := unlike(marksOf(r.Pins(begin, at)), lights); diff != "" {
		said += diff
	}
	bustest.SortPins(want)
	if diff := bustest.DiffPins(r.Pins(begin, at), want); diff != "" {
		said += " pins: " + diff
	}
	return said, refused
}

// TestConformance: the captures of a device are those of a virtual bus with its grain, byte for byte, and what happens
// at its pins is what was planned, to the tick, on several grains.
func TestConformance(t *testing.T) {
	for _, tick := range []time.Duration{1, 40, 125} {
		t.Run(tick.String(), func(t *testing.T) {
			t.Parallel()
			_, said := conform(t, func() *rig { return start(t, bridgetest.Config{Tick: tick}) })
			if said != "" {
				t.Error(said)
			}
		})
	}
}

// TestTheEmulatedBoardConforms: the same firmware on an emulated Cortex-M4, with its own start-up and clock.
func TestTheEmulatedBoardConforms(t *testing.T) {
	t.Parallel()
	began := time.Now()
	r, said := conform(t, func() *rig { return start(t, bridgetest.Config{Emulated: true}) })
	if said != "" {
		t.Error(said)
	}
	t.Logf("%v of bus time in %v", r.Now(), time.Since(began))
}

// TestMutantsAreCaught: firmware that does something wrong on purpose does not conform. An ordinary run tries some.
func TestMutantsAreCaught(t *testing.T) {
	left := peertest.Cases(3, 8)
	for name, mutant := range map[string]int{ // in any order
		"row a tick late":        bridgetest.RowTick,
		"row a microsecond late": bridgetest.RowMicrosecond, "selects late": bridgetest.Select,
		"strobes late": bridgetest.Strobe, "patterns dropped": bridgetest.Patterns, "lanes swapped": bridgetest.Lanes,
		"strobes twice": bridgetest.Twice, "releases late": bridgetest.Release} {
		if left--; left < 0 {
			break
		}
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			_, said := conform(t, func() *rig { return start(t, bridgetest.Config{Tick: 1, Mutant: mutant}) })
			if said == "" {
				t.Error("it was not noticed")
			}
			t.Log(said[:min(len(said), 300)])
		})
	}
}
