package health

import (
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
)

// planned are the tasks of a bench.
func planned(rateHz float64) (tasks []*facetdv1.Task) {
	for _, chip := range []string{"m0", "m1"} {
		tasks = append(tasks, &facetdv1.Task{Name: "t-" + chip, RateHz: rateHz, Views: []*facetdv1.View{{Name: "v"}},
			Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{chip}}}}})
	}
	return tasks
}

// evenAt has chip m0 end a job with a frame as that of a lane that nothing drives, and reports whether it was looked
// at.
func evenAt(m *Monitor, at int64) bool {
	wanted := m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", FinishBusNs: at,
		Frames: []*facetdv1.Frame{{Chip: "m0", View: "v"}}})
	if len(wanted) > 0 {
		m.Take(0, Sample{Task: "t-m0", View: "v", At: at, Pixels: 256, Mean: 500, Spread: 0.3, Noise: -1, Hot: -1})
	}
	return len(wanted) > 0
}

// TestNoFramesBeginsAnew: after a time in which no frames were to be expected the clock of missing frames begins anew.
func TestNoFramesBeginsAnew(t *testing.T) {
	const rest = int64(100e9)
	for name, between := range map[string]func(m *Monitor){
		"a safe stop": func(m *Monitor) {
			c := conditions(m, rest/2)
			c.State = facetdv1.State_STATE_SAFE_STOP
			m.Report(c)
		},
		"a pause":                 func(m *Monitor) { m.Paused("t-m0"); m.Paused("t-m1") },
		"a jump within one plan":  func(m *Monitor) { m.Plan(planned(10), 0) },
		"a jump to another plan":  func(m *Monitor) { m.Plan(planned(10), rest/2) },
		"a timetable that begins": func(m *Monitor) { m.Plan(planned(10), rest) },
	} {
		m := bench()
		evenAt(m, period)
		m.Report(conditions(m, period))
		between(m)
		if h := m.Report(conditions(m, rest)); ids(h) != "" {
			t.Errorf("after %s: %s", name, ids(h))
		}
		if h := m.Report(conditions(m, rest+2e9)); ids(h) != "array/no-frames" {
			t.Errorf("two seconds after %s: %q", name, ids(h))
		}
	}
}

// TestReplayJumpsBack: once bus time has gone back chips are looked at as before, and nothing that was found at another
// time holds.
func TestReplayJumpsBack(t *testing.T) {
	m := bench()
	for k := range int64(3) {
		evenAt(m, 500e9+k*period)
	}
	if h := m.Report(conditions(m, 501e9)); h.GetChips()[0].GetState() != facetdv1.HealthState_HEALTH_STATE_BAD {
		t.Fatalf("%v", h.GetChips()[0])
	}
	m.Plan(planned(10), 0)
	h := m.Report(conditions(m, 10e9))
	if chip := h.GetChips()[0]; ids(h) != "" || chip.GetState() != facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED {
		t.Errorf("after the jump: %q, %v", ids(h), chip)
	}
	if !evenAt(m, 10e9) {
		t.Error("the first frame after the jump was not looked at")
	}
}

// TestSlowTasks: a dead chip is named, by its third frame, however slow the task that reads it is.
func TestSlowTasks(t *testing.T) {
	for _, hz := range []float64{1, 1.0 / 59, 1.0 / 61, 1.0 / 1000} {
		m := New(bustest.MustArray())
		m.Plan(planned(hz), 0)
		every := int64(1e9 / hz)
		for k := range int64(3) {
			evenAt(m, (k+1)*every)
		}
		if h := m.Report(conditions(m,
			3*every+1)); h.GetChips()[0].GetState() != facetdv1.HealthState_HEALTH_STATE_BAD {
			t.Errorf("at %v Hz: %v", hz, h.GetChips()[0])
		}
	}
}

// TestNotJudged: a chip of which no frame is to be expected, or none was judged, is not called good.
func TestNotJudged(t *testing.T) {
	good := func(m *Monitor, at int64) {
		m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", FinishBusNs: at,
			Frames: []*facetdv1.Frame{{Chip: "m0", View: "v"}}})
		m.Take(0, Sample{Task: "t-m0", View: "v", At: at, Pixels: 256, Mean: 500, Spread: 50, Noise: -1, Hot: -1})
	}
	for want, arrange := range map[string]func(m *Monitor, c *Conditions){
		"": func(*Monitor, *Conditions) {},
		"no task reads it": func(m *Monitor, c *Conditions) {
			m.Plan(planned(10)[1:], 5e8)
			c.Tasks = c.Tasks[:0]
		},
		"there was no frame yet": func(m *Monitor, _ *Conditions) {
			m.Plan(planned(10)[1:], 5e8)
			m.Plan(planned(10), 6e8)
		},
		"its tasks are paused": func(_ *Monitor, c *Conditions) {
			for _, r := range c.Tasks {
				r.Task.Paused = true
			}
		},
		"the bus was given up": func(_ *Monitor, c *Conditions) { c.State = facetdv1.State_STATE_FAULT },
		"its frames are corrected, so they say nothing of it": func(m *Monitor, _ *Conditions) {
			m.Plan(planned(10)[1:], 5e8)
			m.Plan(planned(10), 6e8)
			m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", FinishBusNs: 7e8,
				Frames: []*facetdv1.Frame{{Chip: "m0", View: "v",
					Corrections: []facetdv1.Correction{facetdv1.Correction_CORRECTION_PIXEL_FILL}}}})
		},
	} {
		m := bench()
		good(m, period)
		c := conditions(m, 1e9)
		arrange(m, &c)
		chip := m.Report(c).GetChips()[0]
		state := facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED
		if want == "" {
			state = facetdv1.HealthState_HEALTH_STATE_GOOD
		}
		if chip.GetNotJudged() != want || chip.GetState() != state {
			t.Errorf("want %q: %v", want, chip)
		}
	}
}
