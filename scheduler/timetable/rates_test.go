package timetable

import (
	"fmt"
	"math/big"
	"math/rand/v2"
	"testing"
)

// TestHighestRate: the shortest periods of single tasks with which refused sets fit
// (derived by dynamic programming: divisors of the hyperperiod and twice it).
func TestHighestRate(t *testing.T) {
	var file struct {
		TaskSets, Extra []struct {
			Name        string
			Tasks       []ctd
			Feasible    bool `json:"feasible_with_inserted_idle"`
			Relaxations []struct {
				Task, Period, Deadline int64
			} `json:"single_task_relaxations"`
		}
	}
	load(t, "tasksets.json", &file)
	compared := 0
	for _, set := range append(file.TaskSets, file.Extra...) {
		tasks := tasksOf(set.Tasks)
		want := make([]int64, len(tasks))
		for _, r := range set.Relaxations {
			want[r.Task] = r.Period
		}
		for i := range tasks {
			if set.Feasible {
				want[i] = tasks[i].Period
			}
			period, verdict, err := HighestRate(tasks, i, Options{})
			if err != nil || period != want[i] || (verdict == Feasible) != (want[i] > 0) || verdict == Unknown {
				t.Errorf("%s, task %d: period %d %v (%v), want %d", set.Name, i, period, verdict, err, want[i])
			}
			compared++
		}
	}
	if compared < 40 {
		t.Errorf("%d tasks compared", compared)
	}
}

// TestHighestRateKeepsSlack: two tasks due 2 after their common release, 2 long each.
// With twice the period one is due 6 after, behind the other.
func TestHighestRateKeepsSlack(t *testing.T) {
	tasks := []Task{{"a", 2, 4, 2}, {"b", 2, 4, 2}}
	period, verdict, err := HighestRate(tasks, 0, Options{})
	if err != nil || verdict != Feasible || period != 8 {
		t.Errorf("%d %v %v, want 8", period, verdict, err)
	}
	if tasks[0] != (Task{"a", 2, 4, 2}) {
		t.Errorf("the input has changed: %+v", tasks[0])
	}
}

// TestHighestRateUndecided: past the cap nothing is claimed.
func TestHighestRateUndecided(t *testing.T) {
	tasks := []Task{{"a", 1, 4, 4}, {"b", 2, 8, 8}, {"c", 3, 16, 13}, {"d", 5, 16, 16}} // no table, which only search tells
	period, verdict, err := HighestRate(tasks, 0, Options{States: 1})
	if err != nil || verdict != Unknown || period != 8 {
		t.Errorf("%d %v %v, want 8, which EDF places, and unknown, as 4 was left undecided", period, verdict, err)
	}
	if _, _, err := HighestRate(tasks, 4, Options{}); err == nil {
		t.Error("a task that is not there was taken")
	}
}

// TestSnap: periods snapped to a base times powers of two (derived).
func TestSnap(t *testing.T) {
	var file struct {
		Examples []struct {
			Tasks       []ctd
			Base        int64   `json:"snap_base"`
			Periods     []int64 `json:"snap_periods"`
			Hyperperiod int64   `json:"snap_hyperperiod"`
			Fits        bool    `json:"snap_feasible_with_idle"`
			AnyPhase    bool    `json:"np_edf_any_offsets"`
		} `json:"snapping_examples"`
	}
	load(t, "extras.json", &file)
	if len(file.Examples) != 5 {
		t.Fatalf("%d examples", len(file.Examples))
	}
	for _, e := range file.Examples {
		tasks := tasksOf(e.Tasks)
		got, base, err := Snap(tasks)
		if err != nil || base != e.Base {
			t.Errorf("%v: base %d (%v), want %d", e.Tasks, base, err, e.Base)
			continue
		}
		for i, want := range e.Periods {
			if got[i].Period != want {
				t.Errorf("%v: task %d has period %d, want %d", e.Tasks, i, got[i].Period, want)
			}
		}
		if h, _ := Hyperperiod(got); h != e.Hyperperiod {
			t.Errorf("%v: hyperperiod %d, want %d", e.Tasks, h, e.Hyperperiod)
		}
		if r, err := PlanPeriodic(got, Options{}); err != nil || (r.Verdict == Feasible) != e.Fits {
			t.Errorf("%v: snapped: %v %v, want fits %v", e.Tasks, r.Verdict, err, e.Fits)
		}
		if fits, _ := AnyPhase(tasks); fits != e.AnyPhase {
			t.Errorf("%v: any phase %v, want %v", e.Tasks, fits, e.AnyPhase)
		}
	}
}

// TestSnapIsBest: no whole base asks for less bus time, by trying them all.
func TestSnapIsBest(t *testing.T) {
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 4))
	for range 500 {
		tasks := make([]Task, 1+rng.IntN(5))
		shortest := int64(1000)
		for i := range tasks {
			period := 5 + rng.Int64N(200)
			tasks[i] = Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(5), Period: period}
			shortest = min(shortest, period)
		}
		got, _, err := Snap(tasks)
		if err != nil {
			t.Fatal(err)
		}
		for base := int64(1); base <= shortest; base++ {
			use := new(big.Rat)
			for _, task := range tasks {
				period := base
				for period*2 <= task.Period {
					period *= 2
				}
				use.Add(use, big.NewRat(task.Cost, period))
			}
			if use.Cmp(utilizationOf(got)) < 0 {
				t.Fatalf("%v: base %d asks for %v, less than %v", tasks, base, use, got)
			}
		}
	}
}
