package tokens

import (
	"fmt"
	"math"
	"strings"
	"testing"
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

// TestContrast: WCAG 2.2 asks for 4.5:1 of text (1.4.3, level AA) and for 3:1 of what must be seen to be understood or
// used (1.4.11).
func TestContrast(t *testing.T) {
	themes := map[string]map[string]string{"light": {}, "dark": {}}
	for _, c := range All() {
		themes["light"][c.Name], themes["dark"][c.Name] = c.Light, c.Dark
	}
	phases := ""
	for _, c := range Phases {
		phases += " phase-" + c.Name
	}
	series := ""
	for _, c := range Series {
		series += " " + c.Name
	}
	grounds := "bg surface sunken"
	checked := map[string]bool{}
	for name, colours := range themes {
		for _, rule := range []struct {
			least     float64
			over, set string
		}{
			{4.5, grounds, "ink muted accent warn bad"},
			{4.5, "bad-bg", "bad ink"}, {4.5, "warn-bg", "warn ink"}, {4.5, "accent", "on-accent"},
			{4.5, "muted", "surface"}, {4.5, "surface sunken", series},
			{3, "surface sunken", "edge focus accent high low" + phases},
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
			decorates := c == "line" || strings.HasPrefix(c, "shade-") // shades stand beside each other, with a legend
			if !checked[c] && !decorates {
				t.Errorf("the colour %s is in no pair", c)
			}
		}
	}
}

// TestCSS: every colour is a custom property of the style sheet, once.
func TestCSS(t *testing.T) {
	css := string(CSS())
	for _, c := range All() {
		if n := strings.Count(css, fmt.Sprintf("--%s: light-dark(%s, %s);", c.Name, c.Light, c.Dark)); n != 1 {
			t.Errorf("%s stands %d times in the style sheet", c.Name, n)
		}
	}
	if n := strings.Count(css, "--"); n != len(All()) {
		t.Errorf("%d properties of %d colours", n, len(All()))
	}
}
