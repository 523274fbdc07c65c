package taskstore

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
)

// task is one of a group at a rate.
func task(name string, rate float64) *facetdv1.Task {
	target := &facetdv1.Target{Chips: &facetdv1.Target_Group{Group: "bow"}}
	return &facetdv1.Task{Name: name, RateHz: rate, Target: target}
}

// whole is a state with everything in it that a file can hold.
func whole() *State {
	return &State{
		Revision: 9,
		Tasks: []Entry{
			{Name: "a", Kind: Configured, Generation: 1, Configured: Digest(task("a", 1))},
			{Name: "b", Kind: Made, Generation: 4, Task: task("b", 2),
				Parameters: []*facetdv1.ViewParameters{{View: "v", Row: proto.Uint32(3), Offset: proto.Int32(-4),
					Exposure: durationpb.New(1234567)}}},
			{Name: "c", Kind: Changed, Generation: 9, Configured: Digest(task("c", 3)), Task: task("c", 4)},
			{Name: "d", Kind: Configured, Generation: 2, Configured: Digest(task("d", 5))},
			{Name: "e", Kind: Removed, Generation: 3, Configured: Digest(task("e", 6))},
		},
		Aside: []Entry{{Name: "f", Kind: Made, Generation: 8, Task: task("f", 700), Reason: "it is too fast"}},
	}
}

func encode(t testing.TB, s *State) []byte {
	t.Helper()
	data, err := s.Encode()
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// same compares states; tasks are messages.
func same(a, b *State) bool {
	entries := func(x, y []Entry) bool {
		if len(x) != len(y) {
			return false
		}
		for i := range x {
			p, q := x[i], y[i]
			if !proto.Equal(p.Task, q.Task) {
				return false
			}
			if !slices.EqualFunc(p.Parameters, q.Parameters,
				func(v, w *facetdv1.ViewParameters) bool { return proto.Equal(v, w) }) {
				return false
			}
			p.Task, q.Task = nil, nil
			p.Parameters, q.Parameters = nil, nil
			if !reflect.DeepEqual(p, q) {
				return false
			}
		}
		return true
	}
	return a.Revision == b.Revision && entries(a.Tasks, b.Tasks) && entries(a.Aside, b.Aside)
}

func TestAFileIsReadAsItWasWritten(t *testing.T) {
	data := encode(t, whole())
	got, err := Parse(data)
	if err != nil || !same(got, whole()) {
		t.Errorf("%+v, %v of\n%s", got, err, data)
	}
}

// What cannot have been written by the daemon is damaged, with a word about where.
func TestDamagedFiles(t *testing.T) {
	text := string(encode(t, whole()))
	for name, c := range map[string]struct{ old, new, says string }{
		"another format":     {`"facetd tasks"`, `"shopping list"`, "format"},
		"no version":         {`"version": 1`, `"version": 0`, "version 0"},
		"a negative version": {`"version": 1`, `"version": -1`, "version -1"},
		"a field too many":   {`"revision": 9`, `"revision": 9, "colour": 1`, "colour"},
		"revision 0":         {`"revision": 9`, `"revision": 0`, "revision 0"},
		"a huge revision":    {`"revision": 9`, `"revision": 18446744073709551615`, "revision 18446744073709551615"},
		"a later generation": {`"generation": 9`, `"generation": 10`, "tasks[2]: generation 10"},
		"generation 0":       {`"generation": 4`, `"generation": 0`, "tasks[1]: generation 0"},
		"no such kind":       {`"made"`, `"borrowed"`, "tasks[1]: there is no kind"},
		"made, configured":   {`"kind": "configured"`, `"kind": "made"`, "tasks[0]"},
		"no description":     {`"kind": "removed"`, `"kind": "changed"`, "tasks[4]"},
		"parameters of none": {`"kind": "removed"`, `"kind": "removed", "parameters": [{}]`, "tasks[4]"},
		"no parameters":      {`"parameters": [`, `"parameters": [7, `, "tasks[1]"},
		"two of a name":      {`"name": "e"`, `"name": "a"`, `tasks[4]: a second task is called "a"`},
		"no name":            {`"name": "a"`, `"name": ""`, "tasks[0]"},
		"another name":       {`"name": "b"`, `"name": "x"`, "tasks[1]: its task is called"},
		"no digest":          {Digest(task("a", 1)), "cafe", "tasks[0]"},
		"no rate":            {`"rate_hz": 2`, `"rate_hz": "fast"`, "tasks[1]"},
		"an unknown field":   {`"rate_hz": 2`, `"rate_hz": 2, "colour": 1`, "colour"},
		"more after the end": {"\n}\n", "\n}\n{}", "after top-level value"},
	} {
		damaged := strings.Replace(text, c.old, c.new, 1)
		if damaged == text {
			t.Fatalf("%s: %s is not in\n%s", name, c.old, text)
		}
		s, err := Parse([]byte(damaged))
		if !errors.As(err, new(*DamagedError)) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: %v, %v; want %q", name, s, err, c.says)
		}
	}
	for n := range len(text) - 1 { // without the last line's end it is whole
		if s, err := Parse([]byte(text[:n])); !errors.As(err, new(*DamagedError)) {
			t.Fatalf("cut after %d bytes: %v, %v", n, s, err)
		}
	}
	many := `{"format": "facetd tasks", "version": 1, "revision": 1, "tasks": [` +
		strings.Repeat(`{},`, maxEntries) + `{}]}`
	for name, text := range map[string]string{
		"nothing": "", "too many": many, "too long": strings.Repeat(" ", maxBytes+1),
		"deep": strings.Repeat("[", 1<<20),
	} {
		if s, err := Parse([]byte(text)); !errors.As(err, new(*DamagedError)) || len(err.Error()) > 500 {
			t.Errorf("%s: %v, %.600v", name, s, err)
		}
	}
}

// What a newer version wrote is not damaged, whatever is in it.
func TestAFileFromTheFuture(t *testing.T) {
	const form = `{"format": "facetd tasks", "version": %d, "tasks": {"in": "another form"}}`
	s, err := Parse(fmt.Appendf(nil, form, Version+1))
	var future *FutureError
	if !errors.As(err, &future) || future.Version != Version+1 || !strings.Contains(err.Error(), "newer version") {
		t.Errorf("%v, %v", s, err)
	}
}

// FuzzParse: whatever a file holds, it is refused with an error of its own or can be written
// and read again as the same.
func FuzzParse(f *testing.F) {
	f.Add(encode(f, whole()))
	f.Add(encode(f, &State{Revision: 1}))
	f.Add([]byte(`{"format": "facetd tasks", "version": 2}`))
	f.Add([]byte(`{"format": "facetd tasks", "version": 1, "revision": 1, "tasks": [
		{"name": "x", "kind": "made", "generation": 1, "task": {"name": "x"}}]}`))
	f.Fuzz(func(t *testing.T, data []byte) {
		s, err := Parse(data)
		if err != nil {
			if !errors.As(err, new(*DamagedError)) && !errors.As(err, new(*FutureError)) {
				t.Fatalf("%T %v", err, err)
			}
			return
		}
		again, err := Parse(encode(t, s))
		if err != nil || !same(s, again) {
			t.Fatalf("%+v, then %+v, %v", s, again, err)
		}
	})
}
