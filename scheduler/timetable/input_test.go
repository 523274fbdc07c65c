package timetable

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"
)

// TestParseSetErrors: every error is told with its line, and nothing that could
// be read in two ways is taken.
func TestParseSetErrors(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"a field twice", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  cost_ns: 2", []string{"line 4: cost_ns is there twice"}},
		{"a name twice", "tasks:\n- {name: a, cost_ns: 1, period_ns: 4}\n- {name: a, cost_ns: 1, period_ns: 4}", []string{"line 3: task a is there already, on line 2"}},
		{"the name that another goes without", "tasks:\n- {name: task-2, cost_ns: 1, period_ns: 4}\n- {cost_ns: 1, period_ns: 4}", []string{"line 3: task task-2 is there already, on line 2"}},
		{"a second document", "tasks: [{cost_ns: 1, period_ns: 4}]\n---\ntasks: []", []string{"line 2: a second document begins, one is read"}},
		{"rubbish after it", "tasks: [{cost_ns: 1, period_ns: 4}]\n---\n[", []string{"line 3: did not find expected node content"}},
		{"a deadline of 0", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  deadline_ns: 0", []string{"line 4: deadline_ns 0 is not between 1 and 1152921504606846976"}},
		{"null", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  deadline_ns: null", []string{`line 4: deadline_ns "null" is not a whole number`}},
		{"a word for a number", "tasks:\n- cost_ns: \"1\"\n  period_ns: 1.5", []string{`line 2: cost_ns "1" is not a whole number`, `line 3: period_ns "1.5" is not a whole number`}},
		{"a time past 64 bits", `{"tasks":[{"cost_ns":1,"period_ns":99999999999999999999}]}`, []string{`line 1: period_ns "99999999999999999999" is not a whole number`}},
		{"missing fields", "tasks:\n- name: a", []string{"line 2: task a has no cost_ns", "line 2: task a has no period_ns"}},
		{"an unknown field", "task: []\ntasks: [{cost_ns: 1, period_ns: 4}]", []string{`line 1: unknown field "task", expected tasks`}},
		{"nothing", "", []string{"the file is empty"}},
		{"no tasks", "tasks: []", []string{"line 1: there are no tasks"}},
		{"an alias", "tasks:\n- &a {cost_ns: 1, period_ns: 4}\n- *a", []string{"line 3: task 2 is not a mapping"}},
	} {
		tasks, err := ParseSet([]byte(c.text))
		var input *InputError
		if !errors.As(err, &input) || tasks != nil || !slices.Equal(input.Errors, c.want) {
			t.Errorf("%s: %v %v, want %q", c.name, tasks, err, c.want)
		}
	}
}

// TestParseSetNumbers: whole numbers in every usual writing.
func TestParseSetNumbers(t *testing.T) {
	tasks, err := ParseSet([]byte("tasks: [{name: 7, cost_ns: 0x10, period_ns: 2.5e3, deadline_ns: 1_000}]"))
	if want := (Task{"7", 16, 2500, 1000}); err != nil || len(tasks) != 1 || tasks[0] != want {
		t.Errorf("%v %v, want %v", tasks, err, want)
	}
}

// TestParseSetBounds: a file of too many tasks, or errors, is answered briefly.
func TestParseSetBounds(t *testing.T) {
	many := "tasks:\n" + strings.Repeat("- {cost_ns: 1, period_ns: 4}\n", maxTasks+1)
	if _, err := ParseSet([]byte(many)); err == nil || !strings.Contains(err.Error(), "at most 1000") {
		t.Errorf("%v", err)
	}
	wrong := "tasks:\n" + strings.Repeat("- {cost_ns: 0, period_ns: 0}\n", 300)
	_, err := ParseSet([]byte(wrong))
	var input *InputError
	if !errors.As(err, &input) || len(input.Errors) != maxErrors+1 || input.Errors[maxErrors] != "and 500 more errors" {
		t.Errorf("%v", err)
	}
	if _, err := ParseSet(make([]byte, maxInput+1)); err == nil {
		t.Error("a file that is too long was read")
	}
}

// TestReportJSON fixes the form that other programs read.
func TestReportJSON(t *testing.T) {
	tasks := []Task{{"a", 1, 4, 4}, {"b", 6, 10, 10}}
	r, err := PlanPeriodic(tasks, Options{})
	if err != nil {
		t.Fatal(err)
	}
	got, err := json.Marshal(NewReport(tasks, r, big.NewRat(9, 8)))
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, p := range r.Table.Placements {
		lines = append(lines, fmt.Sprintf(`{"task":%q,"job":%d,"start_ns":%d,"end_ns":%d}`, tasks[p.Task].Name, p.Number, p.Start, p.End))
	}
	want := fmt.Sprintf(`{"verdict":"feasible","method":"exact search with inserted idle time","utilization":0.85,"table":[%s],"witness":"","min_stretch":"9/8"}`, strings.Join(lines, ","))
	if string(got) != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
	responses, err := FixedPriority(tasks, []int{0, 1}, FixedOptions{})
	if err != nil {
		t.Fatal(err)
	}
	got, err = json.Marshal(NewFixedReport(responses))
	if err != nil {
		t.Fatal(err)
	}
	// a: blocked by b for 6, done after 7, by when a second has come, done at 8.
	// b: from 1 to 7; the next a arrives at 4 and runs to 8, none is left by 8.
	want = `{"responses":[{"task":"a","blocking_ns":6,"busy_ns":8,"instances_ns":[7,4],"response_ns":7,"schedulable":false},` +
		`{"task":"b","blocking_ns":0,"busy_ns":8,"instances_ns":[7],"response_ns":7,"schedulable":true}],"order":["a","b"]}`
	if string(got) != want {
		t.Errorf("%s\nwant\n%s", got, want)
	}
}
