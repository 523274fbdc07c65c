package page_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"

	"facetd.example/daemon/config"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// focused is what has the keyboard.
type focused struct {
	ID, Tag, Chip, Name, Outline string
	Seen, Tile                   bool
}

// whatFocused gives the browser frames to scroll in before it says that something is outside the window: a busy
// machine draws few of them in a second. What grows above, as the page of a live daemon does, may push out what was in
// the window when it got the keyboard: then it gets it again.
const whatFocused = `(async () => {
	const e = document.activeElement, st = getComputedStyle(e);
	const seen = () => {
		const r = e.getBoundingClientRect();
		return r.width > 0 && r.height > 0 && r.bottom > 0 && r.top < innerHeight && r.right > 0 && r.left < innerWidth;
	};
	for (let n = 1; n < 300 && !seen(); n++) {
		await new Promise(requestAnimationFrame);
		if (n % 60 === 0) { e.blur(); e.focus(); }
	}
	const label = e.getAttribute("aria-label") || (e.labels?.length ? e.labels[0].textContent : "") ||
		e.textContent || e.getAttribute("title") || "";
	return { id: e.id, tag: e.tagName, chip: e.dataset?.chip ?? "", name: label.trim().slice(0, 60),
		outline: st.outlineStyle + " " + st.outlineWidth, seen: seen(), tile: e.matches(".tile") };
})()`

// walk goes through a room with the tabulator until it comes to an end, and checks every stop.
func (b *tab) walk() (walk []focused) {
	b.t.Helper()
	for range 250 {
		b.do(chromedp.KeyEvent(kb.Tab))
		f := eval[focused](b, whatFocused)
		if f.Tag == "BODY" || len(walk) > 5 && f.ID == walk[0].ID && f.Name == walk[0].Name {
			break
		}
		walk = append(walk, f)
		if f.Name == "" {
			b.t.Errorf("%s %s has no name", f.Tag, f.ID)
		}
		if strings.HasPrefix(f.Outline, "none") || strings.HasSuffix(f.Outline, " 0px") {
			b.t.Errorf("%s %s (%s) does not show that it has the keyboard", f.Tag, f.ID, f.Name)
		}
		if !f.Seen {
			b.t.Errorf("%s %s (%s) has the keyboard outside the window", f.Tag, f.ID, f.Name)
		}
	}
	return walk
}

// TestKeyboardOnly: everything can be reached with the tabulator, has a name and shows
// that it has the keyboard; the shortcuts lead where they say.
func TestKeyboardOnly(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) {
		calm(t, c)
		c.Data = t.TempDir()
	})
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	var walk []focused
	for _, room := range page.Rooms { // in the order of their addresses
		b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
		eval[bool](b, `(document.activeElement.blur(), scrollTo(0, 0), true)`)
		walk = append(walk, b.walk()...)
	}
	t.Logf("%d stops", len(walk))
	var ids []string
	tiles := 0
	for _, f := range walk {
		ids = append(ids, f.ID)
		if f.Chip != "" && f.Tag == "BUTTON" && f.Tile {
			tiles++
		}
	}
	if tiles != 1 {
		t.Errorf("the chips take %d stops; arrows move among them", tiles)
	}
	for _, id := range []string{"theme", "help", "frames-task", "codes", "range-mode", "mark-clipped", "timetable-svg",
		"events-filter", "events-list", "wiring-lines",
		"fault-kind", "probe", "task-name", "task-rate", "task-target", "preview-button", "shot-target",
		"capture-button", "record-name", "record-start"} {
		if !slices.Contains(ids, id) {
			t.Errorf("%s is not reached", id)
		}
	}
	// The order is the page's.
	if !slices.IsSorted([]int{slices.Index(ids, "frames-task"), slices.Index(ids, "mark-clipped"),
		slices.Index(ids, "events-list"), slices.Index(ids, "task-name"), slices.Index(ids, "record-start"),
		slices.Index(ids, "timetable-svg"), slices.Index(ids, "wiring-lines")}) {
		t.Errorf("the order is %v", ids)
	}

	eval[bool](b, `(document.activeElement.blur(), true)`)
	for key, part := range map[string]string{"w": "wiring", "t": "timetable", "k": "keep", "f": "frames"} {
		b.do(chromedp.KeyEvent(key))
		b.waitFor(fmt.Sprintf(`document.activeElement.id === %q`, part), patience)
	}
	b.do(chromedp.KeyEvent("?"))
	b.waitFor(`document.getElementById('keys').open`, patience)
	b.picture("keys")
	b.do(chromedp.KeyEvent(kb.Escape))
	b.waitFor(`!document.getElementById('keys').open`, patience)
	// In a field a letter is a letter.
	b.fill("#task-name", "wtk")
	if got := eval[string](b,
		`document.activeElement.id + " " + document.activeElement.value`); got != "task-name wtk" {
		t.Errorf("typing in a field: %s", got)
	}
	b.noErrors()
}

// TestSmallScreen: on a telephone nothing is wider than the screen, and the pictures are
// in rows.
func TestSmallScreen(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 390, 844)
	b.live(19)
	if w := eval[int](b, `document.scrollingElement.scrollWidth`); w > 390 {
		wide := eval[[]string](b,
			`[...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > 391 && !e.parentElement.closest('.scroll, nav')).map((e) => e.tagName + '#' + e.id + '.' + e.className).slice(0, 8)`)
		t.Errorf("the page is %d pixels wide on a screen of 390: %v", w, wide)
	}
	b.picture("phone")
	_, err := chromedp.Call(b.ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-reduced-motion", Value: "reduce"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := eval[string](b, `getComputedStyle(document.documentElement).scrollBehavior`); got != "auto" {
		t.Errorf("with less motion asked for, scrolling is %s", got)
	}
	b.noErrors()
}

// TestEmpty: an array without tasks says so everywhere.
func TestEmpty(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { c.Tasks = config.None })
	b := browse(t, d.url(), 1280, 800)
	b.waitFor(`document.getElementById('rates-empty')?.textContent.includes('No tasks run')`, patience)
	b.waitFor(`document.getElementById('timetable-sum').textContent.includes('no tasks run')`, patience)
	b.waitFor(`document.getElementById('chip-stamp').textContent.includes('No frame yet')`, patience)
	if n := eval[int](b, `document.querySelectorAll('.tile[data-state="none"]').length`); n != 19 {
		t.Errorf("%d chips say that they have no frame", n)
	}
	b.picture("empty")
	b.quiet()
	b.noErrors()
}
