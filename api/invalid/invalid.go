// Package invalid holds validation errors: everything wrong with an input, collected
// in one pass, each error with its place and a hint. It is pure.
package invalid

import (
	"fmt"
	"slices"
	"strings"

	"github.com/agnivade/levenshtein"
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

// Closest returns a hint that names the known name nearest to what was written,
// or a few of the known ones.
func Closest(written string, known []string, what string) string {
	known = slices.DeleteFunc(slices.Clone(known), BadName) // those have an error of their own
	best := Nearest(written, known)
	switch {
	case best != "":
		return fmt.Sprintf("did you mean %q?", best)
	case len(known) == 0:
		return "the array has no " + what
	case len(known) > 6:
		return "known: " + strings.Join(known[:6], ", ") + ", ..."
	}
	return "known: " + strings.Join(known, ", ")
}

// Nearest returns the known name that was most likely meant, or "".
func Nearest(written string, known []string) string {
	best, least := "", len(written)/3+1
	for _, k := range known {
		d := levenshtein.ComputeDistance(written, k)
		if len(written) > 2 && strings.HasPrefix(k, written) {
			d = min(d, 1) // cut short
		}
		if d <= least && d > 0 && d < len(written) { // a name of which nothing is left is another
			best, least = k, d-1
		}
	}
	return best
}
