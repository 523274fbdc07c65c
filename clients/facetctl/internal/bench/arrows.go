package bench

import (
	"fmt"
	"io"
	"math"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Arrow is what is drawn of a chip: how its picture moved, and how it should have.
type Arrow struct {
	Chip    string
	Mount   Mount
	Seen    []Seen
	Finding string
}

// DrawMoves draws a picture's frame for each chip, with an arrow for each move: broad as it should be, thin as it was.
func DrawMoves(w io.Writer, title string, of []Arrow) error {
	const cell, frame, columns, top = 130.0, 84.0, 6, 56.0
	rows := max((len(of)+columns-1)/columns, 1)
	d := svg.New("moves", title, columns*cell+20, top+float64(rows)*(cell+10)+10)
	d.Style(tokens.Style("text{font:12px sans-serif;fill:var(--ink)}\n.frame{fill:var(--sunken);stroke:var(--edge)}\n" +
		".want{stroke:var(--shade-1);stroke-width:7}\n.was{stroke:var(--series-1);stroke-width:2}\n" +
		".dot{fill:var(--series-1)}\n.wrong{stroke:var(--series-2);stroke-width:2;fill:none}"))
	d.Text("", 16, 24, title)
	d.Text("", 16, 42, "broad: as the array file has it; thin, with a dot at its end: as it moved")
	for i, a := range of {
		x, y := 20+cell*float64(i%columns), top+(cell+10)*float64(i/columns)
		middleX, middleY := x+frame/2, y+frame/2
		d.Rect("frame", x, y, frame, frame)
		if a.Finding != Right && a.Finding != NothingSeen {
			d.Rect("wrong", x-3, y-3, frame+6, frame+6)
		}
		for _, s := range a.Seen {
			if wx, wy, across := a.Mount.expected(s.Move); across {
				n := frame * 0.4 / math.Hypot(wx, wy)
				d.Line("want", middleX, middleY, middleX+n*wx, middleY+n*wy)
			}
		}
		for _, s := range a.Seen {
			n := frame * 0.4 / math.Hypot(s.X, s.Y)
			d.Line("was", middleX, middleY, middleX+n*s.X, middleY+n*s.Y)
			d.Put(`<circle class="dot" cx="%v" cy="%v" r="4"/>`+"\n", middleX+n*s.X, middleY+n*s.Y)
		}
		d.Text("", x, y+frame+16, a.Chip)
		d.Text("", x, y+frame+32, fmt.Sprintf("%s, %d moves", a.Finding, len(a.Seen)))
	}
	_, err := d.WriteTo(w)
	return err
}
