package acceptance

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	"facetd.example/api/framedigest"
	"facetd.example/api/peertest"
	"facetd.example/daemon/record"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
)

func (d *daemon) dial(t *testing.T) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(d.grpc, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(64<<20)))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

func within(t *testing.T, d time.Duration) context.Context {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	t.Cleanup(cancel)
	return ctx
}

func follow(t *testing.T, ctx context.Context,
	conn *grpc.ClientConn) *followtest.Stream {
	t.Helper()
	s, err := followtest.Open(ctx, conn, followtest.All(), grpc.WaitForReady(true))
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// seen is what a client keeps of a frame set: not the pixels of a whole minute.
type seen struct {
	task           string
	job            uint64
	finishNS       int64
	digest, pixels string
}

func see(fs *facetdv1.FrameSet) seen {
	d := framedigest.New()
	d.Add(fs)
	h := sha256.New()
	for _, f := range fs.GetFrames() {
		h.Write(f.GetData())
	}
	return seen{fs.GetTask(), fs.GetJob(), fs.GetFinishBusNs(), d.Sum(), hex.EncodeToString(h.Sum(nil))}
}

// independent is what a reader that knows nothing of facetd found in a recording.
type independent struct {
	Topics map[string]struct{ Count uint64 }
	Sets   []struct{ Task, Job, Finish, Log, Pixels string }
}

// readIndependently reads a file with @mcap/core in node.
func readIndependently(t *testing.T, file string) (got independent) {
	t.Helper()
	cmd := peertest.Node(t, []string{"@mcap/core@2.2.2", "fzstd@0.1.1", "protobufjs@7.6.6"},
		"../record/testdata/read.cjs", file)
	cmd.Stderr = os.Stderr
	text, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &got); err != nil {
		t.Fatal(err)
	}
	return got
}

// minute is what a client on the API saw while a minute was recorded.
type minute struct {
	sets    map[[2]string]seen // by task and job
	dropped uint64             // that the client was too slow for
	lost    uint64             // that the disk was too slow for
}

// liveMinute records a minute of the demo, or what span says, at the pace that the machine
// can, and returns the file and what a client saw.
func liveMinute(t *testing.T, span time.Duration) (file string, live minute) {
	t.Helper()
	data := t.TempDir()
	d := start(t, "--pace", "free", "--seed", "5", "--data", data)
	conn := d.dial(t)
	ctx := within(t, 2*time.Minute)
	frames, rec := follow(t, ctx, conn), facetdv1.NewRecordServiceClient(conn)
	run(t, binary(t, "facetctl"), "--address", d.grpc, "record", "start", "--name", "minute", "--max-duration",
		span.String())
	live.sets = map[[2]string]seen{}
	recording := &facetdv1.Recording{State: facetdv1.RecordingState_RECORDING_STATE_RUNNING}
	for asked := time.Now(); ; {
		m, err := frames.Recv()
		if err != nil {
			t.Fatal(err)
		}
		live.dropped = m.GetDroppedTotal()
		s := see(m.GetFrameSet())
		live.sets[[2]string{s.task, strconv.FormatUint(s.job, 10)}] = s
		if recording.GetState() != facetdv1.RecordingState_RECORDING_STATE_RUNNING {
			// What is on its way when the recording is closed is in the file, too.
			if takenAfter(m.GetFrameSet(), recording.GetEndTime().AsTime()) {
				break
			}
			continue
		}
		if time.Since(asked) < 100*time.Millisecond {
			continue
		}
		asked = time.Now()
		got, err := rec.GetRecording(ctx, &facetdv1.GetRecordingRequest{Name: "minute"})
		if err != nil {
			t.Fatal(err)
		}
		recording = got.GetRecording()
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
	if recording.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED || len(recording.GetParts()) != 1 {
		t.Fatalf("%v", recording)
	}
	live.lost = recording.GetLost()
	return filepath.Join(data, "recordings", recording.GetParts()[0].GetFile()), live
}

// takenAfter reports whether the first sample of a frame set was taken after an instant.
func takenAfter(fs *facetdv1.FrameSet, at time.Time) bool {
	return slices.ContainsFunc(fs.GetFrames(), func(f *facetdv1.Frame) bool {
		return f.GetFirstSampleTime() != nil && f.GetFirstSampleTime().AsTime().After(at)
	})
}

// TestAMinuteIsWhatAClientSaw: a reader that knows nothing of facetd finds in the
// recording of a minute (of eight seconds in an ordinary run) the counts, times and pixels
// that a client saw on the API, and the recording plays the same back, every time.
func TestAMinuteIsWhatAClientSaw(t *testing.T) {
	t.Parallel()
	span := peertest.Cases(8*time.Second, time.Minute)
	file, live := liveMinute(t, span)
	r, err := record.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	first, last := r.Span()
	t.Logf("%d frame sets, %d messages in %.2f s of bus time, %d lost, the client dropped %d", r.FrameSets(),
		r.Messages(), float64(last-first)/1e9, live.lost, live.dropped)
	if spanned := time.Duration(last - first); spanned < span-time.Second || spanned > span+5*time.Second {
		t.Errorf("the recording spans %v", spanned)
	}
	recorded := recordedSets(t, r, live)
	t.Run("read elsewhere", func(t *testing.T) {
		compareIndependent(t, readIndependently(t, file), recorded, r.Counts())
	})
	digest := framedigestOf(t, r)
	for range 2 {
		if got := replayed(t, file, len(recorded)); got != digest {
			t.Errorf("a replay has the digest %s, the recording %s", got, digest)
		}
	}
}

// recordedSets returns the frame sets of a file in order, as the client saw them, and
// checks that none is missing but those that were counted as lost.
func recordedSets(t *testing.T, r *record.Reader, live minute) []seen {
	t.Helper()
	var sets []seen
	jobs := map[string][2]uint64{} // first and last recorded job
	var noted uint64               // lost, by the file's own events
	var unseen uint64              // that the client dropped
	for e, err := range r.All() {
		switch {
		case err != nil:
			t.Fatal(err)
		case e.Event.GetKind() == facetdv1.EventKind_EVENT_KIND_RECORDING_LOST:
			noted += uint64(e.Event.GetFields()["frame_sets"].GetInteger())
		case e.Frames != nil:
			s := see(e.Frames)
			if w, there := live.sets[[2]string{s.task, strconv.FormatUint(s.job, 10)}]; !there {
				unseen++
			} else if w != s {
				t.Fatalf("job %d of %s is %+v in the file, the client saw %+v", s.job, s.task, s, w)
			}
			span, was := jobs[s.task]
			if !was {
				span[0] = s.job
			}
			span[1] = s.job
			jobs[s.task] = span
			sets = append(sets, s)
		}
	}
	var ran uint64
	for _, span := range jobs {
		ran += span[1] - span[0] + 1
	}
	if unseen > live.dropped || unseen > uint64(len(sets)/10) {
		t.Errorf("the client missed %d frame sets of %d, and counted %d as dropped", unseen, len(sets), live.dropped)
	}
	if len(jobs) != 4 || ran-uint64(len(sets)) > noted || uint64(len(sets)) < ran*9/10 {
		t.Errorf("%d tasks, %d frame sets of %d, %d noted as lost", len(jobs), len(sets), ran, noted)
	}
	return sets
}

func compareIndependent(t *testing.T, got independent, want []seen, counts map[string]uint64) {
	t.Helper()
	for topic, n := range counts {
		if got.Topics[topic].Count != n {
			t.Errorf("%s: %d messages found elsewhere, %d here", topic, got.Topics[topic].Count, n)
		}
	}
	if len(got.Sets) != len(want) {
		t.Fatalf("%d frame sets found elsewhere, %d here", len(got.Sets), len(want))
	}
	// Elsewhere they come by log time. Bus and host time are apart by one offset.
	byFinish := slices.SortedStableFunc(slices.Values(want),
		func(a, b seen) int { return int(a.finishNS - b.finishNS) })
	var offset int64
	for i, s := range got.Sets {
		w := byFinish[i]
		finish, finishErr := strconv.ParseInt(s.Finish, 10, 64)
		log, logErr := strconv.ParseInt(s.Log, 10, 64)
		if i == 0 {
			offset = log - finish
		}
		if finishErr != nil || logErr != nil || log-finish != offset || finish != w.finishNS || s.Task != w.task ||
			s.Job != strconv.FormatUint(w.job, 10) || s.Pixels != w.pixels {
			t.Fatalf("frame set %d is %+v elsewhere, %+v here", i, s, w)
		}
	}
}

func framedigestOf(t *testing.T, r *record.Reader) string {
	t.Helper()
	d := framedigest.New()
	for e, err := range r.All() {
		if err != nil {
			t.Fatal(err)
		}
		if e.Frames != nil {
			d.Add(e.Frames)
		}
	}
	return d.Sum()
}

// replayed plays a file in a process of its own, step by step so that no queue
// overflows, and returns the digest of what came over the API.
func replayed(t *testing.T, file string, sets int) string {
	t.Helper()
	const batch = 500
	d := start(t, "--bus", "replay:"+file, "--replay-speed", "0", "--replay-stepped")
	conn := d.dial(t)
	ctx := within(t, 2*time.Minute)
	frames, control := follow(t, ctx, conn), facetdv1.NewReplayServiceClient(conn)
	digest := framedigest.New()
	for left := sets; left > 0; {
		n := min(left, batch)
		if _, err := control.StepReplay(ctx, &facetdv1.StepReplayRequest{FrameSets: uint32(n)}); err != nil {
			t.Fatal(err)
		}
		for range n {
			m, err := frames.Recv()
			if err != nil || m.GetDroppedTotal() > 0 {
				t.Fatalf("%d dropped, %v", m.GetDroppedTotal(), err)
			}
			digest.Add(m.GetFrameSet())
		}
		left -= n
	}
	// One step more finds the end.
	end, err := control.StepReplay(ctx, &facetdv1.StepReplayRequest{})
	if err != nil || !end.GetReplay().GetEnded() {
		t.Errorf("after the last frame set: %v %v", end, err)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
	return digest.Sum()
}

// TestReplayIsControlled drives a replay in a loop by facetctl alone, as an operator does.
func TestReplayIsControlled(t *testing.T) {
	t.Parallel()
	file := filepath.Join(t.TempDir(), "s-001.mcap")
	if err := os.WriteFile(file, shortRecording(t), 0o600); err != nil {
		t.Fatal(err)
	}
	d := start(t, "--bus", "replay:"+file, "--replay-loop", "--replay-stepped")
	type where struct {
		First  int64   `json:"first_bus_ns,string"`
		Last   int64   `json:"last_bus_ns,string"`
		Bus    int64   `json:"bus_ns,string"`
		Speed  float64 `json:"speed"`
		Paused bool    `json:"paused"`
		Loop   bool    `json:"loop"`
	}
	ctl := func(args ...string) (w where) {
		t.Helper()
		out := run(t, binary(t, "facetctl"), append([]string{"--address", d.grpc, "--output", "json", "replay"},
			args...)...)
		if err := json.Unmarshal([]byte(out), &w); err != nil {
			t.Fatalf("%v: %s", err, out)
		}
		return w
	}
	begin := ctl("status")
	if !begin.Paused || !begin.Loop || begin.Speed != 1 || begin.Last <= begin.First || begin.Bus != begin.First {
		t.Errorf("at the start: %+v", begin)
	}
	if w := ctl("step", "--count", "20"); w.Bus <= begin.Bus || !w.Paused {
		t.Errorf("after 20 steps: %+v", w)
	}
	middle := (begin.First + begin.Last) / 2
	if w := ctl("seek", time.Duration(middle).String()); w.Bus != middle || !w.Paused {
		t.Errorf("in the middle, %d: %+v", middle, w)
	}
	if w := ctl("step"); w.Bus < middle || w.Bus > middle+int64(time.Second) {
		t.Errorf("one step from the middle: %+v", w)
	}
	if w := ctl("seek", "--from-start", "0s"); w.Bus != begin.First {
		t.Errorf("at the beginning: %+v", w)
	}
	// Beyond the end of a turn the next one goes on in bus time.
	if w := ctl("step", "--count", "1000"); w.Bus <= begin.Last || w.Bus <= middle {
		t.Errorf("in a later turn: %+v", w)
	}
	if w := ctl("resume", "--speed", "8"); w.Paused || w.Speed != 8 {
		t.Errorf("resumed: %+v", w)
	}
	if w := ctl("pause"); !w.Paused || w.Speed != 8 {
		t.Errorf("paused: %+v", w)
	}
	if out, err := exec.Command(binary(t, "facetctl"), "--address", d.grpc, "probe").CombinedOutput(); err == nil ||
		!strings.Contains(string(out), "plays a recording") {
		t.Errorf("a probe of a recording: %v %s", err, out)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
