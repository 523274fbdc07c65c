package timetable

import (
	"fmt"
	"testing"
)

// jobsFrom reads a few small jobs from bytes, five for a job: task, release, width of
// the window, segments, and a resource and a limit.
func jobsFrom(data []byte) (names []string, h int64, jobs []Job) {
	h = 14
	names = []string{"a", "b", "c"}
	for ; len(data) >= 5 && len(jobs) < 5; data = data[5:] {
		j := Job{Task: int(data[0] % 3), Number: int(data[0] / 3 % 4), Release: int64(data[1] % 12)}
		j.Deadline = min(j.Release+1+int64(data[2]%14), h)
		for shape := data[3]; shape > 0 && len(j.Costs) < 3; shape /= 4 {
			j.Costs = append(j.Costs, int64(shape%4))
		}
		if data[4]&1 > 0 {
			j.Resources = []int{int(data[4] >> 1 & 1)}
		}
		if data[4]&4 > 0 {
			for n := range j.Costs {
				j.Within = append(j.Within, int64(data[4]>>3&7)*int64(n))
			}
		}
		jobs = append(jobs, j)
	}
	return names, h, jobs
}

// FuzzPlan: whatever the jobs, a table that is given passes the checker, and
// infeasible is said only where trying everything finds none.
func FuzzPlan(f *testing.F) {
	f.Add([]byte{0, 0, 13, 5, 0, 1, 3, 3, 2, 0})
	f.Add([]byte{0, 0, 9, 10, 0x35, 1, 3, 1, 2, 1, 3, 0, 13, 2, 0})
	f.Add([]byte{2, 0, 7, 1, 0, 5, 0, 8, 3, 0})
	f.Fuzz(func(t *testing.T, data []byte) {
		names, h, jobs := jobsFrom(data)
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			return
		}
		what := fmt.Sprintf("%v by %s: %+v", r.Verdict, r.Method, jobs)
		switch r.Verdict {
		case Feasible:
			if err := Check(h, jobs, r.Table); err != nil {
				t.Fatalf("%v: %s", err, what)
			}
		case Infeasible:
			if r.Witness == nil || r.Witness.Message == "" {
				t.Fatalf("no witness: %s", what)
			}
			if anyTable(h, jobs) {
				t.Fatalf("a table exists: %s", what)
			}
		case Unknown:
			t.Fatalf("undecided: %s", what)
		}
	})
}

// FuzzCheck: the checker answers, whatever the table.
func FuzzCheck(f *testing.F) {
	f.Add([]byte{0, 0, 13, 5, 0}, []byte{0, 0, 0, 1})
	f.Fuzz(func(t *testing.T, data, table []byte) {
		_, h, jobs := jobsFrom(data)
		tab := Table{Hyperperiod: h}
		for ; len(table) >= 4; table = table[4:] {
			tab.Placements = append(tab.Placements, Placement{
				Task: int(table[0]) % 4, Number: int(table[0]) / 4 % 4, Segment: int(int8(table[1])) % 4,
				Start: int64(int8(table[2])), End: int64(int8(table[2])) + int64(table[3]%5),
			})
		}
		if Check(h, jobs, tab) == nil && len(jobs) > 0 && len(tab.Placements) < len(jobs) {
			t.Fatalf("%d jobs, yet a table of %d is right", len(jobs), len(tab.Placements))
		}
	})
}
