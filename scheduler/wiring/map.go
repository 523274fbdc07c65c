package wiring

import (
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Sizes of the drawing in pixels.
const (
	margin   = 24
	pitch    = 26  // between lines, and between groups
	rowPitch = 24  // between chips
	glyph    = 7.3 // mean width of a character of the 12 px monospace font
	radius   = 9
	band     = 4 // chips between stronger rules, to keep the eye on a row
)

// panel is the style, in the colours of everything that is looked at. The panel is drawn, so that the map can be read
// on whatever it is laid on.
const panel = `
	.panel{fill:var(--surface);stroke:var(--line)}
	.ink{fill:var(--ink)}
	.dim{fill:var(--muted)}
	.row{fill:var(--sunken)}
	.line{stroke:var(--edge);stroke-width:1}
	.strong{stroke:var(--edge);stroke-width:1.2}
	.dot{fill:var(--accent)}
	.group{fill:var(--focus)}
	.many{fill:var(--surface);stroke:var(--focus);stroke-width:2}
	.stem{stroke:var(--focus);stroke-width:1.5;opacity:.45}
	.suspect{fill:none;stroke:var(--bad);stroke-width:2;stroke-dasharray:4 2.5}
	.certain{fill:none;stroke:var(--bad);stroke-width:3}
	.silent{fill:var(--surface);stroke:var(--bad);stroke-width:2}
	text{font:12px "DejaVu Sans Mono",Menlo,Consolas,monospace}
	.title{font-size:16px;font-weight:bold}
	.num{fill:var(--on-accent);font-weight:bold;font-size:11px}
	.small{font-size:11px}
`

// Map draws a wiring as an SVG to solder from: a row for each chip, a column for
// each host line, and where they cross a dot with the number of the chip's input.
// To the right each input's line is written out, and each group has a column with
// a mark at its chips: filled where one word reaches the group, hollow where it
// takes several. Below every line stands how many inputs are wired to it, and the pin that
// drives it; below all of that the pins that the board drives, with what they serve. The same
// input gives the same bytes. Errors: invalid.Errors, and those of the writer.
func Map(w io.Writer, in MapInput) error {
	if err := in.check(); err != nil {
		return err
	}
	d := &drawing{in: &in}
	d.measure()
	d.draw()
	_, err := d.WriteTo(w)
	return err
}

type drawing struct {
	*svg.Drawing
	in                      *MapInput
	top, bottom             float64 // of the rows
	nameX, laneX            float64 // right end of chip names, left end of lanes
	linesX, listX, groupsX  float64
	listWidth               float64 // of one input's column
	inputs                  int
	width, height           float64
	hasLanes, hasWordCounts bool
}

// measure places the columns.
func (d *drawing) measure() {
	var names, lanes, lines, groups int
	for _, c := range d.in.Chips {
		names, lanes = max(names, runes(c.Name)), max(lanes, runes(d.laneText(c.Lane)))
		d.inputs = max(d.inputs, len(c.Inputs))
	}
	for _, name := range d.in.Lines {
		lines = max(lines, runes(name))
	}
	for _, g := range d.in.Groups {
		groups = max(groups, runes(g.Name))
		d.hasWordCounts = d.hasWordCounts || g.Words > 0
	}
	d.hasLanes = lanes > 0
	x := margin + 6 + glyph*float64(max(names, 5))
	d.nameX = x
	d.laneX = x + 14
	if d.hasLanes {
		x = d.laneX + glyph*float64(max(lanes, 4))
	}
	d.linesX = x + 14 + pitch/2
	x = d.linesX + pitch*float64(len(d.in.Lines)-1) + pitch
	d.listX = x
	d.listWidth = glyph * (float64(max(lines, 4)) + 2)
	x += d.listWidth * float64(d.inputs)
	d.groupsX = x + pitch/2 + 6
	if len(d.in.Groups) > 0 {
		x = d.groupsX + pitch*float64(len(d.in.Groups)-1) + pitch/2
	}
	d.top = margin + 30 + glyph*float64(max(lines, groups, 4)) + 12
	d.bottom = d.top + rowPitch*float64(len(d.in.Chips))
	footer := 4 + glyph*float64(lines) + 28
	d.height = d.bottom + footer + 24 + margin
	if d.in.Marks != nil {
		d.height += marksHeight
	}
	if d.in.Device != nil {
		d.height += pinRow
	}
	least := margin*2 + 9.8*float64(runes(d.in.Title))
	d.width = max(x+margin, least, d.linesX+glyph*58)
	_, _, _, pins := d.pinsShape()
	d.height += pins
}

func (d *drawing) draw() {
	d.Drawing = svg.New("wiring", d.in.Title, d.width, d.height)
	d.Put("<desc>%v chips on %v select lines</desc>\n", len(d.in.Chips), len(d.in.Lines))
	d.Style(tokens.Style(panel))
	d.Put(`<rect class="panel" x="0.5" y="0.5" width="%v" height="%v" rx="6"/>`+"\n", d.width-1, d.height-1)
	d.text(margin, margin+14, "title ink", "", d.in.Title)
	d.rows()
	d.lines()
	d.groups()
	d.chips()
	d.pins()
	d.legend()
	d.marks()
}

// rows draws the bands and rules behind everything.
func (d *drawing) rows() {
	right := d.width - margin
	for i := range d.in.Chips {
		y := d.top + rowPitch*float64(i)
		if i%2 == 0 {
			d.Put(`<rect class="row" x="%v" y="%v" width="%v" height="%v"/>`+"\n", margin, y, right-margin, rowPitch)
		}
		if i%band == 0 {
			d.rule("strong", margin, y, right, y)
		}
	}
	d.rule("strong", margin, d.bottom, right, d.bottom)
}

// lines draws the host lines with their names above and below.
func (d *drawing) lines() {
	wired := make([]int, len(d.in.Lines))
	for _, c := range d.in.Chips {
		for _, line := range c.Inputs {
			wired[line]++
		}
	}
	d.text(d.nameX, d.top-10, "small dim", "end", "chip")
	if d.hasLanes {
		d.text(d.laneX, d.top-10, "small dim", "", "lane")
	}
	for k := range d.inputs {
		d.text(d.listX+d.listWidth*float64(k), d.top-10, "small dim", "", "in "+strconv.Itoa(k))
	}
	for i, name := range d.in.Lines {
		x := d.lineX(i)
		d.rule("line", x, d.top-6, x, d.bottom+6)
		d.upright(x, d.top-10, "ink", "", name)
		d.text(x, d.bottom+20, "small dim", "mid", strconv.Itoa(wired[i]))
		below := d.bottom + 28
		if d.in.Device != nil {
			d.text(x, below+4, "small ink", "mid", d.linePin(i))
			below += pinRow
		}
		d.upright(x, below, "ink", "end", name)
	}
	if d.in.Device != nil {
		d.text(d.nameX, d.bottom+32, "small dim", "end", "pins")
	}
	d.text(d.nameX, d.bottom+20, "small dim", "end", "wires")
}

// groups draws the group columns.
func (d *drawing) groups() {
	for i, g := range d.in.Groups {
		x := d.groupsX + pitch*float64(i)
		d.upright(x, d.top-10, "ink", "", g.Name)
		if d.hasWordCounts {
			words := "?"
			if g.Words > 0 {
				words = strconv.Itoa(g.Words)
			}
			d.text(x, d.bottom+20, "small dim", "mid", words)
		}
		if len(g.Chips) == 0 {
			continue
		}
		class := "group"
		if g.Words > 1 {
			class = "many"
		}
		d.rule("stem", x, d.rowY(slices.Min(g.Chips)), x, d.rowY(slices.Max(g.Chips)))
		for _, c := range slices.Compact(slices.Sorted(slices.Values(g.Chips))) {
			d.Put(`<rect class="%v" x="%v" y="%v" width="12" height="12" rx="2"><title>%v: %v</title></rect>`+"\n",
				class, x-6, d.rowY(c)-6, g.Name, d.in.Chips[c].Name)
		}
	}
	if d.hasWordCounts {
		d.text(d.groupsX-pitch/2-4, d.bottom+20, "small dim", "end", "words")
	}
}

// chips draws the names, the dots and the written-out inputs.
func (d *drawing) chips() {
	for i, c := range d.in.Chips {
		y := d.rowY(i)
		d.text(d.nameX, y+4, "ink", "end", c.Name)
		if c.Lane != "" {
			d.text(d.laneX, y+4, "dim", "", d.laneText(c.Lane))
		}
		atLine := map[int][]string{} // several inputs may share a line
		for k, line := range c.Inputs {
			atLine[line] = append(atLine[line], strconv.Itoa(k))
			d.text(d.listX+d.listWidth*float64(k), y+4, "ink", "", d.in.Lines[line])
		}
		for line := range d.in.Lines {
			numbers := strings.Join(atLine[line], ",")
			if numbers == "" {
				continue
			}
			half := max(radius, 4+glyph*float64(len(numbers))/2)
			d.Put(`<g><title>%v input %v to %v</title><rect class="dot" x="%v" y="%v" width="%v" height="%v" rx="%v"/>`,
				c.Name, numbers, d.in.Lines[line], d.lineX(line)-half, y-radius, 2*half, 2*radius, radius)
			d.text(d.lineX(line), y+4, "num", "mid", numbers)
			d.Put("</g>\n")
		}
	}
}

func (d *drawing) legend() {
	y := d.height - margin
	if d.in.Marks != nil {
		y -= marksHeight // theirs is below
	}
	d.Put(`<rect class="dot" x="%v" y="%v" width="18" height="18" rx="9"/>`+"\n", margin, y-13)
	d.text(margin+9, y, "num", "mid", "0")
	d.text(margin+26, y, "small dim", "", "input 0 wired to this line")
	if len(d.in.Groups) == 0 {
		return
	}
	x := margin + 26 + glyph*28.0
	d.Put(`<rect class="group" x="%v" y="%v" width="12" height="12" rx="2"/>`+"\n", x, y-10)
	d.text(x+18, y, "small dim", "", "in the group")
	if d.hasWordCounts {
		x += 18 + glyph*14
		d.Put(`<rect class="many" x="%v" y="%v" width="12" height="12" rx="2"/>`+"\n", x, y-10)
		d.text(x+18, y, "small dim", "", "in a group of several words")
	}
}

func (d *drawing) lineX(line int) float64 { return d.linesX + pitch*float64(line) }
func (d *drawing) rowY(chip int) float64  { return d.top + rowPitch*(float64(chip)+0.5) }

// text writes with its start, its end or its middle at x.
func (d *drawing) text(x, y float64, class, anchor, text string) {
	d.Text(strings.TrimSpace(class+" "+anchor), x, y, text)
}

// upright writes from bottom to top.
func (d *drawing) upright(x, y float64, class, anchor, text string) {
	d.Upright(strings.TrimSpace(class+" "+anchor), x+4, y, text)
}

func (d *drawing) rule(class string, x1, y1, x2, y2 float64) { d.Line(class, x1, y1, x2, y2) }

func runes(s string) int { return utf8.RuneCountInString(s) }
