package health

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bustest"
	"facetd.example/chipmodel"
)

// bench is a monitor of the test array with two tasks of 10 Hz.
func bench() *Monitor { return benchOf(bustest.MustArray()) }

func benchOf(a *chipmodel.Array) *Monitor {
	m := New(a)
	var tasks []*facetdv1.Task
	for _, chip := range []string{"m0", "m1"} {
		tasks = append(tasks, &facetdv1.Task{Name: "t-" + chip, RateHz: 10, Views: []*facetdv1.View{{Name: "v"}},
			Target: &facetdv1.Target{Chips: &facetdv1.Target_List{List: &facetdv1.ChipList{Names: []string{chip}}}}})
	}
	m.Plan(tasks, 0)
	return m
}

func conditions(m *Monitor, now int64) Conditions {
	c := Conditions{Now: now, State: facetdv1.State_STATE_RUNNING, MaxAge: 30 * 24 * time.Hour}
	for name := range m.tasks {
		c.Tasks = append(c.Tasks, &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name, RateHz: 10},
			Status: &facetdv1.TaskStatus{PlannedRateHz: 10}})
	}
	return c
}

func ids(h *facetdv1.Health) string {
	var out []string
	for _, f := range h.GetFindings() {
		out = append(out, f.GetId())
	}
	return strings.Join(out, " ")
}

const period = int64(1e8)

// TestJobs: failed and late jobs and missing frames are named by task, or in one where all tasks have them, and go when
// all is well again.
func TestJobs(t *testing.T) {
	both := []string{"t-m0", "t-m1"}
	for _, tc := range []struct {
		tasks        []string // of which something is wrong
		failed, late bool     // neither: nothing ends
		want         string
	}{
		{both[:1], true, false, "task/t-m0/failed"},
		{both[1:], false, true, "task/t-m1/late"},
		{both, true, false, "array/failed"},
		{both[:1], false, false, "task/t-m0/no-frames"},
		{both, false, false, "array/no-frames"},
	} {
		m := bench()
		now := int64(0)
		run := func(periods int, wrong bool) *facetdv1.Health {
			for range periods {
				now += period
				for _, name := range both {
					concerned := wrong && strings.Contains(fmt.Sprint(tc.tasks), name)
					fs := &facetdv1.FrameSet{Task: name, FinishBusNs: now}
					if concerned && !tc.failed && !tc.late {
						continue
					}
					if concerned && tc.failed {
						fs.Failure = "host stall"
					}
					fs.Late = concerned && tc.late
					m.JobEnded(fs)
				}
			}
			return m.Report(conditions(m, now))
		}
		if h := run(20, false); ids(h) != "" {
			t.Fatalf("fault-free: %s", ids(h))
		}
		bad := 3
		if !tc.failed && !tc.late {
			bad = 14 // three periods and a second
		}
		h := run(bad, true)
		if ids(h) != tc.want {
			t.Errorf("%v: found %q, want %q", tc, ids(h), tc.want)
			continue
		}
		f := h.GetFindings()[0]
		if f.GetSinceBusNs() < 19*period || f.GetSinceBusNs() > 22*period || f.GetAction() == "" {
			t.Errorf("%v: %v", tc, f)
		}
		if tc.failed && !strings.Contains(f.GetText(), "host stall") {
			t.Errorf("the cause is not told: %s", f.GetText())
		}
		// The host is behind, and its jobs fail for that: one finding.
		m.Behind(now, 0.4, false)
		if h := run(3, true); ids(h) != "host/behind" {
			t.Errorf("with a host that is behind: %q", ids(h))
		}
		m.Behind(now, 0.4, true)
		if h := run(10, false); ids(h) != "" {
			t.Errorf("%v: afterwards %q", tc, ids(h))
		}
		// A bus that was given up is one finding, whatever else there is.
		c := conditions(m, now+100*period)
		c.State, c.Fault = facetdv1.State_STATE_FAULT, "the device is gone"
		if h := m.Report(c); ids(h) != "array/bus-fault" || !strings.Contains(h.GetSummary(), "the device is gone") {
			t.Errorf("given up: %q, %s", ids(h), h.GetSummary())
		}
		// A safe stop is no fault of anything.
		c.State, c.Fault = facetdv1.State_STATE_SAFE_STOP, ""
		if h := m.Report(c); ids(h) != "" || h.GetState() != facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED {
			t.Errorf("stopped: %q, %v", ids(h), h.GetState())
		}
	}
}

// TestMissedSince: when the last run of late and failed jobs began.
func TestMissedSince(t *testing.T) {
	m := bench()
	miss := func(at int64) { m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", FinishBusNs: at, Failure: "x"}) }
	miss(5e9)
	miss(6e9)
	h := m.Report(conditions(m, 7e9))
	if h.GetMissedSinceBusNs() != 5e9 || h.GetLastMissedBusNs() != 6e9 || h.GetJobsFailed() != 2 {
		t.Errorf("%v", h)
	}
	miss(17e9)
	if h := m.Report(conditions(m, 18e9)); h.GetMissedSinceBusNs() != 17e9 || h.GetLastMissedBusNs() != 17e9 {
		t.Errorf("after a rest: %v", h)
	}
}

// TestOldMaps: correction maps that are stale are one finding, of the chip or of the array.
func TestOldMaps(t *testing.T) {
	m := bench()
	c := conditions(m, 0)
	for i, want := range []string{"chip/m1/old-map", "chip/m1/old-map", "array/old-map"} {
		c.Maps = append(c.Maps, &facetdv1.CorrectionMap{Chip: []string{"m1", "m0", "c0"}[i],
			State: []facetdv1.CorrectionMapState{facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE,
				facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_ACTIVE,
				facetdv1.CorrectionMapState_CORRECTION_MAP_STATE_STALE}[i],
			Age: durationpb.New(40 * 24 * time.Hour)})
		h := m.Report(c)
		if ids(h) != want || h.GetState() != facetdv1.HealthState_HEALTH_STATE_DEGRADED ||
			!strings.Contains(h.GetFindings()[0].GetText(), "40 days") {
			t.Errorf("%d maps: %q, %v", i+1, ids(h), h)
		}
	}
}

// TestPatternsOfOtherChips: a chip whose frames show the pattern of another is named with it; one that shows its own
// only in part has drifted; and one that shows it is good.
func TestPatternsOfOtherChips(t *testing.T) {
	draw := seeded(t)
	patterns := map[string]*Pattern{}
	const rows, columns = 24, 24
	msg := bustest.Message()
	for _, c := range msg.GetClasses() {
		c.Lattice.Rows, c.Lattice.Columns = rows, columns
	}
	array, wrong := chipmodel.New(msg)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	for _, name := range []string{"m0", "m1", "m2"} {
		p := &Pattern{Chip: name, Codes: make([]float32, rows*columns)}
		for i := range p.Codes {
			p.Codes[i] = float32(10 * draw.NormFloat64())
		}
		patterns[name] = p
	}
	for _, tc := range []struct {
		own, other float64
		want       string
	}{{1, 0, ""}, {0, 1, "chip/m0/foreign-pattern"}, {0.5, 0.5, "chip/m0/foreign-pattern"},
		{0.3, 0, "chip/m0/drifted"}} {
		m := benchOf(array)
		var s Sampler
		now := int64(0)
		for k := range 4 {
			now += 1e9
			e := m.Expected("t-m0", 0, "v")
			codes := drawn(rows, columns, func(r, c int) float64 {
				i := r*columns + c
				return 600 + tc.own*float64(patterns["m0"].Codes[i]) + tc.other*float64(patterns["m2"].Codes[i]) +
					draw.NormFloat64()
			})
			f := frameOf(rows, columns, codes)
			f.Chip, f.LastConvertedBusNs = "m0", now
			if got := m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", Job: uint64(k), FinishBusNs: now,
				Frames: []*facetdv1.Frame{f}}); len(got) != 1 {
				t.Fatalf("%v is looked at", got)
			}
			m.Take(0, s.Measure("t-m0", uint64(k), f, e, Patterns{
				Own:    func(float64) *Pattern { return patterns["m0"] },
				Others: func(float64) []*Pattern { return []*Pattern{patterns["m1"], patterns["m2"]} }}))
		}
		c := conditions(m, now)
		c.Tasks = nil
		h := m.Report(c)
		if ids(h) != tc.want {
			t.Errorf("%v: found %q: %v", tc, ids(h), h.GetChips()[0])
			continue
		}
		if tc.other > 0 && !strings.Contains(h.GetFindings()[0].GetText(), "m2") {
			t.Errorf("whose pattern it is is not told: %s", h.GetFindings()[0].GetText())
		}
	}
}

// TestLooksOnceASecond: of a task at 10 Hz about one frame a second is looked at, and two right after each other now
// and then.
func TestLooksOnceASecond(t *testing.T) {
	m := bench()
	draw := seeded(t)
	rows, columns := m.array.Chips[0].Class.Rows, m.array.Chips[0].Class.Columns
	var s Sampler
	looked, pairs, last := 0, 0, -2
	for k := range 1000 {
		now := int64(k+1) * period
		f := frameOf(rows, columns, drawn(rows, columns, func(_, _ int) float64 { return 500 + 20*draw.NormFloat64() }))
		f.Chip = "m0"
		for range m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", Job: uint64(k), FinishBusNs: now,
			Frames: []*facetdv1.Frame{f}}) {
			m.Take(0, s.Measure("t-m0", uint64(k), f, m.Expected("t-m0", 0, "v"), Patterns{}))
			if looked++; k == last+1 {
				pairs++
			}
			last = k
		}
	}
	if looked < 100 || looked > 135 || pairs < 15 || pairs > 35 {
		t.Errorf("in 100 s %d frames were looked at, %d right after another", looked, pairs)
	}
	// A frame that waits is waited for, and what is due meanwhile is counted.
	m = bench()
	asked := 0
	for k := range 50 {
		asked += len(m.JobEnded(&facetdv1.FrameSet{Task: "t-m0", Job: uint64(k), FinishBusNs: int64(k+1) * period,
			Frames: []*facetdv1.Frame{{Chip: "m0", View: "v"}}}))
	}
	if h := m.Report(conditions(m, 50*period)); asked != 1 || h.GetSkippedSamples() != 4 {
		t.Errorf("asked %d times, %d skipped", asked, h.GetSkippedSamples())
	}
}
