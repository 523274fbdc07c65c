package timetable

import (
	"testing"
)

// strictFits plans tasks whose jobs must begin exactly at an offset and then every
// period: each has as much time as it takes. Three hyperperiods show every way in
// which two of them can meet.
func strictFits(t *testing.T, tasks []Task, offsets []int64) bool {
	t.Helper()
	h, ok := Hyperperiod(tasks)
	if !ok {
		t.Fatal("no hyperperiod")
	}
	h *= 3
	names := make([]string, len(tasks))
	var jobs []Job
	for i, k := range tasks {
		names[i] = k.Name
		for n := int64(0); offsets[i]+n*k.Period+k.Cost <= h; n++ {
			at := offsets[i] + n*k.Period
			jobs = append(jobs, Job{Task: i, Number: int(n), Release: at, Deadline: at + k.Cost,
				Costs: []int64{k.Cost}})
		}
	}
	r, err := Plan(names, h, jobs, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if r.Verdict == Unknown {
		t.Fatalf("%v at offsets %v: unknown", tasks, offsets)
	}
	return r.Verdict == Feasible
}

// anyOffsets reports whether some offsets do, the first task's being 0.
func anyOffsets(t *testing.T, tasks []Task) bool {
	offsets := make([]int64, len(tasks))
	var try func(i int) bool
	try = func(i int) bool {
		if i == len(tasks) {
			return strictFits(t, tasks, offsets)
		}
		for offsets[i] = 0; offsets[i] < tasks[i].Period; offsets[i]++ {
			if try(i + 1) {
				return true
			}
		}
		return false
	}
	return try(1)
}

// TestStrictPairs: two strictly periodic tasks fit without preemption exactly when
// C1 + C2 <= gcd(T1, T2) (Korst, Aarts and Lenstra, 1996; the formula from memory,
// checked by exhaustive search).
func TestStrictPairs(t *testing.T) {
	fits := map[bool]int{}
	for t1 := int64(1); t1 <= 8; t1++ {
		for t2 := t1; t2 <= 8; t2++ {
			for c1 := int64(1); c1 <= t1; c1++ {
				for c2 := int64(1); c2 <= t2; c2++ {
					got := anyOffsets(t, []Task{{Name: "a", Cost: c1, Period: t1}, {Name: "b", Cost: c2, Period: t2}})
					if want := c1+c2 <= gcd(t1, t2); got != want {
						t.Fatalf("(%d, %d) and (%d, %d): fits %v", c1, t1, c2, t2, got)
					}
					fits[got]++
				}
			}
		}
	}
	if fits[true] < 20 || fits[false] < 200 {
		t.Errorf("one-sided: %v", fits)
	}
}

// TestStrictExamples: sets that are strictly periodic at the offsets given, or at
// none, and fit with jitter (derived, by exhaustive search).
func TestStrictExamples(t *testing.T) {
	var file struct {
		Examples []struct {
			Tasks   []ctd   `json:"tasks"`
			Offsets []int64 `json:"strictly_periodic_offsets"`
			Jitter  bool    `json:"with_jitter_feasible"`
		} `json:"strict_examples"`
	}
	load(t, "extras.json", &file)
	if len(file.Examples) != 9 {
		t.Fatalf("%d examples", len(file.Examples))
	}
	for _, e := range file.Examples {
		tasks := tasksOf(e.Tasks)
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil || (r.Verdict == Feasible) != e.Jitter {
			t.Errorf("%v with jitter: %v, %v", tasks, r.Verdict, err)
		}
		if e.Offsets != nil {
			if !strictFits(t, tasks, e.Offsets) {
				t.Errorf("%v does not fit at offsets %v", tasks, e.Offsets)
			}
		} else if anyOffsets(t, tasks) {
			t.Errorf("%v is strictly periodic", tasks)
		}
	}
}
