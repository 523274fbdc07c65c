package page_test

import (
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// TestReplay: a recording in the place of a bus is shown as a bus is; what needs a bus is
// refused with the reason.
func TestReplay(t *testing.T) {
	t.Parallel()
	files := recording(t)
	d := run(t, func(c *server.Setup) { c.Bus, c.Replay.Loop = config.ReplayOf+strings.Join(files, ","), true })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	if got := b.text(`#facts [data-fact="Bus"]`); got != "replay" {
		t.Errorf("the bus is shown as %q", got)
	}
	b.show("wiring")
	b.waitFor(`document.getElementById('faults-list').textContent.includes('Only a virtual bus')`, patience)
	b.picture("replay")
	b.noErrors()
	// Paused, its pictures grow old as any others do.
	if _, err := facetdv1.NewReplayServiceClient(d.dial(t)).PauseReplay(limited(t),
		&facetdv1.PauseReplayRequest{}); err != nil {
		t.Fatal(err)
	}
	b.waitFor(`document.querySelectorAll('.tile[data-state="stale"]').length === 19`, patience)
	if state := eval[string](b, `document.getElementById('link').dataset.state`); state != "live" {
		t.Errorf("the connection to a replay that is paused is %s", state)
	}
}

// TestReplayControls: a replay is paused, stepped and sought from the page, which says where it landed and when the
// recording has ended.
func TestReplayControls(t *testing.T) {
	t.Parallel()
	files := recording(t)
	d := run(t, func(c *server.Setup) {
		c.Bus, c.Replay.Speed = config.ReplayOf+strings.Join(files, ","), 0.01 // no machine is so slow that it ends
	})
	b := browse(t, d.url(), 1280, 800)
	b.waitFor(`!document.getElementById('replay').hidden`, patience)
	b.show("replay")
	replay := facetdv1.NewReplayServiceClient(d.dial(t))
	now := func() *facetdv1.Replay {
		t.Helper()
		r, err := replay.GetReplay(limited(t), &facetdv1.GetReplayRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return r.GetReplay()
	}
	b.click("#replay-pause")
	b.waitFor(`document.getElementById('replay').dataset.state === 'paused'`, patience)
	if !now().GetPaused() {
		t.Error("the page says that it is paused, and it is not")
	}
	b.click("#replay-begin")
	b.waitFor(`document.getElementById('replay-said').textContent.startsWith('Landed at 0.000 s of ')`, patience)
	if at := now(); at.GetRecordedBusNs() != at.GetFirstBusNs() {
		t.Errorf("it landed at %d, and the recording begins at %d", at.GetRecordedBusNs(), at.GetFirstBusNs())
	}
	b.fill("#replay-steps", "3")
	b.click("#replay-step")
	b.waitFor(`parseFloat(document.getElementById('replay-line').value) > 0`, patience)
	if at := now(); !at.GetPaused() || at.GetRecordedBusNs() <= at.GetFirstBusNs() {
		t.Errorf("after three steps it is at %v", at)
	}
	b.picture("replay-paused", "#replay")
	// Along the line to its end, by the keyboard.
	b.enter("#replay-line")
	eval[bool](b, `(document.getElementById('replay-line').focus(), true)`)
	b.do(chromedp.KeyEvent(kb.End))
	b.waitFor(`document.getElementById('replay-said').textContent.startsWith('Landed at ')`, patience)
	b.choose("#replay-speed", "0")
	b.click("#replay-play")
	b.waitFor(`document.getElementById('replay').dataset.state === 'ended'`, patience)
	if said := b.text("#replay-where"); !strings.Contains(said, "has ended: nothing more comes") || !now().GetEnded() {
		t.Errorf("at its end the page says %q of %v", said, now())
	}
	b.picture("replay-ended", "#replay")
	b.noErrors()
}

// recording records the demo for a while, and returns the files.
func recording(t *testing.T) []string {
	t.Helper()
	dir := t.TempDir()
	d := run(t, func(c *server.Setup) {
		calm(t, c)
		c.Pace, c.Data = config.Free, dir
	})
	records := facetdv1.NewRecordServiceClient(d.dial(t))
	if _, err := records.StartRecording(limited(t), &facetdv1.StartRecordingRequest{Name: "walk"}); err != nil {
		t.Fatal(err)
	}
	recorded(t, d, "walk", 100)
	if _, err := records.StopRecording(limited(t), &facetdv1.StopRecordingRequest{Name: "walk"}); err != nil {
		t.Fatal(err)
	}
	d.stop()
	files, err := filepath.Glob(filepath.Join(dir, "recordings", "*.mcap"))
	if err != nil || len(files) == 0 {
		t.Fatalf("recorded %v, %v", files, err)
	}
	return files
}

// TestViews: of several views of one load each can be shown large, and the tile shows the
// one with most pixels.
func TestViews(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { c.Pace = config.Realtime })
	_, err := facetdv1.NewTaskServiceClient(d.dial(t)).UpdateTask(limited(t),
		&facetdv1.UpdateTaskRequest{Task: &facetdv1.Task{
			Name: "wall", RateHz: 5, Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "crown"}},
			Views: []*facetdv1.View{{Name: "fine"}, {Name: "coarse", Binning: &facetdv1.Binning{Rows: 4, Columns: 4}}},
		}})
	if err != nil {
		t.Fatal(err)
	}
	b := browse(t, d.url(), 1280, 800)
	b.live(11) // four of the ring, four of the bed, three ahead
	b.click(`.tile[data-chip="wall-02"]`)
	b.waitFor(`document.querySelectorAll('#chip-tools option').length === 3 && document.getElementById('chip-canvas').width === 40`, patience)
	b.choose("#chip-tools select", "wall / coarse")
	b.waitFor(`document.getElementById('chip-canvas').width === 10`, patience)
	if w := eval[int](b, `document.querySelector('.tile[data-chip="wall-02"] canvas').width`); w != 40 {
		t.Errorf("the tile shows the view of %d columns", w)
	}
	b.noErrors()
}

// TestMaps: correction maps that were made are listed, and corrected codes say by which; a chip
// without one says why its codes are raw.
func TestMaps(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	b.show("calibration")
	b.waitFor(`document.getElementById('no-maps')`, patience)
	calibrate := facetdv1.NewCalibrationServiceClient(d.dial(t))
	ctx := limited(t)
	s, err := calibrate.StartCalibration(ctx,
		&facetdv1.StartCalibrationRequest{Task: "bow", Method: facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET})
	if err != nil {
		t.Fatal(err)
	}
	level, err := calibrate.CollectLevel(ctx,
		&facetdv1.CollectLevelRequest{Session: s.GetSession().GetId(),
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: 200}, Frames: 4})
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := level.Recv(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if _, err := calibrate.FinishCalibration(ctx,
		&facetdv1.FinishCalibrationRequest{Session: s.GetSession().GetId()}); err != nil {
		t.Fatal(err)
	}
	cmaps, err := calibrate.ListCorrectionMaps(ctx, &facetdv1.ListCorrectionMapsRequest{})
	if err != nil || len(cmaps.GetCorrectionMaps()) != 2 {
		t.Fatalf("correction maps %v, %v", cmaps, err)
	}
	if !peertest.All() { // the page looks every ten seconds, and when somebody comes to look
		b.show("frames")
		b.drawn()
		b.show("calibration")
	}
	b.waitFor(`document.querySelectorAll('#map-table tbody tr').length === 2`, patience)
	for _, m := range cmaps.GetCorrectionMaps() {
		if row := b.text(fmt.Sprintf(`#map-table [data-map=%q]`, m.GetId())); !strings.Contains(row, m.GetChip()) ||
			!strings.Contains(row, "offset") || !strings.Contains(row, "active") {
			t.Errorf("the correction map %s is shown as %q", m.GetId(), row)
		}
	}
	b.picture("maps", "#calibration")
	// The age beside the picture of a map is as of now, like that in the table.
	b.waitFor(`/, ([3-9]|\d\d+) s old/.test(document.getElementById("map-age").textContent)`, patience)
	b.choose("#codes", "CODES_CORRECTED")
	b.click(`.tile[data-chip="bow-left"]`)
	b.waitFor(fmt.Sprintf(`document.querySelector('#chip-facts [data-fact="Codes"]').textContent === 'offset, map %s'`,
		cmaps.GetCorrectionMaps()[0].GetId()), patience)
	b.click(`.tile[data-chip="wall-02"]`)
	b.waitFor(`!document.getElementById('chip-note').hidden && document.getElementById('chip-note').textContent.includes('correction map') && document.querySelector('#chip-facts [data-fact="Codes"]').textContent === 'raw'`, patience)
	t.Logf("a chip without a correction map: %s", b.text("#chip-note"))
	b.picture("corrected", "#chip")
	b.choose("#codes", "CODES_RAW")
	b.waitFor(`document.getElementById('chip-note').hidden`, patience)
	b.noErrors()
}
