package budget

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"strings"
	"testing"

	"facetd.example/chipmodel/chiptest"
)

// The drawing of every combination of parts is XML, and has every term, its nature and the sums.
func TestDraw(t *testing.T) {
	for n := range chiptest.Combinations {
		b, m := New(arrayOf(t, chiptest.Class(n)), 0, Conditions{Lux: 30})
		if len(m) > 0 {
			t.Fatal(m)
		}
		var out bytes.Buffer
		if err := b.Draw(&out); err != nil {
			t.Fatal(err)
		}
		text := out.String()
		for _, term := range append(append([]Term{}, b.Terms...), b.Random, b.Total) {
			if !strings.Contains(text, ">"+strings.ReplaceAll(term.Name, "&", "&amp;")+"<") {
				t.Errorf("%s is missing", term.Name)
			}
		}
		if strings.Contains(text, "not in the sums") != (len(b.Unknown) > 0) {
			t.Errorf("%d terms are not known:\n%s", len(b.Unknown), text)
		}
		if strings.Contains(text, "NaN") || strings.Contains(text, "Inf") {
			t.Errorf("no numbers in\n%s", text)
		}
		for d := xml.NewDecoder(&out); ; {
			_, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	}
}
