package parse

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
)

// faultPlaces says what follows the kind of a fault on the command line.
var faultPlaces = map[string]string{
	"line-stuck-active": "LINE", "line-stuck-inactive": "LINE", "lines-swapped": "LINE,LINE",
	"input-open-active": "CHIP/N", "input-open-inactive": "CHIP/N", "input-shorted": "CHIP/N,LINE",
	"chip-dead": "CHIP", "lane-open": "LANE", "lane-saturated": "LANE",
}

// FaultKinds are the kinds of faults, sorted, and what stands behind the colon of each.
func FaultKinds() iter.Seq2[string, string] {
	return func(yield func(string, string) bool) {
		for _, kind := range slices.Sorted(maps.Keys(faultPlaces)) {
			if !yield(kind, faultPlaces[kind]) {
				return
			}
		}
	}
}

// Fault reads a fault such as "input-shorted:wall-03/2,fb". Whether there are such
// lines and chips is the daemon's to say.
func Fault(s string) (*facetdv1.Fault, error) {
	kind, place, found := strings.Cut(s, ":")
	kind = strings.ReplaceAll(kind, "_", "-") // as JSON output has it
	form, known := faultPlaces[kind]
	if !known {
		return nil, fmt.Errorf("fault %q: there is no kind %q", s, kind)
	}
	wrong := fmt.Errorf("fault %q: write %s:%s", s, kind, form)
	if !found || place == "" {
		return nil, wrong
	}
	f := &facetdv1.Fault{Kind: facetdv1.FaultKind(facetdv1.FaultKind_value["FAULT_KIND_"+
		strings.ToUpper(strings.ReplaceAll(kind, "-", "_"))])}
	first, second, two := strings.Cut(place, ",")
	if two != strings.Contains(form, ",") || (two && second == "") || first == "" {
		return nil, wrong
	}
	switch form {
	case "LINE", "LINE,LINE":
		f.Line, f.OtherLine = first, second
	case "CHIP":
		f.Chip = first
	case "LANE":
		f.Lane = first
	default:
		chip, number, ok := cutLast(first, "/")
		n, err := strconv.ParseUint(number, 10, 16)
		if !ok || chip == "" || err != nil {
			return nil, wrong
		}
		f.Chip, f.Input, f.OtherLine = chip, uint32(n), second
	}
	return f, nil
}

// cutLast cuts a text at the last separator.
func cutLast(s, sep string) (before, after string, found bool) {
	i := strings.LastIndex(s, sep)
	if i < 0 {
		return s, "", false
	}
	return s[:i], s[i+len(sep):], true
}
