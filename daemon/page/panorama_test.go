package page_test

import (
	"fmt"
	"strings"
	"testing"

	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// TestPanorama: every chip is drawn where it looks, with what it shows, in software rendering too; where nothing looks
// is striped; overlaps are dotted when asked for. It tells what it costs.
func TestPanorama(t *testing.T) {
	d := run(t, func(c *server.Setup) { c.Scene = config.DefaultScene })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	if !eval[bool](b, `Boolean(document.createElement("canvas").getContext("webgl"))`) {
		t.Fatal("this browser has no WebGL, not even in software")
	}
	for _, view := range []string{"sphere", "ahead"} {
		b.choose("#chips-order", view)
		b.waitFor(`Number(document.getElementById("panorama").dataset.shown) === 19`, patience)
		b.waitFor(`document.getElementById("panorama-said").textContent.includes("19 of 19 chips drawn")`, patience)
		t.Log(b.text("#panorama-said"))
		b.picture("panorama-"+view, "body")
	}
	b.choose("#chips-order", "sphere")
	b.click("#panorama-overlaps")
	// Of each chip the picture's middle, and of the sphere what lies straight behind, where nothing looks.
	const pixels = `(async () => {
		await new Promise((r) => setTimeout(r, 300));
		const from = document.getElementById("panorama-canvas"), c = document.createElement("canvas");
		c.width = from.width; c.height = from.height;
		const g = c.getContext("2d", {willReadFrequently: true});
		const image = await new Promise((done) => requestAnimationFrame(function look() {
			g.drawImage(from, 0, 0);
			if (g.getImageData(0, 0, 1, 1).data[3] === 255) done(); else requestAnimationFrame(look);
		}));
		const at = (x, y) => [...g.getImageData(Math.floor(x * c.width), Math.floor(y * c.height), 1, 1).data];
		const sky = document.querySelector(".sky").getBoundingClientRect();
		return Object.fromEntries([["behind", at(0.005, 0.5)], ...[...document.querySelectorAll(".names button")].map((e) =>
			[e.dataset.chip, at(parseFloat(e.style.left) / 100, parseFloat(e.style.top) / 100)])]);
	})()`
	got := eval[map[string][]int](b, pixels)
	ground := eval[[]int](b, `getComputedStyle(document.querySelector("#tiles")).color && (() => { const e = document.createElement("i");
		document.body.append(e); e.style.color = "var(--sunken)"; const c = getComputedStyle(e).color.match(/\d+/g).map(Number); e.remove(); return c; })()`)
	if fmt.Sprint(got["behind"][:3]) != fmt.Sprint(ground) {
		t.Errorf("behind is %v, want the ground %v", got["behind"], ground)
	}
	if len(got) != 20 {
		t.Fatalf("%d places", len(got))
	}
	grey := 0
	for chip, c := range got {
		if chip == "behind" {
			continue
		}
		if c[0] == c[1] && c[1] == c[2] {
			grey++ // a chip's own grey; the dots of overlaps and the ground are coloured
		}
	}
	if grey < 12 {
		t.Errorf("%d of 19 chips show a grey of theirs where they look: %v", grey, got)
	}
	b.picture("panorama-overlaps", "#frames")
	b.click(`.names button[data-chip="bow-comb"]`)
	b.waitFor(`document.getElementById('chip-h').textContent === 'Chip bow-comb'`, patience)
	b.choose("#chips-order", "direction")
	if !eval[bool](b, `document.getElementById("panorama").hidden && !document.getElementById("tiles").hidden`) {
		t.Error("the placement by direction does not come back")
	}
	for _, f := range b.takeFaults() {
		if !strings.Contains(f, "GPU stall due to ReadPixels") { // which is what this test does
			t.Errorf("the browser says: %s", f)
		}
	}
}
