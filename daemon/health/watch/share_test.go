package watch

import (
	"context"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
)

// plan has a task that reads one chip.
func plan() *facetdv1.Plan {
	return &facetdv1.Plan{Tasks: []*facetdv1.Task{{Name: "t", RateHz: 1, Views: []*facetdv1.View{{Name: "v"}},
		Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{"m0"}}}}}}}
}

// endJob has a job end at a second of bus time, whose frame has its pixels once look was called.
func (d *desk) endJob(second int64, look func()) {
	d.JobEndedLater(&facetdv1.FrameSet{Task: "t", Job: uint64(second), FinishBusNs: second * 1e9,
		Frames: []*facetdv1.Frame{{Chip: "m0", View: "v", Rows: 2, Columns: 2, Data: make([]byte, 8)}}}, look)
}

// TestLooksHaveAShare: where bus time goes a thousand times as fast as that of the host, looks take their share of the
// host's time and no more, what is left out is counted, and who asks for the health does not wait for that.
func TestLooksHaveAShare(t *testing.T) {
	const cost, seconds = 20 * time.Millisecond, 20_000
	synctest.Test(t, func(t *testing.T) {
		d := newDesk(t)
		d.PlanChanged(plan(), 0, 0)
		var reports, looks atomic.Int64
		d.cfg.Snapshot = func() dispatch.Snapshot {
			reports.Add(1)
			return d.snap
		}
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { d.Run(ctx) })
		look := func() {
			looks.Add(1)
			time.Sleep(cost)
		}
		for k := range int64(seconds) {
			d.endJob(k, look)
			time.Sleep(time.Millisecond)
		}
		most := share*seconds*time.Millisecond.Seconds() + atOnce.Seconds()
		if took := float64(looks.Load()) * cost.Seconds(); took < 0.9*most || took > most+2*cost.Seconds() {
			t.Errorf("in %d s looks took %.2f s, may take %.2f s", seconds/1000, took, most)
		}
		// Two a second, of what no frame brings.
		if least := int64(seconds / 1000 * 2 * 9 / 10); reports.Load() < least {
			t.Errorf("%d reports while looks rest, want %d", reports.Load(), least)
		}
		begun := time.Now()
		h := d.Health(t.Context())
		if waited := time.Since(begun); waited > 2*cost {
			t.Errorf("the health waited for %v", waited)
		}
		if n := h.GetSamples() + h.GetSkippedSamples(); n < 0.9*seconds || n > seconds || h.GetSkippedSamples() == 0 {
			t.Errorf("%d frames were looked at and %d skipped, of %d", h.GetSamples(), h.GetSkippedSamples(), seconds)
		}
		cancel()
		running.Wait()
	})
}

// TestAPlanDropsWhatWaits: a recording that is played over and over, faster than anybody looks, keeps nothing of the
// rounds before, and counts it.
func TestAPlanDropsWhatWaits(t *testing.T) {
	d := newDesk(t)
	const rounds = 100
	for range rounds {
		d.PlanChanged(plan(), 0, 0)
		d.endJob(1, nil)
		d.endJob(2, nil)
	}
	if d.waiting[0].job != 1 || len(d.waiting) != 1 {
		t.Errorf("%d frames wait", len(d.waiting))
	}
	if st := d.Stats(); st.Skipped < 2*rounds-1 { // the last of them waits
		t.Errorf("%d were skipped, in %d rounds", st.Skipped, rounds)
	}
}

// TestReportsAreToldInOrder: what is older is not told after what is newer, however long it takes to find out: another
// report is not begun from when the first thing that goes into one is asked for until it is told.
func TestReportsAreToldInOrder(t *testing.T) {
	d := newDesk(t)
	asked := 0
	alone := func() {
		if asked++; d.reporting.TryLock() {
			d.reporting.Unlock()
			t.Error("another report can be begun")
		}
	}
	snapshot, events, recordings := d.cfg.Snapshot, d.cfg.Events, d.cfg.Recordings
	d.cfg.Snapshot = func() dispatch.Snapshot { alone(); return snapshot() }
	d.cfg.Recordings = func() []string { alone(); return recordings() }
	d.cfg.Events = func(e *facetdv1.Event) { alone(); events(e) }
	d.behind(true, time.Second)
	if asked != 3 {
		t.Errorf("%d of what a report is made of was asked for", asked)
	}
}
