package bringup

import (
	"context"
	"fmt"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/daemon/bringup/measure"
)

func counts(c *chipmodel.Class) bool { return c.Counts() }

// order checks that counters stand where they should.
func (e *engine) order(ctx context.Context, r *measure.Report) error {
	chips, all, err := e.chips(r, "counter chips", counts)
	if err != nil {
		return err
	}
	if err := e.light(ctx, fmt.Sprintf("uniform:%g", uniformLux),
		"Light the whole array evenly. Is it lit?"); err != nil {
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
	r.Sheet("Stripes as the counter chips see them: every row should show them in the same place", tiles)
	r.Conclude("full scans and windows of " + r.Of(len(chips), all) + " show the same pixels in the same places")
	return nil
}

// judgeOrder compares two whole frames, windows after their own reset, and rows.
func (e *engine) judgeOrder(ctx context.Context, r *measure.Report, c int, frames []bus.Capture, even []uint16) error {
	class := e.a.Chips[c].Class
	bad := measure.JudgeShift(r, c, "a second full scan is off by", frames[0].Codes, measure.Whole(class),
		frames[1].Codes)
	// The last row is where the counter comes to the end of its frame.
	for _, row := range []int{class.Rows / 2, class.Rows - 1} {
		for _, column := range []int{0, class.Columns / 2} {
			w := chipmodel.Window{Row: row, Column: column, Rows: 1, Columns: class.Columns - column, RowStep: 1,
				ColumnStep: 1}
			captures, err := e.program(ctx, e.p.Frame(c, w, 1, 0))
			if err != nil {
				return err
			}
			if len(captures) > 0 {
				what := fmt.Sprintf("a window from row %d, column %d on is off by", row, column)
				bad = measure.JudgeShift(r, c, what, frames[0].Codes, w, captures[0].Codes) || bad
			}
		}
	}
	bad = measure.JudgeSlips(r, c, frames[0].Codes, even) || bad
	if bad {
		r.Act("Chip %s: look at its clock line with an oscilloscope at the chip: ringing counts twice, a slow edge "+
			"not at all. A series resistor at the driver, a shorter wire or a longer step may help.", e.name(c))
	}
	return nil
}
