package page_test

import (
	"fmt"
	"math"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"facetd.example/daemon/page"
	"facetd.example/daemon/server"
	"facetd.example/scheduler/draw"
)

// luminance is the relative luminance of a colour such as #1d2329, and contrast the
// contrast ratio of two, both by WCAG 2.2 (W3C Recommendation), definitions of relative
// luminance and contrast ratio.
func luminance(t *testing.T, colour string) float64 {
	t.Helper()
	var c [3]uint8
	if _, err := fmt.Sscanf(colour, "#%02x%02x%02x", &c[0], &c[1], &c[2]); err != nil {
		t.Fatalf("%q is not a colour: %v", colour, err)
	}
	sum := 0.0
	for i, weight := range []float64{0.2126, 0.7152, 0.0722} {
		v := float64(c[i]) / 255
		if v <= 0.04045 {
			v /= 12.92
		} else {
			v = math.Pow((v+0.055)/1.055, 2.4)
		}
		sum += weight * v
	}
	return sum
}

func contrast(t *testing.T, a, b string) float64 {
	t.Helper()
	la, lb := luminance(t, a), luminance(t, b)
	return (max(la, lb) + 0.05) / (min(la, lb) + 0.05)
}

// The ends of the scale, and a pair well known as just not enough (#777777 on white,
// 4.48:1) and just enough (#767676, 4.54:1): common knowledge of the trade, from memory.
func TestContrastFormula(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{{"#000000", "#ffffff", 21}, {"#123456", "#123456", 1}, {"#777777", "#ffffff", 4.48},
		{"#ffffff", "#767676", 4.54}} {
		if got := contrast(t, c.a, c.b); math.Abs(got-c.want) > 0.005 {
			t.Errorf("%s on %s is %.3f, want %.2f", c.a, c.b, got, c.want)
		}
	}
}

var token = regexp.MustCompile(`--([a-z-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\);`)

// TestContrast: WCAG 2.2 asks for 4.5:1 of text (1.4.3, level AA) and for 3:1 of what must
// be seen to be understood or used (1.4.11).
func TestContrast(t *testing.T) {
	css, err := os.ReadFile("static/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	themes := map[string]map[string]string{"light": {}, "dark": {}}
	for _, m := range token.FindAllStringSubmatch(string(css), -1) {
		themes["light"][m[1]], themes["dark"][m[1]] = m[2], m[3]
	}
	if got, declared := len(themes["light"]), strings.Count(string(css), "--"); got != declared {
		t.Fatalf("%d of %d colours could be read", got, declared)
	}
	grounds := "bg surface sunken"
	checked := map[string]bool{}
	for name, colours := range themes {
		for _, rule := range []struct {
			least     float64
			over, set string
		}{
			{4.5, grounds, "ink muted accent ok warn bad"},
			{4.5, "bad-bg", "bad ink"}, {4.5, "warn-bg", "warn ink"}, {4.5, "accent", "on-accent"},
			{4.5, "muted", "surface"},
			{3, "surface sunken", "edge focus accent high low phase-select phase-write phase-load phase-share " +
				"phase-settle phase-convert"},
			{3, "bg", "edge focus"},
		} {
			for _, over := range strings.Fields(rule.over) {
				for _, c := range strings.Fields(rule.set) {
					checked[c], checked[over] = true, true
					if got := contrast(t, colours[c], colours[over]); got < rule.least {
						t.Errorf("%s: %s %s on %s %s is %.2f:1, below %v:1", name, c, colours[c], over, colours[over],
							got, rule.least)
					}
				}
			}
		}
		for c := range colours {
			if !checked[c] && c != "line" { // which only decorates
				t.Errorf("the colour %s is in no pair", c)
			}
		}
	}
}

// TestOnlyTokens: no colour stands outside the table that is checked, but the black
// behind pictures and the white upon it.
func TestOnlyTokens(t *testing.T) {
	for _, name := range []string{"static/style.css", "static/chip.mjs", "static/bus.mjs", "static/rates.mjs",
		"static/timetable.mjs"} {
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

// TestPhasesAreDrawnAlike: the page shows the phases of the bus in the colours of the drawings.
func TestPhasesAreDrawnAlike(t *testing.T) {
	css, err := os.ReadFile("static/tokens.css")
	if err != nil {
		t.Fatal(err)
	}
	shown := 0
	for _, c := range token.FindAllStringSubmatch(string(css), -1) {
		name, is := strings.CutPrefix(c[1], "phase-")
		if !is {
			continue
		}
		shown++
		if !slices.Contains(draw.PhaseColours[:], draw.PhaseColour{Name: name, Light: c[2], Dark: c[3]}) {
			t.Errorf("the page draws %s in %s and %s, the drawings' palette is %v", name, c[2], c[3], draw.PhaseColours)
		}
	}
	if shown != len(draw.PhaseColours)-1 {
		t.Errorf("the page has %d of %d phases", shown, len(draw.PhaseColours)-1)
	}
}
