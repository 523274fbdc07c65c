// Package invalid holds validation errors: everything wrong with an input, collected
// in one pass, each error with its place and a hint. It is pure.
package invalid

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// Error is one thing wrong with an input: where, what, and what to do.
type Error struct {
	// Path is the field, such as "chips[3].lane"; empty for the whole input.
	Path    string `json:"field"`
	Message string `json:"message"`
	Hint    string `json:"hint,omitempty"`
	// File, Line and Column are the place in the file, where there is one;
	// Line and Column count from 1.
	File   string `json:"file,omitempty"`
	Line   int    `json:"line,omitempty"`
	Column int    `json:"column,omitempty"`
}

func (m Error) String() string {
	var b strings.Builder
	if m.File != "" {
		fmt.Fprintf(&b, "%s:", m.File)
		if m.Line > 0 {
			fmt.Fprintf(&b, "%d:", m.Line)
			if m.Column > 0 {
				fmt.Fprintf(&b, "%d:", m.Column)
			}
		}
		b.WriteByte(' ')
	}
	if m.Path != "" {
		fmt.Fprintf(&b, "%s: ", m.Path)
	}
	b.WriteString(m.Message)
	if m.Hint != "" {
		fmt.Fprintf(&b, " (%s)", m.Hint)
	}
	return Visible(b.String())
}

// Missing is the message about a field that must be given and is not. Where 0 cannot be
// told from nothing, it stands for both; a file that gives the field can tell.
const Missing = "is missing"

// Errors is everything wrong with an input. A non-empty list is an error.
type Errors []Error

// Error lists the errors, a line each.
func (m Errors) Error() string {
	lines := make([]string, len(m))
	for i, one := range m {
		lines[i] = one.String()
	}
	return strings.Join(lines, "\n")
}

// Err returns the list as an error, or nil when it is empty.
func (m Errors) Err() error {
	if len(m) == 0 {
		return nil
	}
	return m
}

// Under returns the errors with a field put before their paths.
func (m Errors) Under(field string) Errors {
	out := slices.Clone(m)
	for i := range out {
		out[i].Path = Join(field, out[i].Path)
	}
	return out
}

// Add appends an error.
func (m *Errors) Add(path, message, hint string) {
	*m = append(*m, Error{Path: path, Message: message, Hint: hint})
}

// AtMost adds an error where a number is above the most that may be asked for.
func (m *Errors) AtMost(path string, asked, most uint32) {
	if asked > most {
		m.Add(path, fmt.Sprintf("%d is too many", asked), fmt.Sprintf("use 1 to %d", most))
	}
}

// Join is the path of a field in a field; either may be empty.
func Join(field, rest string) string {
	switch {
	case field == "":
		return rest
	case rest == "":
		return field
	}
	return field + "." + rest
}

// Index is the path of one entry of a list, such as "chips[3]".
func Index(field string, i int) string { return fmt.Sprintf("%s[%d]", field, i) }

// maxListed is how many names a hint lists: beyond that it says how many are left out, as an array may have thousands.
const maxListed = 64

// Known is a hint that lists the known names.
func Known(names []string) string {
	if more := len(names) - maxListed; more > 0 {
		return fmt.Sprintf("known: %s and %d more", strings.Join(names[:maxListed], ", "), more)
	}
	return "known: " + strings.Join(names, ", ")
}

// Closest returns a hint that names the known name nearest to what was written,
// or all of the known ones.
func Closest(written string, known []string, what string) string {
	known = slices.DeleteFunc(slices.Clone(known), BadName) // those have an error of their own
	best := Nearest(written, known)
	switch {
	case best != "":
		return fmt.Sprintf("did you mean %q?", best)
	case len(known) == 0:
		return "the array has no " + what
	}
	return Known(known)
}

// Nearest returns the known name that was most likely meant, or "": one that is a slip of the keyboard away, or two in
// a long name, or that was cut short or abbreviated.
func Nearest(written string, known []string) string {
	best, least := "", max(utf8.RuneCountInString(written)/4, 1)
	for _, k := range known {
		d := slips(written, k)
		if abbreviates(written, k) {
			d = min(d, 1)
		}
		if d <= least && d > 0 && d < len(written) { // a name of which nothing is left is another
			best, least = k, d-1
		}
	}
	return best
}

// abbreviates reports whether a name was cut short, or letters left out of it after the first.
func abbreviates(written, name string) bool {
	if len(written) < 3 || len(name) <= len(written) || written[0] != name[0] {
		return false
	}
	if strings.HasPrefix(name, written) {
		return true
	}
	rest := name
	for _, r := range written {
		_, after, found := strings.Cut(rest, string(r))
		if !found {
			return false
		}
		rest = after
	}
	return 2*len(written) >= len(name)
}

// slips is the distance of two names in letters that were typed wrongly, left out, put in, or swapped with the next:
// the restricted Damerau-Levenshtein distance.
func slips(a, b string) int {
	x, y := []rune(a), []rune(b)
	rows := [3][]int{make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)}
	before, last, row := rows[0], rows[1], rows[2]
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(y)]
}
