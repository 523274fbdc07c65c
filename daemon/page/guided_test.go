package page_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/server"
)

// TestBringupFromThePage: a bring-up is led from the page, with its questions and pictures; the page is loaded anew
// while a question waits, and the run goes on from there.
func TestBringupFromThePage(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { square(t, c, 4, 2) })
	b := browse(t, d.url(), 1280, 800)
	b.live(4)
	b.show("bringup")
	eval[bool](b, `(document.querySelectorAll("#bringup-form [data-step]").forEach((box) =>
		{ box.checked = ["SUPPLIES", "LEVELS", "DARK"].includes(box.dataset.step); }), true)`)
	b.click("#bringup-start")
	b.waitFor(`document.getElementById("bringup-text")?.textContent.startsWith("[supplies] ")`, patience)
	b.picture("bringup-question", "#bringup")
	b.fill("#bringup-note", "5.0 V and 3.3 V")
	b.click("#bringup-yes")
	b.waitFor(`document.getElementById("bringup-text")?.textContent.startsWith("[dark] ")`, patience)
	b.do(chromedp.Navigate(d.url()))
	b.live(4)
	b.show("bringup")
	b.waitFor(`document.getElementById("bringup-said").textContent.includes("2 of 3 steps done")`, patience)
	b.click("#bringup-resume")
	b.waitFor(`document.getElementById("bringup-text")?.textContent.startsWith("[dark] ")`, patience)
	b.click("#bringup-yes")
	b.waitFor(`/^Bring-up .*: (pass|warn|fail)\./.test(document.getElementById("bringup-said").textContent)`, patience)
	b.waitFor(`[...document.querySelectorAll("#bringup-steps > li")].filter((n) => n.dataset.verdict).length === 3`, patience)
	b.waitFor(`(() => { const all = [...document.querySelectorAll("#bringup-steps img")];
		return all.forEach((n) => n.loading = "eager") ?? (all.length > 0 && all.every((n) => n.complete && n.naturalWidth > 0)); })()`,
		patience)
	b.picture("bringup-ended", "#bringup")
	runs, err := facetdv1.NewBringupServiceClient(d.dial(t)).ListBringups(limited(t), &facetdv1.ListBringupsRequest{})
	if err != nil || len(runs.GetRuns()) != 1 || !runs.GetRuns()[0].GetFinished() ||
		runs.GetRuns()[0].GetAnswers()[0].GetNote() != "5.0 V and 3.3 V" {
		t.Errorf("the daemon keeps %v, %v", runs, err)
	}
	b.noErrors()
}

// TestCalibrationFromThePage: levels are gathered one by one, with the page loaded anew in between; the correction maps
// are drawn, with their age and their defective pixels.
func TestCalibrationFromThePage(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) {
		square(t, c, 4, 2)
		c.Defects = []string{"eye-00:3,20=stuck@2.1", "eye-00:17,5=stuck@0.5"}
	})
	b := browse(t, d.url(), 1280, 800)
	b.live(4)
	b.show("calibrate")
	b.fill("#calibrate-levels", "100, 1000")
	b.fill("#calibrate-frames", "4")
	b.click("#calibrate-start")
	light := facetdv1.NewSceneServiceClient(d.dial(t))
	for i, scene := range []string{"uniform:100", "uniform:1000"} {
		b.waitFor(`document.getElementById("calibrate-collect") !== null`, patience)
		if i == 1 {
			b.do(chromedp.Navigate(d.url()))
			b.live(4)
			b.show("calibrate")
			b.waitFor(`document.querySelector('[data-lux="1000"] #calibrate-collect') !== null &&
				document.querySelector('[data-lux="100"]').textContent.includes("gathered")`, patience)
			b.picture("calibrate-steps", "#calibration")
		}
		if _, err := light.SetScene(limited(t), &facetdv1.SetSceneRequest{Scene: scene}); err != nil {
			t.Fatal(err)
		}
		b.click("#calibrate-collect")
	}
	b.waitFor(`document.querySelectorAll("#calibrate-steps [data-lux] .verdict").length === 2`, patience)
	b.click("#calibrate-finish")
	b.waitFor(`document.getElementById("calibrate-said").textContent.startsWith("4 correction maps made")`, patience)
	b.waitFor(`document.querySelectorAll("#map-table tbody tr").length === 4 && document.querySelector("#map-table meter")`,
		patience)
	b.waitFor(`(() => { const c = document.querySelector('#map-picture canvas[data-plane="offset"]'); if (!c) return false;
		const px = c.getContext("2d").getImageData(0, 0, c.width, c.height).data;
		return Number(c.dataset.high) > Number(c.dataset.low) && new Set(px).size > 20; })()`, patience)
	// Each defective pixel is marked where it is, and nothing else is.
	b.waitFor(`document.querySelector('#map-picture h3')?.textContent.startsWith("eye-00")`, patience)
	b.theme("light")
	// By a copy: the browser warns of canvases that are read again and again.
	marked := eval[[]int](b, `(() => { const c = document.querySelector('#map-picture canvas[data-plane="offset"]'), out = [];
		const copy = document.createElement("canvas"), g = Object.assign(copy, {width: c.width, height: c.height}).getContext("2d", {willReadFrequently: true});
		g.drawImage(c, 0, 0);
		const px = g.getImageData(0, 0, c.width, c.height).data;
		for (let k = 0; k < c.width * c.height; k++) if (px[4 * k] !== px[4 * k + 1]) out.push(k);
		return out; })()`)
	if !slices.Equal(marked, []int{3*24 + 20, 17*24 + 5}) {
		t.Errorf("the pixels %v are marked as defective", marked)
	}
	if said := b.text("#map-defects"); !strings.HasPrefix(said, "2 defective pixels") {
		t.Errorf("of the defects the page says %q", said)
	}
	b.picture("calibrate-maps", "#calibration")
	b.noErrors()
}
