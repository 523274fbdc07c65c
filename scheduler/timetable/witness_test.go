package timetable

import (
	"strings"
	"testing"
)

// TestWitnesses: each proof that jobs do not fit says which task, what it needs and what there is, to the tick; with a
// tick less they are not refused by it.
func TestWitnesses(t *testing.T) {
	tight := func(task int, more ...Job) []Job {
		for at := int64(0); at < 40; at += 10 {
			more = append(more, Job{Task: task, Number: int(at / 10), Release: at, Deadline: at + 5, Costs: []int64{2}})
		}
		return more
	}
	for _, c := range []struct {
		name    string
		h       int64
		jobs    []Job
		method  string
		want    Witness
		message string
	}{
		{"a job too long for its window", 100, []Job{{Task: 0, Release: 5, Deadline: 15, Costs: []int64{11}}},
			MethodWindow,
			Witness{Task: "a", Needed: 11, Available: 10}, "takes 11ns, but must be done within 10ns"},
		{"a job too long for its limits", 100,
			[]Job{{Task: 1, Deadline: 50, Costs: []int64{4, 5}, Within: []int64{0, 8}}}, MethodWindow,
			Witness{Task: "b", Needed: 9, Available: 8}, "takes 9ns by itself, but its hold and skew limits leave 8ns"},
		// From the end of a job that begins at its release to the latest start of the next, 2 before 15.
		{"a piece too long for a gap", 40, tight(1, Job{Task: 0, Deadline: 40, Costs: []int64{12}}), MethodGap,
			Witness{Task: "a", Other: "b", Needed: 12, Available: 11}, "takes 12ns, but task b leaves at most 11ns"},
		{"the longest of its pieces", 40, tight(0, Job{Task: 1, Deadline: 40, Costs: []int64{1, 12, 3}}), MethodGap,
			Witness{Task: "b", Other: "a", Needed: 12, Available: 11}, "takes 12ns, but task a leaves at most 11ns"},
		{"more than there is time for", 100, []Job{{Task: 0, Release: 10, Deadline: 20, Costs: []int64{6}},
			{Task: 1, Release: 10, Deadline: 20, Costs: []int64{5}}}, MethodDemand,
			Witness{Task: "b", Needed: 11, Available: 10}, "between 10ns and 20ns, when a job of task b is due, 11ns"},
	} {
		got, err := Plan([]string{"a", "b"}, c.h, c.jobs, Options{})
		if err != nil || got.Verdict != Infeasible || got.Method != c.method || got.Witness == nil {
			t.Errorf("%s: %v by %s: %+v, %v", c.name, got.Verdict, got.Method, got.Witness, err)
			continue
		}
		w := *got.Witness
		if !strings.Contains(w.Message, c.message) {
			t.Errorf("%s: %q, want %q", c.name, w.Message, c.message)
		}
		if w.Message = ""; w != c.want {
			t.Errorf("%s: %+v, want %+v", c.name, w, c.want)
		}
		job := &c.jobs[0]
		costs := append([]int64(nil), job.Costs...)
		costs[len(costs)/2]--
		job.Costs = costs
		if got, err := Plan([]string{"a", "b"}, c.h, c.jobs, Options{}); err != nil || got.Method == c.method {
			t.Errorf("%s, a tick less: %v by %s, %v", c.name, got.Verdict, got.Method, err)
		}
	}
}

// TestWitnessOfAMiss: where only the simulation has looked, the first job that it makes late is the witness.
func TestWitnessOfAMiss(t *testing.T) {
	// Whichever comes first, the other is late.
	jobs := []Job{{Task: 0, Deadline: 12, Costs: []int64{8}}, {Task: 1, Release: 3, Deadline: 7, Costs: []int64{2}}}
	got, err := Plan([]string{"slow", "quick"}, 100, jobs, Options{States: 1})
	if err != nil || got.Verdict != Unknown || got.Witness == nil || got.Witness.Task != "quick" ||
		got.Witness.Needed != 7 || got.Witness.Available != 4 ||
		!strings.Contains(got.Witness.Message, "released at 3ns would end 3ns after its deadline") {
		t.Errorf("%v by %s: %+v, %v", got.Verdict, got.Method, got.Witness, err)
	}
	if got, err := Plan([]string{"slow", "quick"}, 100, jobs, Options{}); err != nil || got.Verdict != Infeasible {
		t.Errorf("with the search: %v by %s: %+v, %v", got.Verdict, got.Method, got.Witness, err)
	}
}

// TestWitnessOfALimit: a job that lasts too long from its own start is a witness with how long that is.
func TestWitnessOfALimit(t *testing.T) {
	jobs := []Job{{Task: 0, Release: 50, Deadline: 100, Costs: []int64{4, 5}, Within: []int64{0, 11}},
		{Task: 1, Release: 52, Deadline: 58, Costs: []int64{3}}}
	p := newProblem([]string{"cut", "quick"}, 100, jobs, Options{})
	w := newSimulation(p).miss(&jobs[0], 1, 50, 62)
	if w == nil || w.Task != "cut" || w.Needed != 12 || w.Available != 11 ||
		!strings.Contains(w.Message, "would last 12ns from its start") {
		t.Errorf("%+v", w)
	}
	if w := newSimulation(p).miss(&jobs[0], 1, 50, 61); w != nil {
		t.Errorf("within its limit: %+v", w)
	}
	r := NewReport([]Task{{Name: "cut"}, {Name: "quick"}}, Result{Witness: w, Utilization: one}, nil, nil)
	if r.Witness != w.Message {
		t.Errorf("reported %q", r.Witness)
	}
}

// TestWitnessesWithoutATable: tasks whose hyperperiod is too long to lay out are refused with the same numbers.
func TestWitnessesWithoutATable(t *testing.T) {
	const p, q = 1_000_003, 999_983
	for _, c := range []struct {
		tasks   []Task
		method  string
		want    Witness
		message string
	}{
		{[]Task{{"a", 3, p, 5}, {"b", 7, q, 6}}, MethodWindow, Witness{Task: "b", Needed: 7, Available: 6},
			"takes 7ns, but must be done within 6ns"},
		{[]Task{{"a", 998_984, p, 0}, {"b", 1000, q, 1000}}, MethodGap,
			Witness{Task: "a", Other: "b", Needed: 998_984, Available: 998_983}, "task b leaves at most 998.983µs"},
		{[]Task{{"a", 3, p, 5}, {"b", 3, q, 5}}, MethodDemand, Witness{Needed: 6, Available: 5},
			"in the first 5ns 6ns of bus time is asked for"},
	} {
		got, err := PlanPeriodic(c.tasks, Options{})
		if err != nil || got.Verdict != Infeasible || got.Method != c.method || got.Witness == nil {
			t.Errorf("%v: %v by %s: %+v, %v", c.tasks, got.Verdict, got.Method, got.Witness, err)
			continue
		}
		w := *got.Witness
		if !strings.Contains(w.Message, c.message) {
			t.Errorf("%v: %q, want %q", c.tasks, w.Message, c.message)
		}
		if w.Message = ""; w != c.want {
			t.Errorf("%v: %+v, want %+v", c.tasks, w, c.want)
		}
	}
}

// TestPlacementsOutsideTheirTimes: a table is refused where a job begins before its release or ends after its deadline
// by a tick, and an order of priorities where it names no task.
func TestPlacementsOutsideTheirTimes(t *testing.T) {
	jobs := []Job{{Task: 0, Release: 10, Deadline: 20, Costs: []int64{4}}}
	two := append(jobs, Job{Task: 1, Deadline: 40, Costs: []int64{5}})
	for _, c := range []struct {
		jobs  []Job
		table []Placement
		says  string
	}{
		{jobs, []Placement{{Start: 9, End: 13}}, "before its release at 10"},
		{jobs, []Placement{{Start: 10, End: 14}}, ""},
		{jobs, []Placement{{Start: 16, End: 20}}, ""},
		{jobs, []Placement{{Start: 17, End: 21}}, "not done at 21, its deadline is 20"},
		{jobs, []Placement{{Start: 10, End: 13}}, "has 3, its cost is 4"},
		{jobs, []Placement{{Start: 10, End: 14, Segment: 1}}, "where segment 0 is due"},
		{two, []Placement{{Start: 10, End: 14}, {Task: 1, Start: 14, End: 19}}, ""},
		{two, []Placement{{Start: 10, End: 14}, {Task: 1, Start: 13, End: 18}}, "the bus is busy until 14"},
		{two, []Placement{{Start: 10, End: 14}}, "task 1"},
	} {
		err := Check(100, c.jobs, Table{Hyperperiod: 100, Placements: c.table})
		if c.says == "" && err != nil || c.says != "" && (err == nil || !strings.Contains(err.Error(), c.says)) {
			t.Errorf("%v: %v, want %q", c.table, err, c.says)
		}
	}
	for _, order := range [][]int{{-1, 0}, {0, 2}, {0, 0}, {0}} {
		if err := checkOrder(2, order); err == nil {
			t.Errorf("the order %v of two tasks is taken", order)
		}
	}
	if err := checkOrder(2, []int{1, 0}); err != nil {
		t.Error(err)
	}
}
