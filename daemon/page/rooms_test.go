package page_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// visibleParts are the parts of the page that stand in the room that is shown.
const visibleParts = `[...document.querySelectorAll("main > section")].filter((s) => s.checkVisibility()).
	map((s) => s.id)`

// TestRooms: each room has its address and shows its parts alone; links, keys and the browser's way back lead from one
// to the other, and the head with the stop stays in sight in all.
func TestRooms(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	parts := map[string][]string{
		"watch":  {"frames", "chip", "rates", "events"},
		"change": {"rates", "change", "keep"},
		"build":  {"timetable", "bus", "wiring", "calibration", "bringup"},
	}
	b := browse(t, d.url(), 1280, 800)
	in := func(room string) {
		t.Helper()
		b.waitFor(fmt.Sprintf(`document.title === %q`, strings.ToUpper(room[:1])+room[1:]+" · culvert-crawler · facetd"), patience)
		got, want := eval[[]string](b, visibleParts), slices.Clone(parts[room])
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Errorf("the room %s shows %v, want %v", room, got, want)
		}
		if current := eval[string](b, `document.querySelector('#rooms [aria-current="page"]').dataset.room`); current != room {
			t.Errorf("in the room %s the head says %s", room, current)
		}
		if !eval[bool](b, `(() => { scrollTo(0, 1e6); const r = document.getElementById("stop").getBoundingClientRect();
			return r.top >= 0 && r.bottom <= innerHeight; })()`) {
			t.Errorf("in the room %s the stop is out of sight", room)
		}
	}
	b.live(19)
	in("watch")
	// Of what is fresh it may give way to a long name; it is told to those who hear the page all the same.
	if hidden := eval[[]string](b, `[...document.querySelectorAll(".tile")].filter((e) => {
		if (e.dataset.tight === "true" && e.dataset.state === "fresh") return !/ \d[\d.]* m?s\b/.test(e.getAttribute("aria-label"));
		const age = e.querySelector(".age").getBoundingClientRect(), box = e.querySelector(".cap").getBoundingClientRect();
		return age.width < 5 || age.top < box.top - 2 || age.bottom > box.bottom + 2 || age.right > box.right + 1;
	}).map((e) => e.dataset.chip)`); len(hidden) > 0 {
		t.Errorf("how old these pictures are is not seen: %v", hidden)
	}
	for _, room := range []string{"change", "build", "watch"} {
		b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
		in(room)
		if at := eval[string](b, `location.pathname`); at != "/"+room {
			t.Errorf("the room %s is at %s", room, at)
		}
	}
	eval[bool](b, `(history.back(), true)`)
	in("build")
	b.do(chromedp.KeyEvent("2"))
	in("change")
	b.do(chromedp.KeyEvent("t"))
	in("build")
	b.click("#health-line") // of what is watched, wherever one is
	if room := eval[string](b, `document.body.dataset.room`); room != "watch" {
		t.Errorf("the line of health leads to the room %s", room)
	}
	for _, room := range page.Rooms {
		b.do(chromedp.Navigate(d.url() + room))
		b.waitFor(`document.getElementById("link").dataset.state === "live"`, patience)
		in(room)
	}
	b.noErrors()
}

// TestWatchFits: all that is watched of nineteen chips is in one wide window at once, with every picture and each table
// whole.
func TestWatchFits(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1920, 1080)
	b.live(19)
	b.picture("watch-1920", "body")
	if got := eval[[]string](b, `[document.scrollingElement, ...document.querySelectorAll("main > section, #tiles, #rates-body")]
		.filter((e) => e.scrollHeight > e.clientHeight + 1 || e.scrollWidth > e.clientWidth + 1)
		.map((e) => e.tagName + "#" + e.id + " " + e.scrollHeight + " in " + e.clientHeight)`); len(got) > 0 {
		t.Errorf("these scroll: %v", got)
	}
	if got := eval[[]string](b, `[...document.querySelectorAll(".tile, #events-list, #chip-facts, #rates-table tr, footer")].filter((e) => {
		const r = e.getBoundingClientRect(), box = e.closest("section, footer").getBoundingClientRect();
		return r.height < 12 || r.top < box.top || r.bottom > Math.min(box.bottom, innerHeight) + 1; }).map((e) => e.tagName + e.id + e.dataset.chip)`); len(got) > 0 {
		t.Errorf("these are not seen whole: %v", got)
	}
	// What is wrong takes no more than pictures can spare.
	if _, err := facetdv1.NewFaultServiceClient(d.dial(t)).SetFaults(limited(t), &facetdv1.SetFaultsRequest{
		Faults: []*facetdv1.Fault{{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "wall-02"},
			{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"}}}); err != nil {
		t.Fatal(err)
	}
	b.waitFor(`document.querySelectorAll("#findings-list li").length >= 2`, patience)
	b.drawn()
	b.picture("watch-1920-broken", "body")
	if small := eval[float64](b, `Math.min(...[...document.querySelectorAll(".tile")].map((e) => e.offsetWidth))`); small < 56 {
		t.Errorf("beside two findings a tile is %.0f pixels wide", small)
	}
	b.click(`#rooms a[data-room="change"]`)
	b.picture("change-1920", "body")
	b.click(`#rooms a[data-room="build"]`)
	b.drawn()
	b.picture("build-1920", "body")
	b.noErrors()
}
