package cli

import (
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Table is a table of text for people. A heading that begins with ">" aligns its
// column to the right.
type Table struct {
	head  []string
	right []bool
	rows  [][]string
}

// NewTable returns a table with these headings.
func NewTable(headings ...string) *Table {
	t := &Table{}
	for _, h := range headings {
		name, right := strings.CutPrefix(h, ">")
		t.head, t.right = append(t.head, name), append(t.right, right)
	}
	return t
}

// Row appends a row; missing cells stay empty.
func (t *Table) Row(cells ...string) { t.rows = append(t.rows, cells) }

// Write prints the table with two spaces between columns.
func (t *Table) Write(w io.Writer) error {
	width := make([]int, len(t.head))
	all := append([][]string{t.head}, t.rows...)
	for _, row := range all {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	var b strings.Builder
	for _, row := range all {
		var line strings.Builder
		for i, c := range row {
			if i > 0 {
				line.WriteString("  ")
			}
			pad := strings.Repeat(" ", width[i]-utf8.RuneCountInString(c))
			if t.right[i] {
				line.WriteString(pad + c)
			} else {
				line.WriteString(c + pad)
			}
		}
		b.WriteString(strings.TrimRight(line.String(), " ") + "\n")
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// NS writes nanoseconds with a fitting unit and four significant digits.
func NS(ns int64) string {
	v, unit := float64(ns), "ns"
	for _, next := range []struct {
		unit string
		size float64
	}{{"us", 1e3}, {"ms", 1e6}, {"s", 1e9}} {
		if math.Abs(float64(ns)) >= next.size*0.99995 {
			v, unit = float64(ns)/next.size, next.unit
		}
	}
	return Significant(v) + " " + unit
}

// Significant writes a number with four significant digits, never in powers of
// ten between 0.0001 and a million.
func Significant(v float64) string {
	if a := math.Abs(v); a >= 9999.5 && a < 1e6 {
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.4g", v)
}

// Percent writes a fraction in percent.
func Percent(fraction float64) string { return fmt.Sprintf("%.1f %%", 100*fraction) }

// Volts writes volts with a fitting unit.
func Volts(v float64) string {
	switch a := math.Abs(v); {
	case a == 0:
		return "0 V"
	case a < 1e-3:
		return Significant(v*1e6) + " uV"
	case a < 1:
		return Significant(v*1e3) + " mV"
	}
	return Significant(v) + " V"
}

// Label turns a name of one of the schema's enums into words: what stands after
// prefix, in lower case.
func Label(name fmt.Stringer, prefix string) string {
	s := strings.TrimPrefix(name.String(), prefix)
	return strings.ToLower(strings.ReplaceAll(s, "_", " "))
}

// Target writes a target as it is given on the command line.
func Target(t *facetdv1.Target) string {
	switch c := t.GetChips().(type) {
	case *facetdv1.Target_All:
		return "all"
	case *facetdv1.Target_Group:
		return c.Group
	case *facetdv1.Target_List:
		return strings.Join(c.List.GetNames(), ",")
	}
	return "-"
}

// Short cuts a text to n runes, with three dots where something was cut.
func Short(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:max(n-3, 0)]) + "..."
}
