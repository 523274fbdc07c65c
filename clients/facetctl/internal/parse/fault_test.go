package parse

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestFault(t *testing.T) {
	for text, want := range map[string]*facetdv1.Fault{
		"line-stuck-active:x1": {Kind: facetdv1.FaultKind_FAULT_KIND_LINE_STUCK_ACTIVE, Line: "x1"},
		"lines-swapped:x0,x1": {Kind: facetdv1.FaultKind_FAULT_KIND_LINES_SWAPPED, Line: "x0",
			OtherLine: "x1"},
		"input-shorted:wall-03/2,fb": {Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_SHORTED, Chip: "wall-03", Input: 2,
			OtherLine: "fb"},
		"input-open-inactive:wall-03/": nil,
		"input-open-active:bed-0/1": {Kind: facetdv1.FaultKind_FAULT_KIND_INPUT_OPEN_ACTIVE, Chip: "bed-0",
			Input: 1},
		"chip-dead:wall-03":          {Kind: facetdv1.FaultKind_FAULT_KIND_CHIP_DEAD, Chip: "wall-03"},
		"lane-open:a":                {Kind: facetdv1.FaultKind_FAULT_KIND_LANE_OPEN, Lane: "a"},
		"lane-saturated:b":           {Kind: facetdv1.FaultKind_FAULT_KIND_LANE_SATURATED, Lane: "b"},
		"chip-dead":                  nil,
		"chip-dead:":                 nil,
		"chip-dead:a,b":              nil,
		"lines-swapped:x0":           nil,
		"lines-swapped:x0,":          nil,
		"input-open-active:bed-0/-1": nil,
		"gremlin:a":                  nil,
	} {
		got, err := Fault(text)
		if want == nil {
			if err == nil || !strings.Contains(err.Error(), text) {
				t.Errorf("%s: %v, %v", text, got, err)
			}
			continue
		}
		if err != nil || !proto.Equal(got, want) {
			t.Errorf("%s: %v, %v, want %v", text, got, err, want)
		}
	}
}

// FuzzFault: whatever is typed, there is a fault of a known kind or an error.
func FuzzFault(f *testing.F) {
	f.Add("input-shorted:wall-03/2,fb")
	f.Add("chip-dead:a")
	f.Fuzz(func(t *testing.T, text string) {
		got, err := Fault(text)
		if (got == nil) == (err == nil) || (err == nil && got.GetKind() == 0) {
			t.Fatalf("%q: %v, %v", text, got, err)
		}
	})
}
