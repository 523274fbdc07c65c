package cli

import (
	"bytes"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
)

// errNoTable ends a command whose output under --output csv would be empty.
var errNoTable = errors.New("this command printed no table to write as CSV; use --output human or json")

// csvOutput is the standard output under --output csv: tables become CSV, one after another with an empty line between
// them, and the text beside them goes to standard error.
type csvOutput struct {
	to, beside io.Writer
	tables     int
}

func (c *csvOutput) Write(p []byte) (int, error) { return c.beside.Write(p) }

func (c *csvOutput) table(head []string, rows [][]string) error {
	var b bytes.Buffer
	if c.tables++; c.tables > 1 {
		b.WriteByte('\n')
	}
	if err := WriteCSV(&b, head, rows); err != nil {
		return err
	}
	_, err := c.to.Write(b.Bytes())
	return err
}

// WriteCSV writes a table of text for people as CSV (RFC 4180, but for line ends of one character) for programs: cells
// of a column that are all quantities become numbers in the unit without a prefix, which goes into the heading; a cell
// that stands for nothing is empty.
func WriteCSV(w io.Writer, head []string, rows [][]string) error {
	out := csv.NewWriter(w)
	cells := make([][]string, len(rows)+1)
	for i := range cells {
		cells[i] = make([]string, len(head))
	}
	for column, name := range head {
		var values []string
		for _, row := range rows {
			value := ""
			if column < len(row) && row[column] != "-" {
				value = row[column]
			}
			values = append(values, value)
		}
		numbers, unit := quantities(values)
		cells[0][column] = plainHeading(name)
		if unit != "" {
			cells[0][column] += " (" + unit + ")"
		}
		for i, n := range numbers {
			cells[i+1][column] = n
		}
	}
	for _, row := range cells {
		if err := out.Write(row); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// plainHeading is a heading without capitals, but for units, which have small letters as well.
func plainHeading(name string) string {
	words := strings.Split(name, " ")
	for i, word := range words {
		if word == strings.ToUpper(word) {
			words[i] = strings.ToLower(word)
		}
	}
	return strings.Join(words, " ")
}

// quantity is a number with a unit, as NS and Volts write them.
var quantity = regexp.MustCompile(`^(-?[0-9.]+(?:e[+-]?[0-9]+)?) (ns|us|ms|s|uV|mV|V|%|um|mm|m|Hz|lux|K)$`)

// bases are the units without a prefix, and how many of them a unit is.
var bases = map[string]struct {
	base   string
	factor float64
}{
	"ns": {"s", 1e-9}, "us": {"s", 1e-6}, "ms": {"s", 1e-3}, "s": {"s", 1}, "uV": {"V", 1e-6}, "mV": {"V", 1e-3},
	"V": {"V", 1}, "%": {"%", 1}, "um": {"m", 1e-6}, "mm": {"m", 1e-3}, "m": {"m", 1}, "Hz": {"Hz", 1},
	"lux": {"lux", 1}, "K": {"K", 1},
}

// quantities turns cells into numbers of one unit, where all that say something are quantities of one kind; else they
// stay as they are.
func quantities(values []string) (numbers []string, unit string) {
	for _, value := range values {
		if value == "" {
			numbers = append(numbers, "")
			continue
		}
		m := quantity.FindStringSubmatch(value)
		if m == nil {
			return values, ""
		}
		b := bases[m[2]]
		if unit == "" {
			unit = b.base
		}
		v, err := strconv.ParseFloat(m[1], 64)
		if err != nil || b.base != unit {
			return values, ""
		}
		numbers = append(numbers, strconv.FormatFloat(v*b.factor, 'g', 10, 64))
	}
	return numbers, unit
}

// checkOutput refuses a form of output that there is not.
func checkOutput(form string) error {
	switch form {
	case "human", "json", "csv":
		return nil
	}
	return Usagef("--output %q: use human, json or csv", form)
}

// wide says of a table that does not fit into a terminal how wide it is.
func wide(width int) string {
	return fmt.Sprintf("this table is %d columns wide: make the terminal wider, or use --output csv\n", width)
}
