package health

import (
	"fmt"
	"maps"
	"slices"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// wiredAtRandom is an array of chips with lanes and wires alone.
func wiredAtRandom(pick func(n int) int) *chipmodel.Array {
	a := &chipmodel.Array{}
	for i := range 1 + pick(4) {
		a.Lanes = append(a.Lanes, chipmodel.Lane{Name: fmt.Sprint("lane-", i)})
	}
	for i := range 2 + pick(6) {
		a.Lines = append(a.Lines, fmt.Sprint("line-", i))
	}
	for i := range 2 + pick(20) {
		var wires chipmodel.LineSet
		for range 3 {
			wires |= 1 << pick(len(a.Lines))
		}
		a.Chips = append(a.Chips, chipmodel.Chip{Name: fmt.Sprint("chip-", i), Index: i, Wires: wires,
			Lane: pick(len(a.Lanes))})
	}
	return a
}

// TestCulprits: every chip that shows something has one cause, a cause of several is one of which all chips that were
// judged show it, and where all chips of a lane or of a line show it there is no cause for each.
func TestCulprits(t *testing.T) {
	draw := seeded(t)
	for range 3000 {
		a := wiredAtRandom(draw.IntN)
		var given, judged []int
		lane, line := draw.IntN(len(a.Lanes)), draw.IntN(len(a.Lines))
		how := draw.IntN(4)
		for i, c := range a.Chips {
			bad := how == 0 && c.Lane == lane || how == 1 && c.Wires.Has(line) || how == 2 && draw.IntN(4) == 0 ||
				how == 3
			if bad {
				given = append(given, i)
			}
			if bad || draw.IntN(10) > 0 {
				judged = append(judged, i)
			}
		}
		causes := culprits(a, given, judged, true)
		var explained []int
		for _, c := range causes {
			explained = append(explained, c.chips...)
			for _, i := range judged {
				belongs := c.subject == ofLane && a.Lanes[a.Chips[i].Lane].Name == c.name ||
					c.subject == ofLine && a.Chips[i].Wires.Has(slices.Index(a.Lines, c.name))
				if belongs && !slices.Contains(given, i) {
					t.Fatalf("%s %s is blamed, and chip %d of it is good", c.subject, c.name, i)
				}
			}
		}
		slices.Sort(explained)
		if !slices.Equal(explained, given) {
			t.Fatalf("chips %v show it, explained are %v", given, explained)
		}
		if (how == 0 || how == 3) && len(given) > 1 && len(causes) > len(a.Lanes) {
			t.Errorf("%d chips of lane %d have %d causes", len(given), lane, len(causes))
		}
		single := 0
		for _, c := range causes {
			if c.subject == ofChip {
				single++
			}
		}
		if single > alone {
			t.Errorf("%d chips are told one by one", single)
		}
	}
}

// TestACommonCauseIsOneFinding: of all chips of a lane, or of a line, whatever else they share.
func TestACommonCauseIsOneFinding(t *testing.T) {
	a := &chipmodel.Array{Lanes: []chipmodel.Lane{{Name: "a"}, {Name: "b"}}, Lines: []string{"f", "g", "x", "y"}}
	for i := range 8 {
		a.Chips = append(a.Chips, chipmodel.Chip{Name: fmt.Sprint(i), Index: i, Lane: i % 2,
			Wires: 1<<(i/4) | 1<<(2+i/2%2)})
	}
	all := []int{0, 1, 2, 3, 4, 5, 6, 7}
	for _, tc := range []struct {
		given   []int
		subject facetdv1.HealthSubject
		name    string
	}{
		{[]int{5}, ofChip, "5"}, {[]int{0, 2, 4, 6}, ofLane, "a"}, {[]int{0, 1, 2, 3}, ofLine, "f"},
		{[]int{2, 3, 6, 7}, ofLine, "y"}, {all, ofArray, ""}, {[]int{0, 3, 5}, ofArray, ""},
	} {
		got := culprits(a, tc.given, all, true)
		if len(got) != 1 || got[0].subject != tc.subject || got[0].name != tc.name ||
			!slices.Equal(got[0].chips, tc.given) {
			t.Errorf("%v: %+v", tc.given, got)
		}
	}
}

// TestSwappedLinesAreOneFinding: of arrays wired at random, what an exchange of two lines shows (who answers in whose
// place, and where nobody does) names these two lines and all chips that show it, or nothing where others would show
// the same or two chips would drive a lane; what it does not show names no lines. What a swap shows is worked out here
// by driving each chip's word over the swapped wires.
func TestSwappedLinesAreOneFinding(t *testing.T) {
	draw := seeded(t)
	named := 0
	for range 8000 {
		a := wiredAtRandom(draw.IntN)
		if slices.ContainsFunc(a.Chips, func(c chipmodel.Chip) bool {
			_, several := listener(a, c.Wires, c.Lane)
			return several
		}) { // which no array is
			continue
		}
		show := func(l, m int) (seen answers, fits bool) {
			seen.other = map[int]int{}
			for c := range a.Chips {
				seen.driven = append(seen.driven, c)
				var listen []int
				for o := range a.Chips {
					there := true
					for _, line := range a.Chips[o].Wires.Lines() {
						switch line { // what is active at the chip is what the host drives on the other line
						case l:
							line = m
						case m:
							line = l
						}
						there = there && a.Chips[c].Wires.Has(line)
					}
					if there && a.Chips[o].Lane == a.Chips[c].Lane {
						listen = append(listen, o)
					}
				}
				switch {
				case len(listen) > 1:
					return seen, false
				case len(listen) == 0:
					seen.silent = append(seen.silent, c)
					continue
				case listen[0] != c:
					seen.other[c] = listen[0]
				}
				seen.foreign = append(seen.foreign, c)
			}
			return seen, true
		}
		l, m := draw.IntN(len(a.Lines)), draw.IntN(len(a.Lines))
		seen, fits := show(min(l, m), max(l, m))
		if !fits || len(seen.other) == 0 {
			continue
		}
		alike := 0
		for x := range a.Lines {
			for y := range x {
				other, ok := show(y, x)
				if ok && maps.Equal(other.other, seen.other) && slices.Equal(other.silent, seen.silent) {
					alike++
				}
			}
		}
		got := exchanged(a, seen)
		if alike == 1 && len(seen.other)+len(seen.silent) > 1 {
			named++
			if got == nil || got.lines != [2]int{min(l, m), max(l, m)} ||
				len(got.chips) != len(seen.other)+len(seen.silent) {
				t.Fatalf("lines %d and %d are swapped, told is %+v", l, m, got)
			}
			// One chip that still answers itself, though the exchange lets none or another answer, speaks against it.
			for c := range seen.other {
				delete(seen.other, c)
				break
			}
			if got := exchanged(a, seen); got != nil && got.lines == [2]int{min(l, m), max(l, m)} {
				t.Fatalf("lines %v are told as swapped though a chip answers as it should", got.lines)
			}
		} else if got != nil && alike == 0 {
			t.Fatalf("lines %v are told as swapped, which no two are", got.lines)
		} else if got != nil && alike > 1 {
			t.Fatalf("lines %v are told as swapped, and %d exchanges show the same", got.lines, alike)
		}
	}
	if named < 100 {
		t.Errorf("an exchange was named %d times only", named)
	}
}
