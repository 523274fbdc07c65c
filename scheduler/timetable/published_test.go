package timetable

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"
)

type ctd struct{ C, T, D int64 }

func load(t *testing.T, file string, into any) {
	t.Helper()
	data, err := os.ReadFile("testdata/" + file)
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, into); err != nil {
		t.Fatal(err)
	}
}

func tasksOf(list []ctd) []Task {
	out := make([]Task, len(list))
	for i, x := range list {
		out[i] = Task{Name: string(rune('A' + i)), Cost: x.C, Period: x.T, Deadline: x.D}
	}
	return out
}

// jobsOf lays out the jobs of a set, apart from the code under test.
func jobsOf(tasks []Task, h int64) []Job {
	var jobs []Job
	for i, t := range tasks {
		d := t.Deadline
		if d == 0 {
			d = t.Period
		}
		for k := int64(0); k*t.Period < h; k++ {
			jobs = append(jobs, Job{Task: i, Number: int(k), Release: k * t.Period, Deadline: k*t.Period + d,
				Costs: []int64{t.Cost}})
		}
	}
	return jobs
}

// TestTaskSets: verdicts, tables and least stretches of the sets that two solvers
// decided (derived: dynamic programming, and MiniZinc with Gecode).
func TestTaskSets(t *testing.T) {
	var file struct {
		TaskSets, Extra []struct {
			Name        string
			Tasks       []ctd
			Hyperperiod int64
			AnyPhase    bool `json:"np_edf_any_offsets"`
			// deadline, demand, blocking
			Witness    []int64 `json:"np_edf_any_offsets_witness"`
			Sync       bool    `json:"np_edf_sync"`
			Feasible   bool    `json:"feasible_with_inserted_idle"`
			MinStretch string  `json:"min_stretch"`
			// start, end, task, job
			Schedule [][4]int64                                                   `json:"np_edf_schedule"`
			Miss     *struct{ Task, Job, Release, Deadline, Start, Finish int64 } `json:"np_edf_first_miss"`
		}
	}
	load(t, "tasksets.json", &file)
	if len(file.TaskSets) < 10 || len(file.Extra) < 2 {
		t.Fatalf("%d and %d sets", len(file.TaskSets), len(file.Extra))
	}
	for _, set := range append(file.TaskSets, file.Extra...) {
		tasks := tasksOf(set.Tasks)
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil {
			t.Fatal(err)
		}
		if (r.Verdict == Feasible) != set.Feasible || r.Verdict == Unknown {
			t.Errorf("%s: %v by %s, want feasible %v", set.Name, r.Verdict, r.Method, set.Feasible)
		}
		fits, at := AnyPhase(tasks)
		if fits != set.AnyPhase || !fits && at != set.Witness[0] {
			t.Errorf("%s: any phase %v, fails at %d, want %v %v", set.Name, fits, at, set.AnyPhase, set.Witness)
		}
		if !fits && demandBound(tasks, at) != set.Witness[1] {
			t.Errorf("%s: demand of %d up to %d, want %v", set.Name, demandBound(tasks, at), at, set.Witness)
		}
		table, miss := newProblem(make([]string, len(tasks)), set.Hyperperiod, jobsOf(tasks, set.Hyperperiod),
			Options{}).edf()
		switch {
		case miss == nil && !slices.Equal(rows(table), set.Schedule):
			t.Errorf("%s: EDF gives %v, want %v", set.Name, rows(table), set.Schedule)
		case miss != nil && (set.Miss == nil || miss.Needed != set.Miss.Finish-set.Miss.Release ||
			miss.Available != set.Miss.Deadline-set.Miss.Release):
			t.Errorf("%s: EDF misses %+v, want %+v", set.Name, miss, set.Miss)
		}
		if (r.Method == MethodEDF || r.Method == MethodAnyPhase) != set.Sync {
			t.Errorf("%s: decided by %s, EDF fits: %v", set.Name, r.Method, set.Sync)
		}
		if r.Verdict == Feasible {
			if err := Check(set.Hyperperiod, jobsOf(tasks, set.Hyperperiod), r.Table); err != nil {
				t.Errorf("%s: %v", set.Name, err)
			}
		} else if r.Witness == nil || r.Witness.Message == "" {
			t.Errorf("%s: refused without a witness", set.Name)
		}
		factor, verdict, err := MinStretch(tasks, Options{})
		if err != nil || verdict != Feasible || factor.RatString() != set.MinStretch {
			t.Errorf("%s: least stretch %v %v %v, want %s", set.Name, factor, verdict, err, set.MinStretch)
		}
	}
}

// rows writes a table of whole jobs as start, end, task and job.
func rows(t Table) [][4]int64 {
	var out [][4]int64
	for _, p := range t.Placements {
		out = append(out, [4]int64{p.Start, p.End, int64(p.Task), int64(p.Number)})
	}
	return out
}

// placed is the opposite of rows.
func placed(h int64, rows [][4]int64) Table {
	t := Table{Hyperperiod: h}
	for _, r := range rows {
		t.Placements = append(t.Placements, Placement{Task: int(r[2]), Number: int(r[3]), Start: r[0], End: r[1]})
	}
	return t
}

// TestTies: a set whose verdict under EDF turns on how equal deadlines are told
// apart, by the tasks' order (derived, by simulation). The search does not care.
func TestTies(t *testing.T) {
	var file struct {
		Tie struct {
			Tasks   []ctd
			ByOrder map[string]bool `json:"by_index_order"`
			Table   [][4]int64      `json:"feasible_table"`
		} `json:"tie_sensitive"`
	}
	load(t, "tasksets.json", &file)
	tasks := tasksOf(file.Tie.Tasks)
	h, _ := Hyperperiod(tasks)
	if err := Check(h, jobsOf(tasks, h), placed(h, file.Tie.Table)); err != nil {
		t.Errorf("the checker refuses a table that is known to be right: %v", err)
	}
	if len(file.Tie.ByOrder) != 6 {
		t.Fatalf("%d orders", len(file.Tie.ByOrder))
	}
	for text, want := range file.Tie.ByOrder {
		var order []int
		if err := json.Unmarshal([]byte(text), &order); err != nil {
			t.Fatal(err)
		}
		permuted := make([]Task, len(order))
		for i, k := range order {
			permuted[i] = tasks[k]
		}
		_, miss := newProblem(make([]string, len(tasks)), h, jobsOf(permuted, h), Options{}).edf()
		if (miss == nil) != want {
			t.Errorf("order %s: EDF misses %v, want fits %v", text, miss, want)
		}
		if r, err := PlanPeriodic(permuted, Options{}); err != nil || r.Verdict != Feasible {
			t.Errorf("order %s: %v %v", text, r.Verdict, err)
		}
	}
}

// TestAnyPhaseJeffay: Jeffay, Stanat and Martel, RTSS 1991 (citation and claim
// confirmed; formula from memory; the rows derived by brute force).
func TestAnyPhaseJeffay(t *testing.T) {
	var file struct {
		A3 struct {
			Rows []struct {
				Tasks    []ctd
				Holds    bool `json:"condition_holds"`
				Sync     bool `json:"sync_np_edf"`
				Feasible bool `json:"sync_feasible_with_inserted_idle"`
			}
		} `json:"A3_jeffay"`
	}
	load(t, "worked_examples.json", &file)
	if len(file.A3.Rows) < 20 {
		t.Fatalf("%d rows", len(file.A3.Rows))
	}
	for i, row := range file.A3.Rows {
		tasks := tasksOf(row.Tasks)
		if fits, _ := AnyPhase(tasks); fits != row.Holds {
			t.Errorf("row %d %v: any phase %v, want %v", i, row.Tasks, fits, row.Holds)
		}
		r, err := PlanPeriodic(tasks, Options{})
		if err != nil || (r.Verdict == Feasible) != row.Feasible ||
			(r.Method == MethodEDF || r.Method == MethodAnyPhase) != row.Sync {
			t.Errorf("row %d %v: %v by %s (%v), want feasible %v, by EDF %v", i, row.Tasks, r.Verdict, r.Method, err,
				row.Feasible, row.Sync)
		}
	}
}

// TestDavis: Davis, Burns, Bril and Lukkien, Real-Time Systems 35, 2007, tables 2
// and 3 (confirmed in the paper): message C meets its deadline in its first
// instance and misses it in its second. What the paper prints is compared apart
// from what was recomputed from its equations.
func TestDavis(t *testing.T) {
	var file struct {
		A1 struct {
			TauBit    int64 `json:"tau_bit"`
			Tasks     []ctd
			Published struct {
				OldR        []int64 `json:"old_analysis_R"`
				Utilisation float64 `json:"utilisation_percent"`
				Busy        int64   `json:"busy_C"`
				Instances   []int64 `json:"R_C_instances"`
				R           int64   `json:"R_C"`
				Schedulable bool
			}
			Rec struct {
				PerMessage []struct {
					B, Busy, R int64
					Inst       []int64 `json:"R_inst"`
				} `json:"per_message"`
			} `json:"recomputed"`
		} `json:"A1_davis_table2"`
	}
	load(t, "worked_examples.json", &file)
	got, err := FixedPriority(tasksOf(file.A1.Tasks), []int{0, 1, 2}, FixedOptions{Tick: file.A1.TauBit})
	if err != nil {
		t.Fatal(err)
	}
	c, pub := got[2], file.A1.Published
	if c.Busy != pub.Busy || !slices.Equal(c.Instance, pub.Instances) || c.Response != pub.R ||
		c.Schedulable != pub.Schedulable {
		t.Errorf("C: %+v, printed %+v", c, pub)
	}
	use := 0.0
	for i, k := range file.A1.Tasks {
		use += 100 * float64(k.C) / float64(k.T)
		if len(pub.OldR) != 3 || got[i].Instance[0] != pub.OldR[i] {
			t.Errorf("%s: first instance %d, the older analysis prints %v", got[i].Task, got[i].Instance[0], pub.OldR)
		}
	}
	if math.Round(use) != pub.Utilisation {
		t.Errorf("%.2f %% of the bus, printed %v", use, pub.Utilisation)
	}
	for i, want := range file.A1.Rec.PerMessage {
		g := got[i]
		if g.Blocking != want.B || g.Busy != want.Busy || g.Response != want.R || !slices.Equal(g.Instance, want.Inst) {
			t.Errorf("%s: %+v, want %+v", g.Task, g, want)
		}
	}
	if !got[0].Schedulable || !got[1].Schedulable || got[2].Schedulable {
		t.Errorf("schedulable: %v %v %v, want yes, yes, no", got[0].Schedulable, got[1].Schedulable, got[2].Schedulable)
	}
	if order, found, err := Assign(tasksOf(file.A1.Tasks), FixedOptions{Tick: file.A1.TauBit}); err != nil || found {
		t.Errorf("an order %v was found for a set that no order suits", order)
	}
}

// TestDemand: demand bounds (Baruah, Rosier and Howell 1990) and what the walk of
// Zhang and Burns 2009 finds (from memory, checked against an exhaustive test).
func TestDemand(t *testing.T) {
	type walk struct {
		L  int64
		OK bool
	}
	var file struct {
		A4 struct {
			Examples []struct {
				Name  string
				Tasks []ctd
				PDC   struct {
					Rows [][2]int64
					OK   bool
				} `json:"pdc"`
				FromL    *walk `json:"qpa_from_Lstar"`
				FromBusy *walk `json:"qpa_from_busy_plus1"`
				Walk     *walk `json:"qpa"`
			}
		} `json:"A4_demand"`
	}
	load(t, "worked_examples.json", &file)
	walks := 0
	for _, e := range file.A4.Examples {
		tasks := tasksOf(e.Tasks)
		for _, row := range e.PDC.Rows {
			if got := demandBound(tasks, row[0]); got != row[1] {
				t.Errorf("%s: demand up to %d is %d, want %d", e.Name, row[0], got, row[1])
			}
		}
		for _, w := range []*walk{e.FromL, e.FromBusy, e.Walk} {
			if w == nil {
				continue
			}
			walks++
			if at, found := overload(tasks, 1, w.L, 0); (found == missNone) != w.OK {
				t.Errorf("%s from %d: overload at %d (%v), want fitting %v", e.Name, w.L, at, found, w.OK)
			}
		}
	}
	if walks < 6 {
		t.Errorf("%d walks compared", walks)
	}
}

type rcd struct{ R, C, D int64 }

// eachItsTask makes every job a task of its own.
func eachItsTask(list []rcd) ([]string, int64, []Job) {
	var names []string
	var h int64
	var jobs []Job
	for i, x := range list {
		names = append(names, string(rune('a'+i)))
		jobs = append(jobs, Job{Task: i, Release: x.R, Deadline: x.D, Costs: []int64{x.C}})
		h = max(h, x.D)
	}
	return names, h, jobs
}

// TestAnomalies: sets that non-preemptive EDF misses and that fit with idle time
// inserted (Liu, Real-Time Systems, figure 4-6; Symmetry 12(1):172, example 1;
// others derived exhaustively).
func TestAnomalies(t *testing.T) {
	var file struct {
		A6 map[string]json.RawMessage `json:"A6_anomalies"`
	}
	load(t, "worked_examples.json", &file)
	for _, name := range []string{"liu_fig_4_6", "symmetry2020", "smallest_job_set"} {
		var e struct{ Jobs []rcd }
		if err := json.Unmarshal(file.A6[name], &e); err != nil || len(e.Jobs) < 2 {
			t.Fatalf("%s: %v", name, err)
		}
		names, h, jobs := eachItsTask(e.Jobs)
		p := newProblem(names, h, jobs, Options{})
		if _, miss := p.edf(); miss == nil {
			t.Errorf("%s: EDF finds a table", name)
		}
		r, err := Plan(names, h, jobs, Options{})
		if err != nil || r.Verdict != Feasible || r.Method != MethodSearch {
			t.Errorf("%s: %v by %s (%v)", name, r.Verdict, r.Method, err)
		}
		if err := Check(h, jobs, r.Table); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestSmallestPeriodicAnomalies: the smallest periodic sets that non-preemptive EDF
// misses and that fit with idle time inserted (derived, by exhaustive search over
// all synchronous sets by hyperperiod).
func TestSmallestPeriodicAnomalies(t *testing.T) {
	type class struct {
		Examples []struct {
			Tasks    []ctd
			Miss     struct{ Task, Release, Deadline, Finish int64 } `json:"np_edf_miss"`
			EDF      [][4]int64                                      `json:"np_edf_schedule"`
			Feasible [][4]int64                                      `json:"feasible_schedule"`
		}
	}
	var file map[string]json.RawMessage
	load(t, "anomalies.json", &file)
	seen := 0
	for _, name := range []string{"smallest_sync_n2_implicit", "smallest_sync_n2_constrained",
		"smallest_sync_n3_implicit", "smallest_sync_n3_constrained"} {
		var c class
		if err := json.Unmarshal(file[name], &c); err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		for i, e := range c.Examples {
			seen++
			tasks := tasksOf(e.Tasks)
			h, _ := Hyperperiod(tasks)
			jobs := jobsOf(tasks, h)
			if err := Check(h, jobs, placed(h, e.Feasible)); err != nil {
				t.Errorf("%s %d: the checker refuses a table that is known to be right: %v", name, i, err)
			}
			_, miss := newProblem(make([]string, len(tasks)), h, jobs, Options{}).edf()
			if miss == nil || miss.Needed != e.Miss.Finish-e.Miss.Release ||
				miss.Available != e.Miss.Deadline-e.Miss.Release {
				t.Errorf("%s %d: EDF misses %+v, want %+v", name, i, miss, e.Miss)
			}
			if err := Check(h, jobs, placed(h, e.EDF)); err == nil {
				t.Errorf("%s %d: the checker takes the table that misses a deadline", name, i)
			}
			r, err := PlanPeriodic(tasks, Options{})
			if err != nil || r.Verdict != Feasible || r.Method != MethodSearch {
				t.Errorf("%s %d: %v by %s (%v)", name, i, r.Verdict, r.Method, err)
			}
			if err := Check(h, jobs, r.Table); err != nil {
				t.Errorf("%s %d: %v", name, i, err)
			}
		}
	}
	if seen != 8 {
		t.Errorf("%d examples, want 8", seen)
	}
}

// TestShorterCostCausesMiss: a shorter job can make EDF miss a deadline, which is
// why a segment never starts before its time (derived exhaustively).
func TestShorterCostCausesMiss(t *testing.T) {
	var file struct {
		A6 struct {
			E struct {
				Jobs    []rcd
				Shorten int `json:"shorten_job"`
			} `json:"shorter_cost_causes_miss"`
		} `json:"A6_anomalies"`
	}
	load(t, "worked_examples.json", &file)
	names, h, jobs := eachItsTask(file.A6.E.Jobs)
	if _, miss := newProblem(names, h, jobs, Options{}).edf(); miss != nil {
		t.Errorf("with full costs: %v", miss)
	}
	jobs[file.A6.E.Shorten].Costs[0]--
	if _, miss := newProblem(names, h, jobs, Options{}).edf(); miss == nil {
		t.Error("with the shorter cost EDF misses nothing")
	}
}
