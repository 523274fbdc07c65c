package timetable

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

// TestJobErrors: what is no set of jobs is refused, all errors at once.
func TestJobErrors(t *testing.T) {
	good := func() Job { return Job{Release: 2, Deadline: 9, Costs: []int64{1, 2}, Within: []int64{0, 4}} }
	for want, change := range map[string]func(j *Job){
		"belongs to task 1 of 1":                     func(j *Job) { j.Task = 1 },
		"belongs to task -1 of 1":                    func(j *Job) { j.Task = -1 },
		"a segment without cost":                     func(j *Job) { j.Costs[1] = 0 },
		"job 0 of t has a segment without cost":      func(j *Job) { j.Costs = nil },
		"released at -1":                             func(j *Job) { j.Release = -1 },
		"released at 9 with its deadline at 9":       func(j *Job) { j.Release = 9 },
		"deadline at 11, in a hyperperiod of 10":     func(j *Job) { j.Deadline = 11 },
		"1 limits for 2 segments":                    func(j *Job) { j.Within = []int64{3} },
		"a limit below 0":                            func(j *Job) { j.Within[0] = -1 },
		"holds a resource outside 0 to 1048576":      func(j *Job) { j.Resources = []int{-1} },
		"job 0 of t holds a resource outside 0 to 1": func(j *Job) { j.Resources = []int{math.MaxInt} },
	} {
		j := good()
		change(&j)
		_, err := Plan([]string{"t"}, 10, []Job{j}, Options{})
		var input *InputError
		if !errors.As(err, &input) || len(input.Errors) != 1 || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v", want, err)
		}
	}
	again := good()
	early := good()
	early.Number, early.Release = 1, 1
	far := good()
	far.Task = 7
	_, err := Plan([]string{"t"}, 0, []Job{good(), again, early, far}, Options{})
	var input *InputError
	if !errors.As(err, &input) {
		t.Fatal(err)
	}
	for _, want := range []string{"the hyperperiod of 0 is not", "job 3 belongs to task 7 of 1",
		"job 0 of t is listed twice", "jobs 0 and 1 of t are out of order"} {
		if !slices.ContainsFunc(input.Errors, func(m string) bool { return strings.Contains(m, want) }) {
			t.Errorf("%q is not among %q", want, input.Errors)
		}
	}
	if !strings.HasSuffix(err.Error(), "more errors)") {
		t.Errorf("%v", err)
	}
}

// TestTaskErrors: every entry refuses what is no set of tasks.
func TestTaskErrors(t *testing.T) {
	many := slices.Repeat([]Task{{"t", 1, 2, 2}}, maxTasks+1)
	for want, tasks := range map[string][]Task{
		"there are no tasks":                        nil,
		"1001 tasks are too many: use at most 1000": many,
		"task t: the cost of 0":                     {{"t", 0, 5, 5}},
		"task 0: the cost of -3":                    {{"", -3, 5, 5}},
		"task t: the period of 0":                   {{"t", 1, 0, 0}},
		"task t: the period of 9223372036854775807": {{"t", 1, math.MaxInt64, 0}},
		"task t: the cost of 9223372036854775807":   {{"t", math.MaxInt64, 5, 5}},
		"task t: the deadline of 6":                 {{"t", 1, 5, 6}},
		"task t: the deadline of -1":                {{"t", 1, 5, -1}},
	} {
		entries := map[string]error{}
		_, entries["PlanPeriodic"] = PlanPeriodic(tasks, Options{})
		_, _, entries["MinStretch"] = MinStretch(tasks, Options{})
		_, entries["FixedPriority"] = FixedPriority(tasks, nil, FixedOptions{})
		_, _, entries["Assign"] = Assign(tasks, FixedOptions{})
		for entry, err := range entries {
			var input *InputError
			if !errors.As(err, &input) || !strings.Contains(err.Error(), want) {
				t.Errorf("%s, %q: %v", entry, want, err)
			}
		}
	}
}

// TestLongestTimes: the longest times allowed are planned without overflow.
func TestLongestTimes(t *testing.T) {
	half := int64(maxTime / 2)
	tasks := []Task{{"a", half, maxTime, 0}, {"b", half, maxTime, 0}}
	r, err := PlanPeriodic(tasks, Options{})
	if err != nil || r.Verdict != Feasible {
		t.Errorf("%v by %s (%v)", r.Verdict, r.Method, err)
	}
	if err := Check(maxTime, jobsOf(tasks, maxTime), r.Table); err != nil {
		t.Error(err)
	}
	tasks[1].Cost++
	if r, err = PlanPeriodic(tasks, Options{}); err != nil || r.Verdict != Infeasible || r.Method != MethodUtilization {
		t.Errorf("one tick more: %v by %s (%v)", r.Verdict, r.Method, err)
	}
	jobs := []Job{{Task: 0, Deadline: maxTime, Costs: []int64{math.MaxInt64, math.MaxInt64}},
		{Task: 1, Deadline: maxTime, Costs: []int64{math.MaxInt64}}}
	if r, err = Plan([]string{"a", "b"}, maxTime, jobs, Options{}); err != nil || r.Verdict != Infeasible ||
		r.Method != MethodUtilization {
		t.Errorf("costs past any time: %v by %s (%v)", r.Verdict, r.Method, err)
	}
	// Periods without a common factor, near the limit: no table, no stretch, no panic.
	odd := []Task{{"a", half / 3, maxTime - 1, 0}, {"b", half / 3, maxTime - 3, 0}, {"c", 5, maxTime - 7, 0}}
	if r, err = PlanPeriodic(odd, Options{}); err != nil || r.Verdict == Infeasible {
		t.Errorf("odd periods: %v by %s (%v)", r.Verdict, r.Method, err)
	}
	if _, verdict, err := MinStretch(odd, Options{}); err != nil || verdict != Unknown {
		t.Errorf("odd periods: stretch %v (%v)", verdict, err)
	}
}
