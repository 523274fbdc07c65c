package timetable

import (
	"context"
	"fmt"
	"math/big"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
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
// constraint solver, on random sets (50 in all cases), half of them infeasible.
func TestAgainstMiniZinc(t *testing.T) {
	t.Parallel()
	solver := peertest.Program(t, "minizinc")
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	file := filepath.Join(t.TempDir(), "model.mzn")
	if err := os.WriteFile(file, []byte(model), 0o644); err != nil {
		t.Fatal(err)
	}
	periods := []int64{4, 6, 8, 12, 24}
	verdicts := map[Verdict]int{}
	each := peertest.Cases(4, 25)
	for verdicts[Feasible] < each || verdicts[Infeasible] < each {
		var tasks []Task
		for i := range 3 {
			period := periods[rng.IntN(len(periods))]
			tasks = append(tasks, Task{Name: fmt.Sprint(i), Cost: 1 + rng.Int64N(period/2), Period: period,
				Deadline: period - rng.Int64N(period/4+1)})
		}
		if u := utilizationOf(tasks); u.Cmp(big.NewRat(1, 1)) > 0 || u.Cmp(big.NewRat(1, 2)) < 0 {
			continue
		}
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if verdicts[r.Verdict] == each {
			continue
		}
		if fits := askMiniZinc(t, solver, file, tasks); (r.Verdict == Feasible) != fits || r.Verdict == Unknown {
			t.Fatalf("%+v: %v by %s, MiniZinc says %v", tasks, r.Verdict, r.Method, fits)
		}
		verdicts[r.Verdict]++
	}
}

// cutModel adds jobs of several segments: in order, their spans limited, and the spans of two jobs that share a
// resource apart. j is each segment's job, l its limit.
const cutModel = `include "disjunctive.mzn";
int: n; int: m; int: h;
array[1..n] of int: r; array[1..n] of int: c; array[1..n] of int: d;
array[1..n] of int: j; array[1..n] of int: l;
array[1..m] of int: first; array[1..m] of int: last;
array[1..m, 1..m] of bool: share;
array[1..n] of var 0..h: s;
constraint forall(i in 1..n)(s[i] >= r[i] /\ s[i] + c[i] <= d[i]);
constraint forall(i in 1..n-1 where j[i] == j[i+1])(s[i] + c[i] <= s[i+1]);
constraint forall(i in 1..n where l[i] > 0)(s[i] + c[i] <= s[first[j[i]]] + l[i]);
constraint forall(a, b in 1..m where a < b /\ share[a, b])(
  s[last[a]] + c[last[a]] <= s[first[b]] \/ s[last[b]] + c[last[b]] <= s[first[a]]);
constraint disjunctive(s, c);
solve satisfy;
`

// TestCutAgainstMiniZinc compares jobs of several segments that share resources and
// are limited in their spans, where the search decides.
func TestCutAgainstMiniZinc(t *testing.T) {
	t.Parallel()
	solver := peertest.Program(t, "minizinc")
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 9))
	file := filepath.Join(t.TempDir(), "cut.mzn")
	if err := os.WriteFile(file, []byte(cutModel), 0o644); err != nil {
		t.Fatal(err)
	}
	verdicts := map[Verdict]int{}
	each := peertest.Cases(3, 15)
	for verdicts[Feasible] < each || verdicts[Infeasible] < each {
		h := int64(60)
		names := []string{"fast"}
		var jobs []Job
		for k := range int64(5) {
			jobs = append(jobs, Job{Task: 0, Number: int(k), Release: 12 * k, Deadline: 12*k + 5 + rng.Int64N(4),
				Costs: []int64{3}})
		}
		for task := range 3 {
			j := Job{Task: task + 1, Release: rng.Int64N(10), Deadline: h - rng.Int64N(20),
				Resources: []int{rng.IntN(3)}}
			names = append(names, fmt.Sprint("long", task))
			var sum int64
			for range 2 + rng.IntN(3) {
				c := 2 + rng.Int64N(4)
				sum += c
				j.Costs = append(j.Costs, c)
				j.Within = append(j.Within, sum+rng.Int64N(12))
			}
			jobs = append(jobs, j)
		}
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if r.Method != MethodSearch || verdicts[r.Verdict] == each {
			continue
		}
		if fits := solve(t, solver, file, cutData(h, jobs)); (r.Verdict == Feasible) != fits {
			t.Fatalf("%+v: %v by %s, MiniZinc says %v", jobs, r.Verdict, r.Method, fits)
		}
		verdicts[r.Verdict]++
	}
}

func cutData(h int64, jobs []Job) string {
	var r, c, d, j, l, first, last, share []string
	for i, job := range jobs {
		first = append(first, fmt.Sprint(len(r)+1))
		for s, cost := range job.Costs {
			limit := int64(0)
			if job.Within != nil {
				limit = job.Within[s]
			}
			r, c, d = append(r, fmt.Sprint(job.Release)), append(c, fmt.Sprint(cost)),
				append(d, fmt.Sprint(job.Deadline))
			j, l = append(j, fmt.Sprint(i+1)), append(l, fmt.Sprint(limit))
		}
		last = append(last, fmt.Sprint(len(r)))
		for _, other := range jobs {
			shared := slices.ContainsFunc(job.Resources,
				func(r int) bool { return slices.Contains(other.Resources, r) })
			share = append(share, fmt.Sprint(shared))
		}
	}
	list := func(words []string) string { return "[" + strings.Join(words, ",") + "]" }
	return fmt.Sprintf("n=%d;m=%d;h=%d;r=%s;c=%s;d=%s;j=%s;l=%s;first=%s;last=%s;share=array2d(1..%d,1..%d,%s);",
		len(r), len(jobs), h, list(r), list(c), list(d), list(j), list(l), list(first), list(last), len(jobs),
		len(jobs), list(share))
}

func askMiniZinc(t *testing.T, solver, file string, tasks []Task) bool {
	t.Helper()
	return solve(t, solver, file, dataOf(tasks))
}

// dataOf is the jobs of tasks over their hyperperiod, for the model.
func dataOf(tasks []Task) string {
	h, _ := Hyperperiod(tasks)
	var r, c, d []string
	for _, j := range jobsOf(tasks, h) {
		r, c, d = append(r, fmt.Sprint(j.Release)), append(c, fmt.Sprint(j.Costs[0])), append(d, fmt.Sprint(j.Deadline))
	}
	return fmt.Sprintf("n=%d;h=%d;r=[%s];c=[%s];d=[%s];", len(r), h, strings.Join(r, ","), strings.Join(c, ","),
		strings.Join(d, ","))
}

// solve asks MiniZinc with Gecode whether a model has a solution.
func solve(t *testing.T, solver, file, data string) bool {
	t.Helper()
	fits, decided := decide(t, solver, file, data, 60)
	if !decided {
		t.Fatalf("minizinc decides nothing in a minute: %s", data)
	}
	return fits
}

// decide is solve within some seconds of a processor, after which nothing is decided.
func decide(t *testing.T, solver, file, data string, seconds int) (fits, decided bool) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 5*time.Minute)
	defer cancel()
	cmd := exec.CommandContext(ctx, "sh", "-c", fmt.Sprintf(`ulimit -t %d; exec "$@"`, seconds), "sh", solver,
		"--solver", "gecode", "-D", data, file)
	// The solver is a child of its own, which goes on when only its parent is killed.
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	out, err := cmd.CombinedOutput()
	switch said := string(out); {
	case strings.Contains(said, "UNSATISFIABLE"):
		return false, true
	case strings.Contains(said, "----------"):
		return true, true
	case strings.Contains(said, "rror:"): // of the model or its data
		t.Fatalf("minizinc: %v\n%s", err, said)
	}
	t.Logf("minizinc decides nothing: %v %s", err, out)
	return false, false
}
