package page_test

import (
	"fmt"
	"os"
	"regexp"
	"strings"
	"testing"

	"facetd.example/api/tokens"
	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
)

// TestOnlyTokens: no colour stands outside the table that is checked, but the black
// behind pictures and the white upon it.
func TestOnlyTokens(t *testing.T) {
	for _, name := range []string{"static/style.css", "static/chip.mjs", "static/bus.mjs", "static/rates.mjs",
		"static/timetable.mjs", "static/phases.mjs",
		"static/panorama.mjs", "static/frames.mjs"} {
		data, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`#[0-9a-fA-F]{3,8}\b|rgba?\([^)]*\)`).FindAllString(string(data), -1) {
			if m != "#000" && m != "#fff" && m != "rgb(0 0 0 / .45)" {
				t.Errorf("%s has the colour %s", name, m)
			}
		}
	}
}

// seenContrast measures every piece of text of the page against the nearest ground that
// is not clear.
const seenContrast = `(() => {
	const parse = (c) => { const n = c.match(/[\d.]+/g).map(Number); return { rgb: n.slice(0, 3), a: n.length > 3 ? n[3] : 1 }; };
	const lum = ([r, g, b]) => [r, g, b].map((v) => v / 255).map((v) => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4).reduce((s, v, i) => s + v * [0.2126, 0.7152, 0.0722][i], 0);
	const bad = [], seen = new Set();
	let n = 0;
	const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
	while (walk.nextNode()) {
		const node = walk.currentNode.parentElement;
		if (!walk.currentNode.data.trim() || seen.has(node) || !node.checkVisibility() || node.closest("noscript, svg, canvas, [hidden], :disabled, option")) continue;
		seen.add(node);
		let ground = node, back;
		while (ground && (back = parse(getComputedStyle(ground).backgroundColor)).a < 1) ground = ground.parentElement;
		const a = lum(parse(getComputedStyle(node).color).rgb), b = lum(ground ? back.rgb : [255, 255, 255]);
		const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
		n++;
		if (ratio < 4.5) bad.push(node.tagName + "." + node.className + " " + node.textContent.trim().slice(0, 30) + " " + ratio.toFixed(2));
	}
	return [String(n), ...bad];
})()`

// TestContrastAsSeen: the same in the page as it stands, in light and in dark.
func TestContrastAsSeen(t *testing.T) {
	t.Parallel()
	d := run(t, func(c *server.Setup) { calm(t, c) })
	b := browse(t, d.url(), 1280, 800)
	b.live(19)
	for _, theme := range []string{"light", "dark"} {
		b.theme(theme)
		for _, room := range page.Rooms {
			b.click(fmt.Sprintf(`#rooms a[data-room=%q]`, room))
			b.drawn()
			got := eval[[]string](b, seenContrast)
			t.Logf("%s, %s: %s texts", theme, room, got[0])
			for _, bad := range got[1:] {
				t.Errorf("%s, %s: %s:1", theme, room, bad)
			}
		}
	}
	// The switch goes before what the system says.
	b.theme("light")
	ground := func() string { return eval[string](b, `getComputedStyle(document.body).backgroundColor`) }
	light := ground()
	b.click("#theme")
	if ground() != light {
		t.Error("light by the switch is not light")
	}
	b.click("#theme")
	if dark := ground(); dark == light || b.text("#theme") != "Colours: dark" {
		t.Errorf("dark by the switch: %s, %s", dark, b.text("#theme"))
	}
	b.click("#theme")
	b.drawn()
	if ground() != light {
		t.Error("the switch does not go back to what the system says")
	}
	b.noErrors()
}

// TestPhasesAreDrawnAlike: the page shows the phases of the bus in the colours of the drawings, and with their lines.
func TestPhasesAreDrawnAlike(t *testing.T) {
	css, err := os.ReadFile("static/style.css")
	if err != nil {
		t.Fatal(err)
	}
	module, err := os.ReadFile("static/phases.mjs")
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range tokens.Phases[1:] {
		if !strings.Contains(string(css), fmt.Sprintf(".fill-%s { fill: var(--phase-%[1]s); }", p.Name)) {
			t.Errorf("the page has no colour for %s", p.Name)
		}
		want := fmt.Sprintf("%s: %s", strings.ToUpper(p.Name), strings.ReplaceAll(fmt.Sprint(p.Hatch), " ", ", "))
		if !strings.Contains(string(module), want) {
			t.Errorf("the lines of %s are not %v in the page", p.Name, p.Hatch)
		}
	}
}
