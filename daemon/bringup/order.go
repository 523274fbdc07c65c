package bringup

import (
	"context"
	"fmt"
	"math"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

func counts(c *chipmodel.Class) bool { return c.Counts() }

// order checks that counters stand where they should.
func (e *engine) order(ctx context.Context, r *report) error {
	chips, err := e.chips("counter chips", counts)
	if err != nil {
		return err
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g", evenLux), "Light the whole array evenly. Is it lit?"); err != nil {
		return err
	}
	even := map[int][]uint16{}
	for _, c := range chips {
		captures, err := e.frame(ctx, c, 1)
		if err != nil {
			return err
		}
		even[c] = captures[0].Codes
	}
	if err := e.light(ctx, stripes, stripesText); err != nil {
		return err
	}
	var tiles []measure.Tile
	for i, c := range chips {
		e.progress(float64(i)/float64(len(chips)), "chip %s: the order of its pixels", e.name(c))
		captures, err := e.frame(ctx, c, 2)
		if err != nil {
			return err
		}
		class := e.a.Chips[c].Class
		tiles = append(tiles, measure.Tile{Rows: class.Rows, Columns: class.Columns, Codes: captures[0].Codes})
		if err := e.judgeOrder(ctx, r, c, captures, even[c]); err != nil {
			return err
		}
	}
	r.sheet("Stripes as the counter chips see them: every row should show them in the same place", tiles)
	r.conclude("full scans and windows show the same pixels in the same places")
	return nil
}

// judgeOrder compares two whole frames, windows after their own reset, and rows.
func (e *engine) judgeOrder(ctx context.Context, r *report, c int, frames []bus.Capture, even []uint16) error {
	class := e.a.Chips[c].Class
	bad := false
	judge := func(what string, w chipmodel.Window, codes []uint16) {
		shift, sure := measure.Shift(class, frames[0].Codes, w, codes)
		if sure < 1.5 {
			r.tell(e.name(c), what, 0, "pixels", "pixels look too much alike to tell")
			return
		}
		note := "clocks were lost"
		if shift > 0 {
			note = "extra clocks were counted"
		}
		bad = r.add(e.name(c), what, float64(shift), "pixels", 0, 0, fail, note) == fail || bad
	}
	judge("a second full scan is off by", measure.Whole(class), frames[1].Codes)
	// The last row is where the counter comes to the end of its frame.
	for _, row := range []int{class.Rows / 2, class.Rows - 1} {
		for _, column := range []int{0, class.Columns / 2} {
			w := chipmodel.Window{Row: row, Column: column, Rows: 1, Columns: class.Columns - column, RowStep: 1, ColumnStep: 1}
			captures, err := e.program(ctx, e.p.Frame(c, w, 1, 0))
			if err != nil {
				return err
			}
			if len(captures) > 0 {
				judge(fmt.Sprintf("a window from row %d, column %d on is off by", row, column), w, captures[0].Codes)
			}
		}
	}
	slips, sharp := measure.Slips(class, frames[0].Codes, even)
	if sharp > 0.3 {
		r.tell(e.name(c), "stripes tell places to within", sharp, "pixels", "not sharp enough to see rows jump; use bolder stripes")
	} else {
		off, note := 0.0, ""
		for _, s := range slips {
			if math.Abs(s.Pixels) > math.Abs(off) {
				off, note = s.Pixels, fmt.Sprintf("the stripes jump at row %d", s.Row)
			}
		}
		bad = r.add(e.name(c), "stripes jump from row to row by", off, "pixels", -0.6, 0.6, fail, note) == fail || bad
	}
	if bad {
		r.act("Chip %s: look at its clock line with an oscilloscope at the chip: ringing counts twice, a slow edge not at all. A series resistor at the driver, a shorter wire or a longer step may mend it.", e.name(c))
	}
	return nil
}
