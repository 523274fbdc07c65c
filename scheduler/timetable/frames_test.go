package timetable

import (
	"cmp"
	"slices"
	"testing"
)

// frameExample is a set of tasks with the sizes of frames in which a cyclic executive can run it. Tasks from SlicesFrom
// on, where it is not 0, are slices of one job in that order.
type frameExample struct {
	Name       string
	Tasks      []ctd
	SlicesFrom int `json:"slices_from"`
	Sizes      []int64
}

// frameSizes are those that the three rules of Baker and Shaw leave.
func frameSizes(tasks []ctd) (sizes []int64) {
	longest := int64(0)
	candidates := map[int64]bool{}
	for _, k := range tasks {
		longest = max(longest, k.C)
		for f := int64(1); f <= k.T; f++ {
			if k.T%f == 0 {
				candidates[f] = true
			}
		}
	}
	for f := range candidates {
		ok := f >= longest
		for _, k := range tasks {
			d := k.D
			if d == 0 {
				d = k.T
			}
			ok = ok && 2*f-gcd(f, k.T) <= d
		}
		if ok {
			sizes = append(sizes, f)
		}
	}
	slices.Sort(sizes)
	return sizes
}

// jobsWithSlices lays out the jobs of an example, slices as the segments of one job; all are due by the end of the
// hyperperiod, as in a table that repeats and has no job of the one before.
func (e frameExample) jobsWithSlices(h int64) []Job {
	tasks := tasksOf(e.Tasks)
	whole := tasks
	if e.SlicesFrom > 0 {
		whole = tasks[:e.SlicesFrom+1]
	}
	jobs := jobsOf(whole, h)
	for i := range jobs {
		jobs[i].Deadline = min(jobs[i].Deadline, h)
		if e.SlicesFrom == 0 || jobs[i].Task != e.SlicesFrom {
			continue
		}
		for _, slice := range tasks[e.SlicesFrom+1:] {
			jobs[i].Costs = append(jobs[i].Costs, slice.Cost)
		}
	}
	return jobs
}

// frameByFrame fills frames of a size in turn, jobs with the earliest deadline first: of a job only what begins in a
// frame after its release, and in none that ends after its deadline. It reports whether all find a place.
func frameByFrame(jobs []Job, h, size int64) (Table, bool) {
	table := Table{Hyperperiod: h}
	order := make([]int, len(jobs))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(jobs[a].Deadline, jobs[b].Deadline) })
	next := make([]int, len(jobs)) // the segment of each job
	for frame := int64(0); frame < h; frame += size {
		at := frame
		for _, i := range order {
			j := &jobs[i]
			for next[i] < len(j.Costs) && j.Release <= frame && frame+size <= j.Deadline &&
				at+j.Costs[next[i]] <= frame+size {
				table.Placements = append(table.Placements, Placement{Task: j.Task, Number: j.Number, Segment: next[i],
					Start: at, End: at + j.Costs[next[i]]})
				at += j.Costs[next[i]]
				next[i]++
			}
		}
	}
	for i, j := range jobs {
		if next[i] < len(j.Costs) {
			return table, false
		}
	}
	return table, true
}

// TestFramesOfCyclicExecutives: sets whose frame sizes are published (frames.json). Those that the rules leave are the
// published ones; a table filled frame by frame is one that our check accepts; and whatever fits frames our planner
// places, which knows none.
func TestFramesOfCyclicExecutives(t *testing.T) {
	var file struct{ Examples []frameExample }
	load(t, "frames.json", &file)
	tables := 0
	for _, e := range file.Examples {
		if got := frameSizes(e.Tasks); !slices.Equal(got, e.Sizes) && len(got)+len(e.Sizes) > 0 {
			t.Errorf("%s: frames of %v, published %v", e.Name, got, e.Sizes)
		}
		h, _ := Hyperperiod(tasksOf(e.Tasks))
		jobs := e.jobsWithSlices(h)
		for _, size := range e.Sizes {
			table, ok := frameByFrame(jobs, h, size)
			if !ok {
				t.Errorf("%s: frames of %d do not hold all jobs", e.Name, size)
				continue
			}
			tables++
			if err := Check(h, jobs, table); err != nil {
				t.Errorf("%s: a table in frames of %d is refused: %v", e.Name, size, err)
			}
		}
		if len(e.Sizes) == 0 {
			continue
		}
		names := make([]string, len(e.Tasks))
		r, err := Plan(names, h, jobs, Options{})
		if err != nil || r.Verdict != Feasible {
			t.Errorf("%s: %v (%v)", e.Name, r.Verdict, err)
			continue
		}
		if err := Check(h, jobs, r.Table); err != nil {
			t.Errorf("%s: %v", e.Name, err)
		}
	}
	if tables < 7 {
		t.Errorf("%d tables", tables)
	}
}
