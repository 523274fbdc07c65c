package invalid

import (
	"errors"
	"fmt"
	"strings"
	"testing"
)

func TestError(t *testing.T) {
	for want, e := range map[string]Error{
		"m":               {Message: "m"},
		"a.b: m (h)":      {Path: "a.b", Message: "m", Hint: "h"},
		"f: m":            {File: "f", Message: "m"},
		"f:3: m":          {File: "f", Line: 3, Message: "m"},
		"f:3:4: a: m (h)": {File: "f", Line: 3, Column: 4, Path: "a", Message: "m", Hint: "h"},
		"a: m":            {Path: "a", Line: 3, Message: "m"}, // a line of no file
	} {
		if got := e.String(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}

func TestErrors(t *testing.T) {
	var m Errors
	if m.Err() != nil {
		t.Error("nothing wrong is an error")
	}
	m.Add("", "1", "")
	m.Add("b", "2", "h")
	under := m.Under("a")
	if got := under.Error(); got != "a: 1\na.b: 2 (h)" || m[0].Path != "" {
		t.Errorf("%q of %v", got, m)
	}
	var again Errors
	if !errors.As(m.Err(), &again) || len(again) != 2 {
		t.Errorf("%v", again)
	}
	if got := Join(Index("a", 3), "b"); got != "a[3].b" {
		t.Error(got)
	}
}

func TestClosest(t *testing.T) {
	known := []string{"select_lines", "lanes", "classes", "chips", "groups", "timing", "name"}
	for written, want := range map[string]string{
		"select_line": `did you mean "select_lines"?`, "sel": `did you mean "select_lines"?`,
		"lane":   `did you mean "lanes"?`,
		"nmae":   `did you mean "name"?`,
		"colour": "known: select_lines, lanes, classes, chips, groups, timing, name",
	} {
		if got := Closest(written, known, "field"); got != want {
			t.Errorf("%s: %s, want %s", written, got, want)
		}
	}
	for written, want := range map[string]string{"c": "known: a, b", "": "known: a, b"} {
		if got := Closest(written, []string{"a", "b"}, "lane"); got != want {
			t.Errorf("%q: %s, want %s", written, got, want)
		}
	}
	if got := Closest("a", nil, "lane"); got != "the array has no lane" {
		t.Error(got)
	}
}

// Names are offered only where a slip or an abbreviation explains what was written: a name that happens to have half of
// its letters is another.
func TestNearest(t *testing.T) {
	for _, c := range []struct{ written, known, want string }{
		{"cols", "rows", ""}, {"cols", "rows columns", "columns"}, {"cols", "columns rows", "columns"},
		{"wall", "bell", ""}, {"bed", "bow", ""}, {"lux", "max", ""}, {"rate", "name", ""},
		{"rate", "rate_hz", "rate_hz"},
		{"hold", "bold", "bold"}, {"naem", "name", "name"}, {"colums", "columns", "columns"}, {"row", "rows", "rows"},
		{"tranget", "target", ""}, {"max_skw", "max_hold max_skew", "max_skew"}, {"deadlien", "deadline", "deadline"},
		{"smoothng_stpes", "smoothing_steps", "smoothing_steps"}, {"ab", "ba", "ba"}, {"a", "b", ""}, {"", "a", ""},
		{"élan", "elan", "elan"}, {"xyz", "xaaaaaaaaaaaayaaaaaaaz", ""}, {"cap", "line_capacitance_pf", ""},
	} {
		if got := Nearest(c.written, strings.Fields(c.known)); got != c.want {
			t.Errorf("%q among %q: %q, want %q", c.written, c.known, got, c.want)
		}
	}
}

func TestKnownListsAll(t *testing.T) {
	var names []string
	for i := range 70 {
		names = append(names, fmt.Sprint("n", i))
	}
	if got := Known(names[:64]); !strings.HasSuffix(got, ", n63") {
		t.Error(got)
	}
	if got := Known(names); !strings.HasSuffix(got, ", n63 and 6 more") {
		t.Error(got)
	}
}
