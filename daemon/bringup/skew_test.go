package bringup

import (
	"errors"
	"testing"

	"facetd.example/bus"
	"facetd.example/daemon/bringup/measure"
	"facetd.example/daemon/fit"
)

// TestLagsNeedPhases: where loads kept time with a lamp at 50 or at 60 Hz mains, no chip is
// called late; the step warns and says what to do.
func TestLagsNeedPhases(t *testing.T) {
	e := &engine{a: mustArray(t)}
	chips := []int{0, 1}
	for name, period := range map[string]bus.Time{"100 Hz": 10_000_000, "120 Hz": 25_000_000} {
		var l loaded
		for range chips {
			var times []bus.Time
			var levels []float64
			for k := range bus.Time(skewLoads) {
				times, levels = append(times, k*period), append(levels, 500)
			}
			l.times, l.levels = append(l.times, times), append(l.levels, levels)
		}
		_, _, _, err := e.lags(chips, l, l)
		var few *fit.ConditionError
		if !errors.As(err, &few) {
			t.Fatalf("loads in time with %s: %v", name, err)
		}
		r := measure.NewReport(e.a, skew, 0)
		measure.JudgeCondition(r, few)
		r.Conclude("")
		if r.GetVerdict() != warn || len(r.GetActions()) != 1 {
			t.Errorf("loads in time with %s: %v", name, r.BringupResult)
		}
	}
}
