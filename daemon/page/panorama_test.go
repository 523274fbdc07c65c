package page_test

import (
	"fmt"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// TestPanorama: every chip is drawn where it looks, with what it shows, in software rendering too; where nothing looks
// is striped; overlaps are dotted when asked for. It tells what it costs.
func TestPanorama(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) {
		if peertest.All() {
			c.Scene = config.DefaultScene
		} else {
			calm(t, c)
		}
	})
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
		// What was drawn is there until the turn ends in which it was drawn.
		const gl = from.getContext("webgl"), drawing = ["drawArrays", "drawElements"];
		await new Promise((done) => drawing.forEach((name) => {
			const draw = gl[name];
			gl[name] = (...what) => {
				draw.apply(gl, what);
				queueMicrotask(() => {
					g.drawImage(from, 0, 0);
					if (g.getImageData(0, 0, 1, 1).data[3] === 255) done();
				});
			};
		}));
		drawing.forEach((name) => delete gl[name]);
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
	if peertest.All() { // in software it does not always come back
		b.givesUpDrawing()
	}
	b.click(`.names button[data-chip="bow-comb"]`)
	b.waitFor(`document.getElementById('chip-h').textContent === 'Chip bow-comb'`, patience)
	b.choose("#chips-order", "direction")
	if !eval[bool](b, `document.getElementById("panorama").hidden && !document.getElementById("tiles").hidden`) {
		t.Error("the placement by direction does not come back")
	}
	b.onlyStalls()
}

// onlyStalls fails the test where the browser complained of anything but that what is drawn in software is read back.
func (b *tab) onlyStalls() {
	b.t.Helper()
	for _, f := range b.takeFaults() {
		if !strings.Contains(f, "GPU stall due to ReadPixels") {
			b.t.Errorf("the browser says: %s", f)
		}
	}
}

// givesUpDrawing has the browser take back what draws, and give it again: the page says the one, and draws after the
// other, whatever was chosen meanwhile.
func (b *tab) givesUpDrawing() {
	b.t.Helper()
	eval[bool](b, `(window.taken = document.getElementById("panorama-canvas").getContext("webgl").getExtension("WEBGL_lose_context"),
		taken.loseContext(), true)`)
	b.waitFor(`document.getElementById("panorama-said").textContent.startsWith("Nothing is drawn")`, patience)
	b.choose("#chips-order", "ahead")
	b.drawn()
	eval[bool](b, `(taken.restoreContext(), true)`)
	b.waitFor(`document.getElementById("panorama-said").textContent.includes("19 of 19 chips drawn")`, patience)
	b.choose("#chips-order", "sphere")
	b.drawn()
}

// TestPanoramaAfterALoss: geometry that could not be had is had when the daemon answers again.
func TestPanoramaAfterALoss(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	eval[bool](b, `(() => { const really = window.fetch;
		window.fetch = (url, ...more) => String(url).endsWith("/GetGeometry") && !window.there ? Promise.reject(new TypeError("no way")) : really(url, ...more);
		return true; })()`)
	b.choose("#chips-order", "sphere")
	b.waitFor(`document.getElementById("panorama-said").textContent.includes("cannot be reached")`, patience)
	eval[bool](b, `(window.there = true)`)
	b.choose("#chips-order", "ahead")
	b.waitFor(`document.getElementById("panorama-said").textContent.includes("19 of 19 chips drawn")`, patience)
	b.onlyStalls()
}
