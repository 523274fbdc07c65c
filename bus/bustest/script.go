package bustest

import (
	"fmt"
	"io"
	"strings"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
)

// WriteScript writes a run of operations as text, one a line with its start in
// nanoseconds from the start of the run, names in place of indices and switch
// patterns in both forms.
func WriteScript(w io.Writer, a *chipmodel.Array, ops []bus.Op) error {
	var now time.Duration
	for i := range ops {
		op := &ops[i]
		if _, err := fmt.Fprintf(w, "%10d  %s\n", now, opText(a, op)); err != nil {
			return err
		}
		now += bus.Cost(a, op).Total()
	}
	_, err := fmt.Fprintf(w, "%10d  end\n", now)
	return err
}

func opText(a *chipmodel.Array, op *bus.Op) string {
	switch op.Kind {
	case bus.OpSelect:
		if op.Word == 0 {
			return "select nothing"
		}
		return fmt.Sprintf("select %s -> %s", strings.Join(a.LineNames(op.Word), "+"),
			strings.Join(a.ChipNames(a.Reach(op.Word)), " "))
	case bus.OpWrite:
		value := fmt.Sprint(op.Value)
		if op.Register == chipmodel.ColumnPattern || op.Register == chipmodel.RowPattern {
			value = analog.FormatPattern(uint8(op.Value))
		}
		return fmt.Sprintf("  #%d write %s = %s", op.Command, bus.RegisterName(op.Register), value)
	case bus.OpStrobe:
		text := fmt.Sprintf("  #%d strobe %s", op.Command, bus.StrobeName(op.Strobe))
		if op.Hold > 0 {
			text += fmt.Sprintf(", hold %v", op.Hold)
		}
		return text
	case bus.OpWait:
		return fmt.Sprintf("  wait %v", op.Hold)
	}
	s := op.Scan
	win := s.Window
	text := fmt.Sprintf("  %s %s: %d x %d from (%d, %d), steps %d x %d, frames %v", op.Kind,
		strings.Join(a.ChipNames(s.Chips), " "), win.Rows, win.Columns, win.Row, win.Column, win.RowStep,
		win.ColumnStep, s.Frames)
	if s.FirstRow > 0 {
		text += fmt.Sprintf(", from frame row %d", s.FirstRow)
	}
	return text
}
