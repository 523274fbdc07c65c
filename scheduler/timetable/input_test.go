package timetable

import (
	"encoding/json"
	"fmt"
	"math/big"
	"slices"
	"strings"
	"testing"

	"facetd.example/api/yamlfile"
)

// TestParseSetErrors: every error is reported with its line, and nothing that could
// be read in two ways is taken.
func TestParseSetErrors(t *testing.T) {
	for _, c := range []struct {
		name, text string
		want       []string
	}{
		{"a field twice", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  cost_ns: 2", []string{
			`f:4:3: tasks[0].cost_ns: is given twice, the first time on line 2 (leave one of them out)`,
		}},
		{"a name twice", "tasks:\n- {name: a, cost_ns: 1, period_ns: 4}\n- {name: a, cost_ns: 1, period_ns: 4}",
			[]string{
				`f:3:3: tasks[1]: the name "a" is taken by task 1 (names are unique)`,
			}},
		{"the name that another goes without", "tasks:\n- {name: task-2, cost_ns: 1, period_ns: 4}\n" +
			"- {cost_ns: 1, period_ns: 4}", []string{
			`f:3:3: tasks[1]: the name "task-2" is taken by task 1 (names are unique)`,
		}},
		{"a second document", "tasks: [{cost_ns: 1, period_ns: 4}]\n---\ntasks: []", []string{
			`f:2:1: there is more than one document in the file (leave out the lines ---, or make two files)`,
		}},
		{"rubbish after it", "tasks: [{cost_ns: 1, period_ns: 4}]\n---\n[", []string{
			`f:3: did not find expected node content (the file is not YAML)`,
		}},
		{"a deadline of 0", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  deadline_ns: 0", []string{
			`f:4:3: tasks[0].deadline_ns: 0 is out of range (use 1 to 1152921504606846976)`,
		}},
		{"a deadline above the period", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  deadline_ns: 5", []string{
			`f:4:3: tasks[0].deadline_ns: 5 is above period_ns, 4 (give at most the period)`,
		}},
		{"null", "tasks:\n- cost_ns: 1\n  period_ns: 4\n  deadline_ns: null", []string{
			`f:4:16: tasks[0].deadline_ns: "null" is not a whole number (write digits alone, without zeros before them)`,
		}},
		{"a word for a number", "tasks:\n- cost_ns: \"1\"\n  period_ns: 1.5", []string{
			`f:2:12: tasks[0].cost_ns: a number belongs here (leave the quotes out)`,
			`f:3:14: tasks[0].period_ns: "1.5" is not a whole number (write digits alone, without zeros before them)`,
		}},
		{"a time past 64 bits", `{"tasks":[{"cost_ns":1,"period_ns":99999999999999999999}]}`, []string{
			`f:1:36: tasks[0].period_ns: 99999999999999999999 is out of range (give a whole number from -9223372036854775808 to 9223372036854775807)`,
		}},
		{"missing fields", "tasks:\n- name: a", []string{
			`f:2:3: tasks[0].cost_ns: is missing (give whole nanoseconds)`,
			`f:2:3: tasks[0].period_ns: is missing (give whole nanoseconds)`,
		}},
		{"an empty name", "tasks:\n- {name: ' ', cost_ns: 1, period_ns: 4}", []string{
			`f:2:4: tasks[0].name: the name is empty (write a word, or leave it out)`,
		}},
		{"an unknown field", "task: []\ntasks: [{cost_ns: 1, period_ns: 4}]", []string{
			`f:1:1: task: there is no field "task" here (did you mean "tasks"? known: tasks)`,
		}},
		{"nothing", "", []string{
			`f: the file is empty (write tasks: and a list)`,
		}},
		{"no tasks", "tasks: []", []string{
			`f:1:1: tasks: there are no tasks (list at least one)`,
		}},
		{"an alias", "tasks:\n- &a {cost_ns: 1, period_ns: 4}\n- *a", []string{
			`f:3:3: tasks[1]: the file uses YAML anchors (write the values out)`,
		}},
	} {
		tasks, m := ParseSet("f", []byte(c.text))
		var got []string
		for _, e := range m {
			got = append(got, e.String())
		}
		if tasks != nil || !slices.Equal(got, c.want) {
			t.Errorf("%s: %v\n%s\nwant\n%s", c.name, tasks, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}

// TestParseSetNumbers: whole numbers in every usual writing.
func TestParseSetNumbers(t *testing.T) {
	tasks, m := ParseSet("f", []byte("tasks: [{name: 7, cost_ns: 0x10, period_ns: 2.5e3, deadline_ns: 1_000}]"))
	if want := (Task{"7", 16, 2500, 1000}); len(m) > 0 || len(tasks) != 1 || tasks[0] != want {
		t.Errorf("%v %v, want %v", tasks, m, want)
	}
}

// TestParseSetBounds: a file of too many tasks, or errors, is answered briefly.
func TestParseSetBounds(t *testing.T) {
	many := "tasks:\n" + strings.Repeat("- {cost_ns: 1, period_ns: 4}\n", maxTasks+1)
	if _, m := ParseSet("f", []byte(many)); len(m) != 1 || !strings.Contains(m.Error(), "at most 1000") {
		t.Errorf("%v", m)
	}
	wrong := "tasks:\n" + strings.Repeat("- {cost_ns: 0, period_ns: 0}\n", 800)
	_, m := ParseSet("f", []byte(wrong))
	if len(m) != yamlfile.MaxErrors+1 || m[yamlfile.MaxErrors].Message != "and 600 more errors" {
		t.Errorf("%d errors, %v", len(m), m[len(m)-1])
	}
	if _, m := ParseSet("f", make([]byte, yamlfile.MaxBytes+1)); len(m) == 0 {
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
	got, err := json.Marshal(NewReport(tasks, r, big.NewRat(9, 8),
		[]TaskRate{{Task: "b", Period: 12, Highest: true, Searched: 24}, {Task: "a", Witness: "w", InTheWay: "b"}}))
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, p := range r.Table.Placements {
		lines = append(lines, fmt.Sprintf(`{"task":%q,"job":%d,"start_ns":%d,"end_ns":%d}`, tasks[p.Task].Name,
			p.Number, p.Start, p.End))
	}
	want := fmt.Sprintf(`{"verdict":"feasible","method":"exact search with inserted idle time","utilization":0.85,"table":[%s],"witness":"","min_stretch":"9/8","rates":[{"task":"b","period_ns":12,"proved_highest":true,"searched_table_ns":24,"none_fits":false,"witness":"","in_the_way":""},{"task":"a","period_ns":0,"proved_highest":false,"searched_table_ns":0,"none_fits":true,"witness":"w","in_the_way":"b"}]}`, strings.Join(lines, ","))
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
