package parse

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestWindow(t *testing.T) {
	for s, want := range map[string]*facetdv1.Window{
		"20x30":         {Rows: 20, Columns: 30},
		"0x0":           {},
		"20x30+4+8":     {Rows: 20, Columns: 30, Row: 4, Column: 8},
		"20x30/2x3":     {Rows: 20, Columns: 30, RowStep: 2, ColumnStep: 3},
		"1x2+0+7/4x1":   {Rows: 1, Columns: 2, Column: 7, RowStep: 4, ColumnStep: 1},
		"0x0+10+0/1x16": {Row: 10, RowStep: 1, ColumnStep: 16},
	} {
		got, err := Window(s)
		if err != nil || !proto.Equal(got, want) {
			t.Errorf("Window(%q) = %v, %v; want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "x", "20", "20x", "x30", "-1x2", "+1x2", "20x30+4", "20x30+4+", "20x30+-4+2",
		"2x2/0x1", "2x2/1", "2x2+1+1+1", "2x2x2", "2X2", " 2x2", "4294967296x1", "2x2/1x1/1x1"} {
		if got, err := Window(s); err == nil {
			t.Errorf("Window(%q) = %v, want an error", s, got)
		}
	}
}

func TestBinning(t *testing.T) {
	for s, want := range map[string]*facetdv1.Binning{
		"2": {Rows: 2, Columns: 2}, "8x1": {Rows: 8, Columns: 1}, "1": {Rows: 1, Columns: 1},
	} {
		if got, err := Binning(s); err != nil || !proto.Equal(got, want) {
			t.Errorf("Binning(%q) = %v, %v; want %v", s, got, err, want)
		}
	}
	for _, s := range []string{"", "3", "0", "16", "2x", "x2", "2x3", "2x2x2", "-2", "two"} {
		if got, err := Binning(s); err == nil {
			t.Errorf("Binning(%q) = %v, want an error", s, got)
		}
	}
}

func TestActionReadsWhatPeopleWrite(t *testing.T) {
	for s, want := range map[string]string{
		"column-pattern=10101010": "column-pattern=10101010 (0x55)", // pairs 0-1, 2-3, ...
		"column_pattern=0x55":     "column-pattern=10101010 (0x55)",
		"row-pattern=85":          "row-pattern=10101010 (0x55)",
		"row-pattern=01000000":    "row-pattern=01000000 (0x02)",
		"output-enable=1":         "output-enable=1",
		"offset=-5":               "offset=-5",
		"offset=251":              "offset=-5",
		"gain=3":                  "gain=3",
		"load":                    "load",
		"advance":                 "advance",
	} {
		var c facetdv1.Command
		if err := Action(s, &c); err != nil || FormatAction(&c) != want {
			t.Errorf("Action(%q) = %q, %v; want %q", s, FormatAction(&c), err, want)
		}
	}
	for _, s := range []string{"", "=", "gain=", "gain=256", "gain=-1", "offset=-129", "offset=256",
		"row-pattern=10101012", "Load", "fire", "volume=3", "gain=1.5", "gain==1"} {
		if err := Action(s, &facetdv1.Command{}); err == nil {
			t.Errorf("Action(%q) gave no error", s)
		}
	}
	if err := Action("row-pattern=1010101", &facetdv1.Command{}); err == nil ||
		!strings.Contains(err.Error(), "0 to 255") {
		t.Errorf("seven bits: %v, want the range", err)
	}
}

func TestNegativeOffsetIsTwosComplement(t *testing.T) {
	var c facetdv1.Command
	if err := Action("offset=-128", &c); err != nil || c.GetWrite().GetValue() != 0x80 {
		t.Errorf("offset=-128 is written as %#x, %v; want 0x80", c.GetWrite().GetValue(), err)
	}
}

func FuzzWindow(f *testing.F) {
	for _, s := range []string{"20x30", "20x30+4+8", "20x30+4+8/2x2", "0x0/1x1", "x", "++", "1x1+1+1/0x0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		w, err := Window(s)
		if err != nil {
			return
		}
		again, err := Window(FormatWindow(w))
		if err != nil {
			t.Fatalf("Window(%q) is written as %q, which is refused: %v", s, FormatWindow(w), err)
		}
		// Steps of 1 by 1 are what leaving them out means for an unbinned view.
		for _, x := range []*facetdv1.Window{w, again} {
			x.RowStep, x.ColumnStep = max(x.RowStep, 1), max(x.ColumnStep, 1)
		}
		if !proto.Equal(w, again) {
			t.Fatalf("Window(%q) = %v, written and read again %v", s, w, again)
		}
	})
}

func FuzzBinning(f *testing.F) {
	for _, s := range []string{"2", "2x4", "x", "8x8", "0"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		b, err := Binning(s)
		if err != nil {
			return
		}
		for _, n := range []uint32{b.GetRows(), b.GetColumns()} {
			if n&(n-1) != 0 || n < 1 || n > 8 {
				t.Fatalf("Binning(%q) accepts blocks of %d", s, n)
			}
		}
	})
}

func FuzzAction(f *testing.F) {
	for _, s := range []string{"gain=1", "column-pattern=10101010", "row-pattern=0x55", "offset=-128", "load", "=",
		"a=b=c"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		var c facetdv1.Command
		if err := Action(s, &c); err != nil {
			return
		}
		if c.GetWrite().GetValue() > 255 {
			t.Fatalf("Action(%q) writes %d", s, c.GetWrite().GetValue())
		}
		// What is printed, without the second form of a pattern, reads back the same.
		form, _, _ := strings.Cut(FormatAction(&c), " ")
		var again facetdv1.Command
		if err := Action(form, &again); err != nil || !proto.Equal(&c, &again) {
			t.Fatalf("Action(%q) is written as %q, read again %v, %v", s, form, &again, err)
		}
	})
}

func FuzzNames(f *testing.F) {
	f.Add("a,b")
	f.Add(",")
	f.Fuzz(func(t *testing.T, s string) {
		names, err := Names(s)
		if err != nil {
			return
		}
		for _, n := range names {
			if n == "" || strings.Contains(n, ",") {
				t.Fatalf("Names(%q) = %q", s, names)
			}
		}
	})
}
