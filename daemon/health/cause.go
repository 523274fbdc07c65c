package health

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
)

// culprit is what chips have in common that explains what they show.
type culprit struct {
	subject facetdv1.HealthSubject
	name    string
	chips   []int
	// also are other things that exactly these chips have in common.
	also []string
}

const (
	ofChip  = facetdv1.HealthSubject_HEALTH_SUBJECT_CHIP
	ofLane  = facetdv1.HealthSubject_HEALTH_SUBJECT_LANE
	ofLine  = facetdv1.HealthSubject_HEALTH_SUBJECT_SELECT_LINE
	ofTask  = facetdv1.HealthSubject_HEALTH_SUBJECT_TASK
	ofArray = facetdv1.HealthSubject_HEALTH_SUBJECT_ARRAY
	ofHost  = facetdv1.HealthSubject_HEALTH_SUBJECT_HOST
	ofThing = facetdv1.HealthSubject_HEALTH_SUBJECT_DEVICE
)

// alone is how many chips without anything in common are told one by one.
const alone = 2

// culprits explains why the chips given show something, where judged are all that could: by the whole array where
// all of them do; by lanes, and by select lines where withLines says so, all of whose chips do; and chip by chip.
// Both lists are by ascending index.
func culprits(a *chipmodel.Array, given, judged []int, withLines bool) []culprit {
	var out []culprit
	if len(given) > 1 && len(given) == len(judged) && len(lanesOf(a, given)) > 1 {
		return []culprit{{subject: ofArray, chips: given}}
	}
	rest := slices.Clone(given)
	take := func(c culprit) {
		out = append(out, c)
		rest = slices.DeleteFunc(rest, func(chip int) bool { return slices.Contains(c.chips, chip) })
	}
	for _, lane := range lanesOf(a, given) {
		on := func(chip int) bool { return a.Chips[chip].Lane == lane }
		if members, bad := kept(judged, on), kept(rest, on); len(members) > 1 && len(members) == len(bad) {
			c := culprit{subject: ofLane, name: a.Lanes[lane].Name, chips: bad}
			if withLines {
				c.also = sameLines(a, judged, bad)
			}
			take(c)
		}
	}
	for withLines && len(rest) > 1 {
		line, members := widestLine(a, judged, rest)
		if line < 0 {
			break
		}
		also := slices.DeleteFunc(sameLines(a, judged, members),
			func(name string) bool { return name == a.Lines[line] })
		take(culprit{subject: ofLine, name: a.Lines[line], chips: members, also: also})
	}
	if len(rest) > alone {
		return append(out, culprit{subject: ofArray, chips: rest})
	}
	for _, chip := range rest {
		out = append(out, culprit{subject: ofChip, name: a.Chips[chip].Name, chips: []int{chip}})
	}
	return out
}

func kept(chips []int, keep func(int) bool) []int {
	return slices.DeleteFunc(slices.Clone(chips), func(c int) bool { return !keep(c) })
}

// lanesOf are the lanes of chips, by ascending index.
func lanesOf(a *chipmodel.Array, chips []int) []int {
	var lanes []int
	for _, c := range chips {
		lanes = append(lanes, a.Chips[c].Lane)
	}
	slices.Sort(lanes)
	return slices.Compact(lanes)
}

// wired are those of chips that have an input on a line.
func wired(a *chipmodel.Array, chips []int, line int) []int {
	return kept(chips, func(c int) bool { return a.Chips[c].Wires.Has(line) })
}

// widestLine is the select line with the most of the chips given, all of whose chips that were judged are among them;
// -1 where none has two.
func widestLine(a *chipmodel.Array, judged, given []int) (line int, members []int) {
	line = -1
	for l := range a.Lines {
		all := wired(a, judged, l)
		if bad := wired(a, given, l); len(bad) > 1 && len(bad) == len(all) && len(bad) > len(members) {
			line, members = l, bad
		}
	}
	return line, members
}

// sameLines are the names of the select lines to which of the chips judged exactly these are wired.
func sameLines(a *chipmodel.Array, judged, chips []int) []string {
	var names []string
	for l := range a.Lines {
		if slices.Equal(wired(a, judged, l), chips) {
			names = append(names, a.Lines[l])
		}
	}
	return names
}

// listed are names of chips, a few of many.
func listed(a *chipmodel.Array, chips []int) string {
	const most = 4
	names := a.ChipNames(chips)
	if len(names) > most {
		return fmt.Sprintf("%s and %d more", strings.Join(names[:most-1], ", "), len(names)-most+1)
	}
	return strings.Join(names, ", ")
}

// severer orders findings: the worse first, then the common causes, then the older.
func severer(x, y *facetdv1.HealthFinding) int {
	rank := func(f *facetdv1.HealthFinding) int { return int(f.GetState()) }
	return cmp.Or(cmp.Compare(rank(y), rank(x)), cmp.Compare(len(y.GetChips()), len(x.GetChips())),
		cmp.Compare(x.GetSinceBusNs(), y.GetSinceBusNs()), strings.Compare(x.GetId(), y.GetId()))
}
