package bustest

import (
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/chipmodel"
)

// Select returns the operation that makes a word active.
func Select(word chipmodel.LineSet) bus.Op { return bus.SelectOp(word) }

// Write returns a register write, part of a command.
func Write(command int, r facetdv1.Register, value uint16, target ...int) bus.Op {
	op := bus.Write(r, value).Op(command, target)
	op.Kind = bus.OpWrite // a test may write to a register that does not exist
	return op
}

// Strobe returns a strobe, part of a command; hold is that of a share.
func Strobe(command int, s facetdv1.Strobe, hold time.Duration, target ...int) bus.Op {
	return bus.Action{Strobe: s, Hold: hold}.Op(command, target)
}

// Scan returns the readout of one chip of the array, whole, as a frame, and claims
// shares and registers.
func Scan(a *chipmodel.Array, chip, frame int, claim bus.Claim) bus.Op {
	return ScanAll(a, []int{chip}, []int{frame}, claim)
}

// ScanAll returns the readout of chips of one class in parallel.
func ScanAll(a *chipmodel.Array, chips, frames []int, claim bus.Claim) bus.Op {
	class := a.Chips[chips[0]].Class
	return bus.ReadOp(a, bus.Scan{
		Chips: chips, Frames: frames, Claim: claim,
		Window: chipmodel.Window{Rows: class.Rows, Columns: class.Columns, RowStep: 1, ColumnStep: 1},
	})
}
