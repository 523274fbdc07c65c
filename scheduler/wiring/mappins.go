package wiring

import "fmt"

// MapDevice says which pins of a board drive the array.
type MapDevice struct {
	Board string // may be empty
	// Lines are the pins of the lines, in their order; there may be fewer.
	Lines []string
	// Converters are those of lanes, by the lane's name.
	Converters map[string]string
	// Pins are all that a board drives, in the order in which they are listed.
	Pins []MapPin
}

// MapPin is a pin with what it serves.
type MapPin struct {
	Pin, Serves string
	// Input is where the pin is wired to for the self-test; may be empty.
	Input string
}

// Sizes of what is drawn of a device.
const (
	pinHeight  = 17 // a row of the list
	pinHead    = 40 // its heading, with the space above
	pinRow     = 15 // the pins below the lines
	pinWide    = 5  // characters of a pin with what is between
	pinColumns = 6  // of the list, at most
)

// pinsShape is how many columns and rows the list of pins has, how wide a column is, and how high all of it.
func (d *drawing) pinsShape() (columns, rows int, width, height float64) {
	dev := d.in.Device
	if dev == nil || len(dev.Pins) == 0 {
		return 0, 0, 0, 0
	}
	longest := 0
	for _, p := range dev.Pins {
		n := runes(p.Serves) + 2
		if p.Input != "" {
			n += runes(p.Input) + 5
		}
		longest = max(longest, n)
	}
	width = glyph * float64(pinWide+longest)
	columns = min(max(int((d.width-2*margin)/width), 1), pinColumns)
	rows = (len(dev.Pins) + columns - 1) / columns
	return columns, rows, width, pinHead + pinHeight*float64(rows)
}

// pins lists what the board drives, below the lines: column by column.
func (d *drawing) pins() {
	_, rows, width, height := d.pinsShape()
	if rows == 0 {
		return
	}
	dev, top := d.in.Device, d.height-margin-24-height
	if d.in.Marks != nil {
		top -= marksHeight
	}
	heading := "pins"
	if dev.Board != "" {
		heading = "pins of " + dev.Board
	}
	if len(dev.Converters) > 0 {
		heading += ", lanes with their converters"
	}
	d.rule("strong", margin, top+8, d.width-margin, top+8)
	d.text(margin, top+26, "small dim", "", heading)
	for i, p := range dev.Pins {
		x, y := margin+width*float64(i/rows), top+pinHead+pinHeight*float64(i%rows)+4
		d.Put("<g><title>%v to %v</title>", p.Pin, p.Serves)
		d.text(x+glyph*(pinWide-1.5), y, "ink", "end", p.Pin)
		d.text(x+glyph*pinWide-4, y, "ink", "", p.Serves)
		if p.Input != "" {
			d.text(x+glyph*float64(pinWide+runes(p.Serves)+1)-4, y, "small dim", "", "test "+p.Input)
		}
		d.Put("</g>\n")
	}
}

// laneText is a lane with its converter.
func (d *drawing) laneText(lane string) string {
	if d.in.Device != nil && lane != "" && d.in.Device.Converters[lane] != "" {
		return fmt.Sprintf("%s:%s", lane, d.in.Device.Converters[lane])
	}
	return lane
}

// linePin is the pin of a line, or nothing.
func (d *drawing) linePin(line int) string {
	if d.in.Device == nil || line >= len(d.in.Device.Lines) {
		return ""
	}
	return d.in.Device.Lines[line]
}
