package motion_test

import (
	"math"
	"path/filepath"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/config"
	"facetd.example/daemon/record"
	"facetd.example/daemon/server"
)

// all is a stream that loses nothing of a second or two, however slow its client.
var all = &facetdv1.MotionStart{Estimates: 1, Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, QueueLength: 1024}

// TestReplayTellsWhatWasToldLive: a recording of corrected frames, played by another daemon, gives the estimates that
// were made of them live: the same pairs, and the same numbers, through the whole way of both.
func TestReplayTellsWhatWasToldLive(t *testing.T) {
	t.Parallel()
	data := t.TempDir()
	var live map[uint64]*facetdv1.MotionEstimate
	var file string
	t.Run("live", func(t *testing.T) {
		d := start(t, func(c *server.Setup) { c.Tasks, c.Data = tasksFile(t, bedTask), data })
		d.calibrate()
		d.light("demo:low=1,high=800,yaw_rate=12,forward_rate=0.1")
		next, end := d.watch(all)
		defer end()
		rec := facetdv1.NewRecordServiceClient(d.conn)
		if _, err := rec.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "run",
			Options: &facetdv1.RecordingOptions{Motion: true,
				MaxDuration: durationpb.New(1500 * time.Millisecond)}}); err != nil {
			t.Fatal(err)
		}
		var done *facetdv1.Recording
		live = map[uint64]*facetdv1.MotionEstimate{}
		for done.GetState() != facetdv1.RecordingState_RECORDING_STATE_CLOSED {
			m := next()
			if m.GetDroppedTotal() > 0 || m.GetFrameSetsLostTotal() > 0 {
				t.Fatalf("%d estimates and %d frame sets were lost", m.GetDroppedTotal(), m.GetFrameSetsLostTotal())
			}
			live[m.GetEstimate().GetJob()] = m.GetEstimate()
			got, err := rec.GetRecording(limited(t), &facetdv1.GetRecordingRequest{Name: "run"})
			if err != nil {
				t.Fatal(err)
			}
			done = got.GetRecording()
		}
		for range 100 { // what the recording has may be behind what was read until then
			e := next().GetEstimate()
			live[e.GetJob()] = e
		}
		file = filepath.Join(data, "recordings", done.GetParts()[0].GetFile())
	})
	if t.Failed() {
		return
	}
	if told := recordedMotion(t, file, live); told < 30 {
		t.Errorf("the recording has only %d chips that told anything", told)
	}
	d := start(t, func(c *server.Setup) {
		c.Bus, c.Data = config.ReplayOf+file, data
		c.Replay = config.Replay{Stepped: true}
	})
	next, end := d.watch(all)
	defer end()
	if _, err := facetdv1.NewReplayServiceClient(d.conn).ResumeReplay(limited(t),
		&facetdv1.ResumeReplayRequest{}); err != nil {
		t.Fatal(err)
	}
	told := 0
	for k := range 25 {
		m := next()
		got := m.GetEstimate()
		want := live[got.GetJob()]
		if want == nil || m.GetFrameSetsLostTotal() > 0 {
			t.Fatalf("job %d was not seen live, or %d frame sets were lost", got.GetJob(), m.GetFrameSetsLostTotal())
		}
		if k < 2 { // the first has no frame before it, and the second no hint of where to begin
			continue
		}
		told += sameEstimate(t, got, want)
	}
	if told < 30 {
		t.Errorf("only %d of 92 pairs told anything", told)
	}
}

// recordedMotion holds the estimates of a recording against those of a stream: there is one for each frame set, after
// it. How many of them told something of a chip is returned.
func recordedMotion(t *testing.T, file string, live map[uint64]*facetdv1.MotionEstimate) (told int) {
	t.Helper()
	r, err := record.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	var frames *facetdv1.FrameSet
	n := 0
	for e, err := range r.All() {
		switch {
		case err != nil:
			t.Fatal(err)
		case e.Frames != nil && frames != nil:
			t.Fatalf("no estimate of job %d was recorded", frames.GetJob())
		case e.Frames != nil:
			frames = e.Frames
		case e.Motion != nil:
			if e.Topic != record.TopicMotion+"bed" || frames == nil || e.Motion.GetJob() != frames.GetJob() {
				t.Fatalf("%s has %v after %v", e.Topic, e.Motion, frames)
			}
			frames = nil
			if want := live[e.Motion.GetJob()]; n >= 2 && want != nil { // see the replay
				told += sameEstimate(t, e.Motion, want)
			}
			n++
		}
	}
	return told
}

// sameEstimate compares estimates and returns how many chips told something.
func sameEstimate(t *testing.T, got, want *facetdv1.MotionEstimate) (told int) {
	t.Helper()
	same := func(what string, a, b []float64) {
		t.Helper()
		if len(a) != len(b) {
			t.Errorf("job %d: %s has %d numbers, live %d", got.GetJob(), what, len(a), len(b))
			return
		}
		for i := range a {
			if math.Abs(a[i]-b[i]) > 1e-7*(math.Abs(b[i])+1) {
				t.Errorf("job %d: %s %v, live %v", got.GetJob(), what, a, b)
				return
			}
		}
	}
	for i, c := range got.GetChips() {
		w := want.GetChips()[i]
		if c.GetReason() != w.GetReason() || c.GetPreviousJob() != w.GetPreviousJob() ||
			c.GetIntervalNs() != w.GetIntervalNs() || c.GetLightBusNs() != w.GetLightBusNs() {
			t.Errorf("job %d, %s: %v, live %v", got.GetJob(), c.GetChip(), c, w)
		}
		same(c.GetChip(), append([]float64{c.GetMeanCodes(), c.GetClippedFraction(), c.GetShiftXPx(), c.GetShiftYPx()},
			c.GetRateRadPerS()...), append([]float64{w.GetMeanCodes(), w.GetClippedFraction(), w.GetShiftXPx(),
			w.GetShiftYPx()}, w.GetRateRadPerS()...))
		same(c.GetChip()+"'s covariance", c.GetShiftCovariancePx2(), w.GetShiftCovariancePx2())
		if c.GetReason() == 0 {
			told++
		}
	}
	b, w := got.GetBody(), want.GetBody()
	if b.GetTold() != w.GetTold() || b.GetRotationOnly() != w.GetRotationOnly() || b.GetBusNs() != w.GetBusNs() {
		t.Errorf("job %d: %v, live %v", got.GetJob(), b, w)
	}
	same("rate", b.GetRateRadPerS(), w.GetRateRadPerS())
	same("heading", b.GetHeading(), w.GetHeading())
	return told
}
