package dispatch

import (
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/bus"
)

// TestAShortLagMakesNoRoom: a change makes room where the host is behind for as long as it may be, without a break. One
// that has caught up between, or a change that was withdrawn, does not count for the next.
func TestAShortLagMakesNoRoom(t *testing.T) {
	const limit = 100 * time.Millisecond
	type step struct {
		behind time.Duration
		other  bool // another change waits from here on
		vain   bool
	}
	for name, steps := range map[string][]step{
		"all the time": {{behind: 2 * limit}, {behind: 2 * limit, vain: true}},
		"twice":        {{behind: 2 * limit}, {}, {behind: 2 * limit}, {behind: 2 * limit, vain: true}},
		"for another change": {{behind: 2 * limit}, {behind: 2 * limit, other: true},
			{behind: 2 * limit, vain: true}},
		"by less than it may be": {{behind: limit / 2}, {behind: limit / 2}, {behind: limit / 2}},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				r := newRig(t, realtime, 0, nil, memTask(50), countTask(30)).runner
				r.cfg.MaxLag = limit
				r.tab = newTable(&r.standing, starting(0), r.tab)
				c := &change{}
				if err := r.box.putChange(c); err != nil {
					t.Fatal(err)
				}
				for i, s := range steps {
					time.Sleep(2 * limit)
					if s.other {
						r.box.withdrawChange(c)
						if err := r.box.putChange(&change{}); err != nil {
							t.Fatal(err)
						}
					}
					now := r.cfg.Bus.Now()
					r.tab.epoch += now.Add(-s.behind) - bus.Time(r.tab.due())
					if got := r.waitsInVain(now, false); (got == tooFarBehind) != s.vain {
						t.Errorf("step %d, %v behind: %q", i, s.behind, got)
					}
				}
			})
		})
	}
}

// TestCyclesPassedOverEnd: the cycles of which the rest makes room, or is overtaken by a safe stop, have ended like
// those that were run, so that utilization is not measured over more than the last ones.
func TestCyclesPassedOverEnd(t *testing.T) {
	for name, pass := range map[string]func(r *runner, before bus.Time){
		"by a change":    func(r *runner, before bus.Time) { r.makeRoom(before, "room is made") },
		"by a safe stop": func(r *runner, before bus.Time) { r.overtaken(before, "stopped") },
	} {
		r := newRig(t, free, 0, nil, memTask(50), countTask(30)).runner
		r.tab = newTable(&r.standing, starting(bus.Time(time.Second)), r.tab)
		r.board.setTable(&r.standing, starting(r.tab.epoch))
		pass(r, r.tab.epoch.Add(r.tab.plan.Hyperperiod*5/2))
		if end := r.board.cycleEnd; end != r.tab.epoch.Add(2*r.tab.plan.Hyperperiod) {
			t.Errorf("%s: the last cycle ended %v after the table began, want two of %v", name, end.Sub(r.tab.epoch),
				r.tab.plan.Hyperperiod)
		}
	}
}
