package draw

import (
	"fmt"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// ink is a property of what a selector finds, and the token whose colour it has.
type ink struct{ selector, property, token string }

// inked are the rules of style of inks, on light and on dark ground.
func inked(inks []ink) (light, dark string) {
	colours := map[string]tokens.Colour{}
	for _, c := range tokens.All() {
		colours[c.Name] = c
	}
	for _, i := range inks {
		light += fmt.Sprintf("%s{%s:%s}\n", i.selector, i.property, colours[i.token].Light)
		dark += fmt.Sprintf("%s{%s:%s}\n", i.selector, i.property, colours[i.token].Dark)
	}
	return light, dark
}

// hatchPaths are lines at an angle, through a square of 4 pixels that is put side by side.
var hatchPaths = map[int]string{
	0: "M0 2h4", 45: "M-1 1l2 -2M0 4l4 -4M3 5l2 -2", 90: "M2 0v4", 135: "M-1 3l2 2M0 0l4 4M3 -1l2 2",
}

// hatches defines the lines that go over each phase.
func hatches(d *svg.Drawing) {
	d.Put("<defs>\n")
	for i, p := range tokens.Phases {
		if len(p.Hatch) == 0 {
			continue
		}
		d.Put(`<pattern id="timetable-h%v" width="4" height="4" patternUnits="userSpaceOnUse">`, i)
		for _, deg := range p.Hatch {
			d.Put(`<path class="hatch" d="%v"/>`, hatchPaths[deg])
		}
		d.Put("</pattern>\n")
	}
	d.Put("</defs>\n")
}
