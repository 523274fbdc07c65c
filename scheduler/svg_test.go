package scheduler_test

import (
	"bytes"
	"encoding/xml"
	"errors"
	"io"
	"os"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
	"facetd.example/scheduler"
	"facetd.example/scheduler/draw"
)

func TestTimetableSVG(t *testing.T) {
	a, specs := crawler(t)
	for name, p := range map[string]*scheduler.Plan{
		"crawler": mustBuild(t, a, specs...),
		"cut": mustBuild(t, bench(t, [5]int{4, 0, 0, 0, 1}),
			task("ring", "mems", 100, &facetdv1.View{SmoothingSteps: 1}), task("fast", "hexs", 2000, tiny())),
	} {
		t.Run(name, func(t *testing.T) {
			var b bytes.Buffer
			if err := draw.Timetable(&b, p); err != nil {
				t.Fatal(err)
			}
			if dir := os.Getenv("FACETD_SVG_DIR"); dir != "" { // to look at them
				if err := os.WriteFile(dir+"/"+name+".svg", b.Bytes(), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			golden.Check(t, "testdata/"+name+".svg", b.Bytes())
			elements := map[string]int{}
			for d := xml.NewDecoder(&b); ; {
				tok, err := d.Token()
				if errors.Is(err, io.EOF) {
					break
				}
				if err != nil {
					t.Fatal(err)
				}
				if e, ok := tok.(xml.StartElement); ok {
					elements[e.Name.Local+"."+attr(e, "class")]++
				}
			}
			jobs, holds := 0, 0
			for i := range p.Tasks {
				jobs += p.Tasks[i].JobsPerCycle
				if p.Tasks[i].Task.Class.HasMemory() {
					holds += p.Tasks[i].JobsPerCycle * len(p.Tasks[i].Task.Chips)
				}
			}
			// One mark for each deadline and one bar for each chip held, and the legend.
			if elements["line.due"] != jobs+1 || elements["rect.held"] != holds+1 {
				t.Errorf("%d deadlines of %d jobs, %d holds of %d: %v", elements["line.due"], jobs,
					elements["rect.held"], holds, elements)
			}
		})
	}
}

func attr(e xml.StartElement, name string) string {
	for _, a := range e.Attr {
		if a.Name.Local == name {
			return a.Value
		}
	}
	return ""
}

// TestSVGEscapes: names are text, whatever is in them.
func TestSVGEscapes(t *testing.T) {
	a := bench(t, [5]int{1}, func(m *facetdv1.Array) { m.Name = "<b>&" })
	var b strings.Builder
	if err := draw.Timetable(&b, mustBuild(t, a, task("a<b", "mems", 1))); err != nil {
		t.Fatal(err)
	}
	if s := b.String(); strings.Contains(s, "<b>") || !strings.Contains(s, "a&lt;b") {
		t.Error("a name was not escaped")
	}
}
