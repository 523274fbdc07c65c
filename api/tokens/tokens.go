// Package tokens has the colours of everything of ours that is looked at: the page, the drawings, and what clients show
// in a browser. Each is given for light and for dark ground. Tests compute the contrast of every pair in use, and how
// far colours that stand side by side are from each other in the eyes of normal and of colour-blind readers.
package tokens

import (
	"fmt"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Colour is a colour on light and on dark ground, each as #rrggbb.
type Colour struct{ Name, Light, Dark string }

// Phase is how a phase of the bus is drawn. Where there is space for it, lines in the colour of the ground go over the
// colour at these angles, in degrees from across, rising to the right: whoever sees no colours tells the phases apart
// by them.
type Phase struct {
	Colour
	Hatch []int
}

// Phases are how the phases of the bus are drawn, by facetdv1.Phase; the first is what has no phase. A bar of a
// timetable shows any two side by side, so that any two of them are told apart.
var Phases = [...]Phase{
	facetdv1.Phase_PHASE_UNSPECIFIED: {Colour: Colour{"other", "#81837f", "#8f9088"}},
	facetdv1.Phase_PHASE_SELECT:      {Colour{"select", "#2a0d06", "#f3f4e6"}, []int{0}},
	facetdv1.Phase_PHASE_WRITE:       {Colour{"write", "#0f7ff5", "#4370f0"}, []int{45}},
	facetdv1.Phase_PHASE_LOAD:        {Colour{"load", "#b37800", "#fbac28"}, []int{90}},
	facetdv1.Phase_PHASE_SHARE:       {Colour{"share", "#8b2305", "#c8321c"}, []int{135}},
	facetdv1.Phase_PHASE_SETTLE:      {Colour: Colour{"settle", "#694b73", "#806375"}},
	facetdv1.Phase_PHASE_CONVERT:     {Colour{"convert", "#0a0a3c", "#24d3ff"}, []int{45, 135}},
}

// Grounds are what everything stands upon: behind all, of a part, and of what is sunk into a part.
var Grounds = []Colour{
	{"bg", "#f1efe9", "#12171b"},
	{"surface", "#fdfcfa", "#1b2228"},
	{"sunken", "#e9e6de", "#141a1f"},
}

// Inks are texts, lines and controls. None of them says anything about how something is.
var Inks = []Colour{
	{"ink", "#1d2329", "#e6e9ea"},
	{"muted", "#535d67", "#a3b0b8"},
	{"line", "#cbc8be", "#36414a"},
	{"edge", "#7d8389", "#74838d"},
	{"accent", "#0b5f6b", "#6cc5d1"},
	{"on-accent", "#ffffff", "#0d2226"},
	{"focus", "#b0450a", "#ffb066"},
}

// States are how something is, where it is not as it should be, with the grounds of notes that say so; what is as it
// should be has the colour of any other text. Each comes with a shape and a word.
var States = []Colour{
	{"warn", "#875d07", "#f7c741"},
	{"bad", "#700f10", "#f7647e"},
	{"bad-bg", "#fbe3e0", "#3a1a22"},
	{"warn-bg", "#faeed4", "#38301c"},
}

// Clips mark pixels at the highest and at the lowest code.
var Clips = []Colour{
	{"high", "#c2361f", "#ff7a66"},
	{"low", "#1769aa", "#74b6f0"},
}

// Series are curves and bars beside each other, each with its name: any two may be neighbours.
var Series = []Colour{
	{"series-1", "#425fc9", "#2293d9"},
	{"series-2", "#bf180b", "#fa521d"},
	{"series-3", "#795361", "#c6f705"},
	{"series-4", "#130b9b", "#a68e89"},
	{"series-5", "#4c0709", "#f4efd3"},
	{"series-6", "#140721", "#28ebfc"},
}

// Shades are of how often or how much something is, from the least to the most, upon what is sunken: each stands beside
// the next.
var Shades = []Colour{
	{"shade-1", "#30d7f3", "#1a426c"},
	{"shade-2", "#9b9ca8", "#785c5f"},
	{"shade-3", "#4e87ca", "#2178eb"},
	{"shade-4", "#7b6e5f", "#a9a4bc"},
	{"shade-5", "#275c96", "#acebc5"},
}

// CSS is a style sheet that gives every colour as a custom property, such as --ink or --phase-load, by the scheme that
// the reader prefers, or that data-theme ("light" or "dark") of the root has chosen.
func CSS() []byte {
	var b strings.Builder
	b.WriteString(":root {\n  color-scheme: light dark;\n")
	for _, c := range All() {
		fmt.Fprintf(&b, "  --%s: light-dark(%s, %s);\n", c.Name, c.Light, c.Dark)
	}
	b.WriteString("}\n:root[data-theme=\"light\"] { color-scheme: light; }\n" +
		":root[data-theme=\"dark\"] { color-scheme: dark; }\n")
	return []byte(b.String())
}

// Style fills the colours into a style sheet that names them as custom properties, such as var(--ink): for drawings,
// which are also shown by what knows no custom properties. It returns the sheet for light and for dark ground.
func Style(sheet string) (light, dark string) {
	var onLight, onDark []string
	for _, c := range All() {
		onLight = append(onLight, "var(--"+c.Name+")", c.Light)
		onDark = append(onDark, "var(--"+c.Name+")", c.Dark)
	}
	return strings.NewReplacer(onLight...).Replace(sheet), strings.NewReplacer(onDark...).Replace(sheet)
}

// Themed is a rule of a style sheet with the colours filled in, by the scheme that the reader prefers: for pages that
// stand by themselves, also in browsers and mail programs of long ago.
func Themed(rule string) string {
	light, dark := Style(rule)
	return light + "\n@media (prefers-color-scheme: dark) { " + dark + " }"
}

// All are all colours by the names of their custom properties.
func All() []Colour {
	var all []Colour
	for _, list := range [][]Colour{Grounds, Inks, States, Clips, Series, Shades} {
		all = append(all, list...)
	}
	for _, p := range Phases {
		all = append(all, Colour{"phase-" + p.Name, p.Light, p.Dark})
	}
	return all
}
