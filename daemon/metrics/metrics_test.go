package metrics

import (
	"bytes"
	"fmt"
	"io"
	"net/http/httptest"
	"os/exec"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/rules"
	"facetd.example/daemon/access"
	"facetd.example/daemon/bringup"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/health/watch"
	"facetd.example/daemon/lockstep"
	"facetd.example/daemon/motion"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/record"
	"facetd.example/daemon/safestop"
	"facetd.example/daemon/stream"
	"facetd.example/daemon/taskstore"
)

func planOf(tasks ...string) *facetdv1.Plan {
	p := &facetdv1.Plan{}
	for _, t := range tasks {
		p.Tasks = append(p.Tasks, &facetdv1.Task{Name: t})
	}
	return p
}

func job(task string, responseNS, skewNS int64, holds ...int64) *facetdv1.FrameSet {
	fs := &facetdv1.FrameSet{Task: task, ReleaseBusNs: 1_000_000, FinishBusNs: 1_000_000 + responseNS,
		DeadlineBusNs: 67_000_000, SkewNs: skewNS}
	for _, h := range holds {
		fs.Frames = append(fs.Frames, &facetdv1.Frame{HoldNs: h})
	}
	return fs
}

func busy(phase facetdv1.Phase, d time.Duration) bus.Phases {
	var p bus.Phases
	p[phase] = d
	return p
}

// sample is a daemon in the middle of its work; all numbers are invented.
func sample() *Metrics {
	m := New("1.2.3")
	m.clock = func() time.Time { return time.Unix(1000, 0) }
	m.PlanChanged(planOf("ring", "ahead", "gone"), 0, 0)
	m.JobEnded(job("gone", 1, 1, 1))
	m.PlanChanged(planOf("ring", "ahead"), 10, 10)
	m.SegmentRun("ring", &bus.Result{Busy: busy(facetdv1.Phase_PHASE_LOAD, 250*time.Millisecond)},
		dispatch.WordCount{Broadcast: 1, Single: 4})
	m.SegmentRun("", &bus.Result{Busy: busy(facetdv1.Phase_PHASE_CONVERT, time.Second)},
		dispatch.WordCount{Group: 2, Single: 1})
	m.JobEnded(job("ring", 3_000_000, 0, 2_000_000, 1_500_000))
	second := job("ring", 30_000_000, 400_000, 30_000_000, 1)
	second.ReleaseBusNs, second.FinishBusNs, second.DeadlineBusNs = 2_001_000_000, 2_031_000_000, 2_067_000_000
	m.JobEnded(second) // 2 s after the first
	delayed := job("ahead", 70_000_000, 1_500)
	delayed.Late = true
	m.JobEnded(delayed)
	failure := job("ahead", 5, 5, 5)
	failure.Failure, failure.Late = "the bus went away", true
	m.JobEnded(failure)
	m.JobEnded(job("", 1, 1, 1))
	m.Violated(rules.Violation{Rule: 4})
	m.clock = func() time.Time { return time.Unix(1000, 750e6) } // when it is scraped
	m.SetSource(Source{
		Snapshot: func() dispatch.Snapshot {
			task := func(name string, requested, planned float64) *facetdv1.RunningTask {
				return &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name}, Status: &facetdv1.TaskStatus{
					RequestedRateHz: requested, PlannedRateHz: planned,
				}}
			}
			return dispatch.Snapshot{
				State: facetdv1.State_STATE_RUNNING, Now: 4_500_000_000, PlannedUtil: 0.625,
				Lag:  dispatch.Lag{Worst: 2500 * time.Millisecond, Times: 3, LeastSlack: -2400 * time.Millisecond},
				Busy: busy(facetdv1.Phase_PHASE_SETTLE, 1250*time.Millisecond), Measured: 2_000_000_000,
				Tasks: []*facetdv1.RunningTask{task("ring", 15, 15), task("ahead", 51, 50), {
					Task:   &facetdv1.Task{Name: "flash", LeastInterval: durationpb.New(time.Second)},
					Status: &facetdv1.TaskStatus{PlannedRateHz: 6, Triggers: 9, TriggersRefused: 4}}},
				Plan: &facetdv1.Plan{
					Phases: []*facetdv1.PhaseUtilization{{Phase: facetdv1.Phase_PHASE_SETTLE, Fraction: 0.5},
						{Phase: facetdv1.Phase_PHASE_LOAD, Fraction: 0.125}},
					Predictions: []*facetdv1.Prediction{
						{Task: "ring", WorstResponseNs: 31_000_000, LeastSlackNs: 35_000_000},
						{Task: "ahead", WorstResponseNs: 7_000_000, LeastSlackNs: 13_000_000},
					},
				},
			}
		},
		Streams: func() stream.Stats {
			return stream.Stats{Open: 3, Dropped: [2]uint64{7, 5}, Abandoned: 2, Decimated: 4}
		},
		Uncertainty: func() time.Duration { return 250 * time.Microsecond },
		UTCSteps:    func() uint64 { return 2 },
		Device:      deviceAway,
		Lockstep:    func() lockstep.Stats { return lockstep.Stats{Participants: 3, Stalled: 1, Missing: 2} },
		Recordings: func() record.Stats {
			return record.Stats{Running: 2, Closed: 4, Failed: 1, Deleted: record.Deleted{Age: 3}, Messages: 900,
				FrameSets: 850, Bytes: 1 << 20,
				Lost: 6, LostFrameSets: 4, FreeSpace: 5 << 30, HasFreeSpace: true}
		},
		StoredTasks: func() taskstore.Stats {
			return taskstore.Stats{Entries: map[taskstore.Kind]int{taskstore.Configured: 4, taskstore.Made: 2,
				taskstore.Removed: 1}, Aside: 3, Unstored: 5}
		},
		Health: func() watch.Stats {
			return watch.Stats{Chips: map[facetdv1.HealthState]int{1: 15, 2: 1, 3: 2, 4: 1},
				Findings: map[facetdv1.HealthFindingKind]int{1: 1, 4: 2}, Shelved: 3, Samples: 400, Skipped: 4}
		},
		Probes: func() probe.Stats {
			return probe.Stats{Probes: map[facetdv1.ProbeVerdict]uint64{1: 5, 2: 4, 3: 3, 4: 2}, Probed: true,
				Answering: 16, Silent: 2, NotMeasured: 1, Injected: 3, Virtual: true}
		},
		Bringups: func() bringup.Stats {
			return bringup.Stats{Steps: map[facetdv1.Verdict]uint64{1: 21, 2: 3, 3: 2, 4: 7}}
		},
		SafeStop: func() safestop.Stats { return safestop.Stats{Stops: 3, Unconfirmed: true} },
		Events: func() events.Stats {
			return events.Stats{Appended: [4]uint64{1: 30, 2: 20, 3: 10}, QueueFull: 8, DiskRefused: 9, Removed: 7,
				Streams: 3, Dropped: 11, Abandoned: 12}
		},
		Refused: func() map[string]uint64 {
			refused := map[string]uint64{}
			for i, r := range access.Reasons() {
				refused[string(r)] = uint64(i)
			}
			return refused
		},
		CorrectionMaps: func() calibration.Stats {
			return calibration.Stats{
				Active: 5, Stale: 2, Refused: 1, OldestSeconds: map[string]float64{"ring-0": 3600, "ring-1": 86400},
				Corrected: 700, NoMap: 30, UnknownView: 4, Mismatch: 1, Incomplete: 2,
			}
		},
		Motion: func() motion.Stats {
			refused := map[string]uint64{}
			for i, r := range motion.Reasons() {
				refused[r] = uint64(i + 1)
			}
			return motion.Stats{Open: 2, Estimates: 4000, Refused: refused, Dropped: 13, Lost: 14}
		},
		Bus: Bus{Array: "pipe-ring", Kind: "virtual", Pace: facetdv1.Pace_PACE_REALTIME},
	})
	return m
}

func exposition(t *testing.T, m *Metrics) string {
	t.Helper()
	w := httptest.NewRecorder()
	m.Handler().ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	body, _ := io.ReadAll(w.Result().Body)
	if w.Code != 200 {
		t.Fatalf("status %d: %s", w.Code, body)
	}
	return string(body)
}

// own keeps the lines of facetd's own metrics.
func own(text string) string {
	line := regexp.MustCompile(`(?m)^(?:# (?:HELP|TYPE) )?facetd_.*\n`)
	return strings.ReplaceAll(strings.Join(line.FindAllString(text, -1), ""), runtime.Version(), "GOVERSION")
}

func TestExposition(t *testing.T) {
	text := exposition(t, sample())
	golden.Check(t, "testdata/exposition.txt", own(text))
	for _, usual := range []string{"go_goroutines ", "process_cpu_seconds_total "} {
		if !strings.Contains(text, "\n"+usual) {
			t.Errorf("%s is missing", usual)
		}
	}
}

func TestMarkdownIsFresh(t *testing.T) { golden.Check(t, "METRICS.md", markdown()) }

// Everything of the table is exposed with its type, help and labels, and nothing
// else of our own is.
func TestTableIsWhatIsExposed(t *testing.T) {
	text := own(exposition(t, sample()))
	exposed := map[string]bool{}
	for _, p := range regexp.MustCompile(`(?m)^# TYPE (\S+)`).FindAllStringSubmatch(text, -1) {
		exposed[p[1]] = true
	}
	for _, m := range Table() {
		if !exposed[m.Name] {
			t.Errorf("%s is not exposed", m.Name)
		}
		delete(exposed, m.Name)
		if !strings.Contains(text, fmt.Sprintf("# TYPE %s %s\n", m.Name, m.Type)) ||
			!strings.Contains(text, "# HELP "+m.Name+" "+m.Help) {
			t.Errorf("%s: type or help are not the table's", m.Name)
		}
		if m.Unit != "" && !strings.HasSuffix(strings.TrimSuffix(m.Name, "_total"), "_"+m.Unit) {
			t.Errorf("%s does not end in its unit, %s", m.Name, m.Unit)
		}
		if (m.Type == Histogram) != (len(m.Buckets) > 0) || !slices.IsSorted(m.Buckets) {
			t.Errorf("%s: buckets %v of a %s", m.Name, m.Buckets, m.Type)
		}
		for _, v := range m.Values {
			if label := fmt.Sprintf("%s=%q", m.Labels[len(m.Labels)-1], v); !regexp.MustCompile(m.Name + `\{.*` +
				label).MatchString(text) {
				t.Errorf("%s has no series with %s", m.Name, label)
			}
		}
	}
	if len(exposed) > 0 {
		t.Errorf("exposed but not in the table: %v", exposed)
	}
}

func TestSeriesOfRemovedTasksGo(t *testing.T) {
	m := sample()
	if text := exposition(t, m); strings.Contains(text, `"gone"`) || !strings.Contains(text, `task="ring"`) {
		t.Errorf("after a change of tasks:\n%s", own(text))
	}
	m.SetSource(Source{})
	m.PlanChanged(nil, 20, 20)
	if text := own(exposition(t, m)); strings.Contains(text, `task=`) {
		t.Errorf("without tasks:\n%s", text)
	}
	// A task of the same name starts at zero again.
	m.PlanChanged(planOf("ring"), 30, 30)
	if text := own(exposition(t, m)); !strings.Contains(text,
		"facetd_jobs_total{outcome=\"on_time\",task=\"ring\"} 0\n") {
		t.Errorf("with the task again:\n%s", text)
	}
}

// The age of frames runs on while jobs fail; the worst response and least slack are of
// the active timetable.
func TestAgeWorstAndSlack(t *testing.T) {
	m := sample()
	clock := time.Unix(2000, 0)
	m.clock = func() time.Time { return clock }
	m.SetSource(Source{Snapshot: func() dispatch.Snapshot {
		return dispatch.Snapshot{Tasks: []*facetdv1.RunningTask{{Task: &facetdv1.Task{Name: "ring"}}}}
	}})
	has := func(series string, value string) {
		t.Helper()
		if text := own(exposition(t, m)); !strings.Contains(text, series+`{task="ring"} `+value+"\n") {
			t.Errorf("%s is not %s:\n%s", series, value, text)
		}
	}
	m.JobEnded(job("ring", 40_000_000, 0, 1))
	clock = clock.Add(1500 * time.Millisecond)
	broken := job("ring", 90_000_000, 0, 1)
	broken.Failure = "the bus went away"
	m.JobEnded(broken)
	has("facetd_task_frame_age_seconds", "1.5")
	has("facetd_task_worst_response_seconds", "0.04")
	has("facetd_task_least_slack_seconds", "0.026")
	m.PlanChanged(planOf("ring"), 30, 30)
	if text := own(exposition(t, m)); strings.Contains(text, "facetd_task_worst_response_seconds{") ||
		strings.Contains(text, "facetd_task_least_slack_seconds{") {
		t.Errorf("the worst of the timetable before is still there:\n%s", text)
	}
	has("facetd_task_frame_age_seconds", "1.5") // frames do not get younger by a change
	waited := job("ring", 70_000_000, 0, 1)
	m.PlanChanged(planOf("ring"), bus.Time(waited.GetReleaseBusNs()+1), 30)
	m.JobEnded(waited)
	if text := own(exposition(t, m)); strings.Contains(text, "facetd_task_worst_response_seconds{") {
		t.Errorf("a job that was released before the timetable took effect counts:\n%s", text)
	}
	m.PlanChanged(planOf("ring"), 30, 30)
	m.JobEnded(job("ring", 2_000_000, 0, 1))
	has("facetd_task_worst_response_seconds", "0.002")
	has("facetd_task_frame_age_seconds", "0")
}

// A pause is told, and is neither age nor a low rate once it is over.
func TestPausedTasks(t *testing.T) {
	m := sample()
	clock := time.Unix(2000, 0)
	m.clock = func() time.Time { return clock }
	now, status := bus.Time(0), &facetdv1.TaskStatus{}
	m.SetSource(Source{Snapshot: func() dispatch.Snapshot {
		return dispatch.Snapshot{Now: now, Tasks: []*facetdv1.RunningTask{{Task: &facetdv1.Task{Name: "ring"},
			Status: status}}}
	}})
	has := func(series string, value string) {
		t.Helper()
		if text := own(exposition(t, m)); !strings.Contains(text, series+`{task="ring"} `+value+"\n") {
			t.Errorf("%s is not %s:\n%s", series, value, text)
		}
	}
	ended := func(release bus.Time) {
		fs := job("ring", 1_000_000, 0, 1)
		fs.ReleaseBusNs, fs.FinishBusNs = release.NS(), release.NS()+1_000_000
		m.JobEnded(fs)
		now = release
	}
	m.PlanChanged(planOf("ring"), 0, 0)
	ended(1e9)
	ended(1.5e9)
	has("facetd_task_paused", "0")
	has("facetd_task_achieved_rate_hertz", "2")
	m.Paused(dispatch.Pausing{Task: "ring", Paused: true, At: now})
	m.Paused(dispatch.Pausing{Task: "none", Paused: true, At: now})
	status.Paused = true
	clock, now = clock.Add(time.Hour), 3600e9
	has("facetd_task_paused", "1")
	m.Paused(dispatch.Pausing{Task: "ring", At: now})
	status.Paused = false
	has("facetd_task_paused", "0")
	has("facetd_task_frame_age_seconds", "0")
	ended(3601e9)
	ended(3601.5e9)
	has("facetd_task_achieved_rate_hertz", "2")
}

// promtool of Prometheus knows the conventions of names, units and help texts.
func TestPromtool(t *testing.T) {
	tool := peertest.Program(t, "promtool")
	for name, text := range map[string]string{"fresh": exposition(t, New("x")), "at work": exposition(t, sample())} {
		cmd := exec.Command(tool, "check", "metrics")
		cmd.Stdin = strings.NewReader(text)
		out, err := cmd.CombinedOutput()
		if err != nil || len(bytes.TrimSpace(out)) > 0 {
			t.Errorf("%s: %v\n%s", name, err, out)
		}
	}
	// It does find errors.
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader("# TYPE facetd_wrong counter\nfacetd_wrong 1\n")
	if out, err := cmd.CombinedOutput(); err == nil {
		t.Errorf("promtool found nothing wrong with a counter without help or _total: %s", out)
	}
}

// Scrapes and changes of tasks may come at once: run with -race.
func TestScrapesDuringChanges(t *testing.T) {
	m := sample()
	finished := make(chan struct{})
	go func() {
		defer close(finished)
		for i := range 200 {
			m.PlanChanged(planOf(fmt.Sprint("t", i%3)), 0, 0)
			m.JobEnded(job(fmt.Sprint("t", i%3), 1000, 0, 5))
		}
	}()
	for range 20 {
		exposition(t, m)
	}
	<-finished
	if text := exposition(t, m); strings.Count(text, "facetd_frames_total{") != 1 {
		t.Errorf("more than the last task is left:\n%s", own(text))
	}
}

func BenchmarkObserver(b *testing.B) {
	m := sample()
	fs := job("ring", 3_000_000, 100, 1, 2, 3, 4)
	r := &bus.Result{Busy: busy(facetdv1.Phase_PHASE_LOAD, time.Millisecond)}
	b.ReportAllocs()
	for b.Loop() {
		m.SegmentRun("ring", r, dispatch.WordCount{Single: 3})
		m.JobEnded(fs)
	}
}

// deviceAway is a device that was lost for the third time.
func deviceAway() bridge.Status {
	return bridge.Status{LeastSlack: 1500 * time.Microsecond, SelfTest: bridge.SelfTest{Required: true, Passed: true},
		Readings: []bridge.Reading{{Name: "array", Kind: 1, Value: 3.3}, {Name: "array", Kind: 2, Value: 0.25},
			{Name: "board", Kind: 3, Value: 41.5}},
		Clock: bridge.Clock{Uncertainty: 90 * time.Microsecond, DriftPPM: -12.5, Followed: true,
			LeastTrip: 150 * time.Microsecond, WorstTrip: 3 * time.Millisecond},
		Counters: bridge.Counters{Sessions: 3, Losses: 3, Reboots: 1, Programs: 12, Runs: 5000, LateHost: 4,
			LateLink: 3, LateDevice: 2, Recalled: 9, Underruns: 1, BrokenOff: 6, Sent: 6100, Received: 21000,
			Submitted: 5034, Lost: 2, Rejected: 2, Contradicted: 1, Link: bridge.LinkCounters{Counters: link.Counters{
				Resent: 31, Doubled: 12, Ahead: 7}, Spoiled: 15, Unacknowledged: 5}}}
}
