package server

import (
	"bytes"
	"context"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/bridge/bridgetest"
	"facetd.example/bus/bustest"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/config"
	"facetd.example/daemon/failure"
	"facetd.example/deploy"
)

// TestTheDemoThroughTheBridge: the demo on the firmware, live. No job is late, none fails but those for which this
// machine stood still for too long, no rule is violated by measured times, every capture is that of a virtual bus on
// the same grain, byte for byte, and what happened at the pins is what was planned, to the tick: of what was refused
// nothing.
func TestTheDemoThroughTheBridge(t *testing.T) {
	t.Parallel()
	demoThroughTheBridge(t, bridgetest.Config{}, peertest.Cases(1600*time.Millisecond, time.Minute))
}

// TestTheDemoOnAnEmulatedBoard is the same on an emulated Cortex-M4. The daemon follows the time of the device, so
// that nothing is refused however slow this machine is.
func TestTheDemoOnAnEmulatedBoard(t *testing.T) {
	t.Parallel()
	demoThroughTheBridge(t, bridgetest.Config{Emulated: true}, peertest.Cases(400*time.Millisecond, time.Minute))
}

func demoThroughTheBridge(t *testing.T, made bridgetest.Config, lasts time.Duration) {
	t.Helper()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	light, err := scene.Parse(config.DefaultScene, nil)
	if err != nil {
		t.Fatal(err)
	}
	const seed = 11
	made.Array, made.Scene, made.Seed = a, light, seed
	rig := bridgetest.Start(t, made)
	var recorder *bustest.Recorder
	cfg := Setup{Config: config.Default()}
	cfg.Bus = config.BridgeTo + rig.Address
	cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Log.Level = "error"
	cfg.wrapBus = func(b bus.BusCloser) bus.BusCloser {
		recorder = bustest.NewRecorder(b)
		return recorder
	}
	cfg.StopAt = lasts
	s := bridgedServer(t, cfg)
	began := time.Now()
	if err := s.Run(t.Context()); err != nil {
		t.Fatal(err)
	}
	took := time.Since(began)
	status := s.Status()
	records := recorder.Records()
	refused := slices.ContainsFunc(records, func(r bustest.Record) bool { return r.Result.Refused() })
	if refused && made.Emulated {
		t.Error("a run was late, and the device waits for its host")
	}
	for _, task := range status.GetTasks() {
		if n := task.GetStatus(); n.GetJobsLate() > 0 || n.GetJobsFailed() > 0 && !refused || n.GetJobsOnTime() == 0 {
			t.Errorf("task %s: %d on time, %d late, %d failed", task.GetTask().GetName(), n.GetJobsOnTime(),
				n.GetJobsLate(), n.GetJobsFailed())
		}
	}
	told, build := s.driven.Status(), "host"
	if made.Emulated { // whose clock is followed, and says nothing of that of the wall
		build = "qemu"
	}
	ran, refusals := uint64(0), told.Counters.LateHost+told.Counters.LateLink+told.Counters.LateDevice+
		told.Counters.Recalled
	for _, r := range records {
		if r.Result.Err == nil {
			ran++
		}
	}
	if told.Counters.Runs != ran || (refusals > 0) != refused || told.LeastSlack < 0 || told.Counters.Losses > 0 ||
		told.Build != build || told.Counters.Uploads == 0 || made.Emulated == (told.Clock.Uncertainty > 0) {
		t.Errorf("%d segments ran; of the device is said: %+v", ran, told)
	}
	if status.GetRuleViolations() > 0 {
		t.Errorf("%d violations of bus rules", status.GetRuleViolations())
	}
	on, err := a.OnGrain(40)
	if err != nil {
		t.Fatal(err)
	}
	v, err := virtual.New(virtual.Config{Array: on, Scene: light, Seed: seed, Pace: facetdv1.Pace_PACE_FREE})
	if err != nil {
		t.Fatal(err)
	}
	var planned []bustest.Pin
	captures, codes := 0, 0
	for i := range records {
		r := &records[i]
		if r.Result.Refused() {
			v.Inspector().JobEnded(r.Segment.Job, bus.Outcome{Kind: bus.Failed, Cause: r.Result.Err.Error()})
			continue
		}
		if r.Result.Err != nil {
			t.Fatalf("at %v: %v", r.Start, r.Result.Err)
		}
		captures += sameOnVirtual(t, v, r)
		for k := range r.Result.Captures {
			codes += len(r.Result.Captures[k].Codes)
		}
		planned = append(planned, bustest.PlannedPins(on, r.Start,
			bus.Fill(nil, r.Segment.Ops, r.Segment.Slots, r.Segment.Values))...)
	}
	if want := int(lasts / (20 * time.Millisecond)); captures < want || want == 0 {
		t.Errorf("%d captures were compared", captures)
	}
	bustest.SortPins(planned)
	last := &records[len(records)-1]
	for i := range records { // behind the last that ran the lines were released, before one that was refused was due
		if r := &records[i]; !r.Result.Refused() {
			last = r
		}
	}
	if ran := last.Result.End.Sub(records[0].Start); ran < cfg.StopAt-900*time.Millisecond {
		t.Errorf("it ran for %v, and was to run for %v", ran, cfg.StopAt)
	}
	if diff := bustest.DiffPins(rig.Pins(records[0].Start, last.Result.End), planned); diff != "" {
		t.Errorf("at the pins: %s", diff)
	}
	t.Logf("%d segments, %d captures, %d changes at the pins; %v of bus time in %v, %.0f conversions a second",
		len(records), captures, len(planned), lasts, took.Round(time.Millisecond), float64(codes)/took.Seconds())
}

// bridgedServer makes a server for a device that may still begin.
func bridgedServer(t *testing.T, cfg Setup) *Server {
	t.Helper()
	for began := time.Now(); ; time.Sleep(time.Millisecond) { // until the device listens
		s, err := New(cfg)
		if err == nil {
			return s
		}
		if time.Since(began) > time.Minute || !bytes.Contains([]byte(err.Error()), []byte("device at")) {
			t.Fatal(err)
		}
	}
}

// sameOnVirtual runs what was run on a virtual bus as well, compares the results and returns how many captures there
// were.
func sameOnVirtual(t *testing.T, v *virtual.Bus, r *bustest.Record) int {
	t.Helper()
	s := r.Segment
	s.Into, s.Later = nil, false
	res, err := bustest.Run(t.Context(), v, r.Start, &s)
	if err != nil {
		t.Fatal(err)
	}
	if s.Job != nil && s.Index+1 == s.Job.Segments {
		v.Inspector().JobEnded(s.Job, bus.Outcome{Kind: bus.OnTime})
	}
	res.Slack = r.Result.Slack
	if len(res.Captures) == 0 {
		res.Captures = r.Result.Captures[:0]
	}
	if !reflect.DeepEqual(r.Result, res) {
		t.Fatalf("at %v: got %+v, planned %+v", r.Start, r.Result, res)
	}
	return len(res.Captures)
}

// TestADaemonThatStartsAgain: it runs its tasks again within two seconds, with every program kept on the device: none
// is uploaded twice. How long it takes depends on what else the machine does: it is demanded of one of several tries
// where all cases are looked at, and told elsewhere.
func TestADaemonThatStartsAgain(t *testing.T) {
	t.Parallel()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: scene.Uniform(100)})
	cfg := Setup{Config: config.Default()}
	cfg.Bus = config.BridgeTo + rig.Address
	cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Logger = zap.NewNop()
	// ran starts a daemon, ends it once it has run a little, and returns after how long it did.
	ran := func() (time.Duration, bridge.Counters) {
		began := time.Now()
		s := bridgedServer(t, cfg)
		_, stop := serving(t, s)
		for s.driven.Status().Counters.Runs < 20 {
			if time.Since(began) > time.Minute {
				t.Fatal("nothing runs")
			}
			time.Sleep(time.Millisecond) // until segments are told of
		}
		took := time.Since(began)
		if err := stop(); err != nil {
			t.Logf("the end: %v", err) // a machine that stands still gives the bus too little time
		}
		return took, s.driven.Status().Counters
	}
	if _, c := ran(); c.Uploads == 0 || c.Kept > 0 {
		t.Fatalf("the first time: %+v", c)
	}
	least := time.Hour
	for range peertest.Cases(1, 7) {
		took, c := ran()
		if c.Uploads > 0 || c.Kept == 0 {
			t.Errorf("started again: %+v", c)
		}
		least = min(least, took)
		t.Logf("runs again after %v", took)
	}
	if peertest.All() && least > 2*time.Second {
		t.Errorf("it runs again after %v at least", least)
	}
}

// TestADeviceThatWasAway: a device that begins anew is found again by itself. Every job in between is counted as
// failed, with the cause, the health raises one alarm, and afterwards tasks run as before.
func TestADeviceThatWasAway(t *testing.T) {
	t.Parallel()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	made := bridgetest.Config{Array: a, Scene: scene.Uniform(100), Path: t.TempDir() + "/link"}
	rig := bridgetest.Start(t, made)
	cfg := Setup{Config: config.Default()}
	cfg.Bus = config.BridgeTo + rig.Address
	cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Logger = zap.NewNop() // the loss is no news
	s := bridgedServer(t, cfg)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	ended := func() (onTime, failed, other uint64) {
		for _, task := range s.Status().GetTasks() {
			n := task.GetStatus()
			onTime, failed, other = onTime+n.GetJobsOnTime(), failed+n.GetJobsFailed(),
				other+n.GetJobsEnded()-n.GetJobsOnTime()-n.GetJobsFailed()
		}
		return onTime, failed, other
	}
	wait := func(what string, is func() bool) {
		t.Helper()
		for began := time.Now(); !is(); time.Sleep(time.Millisecond) {
			if time.Since(began) > time.Minute {
				t.Fatalf("waited for %s", what)
			}
		}
	}
	wait("jobs", func() bool { onTime, _, _ := ended(); return onTime > 20 })
	_, already, _ := ended() // as this machine stood still
	if err := rig.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	wait("failed jobs", func() bool { _, failed, _ := ended(); return failed > already+20 })
	h := s.health.Health(t.Context())
	if f := h.GetFindings(); len(f) != 1 || f[0].GetId() != "device/lost" || f[0].GetCause() == "" ||
		f[0].GetAction() == "" || h.GetState() != facetdv1.HealthState_HEALTH_STATE_BAD ||
		h.GetDevice().GetConnected() || h.GetDevice().GetLastLoss() == "" {
		t.Errorf("of a lost device the health says %v, %v", f, h.GetDevice())
	}
	before, _, _ := ended()
	bridgetest.Start(t, made)
	wait("jobs again", func() bool { onTime, _, _ := ended(); return onTime > before+50 })
	// A machine that stands still for the lease loses the device once more.
	if told := s.driven.Status(); told.Counters.Losses < 1 || told.Counters.Reboots != 1 || told.LastLoss == nil ||
		told.Counters.Sessions != told.Counters.Losses+1 && told.Connected || told.Counters.Sessions < 2 {
		t.Errorf("of the device is said: %+v", told)
	}
	for _, f := range s.health.Health(t.Context()).GetFindings() { // a machine that stands still makes others
		if f.GetSubject() == facetdv1.HealthSubject_HEALTH_SUBJECT_DEVICE && s.driven.Status().Connected {
			t.Errorf("of a device that is back the health says %v", f)
		}
	}
	if status := s.Status(); status.GetRuleViolations() > 0 || status.GetState() != facetdv1.State_STATE_RUNNING {
		t.Errorf("%v, %d violations of bus rules: %v", status.GetState(), status.GetRuleViolations(),
			status.GetLastViolations())
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}

// TestADeviceThatIsUntested: a daemon starts with a board that drives no real array before its self-test, whose jobs
// fail until an operator has had it tested; the board is named for that, and another name changes nothing.
func TestADeviceThatIsUntested(t *testing.T) {
	t.Parallel()
	a, wrong := arrayfile.ParseArray("demo", deploy.CrawlerArray)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	rig := bridgetest.Start(t, bridgetest.Config{Array: a, Scene: scene.Uniform(100), Real: true})
	cfg := Setup{Config: config.Default()}
	cfg.Bus = config.BridgeTo + rig.Address
	cfg.Listen = config.Listen{GRPC: "127.0.0.1:0"}
	cfg.Logger = zap.NewNop() // that it is away is no news
	named := cfg
	named.UntestedDevice = "another"
	var err error
	for began := time.Now(); time.Since(began) < time.Minute; time.Sleep(time.Millisecond) { // until it listens
		if _, err = New(named); err == nil || !strings.Contains(err.Error(), "device at") {
			break
		}
	}
	if err == nil || !strings.Contains(err.Error(), "crawler-hub") {
		t.Fatalf("with another board's name: %v", err)
	}
	s := bridgedServer(t, cfg)
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- s.Run(ctx) }()
	counts := func() (onTime, failed uint64) {
		for _, task := range s.Status().GetTasks() {
			onTime += task.GetStatus().GetJobsOnTime()
			failed += task.GetStatus().GetJobsFailed()
		}
		return onTime, failed
	}
	wait := func(what string, is func() bool) {
		t.Helper()
		for began := time.Now(); !is(); time.Sleep(time.Millisecond) {
			if time.Since(began) > time.Minute {
				t.Fatalf("waited for %s: %+v", what, s.driven.Status())
			}
		}
	}
	tried := s.driven.Status().Counters.Link.Sent
	wait("another try", func() bool { return s.driven.Status().Counters.Link.Sent > tried })
	if onTime, _ := counts(); onTime > 0 {
		t.Errorf("%d jobs ran on a board that was not tested", onTime)
	}
	devices := s.deviceService()
	_, err = devices.SelfTestDevice(ctx, &facetdv1.SelfTestDeviceRequest{Board: "another"})
	if !failure.IsPrecondition(err, failure.OtherBoard) {
		t.Errorf("another board: %v", err)
	}
	r, err := devices.SelfTestDevice(ctx, &facetdv1.SelfTestDeviceRequest{Board: "crawler-hub"})
	if err != nil || !r.GetSelfTest().GetPassed() || r.GetSelfTest().GetOutputs() != 14 {
		t.Fatalf("%v, %v", r, err)
	}
	wait("jobs", func() bool { onTime, _ := counts(); return onTime > 20 })
	if d, err := devices.GetDevice(ctx, &facetdv1.GetDeviceRequest{}); err != nil ||
		!d.GetDevice().GetSelfTest().GetPassed() || !d.GetDevice().GetConnected() {
		t.Errorf("%v, %v", d, err)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
}
