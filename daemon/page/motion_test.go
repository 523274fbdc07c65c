package page_test

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/server"
)

// TestMotionOnThePage: motion is drawn while it is unfolded, over each picture and as an instrument; of frames that are
// not corrected it says so, and once there are correction maps it tells the turn of the body.
func TestMotionOnThePage(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) {
		c.Tasks, c.Data = filepath.Join(t.TempDir(), "tasks.yaml"), t.TempDir()
		text := "tasks: [{name: bed, target: {group: bed}, rate_hz: 10, views: [{name: bed}]}]"
		if err := os.WriteFile(c.Tasks, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	})
	b := browse(t, d.url(), 1280, 800)
	b.waitFor(`document.querySelectorAll('.tile[data-state="fresh"]').length === 4`, patience)
	b.click("#motion summary")
	b.waitFor(`document.querySelectorAll('.tile .flow[data-state="not corrected"]').length === 4`, patience)
	b.waitFor(`document.getElementById("motion-facts").textContent.includes("4 not corrected")`, patience)
	calibrateBed(t, d)
	light := facetdv1.NewSceneServiceClient(d.dial(t))
	if _, err := light.SetScene(limited(t),
		&facetdv1.SetSceneRequest{Scene: "demo:low=1,high=800,yaw_rate=12"}); err != nil {
		t.Fatal(err)
	}
	b.waitFor(`document.querySelectorAll('.tile .flow[data-state="told"] path').length >= 3`, patience)
	b.waitFor(`/Turns left1[12]\.\d ± /.test(document.getElementById("motion-facts").textContent)`, patience)
	b.waitFor(`Boolean(document.querySelector("#motion-dial .turn"))`, patience)
	b.picture("motion", "#frames")
	// Once nothing is told any more, no number stays as if it were of now.
	tasks := facetdv1.NewTaskServiceClient(d.dial(t))
	if _, err := tasks.DeleteTask(limited(t), &facetdv1.DeleteTaskRequest{Name: "bed"}); err != nil {
		t.Fatal(err)
	}
	b.waitFor(`document.getElementById("motion-facts").textContent === "" && !document.querySelector("#motion-dial .turn")`,
		patience)
	b.waitFor(`document.getElementById("motion-said").textContent.startsWith("No estimate came")`, patience)
	b.click("#motion summary")
	b.waitFor(`document.querySelectorAll(".tile .flow").length === 0`, patience)
	b.noErrors()
}

// calibrateBed makes correction maps of the chips that look at the bed.
func calibrateBed(t *testing.T, d *daemon) {
	t.Helper()
	conn := d.dial(t)
	cal, light := facetdv1.NewCalibrationServiceClient(conn), facetdv1.NewSceneServiceClient(conn)
	started, err := cal.StartCalibration(limited(t), &facetdv1.StartCalibrationRequest{
		Target: &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bed"}}, Views: []*facetdv1.View{{Name: "bed"}}})
	if err != nil {
		t.Fatal(err)
	}
	id := started.GetSession().GetId()
	for spec, lux := range map[string]float64{"uniform:3": 3, "uniform:30": 30, "uniform:300": 300} {
		if _, err := light.SetScene(limited(t), &facetdv1.SetSceneRequest{Scene: spec}); err != nil {
			t.Fatal(err)
		}
		stream, err := cal.CollectLevel(limited(t), &facetdv1.CollectLevelRequest{Session: id, Frames: 8,
			Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux}})
		for err == nil {
			_, err = stream.Recv()
		}
		if !errors.Is(err, io.EOF) {
			t.Fatal(err)
		}
	}
	if _, err := cal.FinishCalibration(limited(t), &facetdv1.FinishCalibrationRequest{Session: id}); err != nil {
		t.Fatal(err)
	}
}
