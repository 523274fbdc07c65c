package wiring

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"testing"

	"facetd.example/api/golden"
	"facetd.example/api/invalid"
)

// exampleMap is a ring of six chips and a pair, wired to seven lines (invented).
func exampleMap() MapInput {
	in := MapInput{
		Title: `Forward board, "ring & pair"`,
		Lines: []string{"SEL0", "SEL1", "SEL2", "SEL3", "SEL4", "SEL5", "SEL6"},
		Groups: []MapGroup{
			{Name: "all", Chips: []int{0, 1, 2, 3, 4, 5, 6, 7}, Words: 1},
			{Name: "ring", Chips: []int{0, 1, 2, 3, 4, 5}, Words: 2},
			{Name: "port half", Chips: []int{0, 1, 2}, Words: 1},
			{Name: "pair", Chips: []int{7, 6}, Words: 1},
			{Name: "spare"},
		},
	}
	for i := range 6 {
		in.Chips = append(in.Chips, MapChip{Name: fmt.Sprintf("ring-%d", i), Lane: "upper",
			Inputs: []int{i / 3, 2 + i%3, 5}})
	}
	return MapInput{Title: in.Title, Lines: in.Lines, Groups: in.Groups, Chips: append(in.Chips,
		MapChip{Name: "pair<left>", Lane: "lower", Inputs: []int{6, 5, 0}},
		MapChip{Name: "pair<right>", Inputs: []int{6, 6, 1}})}
}

func TestMapGolden(t *testing.T) {
	var got bytes.Buffer
	if err := Map(&got, exampleMap()); err != nil {
		t.Fatal(err)
	}
	golden.Check(t, "testdata/map.svg", got.Bytes())
}

// TestMapMarks: every marked place has its ring, dashed or solid, and the golden drawing shows what they look like.
func TestMapMarks(t *testing.T) {
	in := exampleMap()
	in.Marks = NewMarks()
	in.Marks.Lines[5], in.Marks.Chips[1], in.Marks.Lanes["lower"] = Certain, Suspected, Suspected
	in.Marks.Inputs[[2]int{2, 1}], in.Marks.Crossings[[2]int{2, 6}] = Suspected, Suspected
	in.Marks.Silent = []int{1, 4}
	var got bytes.Buffer
	if err := Map(&got, in); err != nil {
		t.Fatal(err)
	}
	golden.Check(t, "testdata/marks.svg", got.Bytes())
	// Each of the legend's once more: the input has two rings, and one chip is on lane "lower".
	for says, want := range map[string]int{`<rect class="certain"`: 2, `<rect class="suspect"`: 1 + 1 + 2 + 1,
		`<path class="suspect"`: 2, `<g class="silent"`: 3} {
		if n := strings.Count(got.String(), says); n != want {
			t.Errorf("%s is there %d times, want %d", says, n, want)
		}
	}
	in.Marks.Lines[7], in.Marks.Inputs[[2]int{0, 3}], in.Marks.Silent = Suspected, Suspected, []int{8}
	var errs invalid.Errors
	if err := Map(io.Discard, in); !errors.As(err, &errs) || len(errs) != 3 {
		t.Errorf("%v, want three errors", err)
	}
}

// TestMapShowsEveryWire reads the drawing back: well-formed, and one mark for each
// line of each chip, in the right row and column.
func TestMapShowsEveryWire(t *testing.T) {
	in := exampleMap()
	var out bytes.Buffer
	if err := Map(&out, in); err != nil {
		t.Fatal(err)
	}
	titles := map[string]int{}
	texts := map[string]int{}
	dec := xml.NewDecoder(&out)
	for depth := []string{}; ; {
		token, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		switch x := token.(type) {
		case xml.StartElement:
			depth = append(depth, x.Name.Local)
		case xml.EndElement:
			depth = depth[:len(depth)-1]
		case xml.CharData:
			if len(depth) > 0 && depth[len(depth)-1] == "title" {
				titles[string(x)]++
			}
			if len(depth) > 0 && depth[len(depth)-1] == "text" {
				texts[string(x)]++
			}
		}
	}
	dots := 0
	for title := range titles {
		if strings.Contains(title, " input ") {
			dots++
		}
	}
	if dots != 7*3+2 {
		t.Errorf("%d dots, want 23", dots)
	}
	for _, want := range []string{"ring-4 input 1 to SEL3", "pair<left> input 0 to SEL6",
		"pair<right> input 0,1 to SEL6", "ring: ring-5"} {
		if titles[want] != 1 {
			t.Errorf("%q stands %d times", want, titles[want])
		}
	}
	for _, c := range in.Chips {
		if texts[c.Name] != 1 {
			t.Errorf("chip %q is named %d times", c.Name, texts[c.Name])
		}
	}
	for i, line := range in.Lines {
		written := 2 // above and below
		for _, c := range in.Chips {
			for _, l := range c.Inputs {
				if l == i {
					written++
				}
			}
		}
		if texts[line] != written {
			t.Errorf("line %q is written %d times, want %d", line, texts[line], written)
		}
	}
}

func TestMapErrors(t *testing.T) {
	in := MapInput{Lines: []string{"a"}, Chips: []MapChip{{Inputs: []int{0, 1, -1}}},
		Groups: []MapGroup{{Chips: []int{3}}}}
	var got invalid.Errors
	if err := Map(io.Discard, in); !errors.As(err, &got) || len(got) != 3 {
		t.Errorf("%v", err)
	}
	if err := Map(io.Discard, MapInput{}); !errors.As(err, &got) || len(got) != 2 {
		t.Errorf("%v", err)
	}
}

// FuzzMap sees that any names give well-formed XML.
func FuzzMap(f *testing.F) {
	f.Add("<&>\"'", "a\x00b", "\xff", uint8(3))
	f.Fuzz(func(t *testing.T, title, chip, line string, at uint8) {
		in := MapInput{Title: title, Lines: []string{line, title},
			Chips:  []MapChip{{Name: chip, Lane: line, Inputs: []int{int(at) % 2, 1}}},
			Groups: []MapGroup{{Name: chip, Chips: []int{0, 0}, Words: int(at)}}}
		var out bytes.Buffer
		if err := Map(&out, in); err != nil {
			t.Fatal(err)
		}
		for dec := xml.NewDecoder(&out); ; {
			if _, err := dec.Token(); err == io.EOF {
				return
			} else if err != nil {
				t.Fatal(err)
			}
		}
	})
}

// FuzzDesign sees that any specification is refused or answered correctly.
func FuzzDesign(f *testing.F) {
	f.Add([]byte{6, 3, 4, 0, 1, 0, 1, 3, 5, 9})
	f.Add([]byte{5, 2, 5, 0, 0, 0, 0, 0, 31, 7, 24})
	f.Fuzz(func(t *testing.T, data []byte) {
		if len(data) < 3 {
			return
		}
		spec := Spec{Lines: int(data[0]) % 12, Inputs: int(data[1]) % 5, Aim: Aim(data[1] >> 7), Work: 3000}
		chips := int(data[2]) % 8
		for i, b := range data[3:] {
			if i < chips {
				c := Chip{Lane: int(b) % 3}
				if b >= 128 {
					c.Fixed = []int{int(b) % 13}
				}
				spec.Chips = append(spec.Chips, c)
				continue
			}
			g := Group{Weight: int64(b>>5) + 1, Once: b&1 == 1}
			for c := range chips {
				if b>>c&1 == 1 {
					g.Chips = append(g.Chips, c)
				}
			}
			spec.Groups = append(spec.Groups, g)
		}
		for _, find := range []func(Spec) (Result, error){Design, FewestLines} {
			r, err := find(spec)
			var none *NoWiringError
			var errs invalid.Errors
			switch {
			case err == nil:
				checkResult(t, spec, r)
			case !errors.As(err, &none) && !errors.As(err, &errs):
				t.Errorf("unexpected error %v", err)
			}
		}
	})
}

func TestMapOfDesign(t *testing.T) {
	spec := ring()
	r, err := Design(spec)
	if err != nil {
		t.Fatal(err)
	}
	in := MapOf("ring", spec, r, []string{"S0"}, nil, []string{"port", "starboard"}, nil)
	if in.Lines[0] != "S0" || in.Lines[1] != "line 1" || in.Chips[1].Lane != "starboard" ||
		len(in.Groups) != len(spec.Groups) || in.Groups[3].Words != r.Words[3] {
		t.Errorf("%+v", in)
	}
	var out bytes.Buffer
	if err := Map(&out, in); err != nil || out.Len() < 10_000 {
		t.Errorf("%d bytes, %v", out.Len(), err)
	}
	if path := os.Getenv("FACETD_WIRING_MAP"); path != "" { // to look at
		if err := os.WriteFile(path, out.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestMapPins: the pins of a board stand below the lines that they drive, and each in the list with what it serves.
func TestMapPins(t *testing.T) {
	in := exampleMap()
	in.Device = &MapDevice{Board: "bench<1>", Converters: map[string]string{"upper": "3"}}
	for i := range in.Lines {
		in.Device.Lines = append(in.Device.Lines, fmt.Sprintf("A%d", i))
		in.Device.Pins = append(in.Device.Pins, MapPin{Pin: fmt.Sprintf("A%d", i), Serves: "select " + in.Lines[i]})
	}
	in.Device.Pins = append(in.Device.Pins, MapPin{Pin: "C7", Serves: "strobe load", Input: "D2"})
	var got bytes.Buffer
	if err := Map(&got, in); err != nil {
		t.Fatal(err)
	}
	golden.Check(t, "testdata/pins.svg", got.Bytes())
	for says, want := range map[string]int{">A3</text>": 2, "<title>C7 to strobe load</title>": 1, ">test D2<": 1,
		">upper:3<": 6, ">lower<": 1, "pins of bench&lt;1&gt;": 1} {
		if n := strings.Count(got.String(), says); n != want {
			t.Errorf("%s is there %d times, want %d", says, n, want)
		}
	}
}
