package dispatch

import (
	"context"
	"errors"
	"slices"
	"testing"
	"time"

	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/scheduler/program"
)

// smallStore is a bus whose store has room for so many programs, and which notes how often it was made ready, and for
// what.
type smallStore struct {
	bus.BusCloser
	room, prepared int
	has            []*bus.Program
}

var errStoreFull = errors.New("the store is full")

func (b *smallStore) Prepare(ctx context.Context, programs []*bus.Program) error {
	b.prepared++
	if len(programs) > b.room {
		return errStoreFull
	}
	b.has = programs
	return b.BusCloser.Prepare(ctx, programs)
}

// doubtful is a runner of a bus far away with two chips in doubt, at a segment of which it waits, and the time that is
// free before it.
func doubtful(t *testing.T, room int) (r *runner, b *smallStore, at bus.Time) {
	t.Helper()
	rig, _ := farRig(t, free, 0, bus.Limits{LeastLead: time.Microsecond, Queue: 1000},
		func(under bus.BusCloser) bus.BusCloser {
			b = &smallStore{BusCloser: under}
			return b
		}, crowded()...)
	r = rig.runner
	r.tab = newTable(&r.standing, starting(bus.Time(time.Second)), r.tab)
	b.room = len(r.tab.runs.all) + room
	r.regs.set(program.Overlay(r.regs.held, r.tab.assumes), r.tab.assumes)
	r.regs.lose([]int{bustest.S0, bustest.H0}, r.tab.assumes)
	_, at = r.tab.entry()
	return r, b, at
}

// TestRestorationsWaitForTheirGap: gaps of a timetable differ, and so do the chips that can be restored in them. A bus
// far away is not made ready for another restoration in each of them, in which time the gap would pass: it is ready for
// several, and one of those is taken where it fits. Only where none was run for long enough there is another one.
func TestRestorationsWaitForTheirGap(t *testing.T) {
	r, b, at := doubtful(t, 100)
	one, both := r.tab.restorer.Time([]int{bustest.S0}), r.tab.restorer.Time(sorted(bustest.S0, bustest.H0))
	// step is what the runner does with so much time before the next segment: how many chips are restored then.
	step := func(gap time.Duration) int {
		p := r.restorationAt(at.Add(-gap))
		if p == nil {
			return 0
		}
		if p.prepared {
			return len(p.chips)
		}
		if err := r.restoreChips(t.Context(), p, at.Add(-gap)); err != nil {
			t.Fatal(err)
		}
		return -len(p.chips) // it is ready for it
	}
	for i, c := range []struct {
		gap  time.Duration
		want int
	}{{both, -2}, {one, -1}, {both, 2}, {one, 1}, {both, 2}, {one, 1}, {both + time.Millisecond, 2}} {
		if got := step(c.gap); got != c.want {
			t.Errorf("step %d, %v free: %d, want %d", i, c.gap, got, c.want)
		}
	}
	if b.prepared != 2 {
		t.Errorf("the bus was made ready %d times", b.prepared)
	}
	// As many as it is ready for wait: another one has to, too, for a while.
	for len(r.restoring) < mostReady {
		r.restoring = append(r.restoring, &restoration{of: r.tab, chips: []int{bustest.M0}, prepared: true,
			run: &bus.Program{}, waits: at.Add(readyWait)})
	}
	r.regs.lose(sorted(bustest.C0, bustest.M0), r.tab.assumes)
	other := []int{bustest.C0}
	if p := r.restorationOf(other, at); p != nil {
		t.Error("the bus is made ready for one more")
	}
	if p := r.restorationOf(other, at.Add(readyWait+2*r.tab.plan.Hyperperiod)); p == nil {
		t.Error("those that wait keep all others away for ever")
	}
	// What has become needless waits for nothing.
	r.regs.set(program.Overlay(r.regs.held, r.tab.assumes), r.tab.assumes)
	r.regs.lose(other, r.tab.assumes)
	p := r.restorationOf(other, at)
	if p == nil {
		t.Fatal("restorations of chips that are not in doubt any more keep others away")
	}
	if err := r.restoreChips(t.Context(), p, at); err != nil || !p.prepared || len(r.restoring) != mostReady {
		t.Errorf("prepared %v beside %d, %v", p.prepared, len(r.restoring)-1, err)
	}
}

func sorted(chips ...int) []int {
	slices.Sort(chips)
	return chips
}

// TestReadyForSeveral: what a bus is made ready for on demand does not take the place of a restoration that waits for
// its gap, nor the other way round, where its store has room for both; where it has not, what comes last is ready.
func TestReadyForSeveral(t *testing.T) {
	for room, kept := range map[int]bool{2: true, 1: false} {
		r, b, at := doubtful(t, room)
		gap := r.tab.restorer.Time(sorted(bustest.S0, bustest.H0))
		p := r.restorationAt(at.Add(-gap))
		if err := r.restoreChips(t.Context(), p, at.Add(-gap)); err != nil || !p.prepared {
			t.Fatalf("prepared %v, %v", p.prepared, err)
		}
		demanded := &bus.Program{Ops: []bus.Op{bustest.Select(0)}}
		if err := r.prepareBeside(t.Context(), demanded); err != nil {
			t.Fatal(err)
		}
		r.readyOn = demanded
		if !slices.Contains(b.has, demanded) || slices.Contains(b.has, p.run) != kept ||
			slices.Contains(r.restoring, p) != kept {
			t.Errorf("room for %d: it is ready for the restoration %v, and known to be %v", room,
				slices.Contains(b.has, p.run), slices.Contains(r.restoring, p))
		}
		again := r.restorationAt(at.Add(-gap))
		if again == nil || again.prepared != kept {
			t.Fatalf("room for %d: the next restoration is %v", room, again)
		}
		if kept {
			continue
		}
		if err := r.restoreChips(t.Context(), again, at.Add(-gap)); err != nil || !slices.Contains(b.has, again.run) ||
			r.readyOn != nil {
			t.Errorf("it is ready for the restoration %v, %v", slices.Contains(b.has, again.run), err)
		}
	}
}
