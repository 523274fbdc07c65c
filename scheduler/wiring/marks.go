package wiring

import (
	"fmt"
	"maps"
	"slices"

	"facetd.example/api/invalid"
)

// Mark is how much a place of a map is under suspicion.
type Mark int

// The marks. A place that is both is certain.
const (
	Suspected Mark = iota + 1 // one of several explanations of what a probe saw is there
	Certain                   // every explanation is
)

func (m Mark) class() string {
	if m == Certain {
		return "certain"
	}
	return "suspect"
}

// Marks are places of a map to look at, by the indices of its lines, chips and inputs.
type Marks struct {
	Lines, Chips map[int]Mark
	Lanes        map[string]Mark
	// Inputs are chip and input, Crossings the chip and a line that an input of it may be bridged to.
	Inputs, Crossings map[[2]int]Mark
	// Silent are the chips that were measured not to answer to their own word.
	Silent []int
}

// NewMarks returns no marks, ready to be added to.
func NewMarks() *Marks {
	return &Marks{Lines: map[int]Mark{}, Chips: map[int]Mark{}, Lanes: map[string]Mark{}, Inputs: map[[2]int]Mark{},
		Crossings: map[[2]int]Mark{}}
}

// check adds the errors of marks of places that are not on the map.
func (k *Marks) check(m *invalid.Errors, in *MapInput) {
	outside := func(what string, i, n int) {
		if i < 0 || i >= n {
			m.Add("marks", fmt.Sprintf("%s %d is marked", what, i), fmt.Sprintf("the map has %d", n))
		}
	}
	for l := range k.Lines {
		outside("line", l, len(in.Lines))
	}
	for _, c := range slices.Concat(slices.Collect(maps.Keys(k.Chips)), k.Silent) {
		outside("chip", c, len(in.Chips))
	}
	for at := range k.Crossings {
		outside("chip", at[0], len(in.Chips))
		outside("line", at[1], len(in.Lines))
	}
	for at := range k.Inputs {
		if outside("chip", at[0], len(in.Chips)); at[0] >= 0 && at[0] < len(in.Chips) {
			outside("input", at[1], len(in.Chips[at[0]].Inputs))
		}
	}
}

// Height of the second row of the legend.
const marksHeight = 24

// marks draws rings around the places to look at: dashed where a fault is one of several explanations, solid where it
// is certain. They come last, on top of everything.
func (d *drawing) marks() {
	k := d.in.Marks
	if k == nil {
		return
	}
	for _, l := range slices.Sorted(maps.Keys(k.Lines)) {
		d.ring(k.Lines[l], d.lineX(l)-pitch/2+2, d.top-4, pitch-4, d.bottom-d.top+8)
	}
	for i, c := range d.in.Chips {
		y := d.rowY(i)
		if mark := k.Chips[i]; mark > 0 {
			d.ring(mark, margin+1, y-rowPitch/2+2, d.nameX-margin+5, rowPitch-4)
		}
		if mark := k.Lanes[c.Lane]; mark > 0 && c.Lane != "" {
			d.ring(mark, d.laneX-5, y-rowPitch/2+2, glyph*float64(runes(c.Lane))+10, rowPitch-4)
		}
		for input, line := range c.Inputs {
			if mark := k.Inputs[[2]int{i, input}]; mark > 0 {
				d.ring(mark, d.lineX(line)-rowPitch/2+0.5, y-rowPitch/2+0.5, rowPitch-1, rowPitch-1)
				width := glyph*float64(runes(d.in.Lines[line])) + 8
				d.ring(mark, d.listX+d.listWidth*float64(input)-4, y-rowPitch/2+2, width, rowPitch-4)
			}
		}
	}
	byPlace := func(a, b [2]int) int { return slices.Compare(a[:], b[:]) }
	for _, at := range slices.SortedFunc(maps.Keys(k.Crossings), byPlace) {
		d.bridge(k.Crossings[at], d.lineX(at[1]), d.rowY(at[0]), rowPitch/2)
	}
	for _, c := range k.Silent {
		d.silent(margin-9, d.rowY(c))
	}
	d.marksLegend()
}

func (d *drawing) ring(mark Mark, x, y, width, height float64) {
	d.Put(`<rect class="%v" x="%v" y="%v" width="%v" height="%v" rx="5"/>`+"\n", mark.class(), x, y, width, height)
}

// bridge draws a diamond, which is large enough to be seen around an input that is wired there.
func (d *drawing) bridge(mark Mark, x, y, half float64) {
	d.Put(`<path class="%v" d="M%v %v l%v %v l%v %v l%v %v z"/>`+"\n", mark.class(), x, y-half, half, half, -half, half,
		-half, -half)
}

// silent draws a circle that is crossed out.
func (d *drawing) silent(x, y float64) {
	d.Put(`<g class="silent"><circle cx="%v" cy="%v" r="5"/><path d="M%v %v l7 -7"/></g>`+"\n", x, y, x-3.5, y+3.5)
}

func (d *drawing) marksLegend() {
	y := d.height - margin
	x := float64(margin)
	entry := func(text string) {
		d.text(x+26, y, "small dim", "", text)
		x += 26 + glyph*float64(runes(text)) + 8
	}
	d.ring(Certain, x, y-12, 18, 16)
	entry("a fault for certain")
	d.ring(Suspected, x, y-12, 18, 16)
	entry("one of these")
	d.bridge(Suspected, x+9, y-4, 8)
	entry("a bridge there")
	d.silent(x+9, y-4)
	entry("measured: no answer")
}
