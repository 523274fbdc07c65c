package scheduler_test

import (
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/rules"
)

// TestPairsKeepTheirTimeWhateverMoves: exposures and windows that are given anew with every job, by a client or by the
// daemon, leave the time between the frames of a pair as it is, at every choice of the bounds.
func TestPairsKeepTheirTimeWhateverMoves(t *testing.T) {
	const ms = time.Millisecond
	moves := &facetdv1.View{Window: &facetdv1.Window{Rows: 2, Columns: 2},
		Movable: &facetdv1.Movable{Row: &facetdv1.Bounds{High: 4}, Column: &facetdv1.Bounds{High: 4}}}
	exposes := exposed(ms, ms/4, 3*ms)
	automatic := exposed(ms, ms/4, 3*ms)
	automatic.Automatic = &facetdv1.AutomaticExposure{Level: 0.7}
	for _, grain := range []time.Duration{1, 300} {
		a := mustOnGrain(t, bench(t, [5]int{4, 2, 2}, automatically), grain)
		for name, x := range map[string]*facetdv1.Task{
			"exposure": task("t", "mems", 5, exposes), "automatic": task("t", "mems", 5, automatic),
			"window": task("t", "sws", 5, moves),
		} {
			x.PairInterval = dur(60 * ms)
			p := mustBuild(t, a, x)
			got, most := p.Message.GetPredictions()[0], int64(a.Up(60*ms))
			if got.GetLeastLightIntervalNs() != most || got.GetGreatestLightIntervalNs() != most {
				t.Errorf("%s, grain %v: %v", name, grain, got)
			}
			if len(p.Tasks[0].Task.Slots) == 0 {
				t.Errorf("%s, grain %v: nothing moves", name, grain)
			}
			if found := rules.Judge(a, p.Table(), 10); len(found) > 0 {
				t.Errorf("%s, grain %v: %v", name, grain, found[0])
			}
		}
	}
}
