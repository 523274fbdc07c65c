package svg

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// TestDrawing: whatever the names, a drawing is XML; numbers are short and never -0.
func TestDrawing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		name := rapid.String().Draw(t, "name")
		d := New("some", name, 100, 50)
		d.Style("text{fill:#000}", "text{fill:#fff}")
		d.Rect("a", 1.0/3, -0.0001, 2, 3)
		d.Line("b", 1, 2, 3, 4)
		d.Text("c", 1, 2, name)
		d.Upright("c", 1, 2, name)
		for x := xml.NewDecoder(bytes.NewReader(d.Bytes())); ; {
			if _, err := x.Token(); errors.Is(err, io.EOF) {
				break
			} else if err != nil {
				t.Fatal(err)
			}
		}
		if text := string(d.Bytes()); !strings.Contains(text, `x="0.33" y="0" width="2"`) ||
			!strings.Contains(text, "\n.some text{fill:#fff}\n") {
			t.Error(text)
		}
	})
}

func TestRoundNumbers(t *testing.T) {
	for _, c := range []struct{ v, below, above float64 }{
		{1, 1, 1}, {1.01, 1, 2}, {2, 2, 2}, {4.9, 2, 5}, {0.3, 0.2, 0.5}, {0.1 + 0.2 - 0.1, 0.2, 0.2},
		{7000, 5000, 10000}, {1e-9, 1e-9, 1e-9}, {1000, 1000, 1000},
	} {
		if below, above := Below(c.v), Above(c.v); math.Abs(below/c.below-1) > 1e-12 ||
			math.Abs(above/c.above-1) > 1e-12 {
			t.Errorf("round numbers about %g: %g and %g, want %g and %g", c.v, below, above, c.below, c.above)
		}
	}
}

func TestTicks(t *testing.T) {
	near := func(a, b float64) bool { return math.Abs(a-b) < 1e-12 }
	for _, c := range []struct {
		low, high float64
		n         int
		want      []float64
	}{
		{0, 10, 5, []float64{0, 2, 4, 6, 8, 10}}, {-0.3, 0.3, 3, []float64{-0.2, 0, 0.2}},
		{0, 0.6, 6, []float64{0, .1, .2, .3, .4, .5, .6}}, {3, 3, 5, nil}, {0, math.Inf(1), 5, nil},
	} {
		if got := Ticks(c.low, c.high, c.n); !slices.EqualFunc(got, c.want, near) {
			t.Errorf("from %g to %g: %v, want %v", c.low, c.high, got, c.want)
		}
	}
	if got := Ticks(0, 10, 5); math.Signbit(got[0]) {
		t.Error("it begins with -0")
	}
	if got := LogTicks(1, 10, 7); !slices.Equal(got, []float64{1, 2, 5, 10}) {
		t.Error(got)
	}
	if got := LogTicks(1, 1000, 7); !slices.Equal(got, []float64{1, 10, 100, 1000}) {
		t.Error(got)
	}
}
