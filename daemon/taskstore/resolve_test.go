package taskstore

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	facetdv1 "facetd.example/api/facetd/v1"
)

// upTo fits tasks of so many hertz together, none of them negative.
func upTo(limit float64) func([]*facetdv1.Task) error {
	return func(tasks []*facetdv1.Task) error {
		sum := 0.0
		for _, t := range tasks {
			if t.GetRateHz() < 0 {
				return fmt.Errorf("%s has no rate", t.GetName())
			}
			sum += t.GetRateHz()
		}
		if sum > limit {
			return fmt.Errorf("%g Hz are more than %g", sum, limit)
		}
		return nil
	}
}

func show(tasks []*facetdv1.Task) string {
	var out []string
	for _, t := range tasks {
		out = append(out, fmt.Sprintf("%s %g", t.GetName(), t.GetRateHz()))
	}
	return strings.Join(out, ", ")
}

func showNotes(notes []Note) string {
	var out []string
	for _, n := range notes {
		out = append(out, n.Text)
	}
	return strings.Join(out, "\n")
}

func list(tasks ...*facetdv1.Task) []*facetdv1.Task { return tasks }

// stored is what is stored after the configured tasks were changed into others.
func stored(configured, running []*facetdv1.Task) *State {
	first, _ := after(&State{}, configured, configured, nil, 1)
	next, _ := after(first, configured, running, nil, 2)
	return next
}

// What is stored wins where the configured description is as it was, and loses where it is not.
func TestWhoWins(t *testing.T) {
	ab := list(task("a", 1), task("b", 2))
	abc := func(rate float64) []*facetdv1.Task { return list(ab[0], ab[1], task("c", rate)) }
	a7, a8 := list(task("a", 7), ab[1]), list(task("a", 8), ab[1])
	for name, c := range map[string]struct {
		stored     *State
		configured []*facetdv1.Task
		runs       string
		notes      []string // parts of each
	}{
		"a first start":        {nil, ab, "a 1, b 2", nil},
		"nothing changed":      {stored(ab, ab), ab, "a 1, b 2", nil},
		"made":                 {stored(ab, abc(3)), ab, "a 1, b 2, c 3", nil},
		"changed":              {stored(ab, a7), ab, "a 7, b 2", nil},
		"removed":              {stored(ab, ab[1:]), ab, "b 2", nil},
		"all removed":          {stored(ab, nil), ab, "", nil},
		"in another order":     {stored(ab, list(ab[1], task("c", 3), ab[0])), ab, "b 2, c 3, a 1", nil},
		"configured anew":      {stored(ab, ab), list(ab[0], task("b", 9), task("c", 3)), "a 1, b 9, c 3", nil},
		"no longer configured": {stored(ab, ab), ab[:1], "a 1", nil},
		"changed, and configured": {stored(ab, a7), a8, "a 8, b 2",
			[]string{"task a was changed over the API; its configured description has changed since"}},
		"changed, and not any more": {stored(ab, a7), ab[1:], "b 2",
			[]string{"task a was changed over the API; it is no longer configured"}},
		"removed, and configured": {stored(ab, ab[1:]), a8, "b 2, a 8",
			[]string{"task a was removed over the API; its configured"}},
		"removed, and not any more": {stored(ab, ab[1:]), ab[1:], "b 2", nil},
		"made, and configured": {stored(ab, abc(3)), abc(4), "a 1, b 2, c 4",
			[]string{"task c was made over the API; its configured"}},
		"changed to what it is now":  {stored(ab, a7), a7, "a 7, b 2", nil},
		"made as it is configured":   {stored(ab, abc(3)), abc(3), "a 1, b 2, c 3", nil},
		"another is configured anew": {stored(ab, a7), list(ab[0], task("b", 9)), "a 7, b 9", nil},
	} {
		r, err := Resolve(c.stored, c.configured, upTo(100))
		if err != nil {
			t.Errorf("%s: %v", name, err)
			continue
		}
		if got := show(r.Tasks); got != c.runs {
			t.Errorf("%s: runs %s, want %s", name, got, c.runs)
		}
		if len(r.Notes) != len(c.notes) {
			t.Errorf("%s: told %s", name, showNotes(r.Notes))
			continue
		}
		for i, want := range c.notes {
			if !strings.Contains(r.Notes[i].Text, want) {
				t.Errorf("%s: told %s, want %s", name, r.Notes[i].Text, want)
			}
		}
	}
}

// Stored tasks that do not fit are kept aside, the newest first; they come back once they fit.
func TestKeptAside(t *testing.T) {
	ab := list(task("a", 10), task("b", 20))
	s := stored(ab, list(ab[0], task("b", 5), task("c", 30)))
	s, _ = after(s, ab, list(ab[0], task("b", 5), task("c", 30), task("d", 40)), nil, 3)
	for _, step := range []struct {
		limit       float64
		runs, aside string
		told        int
	}{
		{85, "a 10, b 5, c 30, d 40", "", 0},
		{60, "a 10, b 5, c 30", "d 40", 1},
		{41, "a 10, b 5", "c 30, d 40", 2},
		{41, "a 10, b 5", "c 30, d 40", 2},
		{60, "a 10, b 5, c 30", "d 40", 1},
		{85, "a 10, b 5, c 30, d 40", "", 0},
	} {
		r, err := Resolve(s, ab, upTo(step.limit))
		if err != nil {
			t.Fatalf("%g Hz: %v", step.limit, err)
		}
		if s, err = Parse(encode(t, r.State)); err != nil {
			t.Fatal(err)
		}
		var aside []*facetdv1.Task
		for _, e := range s.Aside {
			aside = append(aside, e.Task)
			if !strings.Contains(e.Reason, "more than") {
				t.Errorf("%s is kept aside: %q", e.Name, e.Reason)
			}
		}
		if show(r.Tasks) != step.runs || show(aside) != step.aside || len(r.Notes) != step.told {
			t.Errorf("%g Hz: runs %s, aside %s, told\n%s",
				step.limit, show(r.Tasks), show(aside), showNotes(r.Notes))
		}
	}
	// One that is wrong by itself is reported; what the file has runs in its stead.
	r, err := Resolve(stored(ab, list(task("a", -1), ab[1])), ab, upTo(85))
	if err != nil || show(r.Tasks) != "a 10, b 20" || len(r.State.Aside) != 1 ||
		r.State.Aside[0].Reason != "a has no rate" {
		t.Errorf("%v, %v", r, err)
	}
	// Configured tasks that do not fit by themselves are the caller's to refuse.
	if r, err := Resolve(stored(ab, list(ab[0], ab[1], task("c", 1))), ab, upTo(15)); err == nil {
		t.Errorf("30 Hz within 15: %v", r)
	}
	// A change that makes room for what is configured does.
	if r, err := Resolve(stored(ab, list(ab[0], task("b", 5))), ab, upTo(15)); err != nil ||
		show(r.Tasks) != "a 10, b 5" {
		t.Errorf("%v, %v", r, err)
	}
}

// A pause of a configured task and of one that was made outlives the process, and neither it nor its end begins a new
// generation. A configured description that has changed since wins over it.
func TestPausesAreStored(t *testing.T) {
	pause := func(t *facetdv1.Task, paused bool) *facetdv1.Task {
		t = proto.CloneOf(t)
		t.Paused = paused
		return t
	}
	ab := list(task("a", 1), task("b", 2))
	s := stored(ab, list(ab[0], ab[1], task("c", 3)))
	generations := func(s *State) (out []uint64) {
		for _, e := range s.Tasks {
			out = append(out, e.Generation)
		}
		return out
	}
	first := generations(s)
	for _, paused := range []bool{true, false, true} {
		running := list(ab[0], pause(ab[1], paused), pause(task("c", 3), paused))
		next, changed := after(s, ab, running, nil, s.Revision+1)
		if !changed || !slices.Equal(generations(next), first) {
			t.Errorf("paused %v: changed %v, generations %v after %v", paused, changed, generations(next), first)
		}
		var err error
		if s, err = Parse(encode(t, next)); err != nil {
			t.Fatal(err)
		}
		r, err := Resolve(s, ab, upTo(100))
		if err != nil || len(r.Notes) > 0 || !slices.EqualFunc(r.Tasks, running, func(x, y *facetdv1.Task) bool {
			return proto.Equal(x, y)
		}) {
			t.Errorf("paused %v: %v, %v", paused, r, err)
		}
	}
	r, err := Resolve(s, list(ab[0], task("b", 5)), upTo(100))
	if err != nil || len(r.Notes) != 1 || r.Tasks[1].GetPaused() || r.Tasks[1].GetRateHz() != 5 ||
		!r.Tasks[2].GetPaused() {
		t.Errorf("%v, %v", r, err)
	}
}

// Whatever happens to tasks, a start after it runs the same ones in the same order under the
// same generations; a generation is never given twice to a name, and revisions only rise.
func TestRandomHistories(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		names := []string{"a", "b", "c", "d", "e"}
		draw := func(label string) []*facetdv1.Task {
			var out []*facetdv1.Task
			for _, name := range rapid.Permutation(names).Draw(t, label) {
				if rate := rapid.IntRange(0, 3).Draw(t, name); rate > 0 {
					out = append(out, task(name, float64(rate)))
				}
			}
			return out
		}
		configured := draw("configured")
		r, err := Resolve(nil, configured, upTo(100))
		if err != nil || show(r.Tasks) != show(configured) {
			t.Fatalf("%v, %v", r, err)
		}
		state := r.State
		highest := map[string]uint64{}
		for range rapid.IntRange(1, 8).Draw(t, "changes") {
			running := draw("running")
			next, _ := after(state, configured, running, nil, state.Revision+1)
			if next.Revision < state.Revision || next.Revision > state.Revision+1 {
				t.Fatalf("revision %d after %d", next.Revision, state.Revision)
			}
			for _, e := range next.Tasks {
				i := slices.IndexFunc(state.Tasks, func(o Entry) bool { return o.Name == e.Name })
				kept := i >= 0 && sameTask(&state.Tasks[i], &e, Digest)
				if kept != (e.Generation <= highest[e.Name]) && highest[e.Name] > 0 {
					t.Fatalf("%s has generation %d after %d, kept: %v", e.Name, e.Generation, highest[e.Name], kept)
				}
				highest[e.Name] = max(highest[e.Name], e.Generation)
			}
			data, err := next.Encode()
			if err != nil {
				t.Fatal(err)
			}
			if state, err = Parse(data); err != nil {
				t.Fatal(err)
			}
			again, err := Resolve(state, configured, upTo(100))
			if err != nil || show(again.Tasks) != show(running) || len(again.Notes) > 0 || !same(again.State, state) {
				t.Fatalf("ran %s, then %s, %v, told %s", show(running), show(again.Tasks), err, showNotes(again.Notes))
			}
		}
	})
}

var errAlways = errors.New("never")

// Where nothing is stored nothing is planned: a start costs no more than it did.
func TestNothingStoredNothingPlanned(t *testing.T) {
	ab := list(task("a", 1))
	for _, s := range []*State{nil, stored(ab, ab), stored(ab, nil)} {
		if _, err := Resolve(s, ab, func([]*facetdv1.Task) error { return errAlways }); err != nil {
			t.Error(err)
		}
	}
}
