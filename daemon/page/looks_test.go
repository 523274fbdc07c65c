package page_test

import (
	"fmt"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// accessible finds what axe-core finds against WCAG 2.2 at level AA, as a line for each rule.
const accessible = `axe.run(document, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}).then((r) =>
	r.violations.map((v) => v.id + ": " + v.help + ": " + v.nodes.slice(0, 3).map((n) => n.html.slice(0, 120)).join(" | ")))`

// cutOff are the texts of heads, controls, captions and findings that do not show whole: what scrolls does by itself.
const cutOff = `[...document.querySelectorAll(".bar a, .bar dd, .bar button, #health summary, #health dd, #health button, " +
		".tile .name, h2, main button:not(.tile), .group-head, #chip-scale span")].filter((e) => {
	if (!e.checkVisibility() || e.closest(".scroll, .hidden, .names, #events")) return false;
	const st = getComputedStyle(e);
	return e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && st.display !== "inline" && st.overflowX !== "visible";
}).map((e) => e.className + " " + e.textContent.trim().slice(0, 40))`

// TestLooks: in a wide, a usual and a narrow window, light and dark, with few and with many chips, fault-free and
// broken, nothing is wider than the window, no text is cut off, the worst finding is in the first screen, and axe-core
// finds nothing.
func TestLooks(t *testing.T) {
	t.Parallel()
	source, err := peertest.Node(t, []string{"axe-core@4.14.1"}, "-e",
		`process.stdout.write(require("fs").readFileSync(require.resolve("axe-core/axe.min.js")))`).Output()
	if err != nil {
		t.Fatal(err)
	}
	for _, chips := range []int{9, 19, 64}[:peertest.Cases(1, 3)] {
		t.Run(fmt.Sprint(chips), func(t *testing.T) {
			d := run(t, func(c *server.Setup) {
				if chips == 19 {
					calm(t, c)
				} else {
					square(t, c, chips, 2)
				}
			})
			b := browse(t, d.url(), 1280, 800)
			b.live(chips)
			eval[bool](b, string(source)+"; true")
			if peertest.All() {
				b.look(fmt.Sprintf("%d-good", chips))
			}
			dead := map[bool]string{true: "wall-02", false: "eye-01"}[chips == 19]
			if _, err := facetdv1.NewFaultServiceClient(d.dial(t)).SetFaults(limited(t), &facetdv1.SetFaultsRequest{
				Faults: []*facetdv1.Fault{{Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: dead},
					{Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"}}}); err != nil {
				t.Fatal(err)
			}
			b.waitFor(fmt.Sprintf(`document.getElementById('health-body').textContent.includes(%q) &&
				document.getElementById('health-line').textContent.includes('lane b')`, dead), patience)
			b.look(fmt.Sprintf("%d-broken", chips))
			b.noErrors()
		})
	}
}

// look looks at every room in every window, and takes pictures; axe-core looks at one of them.
func (b *tab) look(name string) {
	b.t.Helper()
	for _, size := range [][2]int64{{1920, 1080}, {390, 844}, {1280, 800}} {
		b.do(chromedp.EmulateViewport(size[0], size[1]))
		for _, room := range page.Rooms {
			b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
			b.drawn()
			if w := eval[int64](b, `document.scrollingElement.scrollWidth`); w > size[0] {
				b.t.Errorf("%s: the room %s is %d pixels wide in a window of %d", name, room, w, size[0])
			}
			if !eval[bool](b, `(scrollTo(0, 0), document.getElementById("health-line").getBoundingClientRect().bottom < innerHeight)`) {
				b.t.Errorf("%s: in the room %s the health is below a window of %d by %d", name, room, size[0], size[1])
			}
			if cut := eval[[]string](b, cutOff); len(cut) > 0 {
				b.t.Errorf("%s: in the room %s at %d by %d these are cut off: %q", name, room, size[0], size[1], cut)
			}
			b.picture(fmt.Sprintf("look-%s-%s-%d", name, room, size[0]), "body")
			if size[0] != 1280 {
				continue
			}
			for _, theme := range []string{"dark", "light"}[:peertest.Cases(1, 2)] { // contrast has a test of its own
				b.theme(theme)
				if found := eval[[]string](b, accessible); len(found) > 0 {
					b.t.Errorf("%s: %s, %s:\n%s", name, room, theme, strings.Join(found, "\n"))
				}
			}
		}
	}
}
