package server

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"go.yaml.in/yaml/v3"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/config"
)

// violating is a bus that reports one rule violation when it is told to.
type violating struct {
	bus.BusCloser
	next atomic.Bool
}

func (u *violating) Next(ctx context.Context) (bus.Result, error) {
	res, err := u.BusCloser.Next(ctx)
	if err == nil && res.Err == nil && u.next.CompareAndSwap(true, false) {
		res.Err = &rules.ViolationError{Violations: []rules.Violation{{Rule: 4, At: res.End,
			Message: "made by a test"}}}
	}
	return res, err
}

// watcher is a Prometheus that runs.
type watcher struct {
	t    *testing.T
	base string
	// deadline is for everything that is waited for.
	deadline time.Time
}

const deployFolder = "../../deploy/"

// watch starts Prometheus with the example configuration, but for its pace and target.
func watch(t *testing.T, target string) *watcher {
	t.Helper()
	program := peertest.Program(t, "prometheus")
	dir := t.TempDir()
	config := readFile(t, deployFolder+"prometheus/prometheus.yml")
	for _, change := range [][2]string{
		{"127.0.0.1:7661", target}, {"scrape_interval: 5s", "scrape_interval: 500ms"},
		{"scrape_timeout: 4s", "scrape_timeout: 500ms"}, {"evaluation_interval: 5s", "evaluation_interval: 500ms"},
	} {
		if strings.Count(config, change[0]) != 1 {
			t.Fatalf("the example configuration has %q %d times, not once", change[0], strings.Count(config, change[0]))
		}
		config = strings.Replace(config, change[0], change[1], 1)
	}
	for name, text := range map[string]string{"prometheus.yml": config,
		"facetd-rules.yml": readFile(t, deployFolder+"prometheus/facetd-rules.yml")} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	address := peertest.Address(t) // Prometheus cannot take a free port by itself
	cmd := exec.Command(program, "--config.file="+filepath.Join(dir, "prometheus.yml"), "--storage.tsdb.path="+
		filepath.Join(dir, "data"),
		"--web.listen-address="+address, "--log.level=warn")
	var log strings.Builder
	cmd.Stdout, cmd.Stderr = &log, &log
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
		if t.Failed() {
			t.Logf("prometheus said:\n%s", log.String())
		}
	})
	return &watcher{t: t, base: "http://" + address, deadline: time.Now().Add(4 * time.Minute)}
}

func readFile(t *testing.T, name string) string {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// until waits for Prometheus, whose scrapes and evaluations come in their own time.
func (w *watcher) until(what func() string, ok func() bool) {
	w.t.Helper()
	look, late := time.NewTicker(200*time.Millisecond), time.After(time.Until(w.deadline))
	defer look.Stop()
	for !ok() {
		select {
		case <-look.C:
		case <-late:
			w.t.Fatalf("not in time: %s", what())
		}
	}
}

// ask returns the data of an answer of its API, or an error.
func (w *watcher) ask(path string, into any) error {
	resp, err := http.Get(w.base + path)
	if err != nil {
		return err
	}
	defer resp.Body.Close()
	body, err := io.ReadAll(resp.Body)
	if err != nil {
		return err
	}
	if resp.StatusCode != http.StatusOK {
		return fmt.Errorf("%s: %s", resp.Status, body)
	}
	return json.Unmarshal(body, &struct{ Data any }{into})
}

// query returns the values of an expression now. An error in it ends the test.
func (w *watcher) query(expr string) []float64 {
	w.t.Helper()
	var data struct {
		Result []struct{ Value [2]any }
	}
	if err := w.ask("/api/v1/query?query="+url.QueryEscape(expr), &data); err != nil {
		if strings.Contains(err.Error(), "bad_data") {
			w.t.Fatalf("%s: %v", expr, err)
		}
		return nil
	}
	var out []float64
	for _, r := range data.Result {
		v, err := strconv.ParseFloat(fmt.Sprint(r.Value[1]), 64)
		if err != nil {
			w.t.Fatal(err)
		}
		out = append(out, v)
	}
	return out
}

// alerts are the states of the alerts that are not quiet: pending or firing.
func (w *watcher) alerts() map[string]string {
	var data struct {
		Alerts []struct {
			Labels map[string]string
			State  string
		}
	}
	out := map[string]string{}
	if w.ask("/api/v1/alerts", &data) == nil {
		for _, a := range data.Alerts {
			out[a.Labels["alertname"]] = a.State
		}
	}
	return out
}

// panelQueries are the expressions of the dashboard, by panel, with the variables as
// Grafana fills them in for all daemons and tasks.
func panelQueries(t *testing.T) map[string]string {
	t.Helper()
	var d struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr, RefID string }
		}
	}
	if err := json.Unmarshal([]byte(readFile(t, deployFolder+"grafana/facetd.json")), &d); err != nil {
		t.Fatal(err)
	}
	fill := strings.NewReplacer("$__rate_interval", "4s", "$instance", ".*", "$task", ".*")
	out := map[string]string{}
	for i, p := range d.Panels {
		for _, q := range p.Targets {
			out[fmt.Sprintf("panel %d %s %s", i, p.Title, q.RefID)] = fill.Replace(q.Expr)
		}
	}
	return out
}

// recordedSeries are the names of the recording rules.
func recordedSeries(t *testing.T) map[string]string {
	t.Helper()
	var file struct {
		Groups []struct{ Rules []struct{ Record string } }
	}
	if err := yaml.Unmarshal([]byte(readFile(t, deployFolder+"prometheus/facetd-rules.yml")), &file); err != nil {
		t.Fatal(err)
	}
	out := map[string]string{}
	for _, g := range file.Groups {
		for _, r := range g.Rules {
			if r.Record != "" {
				out["rule "+r.Record] = r.Record
			}
		}
	}
	return out
}

// A real Prometheus scrapes a daemon at work: every panel and every recording rule has
// data but those of lockstep and of devices, and what goes wrong is alerted on.
func TestPrometheusWatchesTheDaemon(t *testing.T) {
	t.Parallel()
	peertest.Program(t, "prometheus")
	c := quick()
	c.Pace, c.Data, c.MaxLag = config.Realtime, t.TempDir(), 10*time.Second
	breaking := withFailing(&c)
	rule := &violating{}
	under := c.wrapBus
	c.wrapBus = func(b bus.BusCloser) bus.BusCloser {
		rule.BusCloser = under(b)
		return rule
	}
	p, cancel, ended := run(t, c)
	w := watch(t, p.Addresses().HTTP)
	w.until(func() string { return "the first scrape" },
		func() bool { return slices.Contains(w.query(`facetd_rule_violations_total{rule="4"}`), 0) })
	makeEvents(t, p, rule)
	makeMaps(t, p)
	makeProbe(t, p)

	waiting := panelQueries(t)
	if len(waiting) < 50 {
		t.Fatalf("only %d queries of panels", len(waiting))
	}
	for name, expr := range recordedSeries(t) {
		waiting[name] = expr
	}
	for name, expr := range waiting {
		// This daemon runs at real time, on a virtual bus.
		if strings.Contains(expr, "facetd_lockstep_") || strings.Contains(expr, "facetd_device_") {
			delete(waiting, name)
		}
	}
	all := len(waiting)
	w.until(func() string {
		var lines []string
		for name, expr := range waiting {
			lines = append(lines, name+": "+expr)
		}
		slices.Sort(lines)
		return fmt.Sprintf("%d of %d queries have no data:\n%s", len(waiting), all, strings.Join(lines, "\n"))
	}, func() bool {
		for name, expr := range waiting {
			if slices.ContainsFunc(w.query(expr), func(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }) {
				delete(waiting, name)
			}
		}
		return len(waiting) == 0
	})

	// Prometheus has the daemon's numbers. The one segment that was made to fail may cost jobs beside it that rely on
	// the same chips' registers.
	status, err := facetdv1.NewStatusServiceClient(p.dial(p.Addresses().GRPC)).GetStatus(t.Context(),
		&facetdv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	var failed float64
	for _, task := range status.GetStatus().GetTasks() {
		failed += float64(task.GetStatus().GetJobsFailed())
	}
	if failed < 1 || failed > 3 {
		t.Errorf("%v jobs failed of one failed segment", failed)
	}
	for expr, want := range map[string]float64{
		`facetd_rule_violations_total{rule="4"}`:          1,
		`sum(facetd_jobs_total{outcome="failed"})`:        failed,
		`sum(facetd_deadline_misses_total)`:               failed,
		`facetd_task_planned_rate_hertz{task="wall"}`:     15,
		`facetd_recordings_running`:                       1,
		`facetd_recordings_ended_total{outcome="closed"}`: 1,
	} {
		if got := w.query(expr); !slices.Equal(got, []float64{want}) {
			t.Errorf("%s is %v, want %v", expr, got, want)
		}
	}
	if cmaps := w.query(`facetd_correction_maps{state="active"}`); len(cmaps) != 1 || cmaps[0] == 0 {
		t.Errorf("active correction maps: %v", cmaps)
	}
	if dropped := w.query(`facetd_stream_dropped_frame_sets_total{policy="queue"}`); len(dropped) != 1 ||
		dropped[0] == 0 {
		t.Errorf("frame sets dropped: %v", dropped)
	}
	waitForAlerts(w, map[string]string{"FacetdRuleViolated": "firing", "FacetdQueueDrops": "pending"})
	w.until(func() string { return fmt.Sprintf("quiet while frames come: %v", w.alerts()) }, func() bool {
		now := w.alerts()
		return now["FacetdFault"] == "" && now["FacetdStaleFrames"] == "" && now["FacetdDown"] == ""
	})

	breaking.broken.Store(true)
	waitForAlerts(w, map[string]string{"FacetdFault": "firing", "FacetdStaleFrames": "firing"})
	cancel()
	if err := <-ended; err == nil {
		t.Error("the run of a broken bus ended without an error")
	}
	waitForAlerts(w, map[string]string{"FacetdDown": "pending"}) // it fires after a minute
}

func waitForAlerts(w *watcher, want map[string]string) {
	w.t.Helper()
	w.until(func() string { return fmt.Sprintf("alerts %v, want %v", w.alerts(), want) }, func() bool {
		now := w.alerts()
		for name, state := range want {
			if now[name] != state {
				return false
			}
		}
		return true
	})
}

// makeEvents makes what does not happen by itself: a rule violation, a slow reader, a
// capture, one recording that ends and one that runs.
func makeEvents(t *testing.T, p *process, rule *violating) {
	t.Helper()
	conn := p.dial(p.Addresses().GRPC)
	frames, records := facetdv1.NewFrameServiceClient(conn), facetdv1.NewRecordServiceClient(conn)
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
	t.Cleanup(cancel)
	rule.next.Store(true)
	eventually(t, "a rule violation", func() bool { return p.metric(`facetd_rule_violations_total{rule="4"}`) == 1 })
	for _, overflow := range []facetdv1.Overflow{facetdv1.Overflow_OVERFLOW_QUEUE, facetdv1.Overflow_OVERFLOW_LATEST} {
		start := &facetdv1.FollowStart{Overflow: overflow}
		if overflow == facetdv1.Overflow_OVERFLOW_QUEUE {
			start.QueueLength = 1
		}
		if _, err := followtest.Open(ctx, conn, start); err != nil {
			t.Fatal(err) // nothing is granted in it
		}
	}
	if _, err := facetdv1.NewEventServiceClient(conn).StreamEvents(ctx, &facetdv1.StreamEventsRequest{}); err != nil {
		t.Fatal(err)
	}
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bow"}}
	small := []*facetdv1.View{{Window: &facetdv1.Window{Rows: 2, Columns: 2}}}
	if _, err := frames.CaptureFrames(ctx, &facetdv1.CaptureFramesRequest{Target: target, Views: small}); err != nil {
		t.Fatal(err)
	}
	tasks := facetdv1.NewTaskServiceClient(conn)
	for _, task := range []*facetdv1.Task{
		{Name: "flash", Target: target, Views: small, LeastInterval: durationpb.New(time.Second)},
		{Name: "resting", Target: target, Views: small, RateHz: 1, Paused: true}} {
		eventually(t, "room for "+task.Name, func() bool { // a busy host may be behind for a while
			_, err := tasks.CreateTask(ctx, &facetdv1.CreateTaskRequest{Task: task})
			if err != nil && status.Code(err) != codes.Unavailable {
				t.Fatal(err)
			}
			return err == nil
		})
	}
	eventually(t, "a trigger", func() bool {
		_, err := tasks.TriggerTask(ctx, &facetdv1.TriggerTaskRequest{Task: "flash"})
		return err == nil
	})
	for _, name := range []string{"short", "long"} {
		if _, err := records.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: name}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := records.StopRecording(ctx, &facetdv1.StopRecordingRequest{Name: "short"}); err != nil {
		t.Fatal(err)
	}
	eventually(t, "drops of a reader that does not read", func() bool {
		return p.metric(`facetd_stream_dropped_frame_sets_total{policy="queue"}`) > 0
	})
}

// makeProbe probes the select lines.
func makeProbe(t *testing.T, p *process) {
	t.Helper()
	probes := facetdv1.NewProbeServiceClient(p.dial(p.Addresses().GRPC))
	eventually(t, "a probe", func() bool { // a busy host may be behind for a while
		progress, err := probes.ProbeSelects(limited(t), &facetdv1.ProbeSelectsRequest{})
		for err == nil {
			_, err = progress.Recv()
		}
		if !errors.Is(err, io.EOF) && status.Code(err) != codes.Unavailable {
			t.Fatal(err)
		}
		return errors.Is(err, io.EOF)
	})
}

// makeMaps makes correction maps of some chips, under the uniform illumination of the test.
func makeMaps(t *testing.T, p *process) {
	t.Helper()
	calibration := facetdv1.NewCalibrationServiceClient(p.dial(p.Addresses().GRPC))
	started, err := calibration.StartCalibration(limited(t), &facetdv1.StartCalibrationRequest{
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bow"}},
		Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET,
	})
	if err != nil {
		t.Fatal(err)
	}
	session := started.GetSession().GetId()
	level, err := calibration.CollectLevel(limited(t), &facetdv1.CollectLevelRequest{
		Session: session, Light: &facetdv1.CollectLevelRequest_Lux{Lux: 200}, Frames: 2,
	})
	for err == nil {
		_, err = level.Recv()
	}
	if !errors.Is(err, io.EOF) {
		t.Fatal(err)
	}
	if _, err := calibration.FinishCalibration(limited(t),
		&facetdv1.FinishCalibrationRequest{Session: session}); err != nil {
		t.Fatal(err)
	}
}
