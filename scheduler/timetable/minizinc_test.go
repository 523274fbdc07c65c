package timetable

import (
	"context"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// model states the problem for a general-purpose solver: one machine, no
// preemption, releases and deadlines.
const model = `include "disjunctive.mzn";
int: n; int: h;
array[1..n] of int: r; array[1..n] of int: c; array[1..n] of int: d;
array[1..n] of var 0..h: s;
constraint forall(i in 1..n)(s[i] >= r[i] /\ s[i] + c[i] <= d[i]);
constraint disjunctive(s, c);
solve satisfy;
`

// TestAgainstMiniZinc compares verdicts with MiniZinc and Gecode, a general-purpose
// constraint solver, on 50 random sets.
func TestAgainstMiniZinc(t *testing.T) {
	solver := peertest.Program(t, "minizinc")
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	file := filepath.Join(t.TempDir(), "model.mzn")
	if err := os.WriteFile(file, []byte(model), 0o644); err != nil {
		t.Fatal(err)
	}
	periods := []int64{4, 6, 8, 12, 24}
	verdicts := map[Verdict]int{}
	for n := 0; n < 50; n++ {
		var tasks []Task
		for i := range 3 {
			period := periods[rng.IntN(len(periods))]
			tasks = append(tasks, Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(period/2), Period: period, Deadline: period - rng.Int64N(period/4+1)})
		}
		if u := utilizationOf(tasks); u.Cmp(big.NewRat(1, 1)) > 0 || u.Cmp(big.NewRat(1, 2)) < 0 {
			n--
			continue
		}
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if fits := askMiniZinc(t, solver, file, tasks); (r.Verdict == Feasible) != fits || r.Verdict == Unknown {
			t.Fatalf("%+v: %v by %s, MiniZinc says %v", tasks, r.Verdict, r.Method, fits)
		}
		verdicts[r.Verdict]++
	}
	t.Log(verdicts)
	if verdicts[Feasible] < 5 || verdicts[Infeasible] < 5 {
		t.Errorf("the sets exercise too little: %v", verdicts)
	}
}

func askMiniZinc(t *testing.T, solver, file string, tasks []Task) bool {
	t.Helper()
	h, _ := Hyperperiod(tasks)
	var r, c, d []string
	for _, j := range jobsOf(tasks, h) {
		r, c, d = append(r, fmt.Sprint(j.Release)), append(c, fmt.Sprint(j.Costs[0])), append(d, fmt.Sprint(j.Deadline))
	}
	data := fmt.Sprintf("n=%d;h=%d;r=[%s];c=[%s];d=[%s];", len(r), h, strings.Join(r, ","), strings.Join(c, ","), strings.Join(d, ","))
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	out, err := exec.CommandContext(ctx, solver, "--solver", "gecode", "-D", data, file).CombinedOutput()
	if err != nil {
		t.Fatalf("minizinc: %v\n%s", err, out)
	}
	switch {
	case strings.Contains(string(out), "UNSATISFIABLE"):
		return false
	case strings.Contains(string(out), "----------"):
		return true
	}
	t.Fatalf("minizinc gave no verdict: %s", out)
	return false
}
