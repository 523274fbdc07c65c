package cli

import (
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"golang.org/x/term"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Table is a table of text for people. A heading that begins with ">" aligns its
// column to the right.
type Table struct {
	head   []string
	right  []bool
	rows   [][]string
	merged int
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

// Merged has people not see again what the first columns have in common with the row above. It returns the table.
func (t *Table) Merged(columns int) *Table {
	t.merged = columns
	return t
}

// forPeople are the rows without what they repeat.
func (t *Table) forPeople() [][]string {
	if t.merged == 0 {
		return t.rows
	}
	out := make([][]string, len(t.rows))
	for i, row := range t.rows {
		out[i] = slices.Clone(row)
		for k := range min(t.merged, len(row)) {
			if i == 0 || len(t.rows[i-1]) <= k || t.rows[i-1][k] != row[k] {
				break
			}
			out[i][k] = ""
		}
	}
	return out
}

// Write prints the table with two spaces between columns. A table that is wider than the terminal is folded: columns
// for which there is no space follow below, after the first one again.
func (t *Table) Write(w io.Writer) error {
	if c, ok := w.(*csvOutput); ok {
		return c.table(t.head, t.rows)
	}
	all := append([][]string{t.head}, t.forPeople()...)
	widths := t.widths(all)
	space := columnsOf(w)
	var b strings.Builder
	widest := 0
	for i, block := range fold(widths, space) {
		if i > 0 {
			b.WriteByte('\n')
		}
		for _, row := range all {
			line := t.line(row, block, widths)
			widest = max(widest, utf8.RuneCountInString(line))
			b.WriteString(line + "\n")
		}
	}
	if space > 0 && widest > space {
		b.WriteString(wide(widest))
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func (t *Table) widths(all [][]string) []int {
	width := make([]int, len(t.head))
	for _, row := range all {
		for i, c := range row {
			width[i] = max(width[i], utf8.RuneCountInString(c))
		}
	}
	return width
}

// line is a row of some columns.
func (t *Table) line(row []string, columns, widths []int) string {
	var line strings.Builder
	for k, i := range columns {
		cell := ""
		if i < len(row) {
			cell = row[i]
		}
		if k > 0 {
			line.WriteString("  ")
		}
		pad := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(cell))
		if t.right[i] {
			line.WriteString(pad + cell)
		} else {
			line.WriteString(cell + pad)
		}
	}
	return strings.TrimRight(line.String(), " ")
}

// fold puts columns into blocks that fit into a width, each with the first column before it; 0 is any width.
func fold(widths []int, space int) [][]int {
	blocks, used := [][]int{{}}, 0
	for i, width := range widths {
		last := len(blocks) - 1
		if space > 0 && len(blocks[last]) > min(last, 1) && used+2+width > space && i > 1 {
			blocks, used = append(blocks, []int{0}), widths[0]
			last++
		}
		if len(blocks[last]) > 0 {
			used += 2
		}
		blocks[last], used = append(blocks[last], i), used+width
	}
	return blocks
}

// columnsOf is how wide the terminal behind an output is; 0 where it is none, as in a pipe.
func columnsOf(w io.Writer) int {
	switch w := w.(type) {
	case interface{ Columns() int }:
		return w.Columns()
	case *os.File:
		if columns, _, err := term.GetSize(int(w.Fd())); err == nil {
			return columns
		}
	}
	return 0
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

// Age is an age with as much as people want to know of it.
func Age(d time.Duration) string {
	switch {
	case d < 10*time.Second:
		return fmt.Sprintf("%.1f s", d.Seconds())
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h", d.Hours())
	}
	return fmt.Sprintf("%.0f d", d.Hours()/24)
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
