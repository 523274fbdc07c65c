package virtual

import (
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

// TestLanesMoveOnTogether: one series of steps moves all lanes of a readout. A lane whose converter holds does not
// settle while another one, whose converter does not, still converts.
func TestLanesMoveOnTogether(t *testing.T) {
	a := bustest.MustArray()
	b, err := New(Config{Array: a, Scene: scene.Uniform(50), Pace: facetdv1.Pace_PACE_FREE, Seed: 3})
	if err != nil {
		t.Fatal(err)
	}
	of := func(chips ...int) float64 {
		s := &bus.Scan{Chips: chips, Frames: make([]int, len(chips)),
			Window: chipmodel.Window{Rows: 2, Columns: 3, RowStep: 1, ColumnStep: 1}}
		timing := s.Timing(a)
		return b.residual(&timing, s, bustest.M0)
	}
	settle := func(given time.Duration) float64 { return b.lanes[0].Residual(given, a.LaneSettle(bustest.M0)) }
	if got := of(bustest.M0); got != settle(700*time.Nanosecond) {
		t.Errorf("alone %v", got)
	}
	if got := of(bustest.M0, bustest.M1); got != settle(700*time.Nanosecond) {
		t.Errorf("beside a lane that does not hold %v, alone %v", got, settle(700*time.Nanosecond))
	}
}
