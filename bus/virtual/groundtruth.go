package virtual

import (
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/groundtruth"
)

// slips gives the die row for the pixels of a row of a window whose counter slips.
func (b *Bus) slips(dst []float64, chip int, t groundtruth.Chip, w chipmodel.Window, r int, at bus.Time,
	interval time.Duration) {
	class, c := b.array.Chips[chip].Class, &b.chips[chip]
	all := class.Rows * class.Columns
	for i := range dst {
		pixel := (w.Row+r*w.RowStep)*class.Columns + w.Column + i*w.ColumnStep
		if pixel+1 >= t.SlipAt && !(t.PassedOnly && sampled(w, class, t.SlipAt-1)) {
			pixel += t.Slip
		}
		pixel = (pixel%all + all) % all // the counter wraps
		c.die.Row(dst[i:i+1], pixel/class.Columns, pixel%class.Columns, 1, at.Add(time.Duration(i)*interval), interval,
			c.light)
	}
}

// sampled reports whether a window reads a pixel of the lattice.
func sampled(w chipmodel.Window, class *chipmodel.Class, pixel int) bool {
	row, column := pixel/class.Columns-w.Row, pixel%class.Columns-w.Column
	return row >= 0 && row%w.RowStep == 0 && row/w.RowStep < w.Rows && column >= 0 && column%w.ColumnStep == 0 &&
		column/w.ColumnStep < w.Columns
}

// convert converts a row that is sampled from at on. first is the part of the step to its first pixel that is missing,
// rest that of the others.
func (b *Bus) convert(index int, codes []uint16, volts []float64, first, rest float64, at bus.Time,
	interval time.Duration) {
	lane := &b.lanes[index]
	if b.groundTruth != nil {
		b.firstError(index, volts, at)
		lane.rest.last = at.Add(time.Duration(len(volts)-1) * interval)
	}
	if first == rest {
		lane.Convert(codes, volts, rest)
		return
	}
	lane.Convert(codes[:1], volts[:1], first)
	lane.Convert(codes[1:], volts[1:], rest)
}

// firstError adds the error of the first conversions after a rest.
func (b *Bus) firstError(index int, volts []float64, at bus.Time) {
	lane, t := &b.lanes[index], b.groundTruth.Lanes[index]
	if t.FirstVolts == 0 {
		return
	}
	if at.Sub(lane.rest.last) >= t.Rest {
		lane.rest.firstError = t.FirstVolts
	}
	for i := 0; i < len(volts) && lane.rest.firstError*lane.rest.firstError > 1e-14; i++ {
		volts[i] += lane.rest.firstError
		lane.rest.firstError /= 4
	}
}

// firstResidual is what a lane lacks when the first pixel of a readout of its levels is sampled. A readout with a
// settling time of its own gives its first pixel exactly that, while later ones may have longer: they wait for the
// conversion before them.
func (b *Bus) firstResidual(s *bus.Scan, c int, rest float64) float64 {
	if !s.Levels || s.Settle == 0 {
		return rest
	}
	return b.lanes[b.array.Chips[c].Lane].Residual(s.Settle, b.neededNow(c))
}
