// Package parse reads the small notations of the command line: windows, binnings,
// register values, strobes and trims.
package parse

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
)

// WindowForm says how a window is written.
const WindowForm = "ROWSxCOLUMNS[+ROW+COLUMN][/ROWSTEPxCOLUMNSTEP], 0 for as many as there are"

// Window reads a window such as "20x30", "20x30+4+8" or "20x30+4+8/2x2": rows by
// columns read, the first row and column, the steps.
func Window(s string) (*facetdv1.Window, error) {
	rest, steps, hasSteps := strings.Cut(s, "/")
	size, corner, hasCorner := strings.Cut(rest, "+")
	w := &facetdv1.Window{}
	var err error
	if w.Rows, w.Columns, err = pair(size, "x"); err != nil {
		return nil, fmt.Errorf("window %q: %w; write %s", s, err, WindowForm)
	}
	if hasCorner {
		if w.Row, w.Column, err = pair(corner, "+"); err != nil {
			return nil, fmt.Errorf("window %q: %w; write %s", s, err, WindowForm)
		}
	}
	if hasSteps {
		w.RowStep, w.ColumnStep, err = pair(steps, "x")
		if err == nil && (w.RowStep == 0 || w.ColumnStep == 0) {
			err = fmt.Errorf("a step of 0 reads nothing")
		}
		if err != nil {
			return nil, fmt.Errorf("window %q: %w; write %s", s, err, WindowForm)
		}
	}
	return w, nil
}

func pair(s, sep string) (a, b uint32, err error) {
	left, right, ok := strings.Cut(s, sep)
	if !ok {
		return 0, 0, fmt.Errorf("%q is not two numbers with %q between them", s, sep)
	}
	if a, err = number(left); err == nil {
		b, err = number(right)
	}
	return a, b, err
}

func number(s string) (uint32, error) {
	n, err := strconv.ParseUint(s, 10, 32)
	if err != nil || s[0] == '+' {
		return 0, fmt.Errorf("%q is not a whole number of zero or more", s)
	}
	return uint32(n), nil
}

// FormatWindow writes a window as Window reads it.
func FormatWindow(w *facetdv1.Window) string {
	s := fmt.Sprintf("%dx%d", w.GetRows(), w.GetColumns())
	if w.GetRow() > 0 || w.GetColumn() > 0 {
		s += fmt.Sprintf("+%d+%d", w.GetRow(), w.GetColumn())
	}
	if w.GetRowStep() > 1 || w.GetColumnStep() > 1 {
		s += fmt.Sprintf("/%dx%d", max(w.GetRowStep(), 1), max(w.GetColumnStep(), 1))
	}
	return s
}

// Binning reads a binning: "2" for blocks of 2 by 2, "2x4" for 2 rows by 4 columns.
func Binning(s string) (*facetdv1.Binning, error) {
	b := &facetdv1.Binning{}
	var err error
	if strings.Contains(s, "x") {
		b.Rows, b.Columns, err = pair(s, "x")
	} else {
		b.Rows, err = number(s)
		b.Columns = b.Rows
	}
	for _, n := range []uint32{b.Rows, b.Columns} {
		if err == nil && n != 1 && n != 2 && n != 4 && n != 8 {
			err = fmt.Errorf("blocks of %d cannot be joined; use 1, 2, 4 or 8", n)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("binning %q: %w; write N or ROWSxCOLUMNS", s, err)
	}
	return b, nil
}

// registers in the order of the schema, with what they are called here.
var registers = []struct {
	name     string
	register facetdv1.Register
	pattern  bool
	signed   bool
}{
	{"column-pattern", facetdv1.Register_REGISTER_COLUMN_PATTERN, true, false},
	{"row-pattern", facetdv1.Register_REGISTER_ROW_PATTERN, true, false},
	{"output-enable", facetdv1.Register_REGISTER_OUTPUT_ENABLE, false, false},
	{"pixel-bias", facetdv1.Register_REGISTER_PIXEL_BIAS, false, false},
	{"output-bias", facetdv1.Register_REGISTER_OUTPUT_BIAS, false, false},
	{"gain", facetdv1.Register_REGISTER_GAIN, false, false},
	{"offset", facetdv1.Register_REGISTER_OFFSET, false, true},
}

var strobes = []struct {
	name   string
	strobe facetdv1.Strobe
}{
	{"load", facetdv1.Strobe_STROBE_LOAD},
	{"share", facetdv1.Strobe_STROBE_SHARE},
	{"reset", facetdv1.Strobe_STROBE_RESET},
	{"advance", facetdv1.Strobe_STROBE_ADVANCE},
}

// Registers names the registers, for help texts.
func Registers() string {
	var names []string
	for _, r := range registers {
		names = append(names, r.name)
	}
	return strings.Join(names, ", ")
}

// Strobes names the strobes, for help texts.
func Strobes() string {
	var names []string
	for _, s := range strobes {
		names = append(names, s.name)
	}
	return strings.Join(names, ", ")
}

// Action reads what a command does, into c: REGISTER=VALUE for a write, the name
// of a strobe otherwise. Values are decimal, or hexadecimal after 0x; switch
// patterns may also be eight characters 0 and 1, bit 0 first; offsets may be
// negative.
func Action(s string, c *facetdv1.Command) error {
	name, value, isWrite := strings.Cut(s, "=")
	if isWrite {
		w, err := write(name, value)
		if err != nil {
			return fmt.Errorf("%q: %w", s, err)
		}
		c.Action = &facetdv1.Command_Write{Write: w}
		return nil
	}
	for _, known := range strobes {
		if known.name == s {
			c.Action = &facetdv1.Command_Strobe{Strobe: known.strobe}
			return nil
		}
	}
	return fmt.Errorf("%q is neither REGISTER=VALUE nor a strobe; registers: %s; strobes: %s", s, Registers(),
		Strobes())
}

func write(name, value string) (*facetdv1.RegisterWrite, error) {
	for _, known := range registers {
		if known.name != strings.ReplaceAll(name, "_", "-") {
			continue
		}
		v, err := registerValue(value, known.pattern, known.signed)
		return &facetdv1.RegisterWrite{Register: known.register, Value: v}, err
	}
	return nil, fmt.Errorf("there is no register %q; registers: %s", name, Registers())
}

func registerValue(s string, pattern, signed bool) (uint32, error) {
	if pattern {
		if bits, ok := patternBits(s); ok {
			return uint32(bits), nil
		}
	}
	v, err := strconv.ParseInt(s, 0, 32)
	low := int64(0)
	if signed {
		low = math.MinInt8
	}
	if err != nil || v < low || v > math.MaxUint8 {
		return 0, fmt.Errorf("the value %q is not a number from %d to 255", s, low)
	}
	return uint32(uint8(v)), nil // a negative offset in two's complement
}

// patternBits reads a switch pattern of eight characters 0 and 1, bit 0 first.
func patternBits(s string) (uint8, bool) {
	if len(s) != 8 || strings.Trim(s, "01") != "" {
		return 0, false
	}
	var v uint8
	for i := range 8 {
		v |= (s[i] - '0') << i
	}
	return v, true
}

// FormatPattern writes a switch pattern in both of its forms, bit 0 first and
// hexadecimal.
func FormatPattern(v uint8) string {
	var b strings.Builder
	for i := range 8 {
		b.WriteByte('0' + v>>i&1)
	}
	return fmt.Sprintf("%s (0x%02X)", b.String(), v)
}

// FormatAction writes what a command does.
func FormatAction(c *facetdv1.Command) string {
	if w := c.GetWrite(); w != nil {
		for _, known := range registers {
			switch {
			case known.register != w.GetRegister():
			case known.pattern:
				return known.name + "=" + FormatPattern(uint8(w.GetValue()))
			case known.signed:
				return fmt.Sprintf("%s=%d", known.name, int8(w.GetValue()))
			default:
				return fmt.Sprintf("%s=%d", known.name, w.GetValue())
			}
		}
	}
	for _, known := range strobes {
		if known.strobe == c.GetStrobe() {
			return known.name
		}
	}
	return "-"
}

// Names splits a list at its commas. It refuses empty names.
func Names(s string) ([]string, error) {
	names := strings.Split(s, ",")
	for i := range names {
		names[i] = strings.TrimSpace(names[i])
		if names[i] == "" {
			return nil, fmt.Errorf("%q has an empty name between its commas", s)
		}
	}
	return names, nil
}
