package virtual

import (
	"errors"
	"testing"
	"time"

	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// TestValuesAreCheckedWhenSubmitted: a segment with a value outside its bounds is refused whole, nothing of it is in
// flight, and the same program runs afterwards with values within them, for each in the same time.
func TestValuesAreCheckedWhenSubmitted(t *testing.T) {
	b := testBus(t, free, 1)
	slots := []bus.Slot{{Name: "row", High: 2}}
	w := bus.NewBuilder(b.array, slots...)
	w.Select(G | X1)
	w.Do(bus.Write(chipmodel.OutputEnable, 1), []int{T0})
	w.Do(bus.Strobe(chipmodel.Reset), []int{T0})
	w.Read(bus.Scan{Chips: []int{T0}, Frames: []int{0}, RowSlot: 1,
		Window: chipmodel.Window{Rows: 1, Columns: 2, RowStep: 1, ColumnStep: 1}})
	w.Do(bus.Write(chipmodel.OutputEnable, 0), []int{T0})
	p := &bus.Program{Ops: w.Take(), Slots: slots}
	if err := b.Prepare(t.Context(), []*bus.Program{p}); err != nil {
		t.Fatal(err)
	}
	job := func(n uint64) *bus.Job {
		return &bus.Job{Task: "t", Number: n, Deadline: bus.Time(time.Hour), Segments: 1, Chips: []int{T0}}
	}
	for _, bad := range [][]int{{3}, {-1}, {1, 1}} {
		err := b.Submit(0, &bus.Segment{Job: job(0), Program: p, Values: bad})
		if err == nil || len(bad) == 1 && !errors.As(err, new(*bus.ValueError)) {
			t.Errorf("%v: %v", bad, err)
		}
		if _, err := b.Next(t.Context()); !errors.Is(err, bus.ErrIdle) {
			t.Errorf("%v: something is in flight: %v", bad, err)
		}
	}
	var took time.Duration
	at := bus.Time(0)
	for n, values := range [][]int{nil, {0}, {1}, {2}} {
		j := job(uint64(n))
		res, err := Run(t.Context(), b, at, &bus.Segment{Job: j, Program: p, Values: values})
		if err != nil {
			t.Fatal(values, err)
		}
		row := 0
		if values != nil {
			row = values[0]
		}
		if got := res.Captures[0].Window.Row; got != row {
			t.Errorf("with %v the window is at row %d", values, got)
		}
		if d := res.End.Sub(res.Start); took == 0 {
			took = d
		} else if d != took {
			t.Errorf("with %v the segment takes %v, without %v", values, d, took)
		}
		b.Inspector().JobEnded(j, bus.Outcome{Kind: bus.OnTime})
		at = res.End
	}
	if v := b.Inspector().Violations(); len(v) > 0 {
		t.Error(v)
	}
	far := &bus.Program{Ops: p.Ops, Slots: []bus.Slot{{Name: "row", High: 3}}}
	if err := b.Prepare(t.Context(), []*bus.Program{far}); err == nil {
		t.Error("a program whose window may leave the lattice was prepared")
	}
}
