package virtual

import (
	"errors"
	"fmt"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// GroundTruth is what a simulated array really is, where that differs from its description. Plans, rules and the times
// of operations go by the description, dies and lanes by the ground truth. So a bring-up has something to find out.
type GroundTruth struct {
	// Array is what dies and lanes are made of; nil is the array as described. It has
	// the same chips on the same lines and lanes, with lattices of the same size, chips
	// of the same kind and converters of as many bits.
	Array *chipmodel.Array
	// Chips and Lanes hold what an array file has no field for, by index.
	Chips map[int]ChipGroundTruth
	Lanes map[int]LaneGroundTruth
}

// ChipGroundTruth is how a chip deviates from any description.
type ChipGroundTruth struct {
	// LoadDelay is how much later than the strobe the chip loads.
	LoadDelay time.Duration
	// Slip is by how many pixels its counter stands too far (extra clocks) or too short
	// (lost ones, negative) from pulse SlipAt on, counted from 1 after a reset.
	Slip, SlipAt int
	// PassedOnly says that it slips only where that pulse passes a pixel that is not
	// read: pulses that follow each other quickly.
	PassedOnly bool
}

// LaneGroundTruth is how a lane's converter deviates from any description.
type LaneGroundTruth struct {
	// FirstVolts is the error of the first conversion after a rest of Rest; each further conversion has a quarter of
	// the error of the one before.
	FirstVolts float64
	Rest       time.Duration
}

// check reports a ground truth that cannot belong to a description: programs made for the one must run on the other.
func (t *GroundTruth) check(described *chipmodel.Array) error {
	a := t.Array
	if a == nil {
		return nil
	}
	if a.WiringOnly || len(a.Chips) != len(described.Chips) || len(a.Lanes) != len(described.Lanes) {
		return errors.New("the true array has other chips or lanes than the described one")
	}
	for i := range a.Chips {
		x, y := &a.Chips[i], &described.Chips[i]
		if x.Name != y.Name || x.Lane != y.Lane || x.Wires != y.Wires || x.Class.Parts() != y.Class.Parts() ||
			x.Class.Rows != y.Class.Rows || x.Class.Columns != y.Class.Columns {
			return fmt.Errorf("chip %s: name, wiring, lane, parts or lattice of the true array differ from the "+
				"description", y.Name)
		}
	}
	for i := range a.Lanes {
		if a.Lanes[i].Bits != described.Lanes[i].Bits {
			return fmt.Errorf("lane %s: the true converter has %d bits, the described one %d", described.Lanes[i].Name,
				a.Lanes[i].Bits, described.Lanes[i].Bits)
		}
	}
	return nil
}

// array is what dies and lanes are made of.
func (t *GroundTruth) array(described *chipmodel.Array) *chipmodel.Array {
	if t == nil || t.Array == nil {
		return described
	}
	return t.Array
}

func (t *GroundTruth) chip(c int) ChipGroundTruth {
	if t == nil {
		return ChipGroundTruth{}
	}
	return t.Chips[c]
}

// slips gives the die row for the pixels of a row of a window whose counter slips.
func (b *Bus) slips(dst []float64, chip int, t ChipGroundTruth, w chipmodel.Window, r int, at bus.Time,
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
