package page_test

import (
	"fmt"
	"slices"
	"strconv"
	"testing"
	"time"

	"facetd.example/api/peertest"
	"facetd.example/daemon/server"
)

// TestManyChips: pictures of 64 chips stand in the order of their directions, in groups by name and lane, and as large
// as one wants; tables with many rows end where the window ends and keep their heads.
func TestManyChips(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { square(t, c, 64, 2) })
	b := browse(t, d.url(), 1920, 1080)
	b.live(64)
	b.nothingWrong()
	b.picture("chips-64", "body")
	type box struct {
		Chip                string
		Left, Top, Right, W float64
	}
	boxes := func() (all []box) {
		t.Helper()
		all = eval[[]box](b, `[...document.querySelectorAll(".tile")].map((e) => { const r = e.getBoundingClientRect();
			return {chip: e.dataset.chip, left: r.left, top: r.top, right: r.right, w: r.width}; })`)
		if len(all) != 64 {
			t.Fatalf("%d tiles", len(all))
		}
		return all
	}
	before := boxes()
	for i, at := range before { // eye-00 looks up and left, and so on by rows of eight
		if i%8 > 0 && (at.Top != before[i-1].Top || at.Left < before[i-1].Right) ||
			i >= 8 && (at.Left != before[i-8].Left || at.Top <= before[i-8].Top) {
			t.Errorf("%s stands at %v, %v, before it %v", at.Chip, at.Left, at.Top, before[max(0, i-1)])
		}
	}
	if n := eval[int](b, `[...document.querySelectorAll(".tile")].filter((e) => e.getBoundingClientRect().bottom > innerHeight).length`); n > 0 {
		t.Errorf("%d tiles are below the window", n)
	}
	for by, want := range map[string]int{"group": 8, "lane": 2, "axis": 5} {
		b.choose("#chips-order", by)
		b.drawn()
		heads := eval[[]string](b, `[...document.querySelectorAll(".group-head")].map((e) => e.textContent)`)
		if len(heads) != want {
			t.Errorf("by %s: %v", by, heads)
		}
		if by == "lane" && !slices.Equal(heads, []string{"output lane a: 32", "output lane b: 32"}) {
			t.Errorf("by lane: %v", heads)
		}
		b.picture("chips-64-"+by, "#frames")
	}
	b.choose("#chips-order", "grid")
	eval[bool](b, `(() => { const e = document.getElementById("chips-size"); e.value = "2"; e.dispatchEvent(new Event("input")); return true; })()`)
	b.drawn()
	if w := boxes()[0].W; w < 1.9*before[0].W {
		t.Errorf("at twice the size a tile is %.0f pixels wide, before it was %.0f", w, before[0].W)
	}
	if !eval[bool](b, `(() => { const e = document.getElementById("tiles"); return e.scrollHeight > e.clientHeight && document.scrollingElement.scrollHeight <= innerHeight; })()`) {
		t.Error("large tiles do not scroll within their part")
	}
	b.show("wiring")
	b.waitFor(`document.querySelectorAll('#wiring-table tbody tr').length === 64`, patience)
	got := eval[[]float64](b, `(() => { const e = document.getElementById("wiring-grid"); e.scrollTop = 500; const r = e.getBoundingClientRect(), h = e.querySelector("thead th").getBoundingClientRect();
		return [r.height, innerHeight, h.top - r.top, e.scrollTop]; })()`)
	if got[0] > got[1] || got[2] < 0 || got[2] > 3 || got[3] < 400 {
		t.Errorf("the table of the wiring is %.0f high in a window of %.0f, and its head %.0f below its top", got[0],
			got[1], got[2])
	}
	b.picture("wiring-64", "body")
	b.noErrors()
}

// TestManyChipsAtRate: 64 chips at 30 Hz are drawn without a task of the page that takes long, and nothing moves.
func TestManyChipsAtRate(t *testing.T) {
	if !peertest.All() { // where nothing is measured but what moves
		t.Parallel()
	}
	d := run(t, func(c *server.Setup) { square(t, c, 64, float64(peertest.Cases(8, 30))) })
	b := browse(t, d.url(), 1280, 800)
	b.live(64)
	b.nothingWrong()
	watch := fmt.Sprintf(atRate, peertest.Cases(1500*time.Millisecond, 4*time.Second).Milliseconds())
	var got []string
	for range peertest.Cases(1, 5) { // others may make any task long
		if got = eval[[]string](b, watch); got[0] == "" {
			break
		}
	}
	t.Logf("tasks over 50 ms: %q; shifts: %q; %s frames/s received, %s drawn", got[0], got[1], got[2], got[3])
	if got[0] != "" && peertest.All() { // on a machine of its own
		t.Errorf("tasks of %s ms", got[0])
	}
	if moved, err := strconv.ParseFloat(got[4], 64); err != nil || moved > 0.01 {
		t.Errorf("the page moved by %s: %s", got[4], got[1])
	}
	b.waitFor(`Number(document.getElementById("drawn").dataset.drawn) > 0`, patience)
	b.picture("chips-64-1280", "body")
	b.noErrors()
}

// nothingWrong puts away what is told of anything wrong: it moves the rest, and a busy machine makes something wrong.
func (b *tab) nothingWrong() {
	b.t.Helper()
	eval[bool](b, `["health", "silence"].forEach((id) => document.getElementById(id).style.display = "none") ?? true`)
	b.drawn()
}

// atRate watches the page for some milliseconds: which of its tasks take long, and what moves.
const atRate = `(async () => {
	const long = [], shifts = [];
	let moved = 0;
	new PerformanceObserver((l) => long.push(...l.getEntries().map((e) => Math.round(e.duration)))).observe({type: "longtask"});
	new PerformanceObserver((l) => l.getEntries().forEach((e) => {
		moved += e.value;
		shifts.push(e.value.toFixed(6) + " " + e.sources?.map((s) => (s.node?.parentElement ?? s.node)?.outerHTML.slice(0, 60)).join());
	})).observe({type: "layout-shift"});
	await new Promise((r) => setTimeout(r, %d));
	const d = document.getElementById("drawn").dataset;
	return [long.join(), shifts.join("; "), d.received, d.drawn, String(moved)];
})()`
