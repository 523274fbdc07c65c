package page_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/accessibility"
	"github.com/chromedp/chromedp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// heard is what a screen reader is told of a part of the page.
type heard struct {
	role, name, value string
	level             string // of a heading
	live              string // polite or assertive: what changes there is said by itself
	children          []*heard
}

// reader is the tree that the browser gives to screen readers.
func (b *tab) reader() *heard {
	b.t.Helper()
	got, err := chromedp.Call(b.ctx, accessibility.GetFullAXTree, accessibility.GetFullAXTreeParams{})
	if err != nil {
		b.t.Fatal(err)
	}
	nodes := map[accessibility.NodeID]*accessibility.Node{}
	for _, n := range got.Nodes {
		nodes[n.NodeID] = n
	}
	plain := func(v *accessibility.Value) string {
		var out any
		if v == nil || json.Unmarshal(v.Value, &out) != nil || out == nil {
			return ""
		}
		return strings.TrimSpace(fmt.Sprint(out))
	}
	var take func(id accessibility.NodeID) []*heard
	take = func(id accessibility.NodeID) (all []*heard) {
		n := nodes[id]
		if n == nil {
			return nil
		}
		for _, child := range n.ChildIDs {
			all = append(all, take(child)...)
		}
		if n.Ignored {
			return all
		}
		h := &heard{role: plain(n.Role), name: plain(n.Name), value: plain(n.Value), children: all}
		for _, p := range n.Properties {
			switch p.Name {
			case accessibility.PropertyNameLevel:
				h.level = plain(p.Value)
			case accessibility.PropertyNameLive:
				h.live = plain(p.Value)
			}
		}
		return []*heard{h}
	}
	return take(got.Nodes[0].NodeID)[0]
}

// each calls f for every part, in the order in which they are read, with those that it stands in.
func (h *heard) each(f func(h *heard, within []*heard), within ...*heard) {
	f(h, within)
	for _, c := range h.children {
		c.each(f, append(slices.Clip(within), h)...)
	}
}

// text is all that is read of a part.
func (h *heard) text() string {
	var all []string
	h.each(func(h *heard, _ []*heard) {
		if h.role == "StaticText" {
			all = append(all, h.name)
		}
	})
	return strings.Join(all, " ")
}

// find is the first part of a role whose name begins so; nil where there is none.
func (h *heard) find(role, name string) (found *heard) {
	h.each(func(x *heard, _ []*heard) {
		if found == nil && x.role == role && strings.HasPrefix(x.name, name) {
			found = x
		}
	})
	return found
}

// needName are the roles that say nothing without a name.
var needName = []string{"button", "link", "textbox", "combobox", "checkbox", "slider", "spinbutton", "image", "region",
	"group", "navigation", "dialog", "alertdialog", "table", "progressbar", "meter", "log", "searchbox"}

// TestWithAScreenReader walks through the tree that screen readers are given: the parts of the page have names and
// stand
// in landmarks, headings leave no level out, and a fault is told by itself, with its cause and what to do next.
func TestWithAScreenReader(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { square(t, c, 9, 4) })
	b := browse(t, d.url(), 1280, 800)
	b.live(9)
	for _, room := range page.Rooms {
		b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
		b.drawn()
		b.readable(room, b.reader())
	}
	b.click(`#rooms a[data-room="watch"]`)
	if line := b.reader().find("status", ""); line == nil || line.live != "polite" {
		t.Errorf("no status is told by itself: %v", line)
	}
	fault(&facetdv1.Fault{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "eye-04"})(t, d)
	b.waitFor(`document.getElementById("health-line").textContent.includes("eye-04")`, patience)
	tree := b.reader()
	told := false
	tree.each(func(h *heard, within []*heard) {
		if h.role == "StaticText" && strings.Contains(h.name, "bad: eye-04: no signal") {
			for _, w := range within {
				told = told || w.live == "polite" || w.live == "assertive"
			}
		}
	})
	if !told {
		t.Error("that a chip is dead is not told by itself")
	}
	health := tree.find("region", "Health: what is wrong")
	if health == nil || !strings.Contains(health.text(), "run 'facetctl probe'") ||
		!strings.Contains(health.text(), "the chip is dead") {
		t.Errorf("the health is read as %v", health)
	} else if before := tree.find("region", "Frames"); before == nil {
		t.Error("there are no frames")
	}
	b.waitFor(`document.querySelector('.tile[data-chip="eye-04"]').getAttribute("aria-label").includes("no signal")`,
		patience)
	tree = b.reader()
	if tile := tree.find("button", "eye-04 "); tile == nil || !strings.Contains(tile.name, "no signal") {
		t.Errorf("the tile of the chip is read as %v", tile)
	}
	// A lost connection interrupts whatever is read.
	d.stop()
	b.waitFor(`document.body.dataset.link === 'lost'`, patience)
	if alert := b.reader().find("alert", ""); alert == nil || alert.live != "assertive" ||
		!strings.Contains(alert.text(), "Connection lost") {
		t.Errorf("a lost connection is read as %+v", alert)
	}
	b.takeFaults() // of a connection that is gone
}

// readable fails the test for what a reader of a room could make nothing of.
func (b *tab) readable(room string, tree *heard) {
	b.t.Helper()
	landmarks := map[string]int{}
	level := 0
	tree.each(func(h *heard, within []*heard) {
		switch h.role {
		case "banner", "main", "contentinfo":
			landmarks[h.role]++
		case "heading":
			var now int
			if _, err := fmt.Sscan(h.level, &now); err != nil || now > level+1 {
				b.t.Errorf("%s: the heading %q of level %s comes after one of level %d", room, h.name, h.level, level)
			}
			level = now
		case "StaticText":
			inside := slices.ContainsFunc(within, func(w *heard) bool {
				return slices.Contains([]string{"banner", "main", "contentinfo", "alert", "link", "dialog"}, w.role)
			})
			if !inside && h.name != "" {
				b.t.Errorf("%s: %q stands in no landmark", room, h.name)
			}
		}
		// What opens and closes has the name of its button.
		opens := len(h.children) > 0 && h.children[0].role == "DisclosureTriangle" && h.children[0].name != ""
		if h.name == "" && slices.Contains(needName, h.role) && !opens {
			var where []string
			for _, w := range within {
				if w.name != "" {
					where = append(where, w.role+" "+w.name)
				}
			}
			b.t.Errorf("%s: a %s has no name, in %s", room, h.role, strings.Join(where, ", "))
		}
	})
	for _, role := range []string{"banner", "main", "contentinfo"} {
		if landmarks[role] != 1 {
			b.t.Errorf("%s: %d parts are %s", room, landmarks[role], role)
		}
	}
	for _, name := range []string{"Rooms", "Parts of this room"} {
		if tree.find("navigation", name) == nil {
			b.t.Errorf("%s: there is no navigation %q", room, name)
		}
	}
}

// TestTimetableMarksWhatIsNotToScale: every phase that is drawn with more than its share of a segment is marked, and no
// other.
func TestTimetableMarksWhatIsNotToScale(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.show("timetable")
	b.waitFor(`document.querySelectorAll("#timetable-svg .tt-seg").length > 0`, patience)
	type segment struct {
		Wide   float64
		Phases map[string]float64 // heights to scale, in pixels
		Marked []string           // "" for the segment as a whole
	}
	segments := eval[[]segment](b, `fetch("/facetd.v1.PlanService/GetPlan", {method: "POST",
		headers: {"Content-Type": "application/json"}, body: "{}"}).then((r) => r.json()).then(({plan}) =>
		[...document.querySelectorAll("#timetable-svg .tt-seg")].map((g) => {
			const seg = plan.timetable.segments[g.dataset.index], back = g.querySelector(".tt-back").getBBox();
			const busy = (seg.phases ?? []).map((p) => [p.phase.slice(6).toLowerCase(), Number(p.busy_ns ?? 0)]);
			const all = busy.reduce((sum, p) => sum + p[1], 0);
			return {wide: back.width, phases: Object.fromEntries(busy.map(([n, v]) => [n, back.height * v / all])),
				marked: [...g.querySelectorAll(".tt-tiny")].map((n) => n.dataset.phase ?? "")};
		}))`)
	marks := 0
	for i, s := range segments {
		var want []string
		if s.Wide < 2 {
			want = append(want, "")
		} else {
			for name, high := range s.Phases {
				if high > 0 && high < 2 {
					want = append(want, name)
				}
			}
		}
		slices.Sort(want)
		slices.Sort(s.Marked)
		if marks += len(want); !slices.Equal(want, s.Marked) {
			t.Errorf("segment %d, %.2f pixels wide, %v: marked are %q, want %q", i, s.Wide, s.Phases, s.Marked, want)
		}
	}
	if marks == 0 {
		t.Error("nothing is too small")
	}
	b.picture("timetable-marks", "#timetable")
	b.noErrors()
}
