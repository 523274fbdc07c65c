package server

import (
	"context"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/framedigest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/record"
)

// recordedRun records some frame sets of the demo over the API, and returns the file
// and what is in it.
//
// It is a second of bus time, however slow the client: all of it must fit the queues of
// those to whom it is played as fast as possible.
func recordedRun(t *testing.T) (file string, sets []*facetdv1.FrameSet) {
	t.Helper()
	return recordedRunOf(t, quick())
}

// recordedRunOf is recordedRun with a configuration.
func recordedRunOf(t *testing.T, cfg Setup) (file string, sets []*facetdv1.FrameSet) {
	t.Helper()
	cfg.Data = t.TempDir()
	conn, stop := running(t, cfg)
	rec := facetdv1.NewRecordServiceClient(conn)
	options := &facetdv1.RecordingOptions{MaxDuration: durationpb.New(time.Second)}
	if _, err := rec.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "run", Options: options},
		grpc.WaitForReady(true)); err != nil {
		t.Fatal(err)
	}
	var done *facetdv1.GetRecordingResponse
	eventually(t, "the end of the recording", func() bool {
		var err error
		if done, err = rec.GetRecording(limited(t), &facetdv1.GetRecordingRequest{Name: "run"}); err != nil {
			t.Fatal(err)
		}
		return done.GetRecording().GetState() == facetdv1.RecordingState_RECORDING_STATE_CLOSED
	})
	if err := stop(); err != nil {
		t.Fatal(err)
	}
	file = filepath.Join(cfg.Data, "recordings", done.GetRecording().GetParts()[0].GetFile())
	r, err := record.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for e, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if e.Frames != nil {
			sets = append(sets, e.Frames)
		}
	}
	if len(sets) < 20 {
		t.Fatalf("%d frame sets were recorded", len(sets))
	}
	return file, sets
}

func digestOf(sets []*facetdv1.FrameSet) string {
	d := framedigest.New()
	for _, fs := range sets {
		d.Add(fs)
	}
	return d.Sum()
}

// replaying starts a server that waits before the first frame set of a recording, and
// a stream of everything that it plays.
func replaying(t *testing.T, file string, change func(*Setup)) (*process, *grpc.ClientConn,
	func(n int) []*facetdv1.FrameSet) {
	t.Helper()
	cfg := quick()
	cfg.Bus = config.ReplayOf + file
	cfg.Replay = config.Replay{Speed: 0, Stepped: true}
	if change != nil {
		change(&cfg)
	}
	p := start(t, cfg)
	conn := p.dial(p.Addresses().GRPC)
	stream, err := followtest.Open(limited(t), conn, followtest.All(), grpc.WaitForReady(true))
	if err != nil {
		t.Fatal(err)
	}
	return p, conn, func(n int) []*facetdv1.FrameSet {
		t.Helper()
		var sets []*facetdv1.FrameSet
		for range n {
			m, err := stream.Recv()
			if err != nil || m.GetDroppedTotal() > 0 {
				t.Fatalf("after %d of %d frame sets: %d dropped, %v", len(sets), n, m.GetDroppedTotal(), err)
			}
			sets = append(sets, m.GetFrameSet())
		}
		return sets
	}
}

// A recording that is played gives a client what was recorded, with the daemon's
// metrics and journal as on a bus; it is controlled over the API, and can be recorded
// again.
func TestAReplayStandsInForABus(t *testing.T) {
	t.Parallel()
	file, want := recordedRun(t)
	data := t.TempDir()
	p, conn, take := replaying(t, file, func(c *Setup) { c.Data = data })
	control, rec := facetdv1.NewReplayServiceClient(conn), facetdv1.NewRecordServiceClient(conn)

	got, err := control.GetReplay(limited(t), &facetdv1.GetReplayRequest{})
	if r := got.GetReplay(); err != nil || !r.GetPaused() || r.GetEnded() || r.GetSpeed() != 0 ||
		!slices.Equal(r.GetFiles(), []string{"run-001.mcap"}) ||
		r.GetLastBusNs() != want[len(want)-1].GetFinishBusNs() || r.GetFirstBusNs() > want[0].GetFinishBusNs() {
		t.Errorf("at the start: %v %v", r, err)
	}
	if _, err := rec.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "again"}); err != nil {
		t.Fatal(err)
	}

	step, err := control.StepReplay(limited(t), &facetdv1.StepReplayRequest{FrameSets: 5})
	if err != nil || step.GetReplay().GetBusNs() != want[4].GetFinishBusNs() || !step.GetReplay().GetPaused() {
		t.Errorf("after five steps, which end at %d: %v %v", want[4].GetFinishBusNs(), step, err)
	}
	sets := take(5)
	if _, err := control.ResumeReplay(limited(t), &facetdv1.ResumeReplayRequest{}); err != nil {
		t.Fatal(err)
	}
	sets = append(sets, take(len(want)-5)...)
	if digestOf(sets) != digestOf(want) {
		t.Error("what came is not what was recorded")
	}
	eventually(t, "the end", func() bool {
		r, err := control.GetReplay(limited(t), &facetdv1.GetReplayRequest{})
		return err == nil && r.GetReplay().GetEnded()
	})

	// Once more from the middle.
	const from = 10
	if seek, err := control.SeekReplay(limited(t),
		&facetdv1.SeekReplayRequest{BusNs: want[from].GetFinishBusNs()}); err != nil || seek.GetReplay().GetEnded() {
		t.Fatal(seek, err)
	}
	if got := take(len(want) - from); digestOf(got) != digestOf(want[from:]) {
		t.Error("what came after a seek is not what was recorded from there on")
	}

	done, err := rec.StopRecording(limited(t), &facetdv1.StopRecordingRequest{Name: "again"})
	if err != nil || done.GetRecording().GetFrameSets() != uint64(2*len(want)-from) {
		t.Errorf("recorded again: %v %v", done, err)
	}
	st := p.Status()
	if st.GetBus() != "replay" || st.GetPace() != facetdv1.Pace_PACE_UNSPECIFIED || st.GetSeed() != 0 ||
		st.GetState() != facetdv1.State_STATE_RUNNING || len(st.GetTasks()) != 4 {
		t.Errorf("status %v", st)
	}
	walls := 0
	for _, fs := range append(slices.Clone(want), want[from:]...) {
		if fs.GetTask() == "wall" && !fs.GetLate() && fs.GetFailure() == "" {
			walls++
		}
	}
	if n := p.metric(`facetd_jobs_total{outcome="on_time",task="wall"}`); walls == 0 || n != float64(walls) {
		t.Errorf("metrics count %v jobs of wall, %d were played", n, walls)
	}
	if code, _ := p.get("/healthz"); code != 200 {
		t.Errorf("health %d", code)
	}
	filter := &facetdv1.EventFilter{Kinds: []facetdv1.EventKind{facetdv1.EventKind_EVENT_KIND_REPLAY}}
	ev, err := facetdv1.NewEventServiceClient(conn).ListEvents(limited(t),
		&facetdv1.ListEventsRequest{Filter: filter})
	var texts []string
	for _, e := range ev.GetEvents() {
		texts = append(texts, e.GetText())
	}
	if all := strings.Join(texts, "; "); err != nil ||
		!strings.HasPrefix(all, "the replay begins; the replay has reached its end; the replay jumps") {
		t.Errorf("events %q %v", all, err)
	}
	if err := p.stop(); err != nil {
		t.Fatal(err)
	}

	// The recording of the replay holds the same frame sets.
	r, err := record.Open(filepath.Join(data, "recordings", "again-001.mcap"))
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if r.Metadata()["replay_of"] != "run-001.mcap" {
		t.Errorf("metadata %v", r.Metadata())
	}
	var again []*facetdv1.FrameSet
	for e, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if e.Frames != nil {
			again = append(again, e.Frames)
		}
	}
	if len(again) != 2*len(want)-from || digestOf(again[:len(want)]) != digestOf(want) {
		t.Errorf("%d frame sets were recorded again", len(again))
	}
}

// In a loop the recording begins anew, with times and numbers that go on.
func TestAReplayLoops(t *testing.T) {
	t.Parallel()
	file, want := recordedRun(t)
	_, conn, take := replaying(t, file, func(c *Setup) { c.Replay.Loop = true })
	control := facetdv1.NewReplayServiceClient(conn)
	n := len(want) + 10
	if _, err := control.StepReplay(limited(t), &facetdv1.StepReplayRequest{FrameSets: uint32(n)}); err != nil {
		t.Fatal(err)
	}
	sets := take(n)
	if digestOf(sets[:len(want)]) != digestOf(want) {
		t.Error("the first turn is not what was recorded")
	}
	shift := sets[len(want)].GetFinishBusNs() - want[0].GetFinishBusNs()
	if shift <= want[len(want)-1].GetFinishBusNs()-want[0].GetFinishBusNs() {
		t.Errorf("the second turn is only %d ns after the first", shift)
	}
	jobs := map[string]uint64{}
	for i, fs := range sets {
		if last, seen := jobs[fs.GetTask()]; seen && fs.GetTask() != "" && fs.GetJob() != last+1 {
			t.Errorf("job %d of %s follows %d", fs.GetJob(), fs.GetTask(), last)
		}
		jobs[fs.GetTask()] = fs.GetJob()
		if w := want[i%len(want)]; i >= len(want) &&
			(fs.GetFinishBusNs() != w.GetFinishBusNs()+shift ||
				string(fs.GetFrames()[0].GetData()) != string(w.GetFrames()[0].GetData())) {
			t.Errorf("frame set %d of the second turn differs", i-len(want))
		}
	}
	got, err := control.GetReplay(limited(t), &facetdv1.GetReplayRequest{})
	if r := got.GetReplay(); err != nil || !r.GetLoop() || r.GetEnded() || r.GetBusNs() != sets[n-1].GetFinishBusNs() {
		t.Errorf("%v %v", r, err)
	}
}

// What acts on an array is refused in a replay, and what controls a replay elsewhere.
func TestWhatAReplayRefuses(t *testing.T) {
	t.Parallel()
	file, _ := recordedRun(t)
	_, conn, _ := replaying(t, file, nil)
	live, _ := running(t, quick())
	ctx := limited(t)
	probe := func(c *grpc.ClientConn) error {
		s, err := facetdv1.NewProbeServiceClient(c).ProbeSelects(ctx, &facetdv1.ProbeSelectsRequest{})
		if err == nil {
			_, err = s.Recv()
		}
		return err
	}
	all := &facetdv1.Target{Chips: &facetdv1.Target_All{All: &facetdv1.AllChips{}}}
	calls := map[string]error{"a probe": probe(conn)}
	_, calls["a task"] = facetdv1.NewTaskServiceClient(conn).CreateTask(ctx,
		&facetdv1.CreateTaskRequest{Task: &facetdv1.Task{Name: "a",
			Target: all, RateHz: 1}})
	_, calls["a capture"] = facetdv1.NewFrameServiceClient(conn).CaptureFrames(ctx,
		&facetdv1.CaptureFramesRequest{Target: all})
	_, calls["faults"] = facetdv1.NewFaultServiceClient(conn).SetFaults(ctx, &facetdv1.SetFaultsRequest{})
	_, calls["cleared faults"] = facetdv1.NewFaultServiceClient(conn).ClearFaults(ctx, &facetdv1.ClearFaultsRequest{})
	_, calls["a list of faults"] = facetdv1.NewFaultServiceClient(conn).ListFaults(ctx, &facetdv1.ListFaultsRequest{})
	_, calls["a scene"] = facetdv1.NewSceneServiceClient(conn).GetScene(ctx, &facetdv1.GetSceneRequest{})
	_, calls["another scene"] = facetdv1.NewSceneServiceClient(conn).SetScene(ctx,
		&facetdv1.SetSceneRequest{Scene: "uniform:3"})
	_, calls["the clocks"] = facetdv1.NewStatusServiceClient(conn).GetClock(ctx, &facetdv1.GetClockRequest{})
	elsewhere := facetdv1.NewReplayServiceClient(live)
	_, calls["no replay"] = elsewhere.GetReplay(ctx, &facetdv1.GetReplayRequest{}, grpc.WaitForReady(true))
	_, calls["no replay to pause"] = elsewhere.PauseReplay(ctx, &facetdv1.PauseReplayRequest{})
	_, calls["no replay to resume"] = elsewhere.ResumeReplay(ctx, &facetdv1.ResumeReplayRequest{})
	_, calls["no replay to step"] = elsewhere.StepReplay(ctx, &facetdv1.StepReplayRequest{})
	_, calls["no replay to seek"] = elsewhere.SeekReplay(ctx, &facetdv1.SeekReplayRequest{})
	for what, err := range calls {
		if status.Code(err) != codes.FailedPrecondition {
			t.Errorf("%s: %v", what, err)
		}
	}
	bad := 1000.5
	control := facetdv1.NewReplayServiceClient(conn)
	_, tooFast := control.ResumeReplay(ctx, &facetdv1.ResumeReplayRequest{Speed: &bad})
	_, tooMany := control.StepReplay(ctx, &facetdv1.StepReplayRequest{FrameSets: 100_001})
	if status.Code(tooFast) != codes.InvalidArgument || status.Code(tooMany) != codes.InvalidArgument {
		t.Errorf("too fast: %v, too many: %v", tooFast, tooMany)
	}
	if r, err := control.GetReplay(ctx, &facetdv1.GetReplayRequest{}); err != nil || !r.GetReplay().GetPaused() ||
		r.GetReplay().GetSpeed() != 0 {
		t.Errorf("refused calls changed something: %v %v", r, err)
	}
	short, cancel := context.WithCancel(ctx)
	cancel()
	if _, err := control.StepReplay(short, &facetdv1.StepReplayRequest{}); status.Code(err) != codes.Canceled {
		t.Errorf("a call that was given up: %v", err)
	}
}

// In a replay the level of the log can change; what brings its own array and tasks
// along takes none of a file.
func TestReloadInAReplay(t *testing.T) {
	t.Parallel()
	file, _ := recordedRun(t)
	p, conn, _ := replaying(t, file, nil)
	next := p.cfg
	next.Log.Level, next.Tasks, next.Scene = "debug", "none", "uniform:3"
	if err := p.Reload(limited(t), func() (config.Config, error) { return next.Config, nil }); err != nil ||
		p.level.String() != "debug" {
		t.Errorf("%v, level %v", err, p.level)
	}
	next.Replay.Loop = true
	if err := p.Reload(limited(t), func() (config.Config, error) { return next.Config, nil }); err == nil ||
		!strings.Contains(err.Error(), "replay.loop: cannot change") {
		t.Errorf("another way to play: %v", err)
	}
	if r, err := facetdv1.NewReplayServiceClient(conn).GetReplay(limited(t),
		&facetdv1.GetReplayRequest{}); err != nil || r.GetReplay().GetLoop() {
		t.Errorf("%v %v", r, err)
	}
}
