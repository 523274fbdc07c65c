package bus

import (
	"errors"
	"fmt"
	"slices"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// MaxFrames limits the frames of one job: what comes from outside must not be able to ask for any amount of memory.
const MaxFrames = 1 << 16

// maxHold is the longest that one operation may wait; nothing on a chip takes that long, and sums of such times cannot
// overflow.
const maxHold = time.Hour

// MaxSettle is the longest that a readout may give its lanes to settle after each change.
const MaxSettle = time.Second

// CheckOps reports every operation that no bus could run: an unknown kind, chip or
// register, a window outside its lattice, a scan without chips. It does not judge
// what the operations do together; that is the inspector's work. A program that it
// passes can be costed and run without a panic.
func CheckOps(a *chipmodel.Array, ops []Op) error {
	var errs []error
	for i := range ops {
		if err := checkOp(a, &ops[i]); err != nil {
			errs = append(errs, fmt.Errorf("operation %d: %w", i, err))
		}
	}
	return errors.Join(errs...)
}

func checkOp(a *chipmodel.Array, op *Op) error {
	if op.Lasts < 0 || op.Lasts > a.Up(maxHold) {
		return fmt.Errorf("an operation cannot last %v", op.Lasts)
	}
	if err := onGrid(a, "an operation", op.Lasts); err != nil {
		return err
	}
	switch op.Kind {
	case OpSelect:
		if op.Word>>uint(len(a.Lines)) != 0 {
			return fmt.Errorf("word %#x has lines beyond the array's %d", uint64(op.Word), len(a.Lines))
		}
	case OpWrite:
		if op.Register <= 0 || int(op.Register) >= chipmodel.NumRegisters {
			return fmt.Errorf("there is no register %d", op.Register)
		}
		return checkTarget(a, op.Target)
	case OpStrobe:
		if op.Strobe < chipmodel.Load || op.Strobe > chipmodel.Expose {
			return fmt.Errorf("there is no strobe %d", op.Strobe)
		}
		if op.Hold < 0 || op.Hold > a.Up(maxHold) {
			return fmt.Errorf("a share cannot last %v", op.Hold)
		}
		if err := onGrid(a, "a share", op.Hold); err != nil {
			return err
		}
		if op.Strobe == chipmodel.Expose && (op.Hold < a.StrobeTime() || op.Hold > a.Up(chipmodel.MaxExposure)) {
			return fmt.Errorf("an exposure of %v is not possible: a strobe takes %v, and the longest is %v", op.Hold,
				a.StrobeTime(), chipmodel.MaxExposure)
		}
		return checkTarget(a, op.Target)
	case OpWait:
		if op.Hold < 0 || op.Hold > a.Up(maxHold) || op.Phase < 0 || op.Phase > facetdv1.Phase_PHASE_CONVERT {
			return fmt.Errorf("a wait of %v in phase %d is not possible", op.Hold, op.Phase)
		}
		return onGrid(a, "a wait", op.Hold)
	case OpScan, OpClockOut:
		return checkScan(a, op.Scan)
	default:
		return fmt.Errorf("there is no operation of kind %d", uint8(op.Kind))
	}
	return nil
}

func checkTarget(a *chipmodel.Array, target []int) error {
	for i, c := range target {
		switch {
		case c < 0 || c >= len(a.Chips):
			return fmt.Errorf("there is no chip %d", c)
		case i > 0 && c <= target[i-1]:
			return errors.New("the target is not in ascending order")
		case a.Chips[c].Class == nil:
			return fmt.Errorf("chip %s has no class", a.Chips[c].Name)
		}
	}
	return nil
}

func checkScan(a *chipmodel.Array, s *Scan) error {
	if s == nil || len(s.Chips) == 0 {
		return errors.New("a scan reads no chip")
	}
	if len(s.Frames) != len(s.Chips) {
		return fmt.Errorf("%d frames for %d chips", len(s.Frames), len(s.Chips))
	}
	if s.FirstRow < 0 || slices.Min(s.Frames) < 0 || slices.Max(s.Frames) >= MaxFrames {
		return errors.New("a frame index or row is out of range")
	}
	if s.Settle < 0 || s.Settle > a.Up(MaxSettle) {
		return fmt.Errorf("a settling time of %v is not possible", s.Settle)
	}
	if err := onGrid(a, "a settling time", s.Settle); err != nil {
		return err
	}
	for _, c := range s.Chips {
		if c < 0 || c >= len(a.Chips) || a.Chips[c].Class == nil {
			return fmt.Errorf("there is no chip %d to read", c)
		}
		if !insideLattice(s.Window, a.Chips[c].Class) {
			return fmt.Errorf("window %+v leaves the lattice of chip %s", s.Window, a.Chips[c].Name)
		}
	}
	return checkTarget(a, s.Beside)
}

// onGrid reports a time that the bus cannot keep. Builder makes no such times.
func onGrid(a *chipmodel.Array, what string, d time.Duration) error {
	if !a.OnGrid(d) {
		return fmt.Errorf("%s of %v is not possible on a bus with a grain of %v", what, d, a.Grain())
	}
	return nil
}

func insideLattice(w chipmodel.Window, c *chipmodel.Class) bool {
	fits := func(first, n, step, size int) bool {
		return first >= 0 && first < size && n >= 1 && n <= size && step >= 1 && first+(n-1)*step < size
	}
	return fits(w.Row, w.Rows, w.RowStep, c.Rows) && fits(w.Column, w.Columns, w.ColumnStep, c.Columns)
}
