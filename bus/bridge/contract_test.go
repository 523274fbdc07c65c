package bridge

import (
	"context"
	"errors"
	"strings"
	"syscall"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bridge/wire"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// long is a program that lasts half a second, with a line active all the while, and lasting one that lasts longer.
func long(a *chipmodel.Array) *bus.Program { return lasting(a, 500*time.Millisecond) }

func lasting(a *chipmodel.Array, takes time.Duration) *bus.Program {
	b := bus.NewBuilder(a)
	b.Select(bustest.F | bustest.X0)
	for range takes / (10 * time.Millisecond) {
		b.Wait(10 * time.Millisecond)
		b.Activate(bustest.F | bustest.X0)
	}
	b.Do(bus.Strobe(chipmodel.Load), []int{bustest.M0})
	b.Select(0)
	return &bus.Program{Ops: b.Take()}
}

func (r *rig) segment(p *bus.Program, n uint64) *bus.Segment {
	return &bus.Segment{Job: &bus.Job{Task: "t", Number: n, Deadline: 1 << 60, Segments: 1}, Program: p}
}

func within(t *testing.T) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	t.Cleanup(cancel)
	return ctx
}

// submit submits runs of a program, apart by its length and more.
func (r *rig) submit(t *testing.T, p *bus.Program, n int, first bus.Time) {
	t.Helper()
	for i := range n {
		if err := r.Submit(first, r.segment(p, uint64(i))); err != nil {
			t.Fatal(err)
		}
		first = first.Add(bus.CostOf(r.array, p.Ops).Total() + r.array.Up(time.Millisecond))
	}
}

func (r *rig) soon() bus.Time { return r.array.UpTime(r.Now().Add(2 * r.Limits().LeastLead)) }

// TestWhatComesTooLateIsRefused: nothing of it is driven, the cause is the host, and what was submitted behind it is
// recalled and can be submitted again.
func TestWhatComesTooLateIsRefused(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programs(r.array)[4]
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	late := r.array.UpTime(r.Now())
	if err := r.Submit(late, r.segment(p, 0)); err != nil {
		t.Fatal(err)
	}
	r.submit(t, p, 2, r.soon())
	for i, cause := range []bus.Cause{bus.HostStall, bus.Recalled, bus.Recalled} {
		res, err := r.Next(ctx)
		var refused *bus.RefusedError
		if err != nil || !errors.As(res.Err, &refused) || refused.Cause != cause {
			t.Fatalf("segment %d: %v, %v", i, err, res.Err)
		}
		if i == 0 && (refused.Late <= 0 || refused.Planned != late || refused.Device < late) {
			t.Errorf("refused: %+v", refused)
		}
	}
	if _, err := r.Next(ctx); !errors.Is(err, bus.ErrIdle) {
		t.Errorf("nothing is in flight: %v", err)
	}
	r.submit(t, p, 1, r.soon())
	if res, err := r.Next(ctx); err != nil || res.Err != nil || len(res.Captures) != 1 {
		t.Errorf("submitted again: %v, %+v", err, res)
	}
	for _, pin := range r.Pins(late, late.Add(time.Millisecond)) {
		t.Errorf("something was driven: %+v", pin)
	}
}

// TestRelease: what runs breaks off within the limit, what waits is recalled, and the lines stay inactive.
func TestRelease(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := long(r.array)
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	begins := r.soon()
	r.submit(t, p, 3, begins)
	if err := r.WaitUntil(ctx, begins.Add(105*time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	stop, err := r.Release(ctx)
	if err != nil || !stop.Confirmed {
		t.Fatalf("%+v, %v", stop, err)
	}
	took := stop.Inactive.Sub(stop.Received)
	// The process may have stood still in the middle of it.
	for try := 1; took > r.Limits().Release && try < tries; try++ {
		again, err := r.Release(ctx)
		if err != nil {
			t.Fatal(err)
		}
		took = again.Inactive.Sub(again.Received)
	}
	if took < 0 || took > r.Limits().Release {
		t.Errorf("the lines were inactive after %v", took)
	}
	res, err := r.Next(ctx)
	// A select and ten waits, each with the time since: the one that runs does not count.
	if err != nil || !errors.Is(res.Err, bus.ErrReleased) || res.Ran < 10 || res.Ran >= len(p.Ops) {
		t.Errorf("%v, %+v", err, res)
	}
	for range 2 {
		if res, err := r.Next(ctx); err != nil || !res.Refused() {
			t.Errorf("%v, %v", err, res.Err)
		}
	}
	if err := r.WaitUntil(ctx, stop.Inactive.Add(100*time.Millisecond)); err != nil {
		t.Fatal(err)
	}
	for _, pin := range r.Pins(stop.Inactive.Add(1), r.Now()) {
		t.Errorf("after the release: %+v", pin)
	}
}

// TestCancel: what has not begun is taken back, what runs goes on.
func TestCancel(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := long(r.array)
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	begins := r.soon()
	r.submit(t, p, 3, begins)
	if err := r.Cancel(begins); err != nil {
		t.Fatal(err)
	}
	for i, refused := range []bool{false, true, true} {
		if res, err := r.Next(ctx); err != nil || res.Refused() != refused {
			t.Errorf("segment %d: %v, %v", i, err, res.Err)
		}
	}
}

// lostIs takes the loss that was told.
func lostIs(t *testing.T, r *rig) error {
	t.Helper()
	select {
	case err := <-r.Lost():
		return err
	case <-time.After(time.Minute):
		t.Fatal("no loss was told")
		return nil
	}
}

// again prepares a bus that was lost, which takes as long as the device needs to come back.
func again(t *testing.T, ctx context.Context, r *rig, p *bus.Program) {
	t.Helper()
	for {
		err := r.Prepare(ctx, []*bus.Program{p})
		var lost *bus.LostError
		switch {
		case err == nil:
			return
		case !errors.As(err, &lost):
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond) // until it listens again
	}
}

// TestTheDeviceEndsItsLease: a host that is silent for the lease finds every line inactive, told by the device, within
// the lease; nothing can be submitted before the bus was prepared again, and the programs were kept.
func TestTheDeviceEndsItsLease(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := lasting(r.array, 2*time.Second)
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	begins := r.soon()
	r.submit(t, p, 3, begins)
	if err := r.WaitUntil(ctx, begins); err != nil {
		t.Fatal(err)
	}
	r.mu.Lock() // the goroutine that beats waits, as in a host that stands still
	silent := r.Now()
	time.Sleep(r.limits.Lease + 100*time.Millisecond)
	r.mu.Unlock()
	// Which of the two it hears of first, once it goes on, is a matter of chance.
	var safe *SafeError
	if err := lostIs(t, r); !errors.Is(err, ErrSilent) && (!errors.As(err, &safe) || safe.Why != wire.SafeLease) {
		t.Errorf("lost: %v", err)
	}
	var pins []bustest.Pin
	for began := time.Now(); len(pins) == 0 || pins[len(pins)-1].Value != 0; time.Sleep(time.Millisecond) {
		if time.Since(began) > 20*time.Second {
			t.Fatalf("at the pins: %+v", pins)
		}
		pins = r.Pins(begins, bus.Time(1)<<60) // what happened there is heard of a little later
	}
	last := pins[len(pins)-1]
	if last.Kind != bustest.PinLines || last.Value != 0 || last.At > silent.Add(r.limits.Lease) {
		t.Errorf("last at the pins: %+v, silent since %v", last, silent)
	}
	if err := r.Submit(r.soon(), r.segment(p, 9)); !errors.As(err, new(*bus.LostError)) {
		t.Errorf("submitted to a lost bus: %v", err)
	}
	for range 3 {
		if res, err := r.Next(ctx); err != nil || res.Err == nil {
			t.Errorf("%v, %+v", err, res)
		}
	}
	boot, index := r.boot, r.programs[p].index
	again(t, ctx, r, p)
	if r.boot != boot || r.programs[p].index != index {
		t.Errorf("boot %x, program %d; was %x, %d", r.boot, r.programs[p].index, boot, index)
	}
	r.submit(t, programsOnly(t, ctx, r), 1, r.soon())
	if res, err := r.Next(ctx); err != nil || res.Err != nil {
		t.Errorf("after the loss: %v, %v", err, res.Err)
	}
}

// programsOnly prepares a short program and returns it.
func programsOnly(t *testing.T, ctx context.Context, r *rig) *bus.Program {
	t.Helper()
	p := programs(r.array)[4]
	if err := r.Prepare(ctx, []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	return p
}

// TestAStoppedDevice: a device that stands still is lost within the lease.
func TestAStoppedDevice(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	p := programsOnly(t, ctx, r)
	if err := r.Process.Signal(syscall.SIGSTOP); err != nil {
		t.Fatal(err)
	}
	if err := r.Submit(r.soon(), r.segment(p, 0)); err != nil {
		t.Fatal(err)
	}
	if err := lostIs(t, r); !errors.Is(err, ErrSilent) {
		t.Errorf("lost: %v", err)
	}
	if res, err := r.Next(ctx); err != nil || !errors.As(res.Err, new(*bus.LostError)) {
		t.Errorf("%v, %v", err, res.Err)
	}
	if stop, err := r.Release(ctx); err == nil || stop.Confirmed || stop.Inactive.Sub(stop.Received) !=
		r.limits.Lease+r.limits.Release {
		t.Errorf("released by a device that is lost: %+v, %v", stop, err)
	}
	if err := r.Process.Signal(syscall.SIGCONT); err != nil {
		t.Fatal(err)
	}
	again(t, ctx, r, p)
	r.submit(t, p, 1, r.soon())
	if res, err := r.Next(ctx); err != nil || res.Err != nil {
		t.Errorf("after the loss: %v, %v", err, res.Err)
	}
}

// TestAnotherDeviceAtTheAddress: a device that begins anew has no programs, and the bus time goes on.
func TestAnotherDeviceAtTheAddress(t *testing.T) {
	t.Parallel()
	path := t.TempDir() + "/link"
	r, ctx := start(t, bridgetest.Config{Path: path}), within(t)
	p := programsOnly(t, ctx, r)
	before, began, boot := r.Now(), time.Now(), r.boot
	if err := r.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	if err := lostIs(t, r); err == nil {
		t.Error("lost without a cause")
	}
	other := bridgetest.Start(t, bridgetest.Config{Path: path, Array: bustest.MustLinearArray(), Scene: light(t),
		Tick: 125})
	for {
		err := r.Prepare(ctx, []*bus.Program{p})
		if err == nil {
			t.Fatal("plans for ticks of 40 ns would be run on a device with ticks of 125 ns")
		}
		if strings.Contains(err.Error(), "another than before, with a tick of 125 ns") {
			break
		}
		time.Sleep(time.Millisecond) // until it listens
	}
	if err := other.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	bridgetest.Start(t, bridgetest.Config{Path: path, Array: bustest.MustLinearArray(), Scene: light(t)})
	time.Sleep(300 * time.Millisecond) // it has been running for a while
	again(t, ctx, r, p)
	if apart := r.Now().Sub(before) - time.Since(began); apart > 100*time.Millisecond {
		t.Errorf("the bus time has jumped ahead by %v", apart)
	}
	if r.boot == boot {
		t.Error("the boot is the same")
	}
	r.submit(t, p, 1, r.soon())
	if res, err := r.Next(ctx); err != nil || res.Err != nil || res.Start < before {
		t.Errorf("after the loss, at %v: %v, %+v", before, err, res)
	}
}

// TestAFullStore: programs that are not wanted any more make room for others, and too many are refused.
func TestAFullStore(t *testing.T) {
	t.Parallel()
	r, ctx := start(t, bridgetest.Config{}), within(t)
	of := func(n, first int) []*bus.Program {
		var out []*bus.Program
		for i := range n {
			b := bus.NewBuilder(r.array)
			for range 100 {
				b.Wait(time.Duration(first+i+1) * time.Microsecond)
			}
			out = append(out, &bus.Program{Ops: b.Take()})
		}
		return out
	}
	for round := range 4 {
		if err := r.Prepare(ctx, of(10, 1000*round)); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
	}
	kept := of(1, 0)[0]
	if err := r.Prepare(ctx, []*bus.Program{kept}); err != nil {
		t.Fatal(err)
	}
	if err := r.Prepare(ctx, of(30, 5000)); err == nil {
		t.Error("30 programs of 900 bytes fit into 16 kB")
	}
	b := bus.NewBuilder(r.array)
	for range 300 {
		b.Wait(2 * time.Millisecond)
	}
	running := &bus.Program{Ops: b.Take()}
	if err := r.Prepare(ctx, []*bus.Program{kept, running}); err != nil {
		t.Fatal(err)
	}
	r.submit(t, running, 1, r.soon())
	if err := r.Prepare(ctx, of(17, 9000)); err == nil {
		t.Error("17 programs of 900 bytes fit into 16 kB beside one of 2700 that runs")
	}
	if res, err := r.Next(ctx); err != nil || res.Err != nil {
		t.Errorf("what ran: %v, %v", err, res.Err)
	}
	if err := r.Submit(r.soon(), r.segment(kept, 1)); err != nil {
		t.Fatal(err)
	}
	res, err := r.Next(ctx)
	if took := res.End.Sub(res.Start); err != nil || res.Err != nil || took != bus.CostOf(r.array, kept.Ops).Total() ||
		res.Began != nil {
		t.Errorf("what was ready before took %v: %v, %v", took, err, res.Err)
	}
}
