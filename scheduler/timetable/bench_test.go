package timetable

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
)

// sizes of the benchmarks, in segments; time per segment shows the growth.
var sizes = []int{100, 1000, 10_000, 100_000}

func perSegment(b *testing.B, n int) {
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(n), "ns/segment")
}

// evenJobs makes n segments of eight tasks at nine tenths of the bus, cut into a
// number of segments each.
func evenJobs(n, cut int) (names []string, h int64, jobs []Job) {
	const tasks = 8
	for task := range tasks {
		names = append(names, fmt.Sprint("t", task))
		for k := range n / tasks / cut {
			j := Job{Task: task, Number: k, Release: int64(k) * 960, Deadline: int64(k+1) * 960}
			for range cut {
				j.Costs = append(j.Costs, int64(108/cut))
			}
			if cut > 1 {
				j.Resources = []int{task / 2} // pairs of tasks get in each other's way
			}
			jobs = append(jobs, j)
		}
	}
	return names, int64(n/tasks/cut) * 960, jobs
}

// crowd makes n segments of jobs that all want one resource, or one of two.
func crowd(n int) (names []string, h int64, jobs []Job) {
	h = int64(n) * 20
	for i := range n / 3 {
		names = append(names, "")
		jobs = append(jobs, Job{Task: i, Deadline: h - int64(i*7919%1000), Costs: []int64{3, 3, 3},
			Resources: []int{0, 1 + i%2}})
	}
	return names, h, jobs
}

// BenchmarkSort is the baseline of the other benchmarks: as many random numbers
// sorted, which grows with n log n.
func BenchmarkSort(b *testing.B) {
	for _, n := range sizes {
		rng := rand.New(rand.NewPCG(1, 2))
		from := make([]int64, n)
		for i := range from {
			from[i] = rng.Int64()
		}
		to := make([]int64, n)
		b.Run(fmt.Sprintf("segments-%d", n), func(b *testing.B) {
			for b.Loop() {
				copy(to, from)
				slices.Sort(to)
			}
			perSegment(b, n)
		})
	}
}

func BenchmarkEDF(b *testing.B) {
	for _, kind := range []struct {
		name string
		jobs func(n int) ([]string, int64, []Job)
	}{
		{"whole", func(n int) ([]string, int64, []Job) { return evenJobs(n, 1) }},
		{"cut", func(n int) ([]string, int64, []Job) { return evenJobs(n, 4) }},
		{"crowd", crowd},
	} {
		for _, n := range sizes {
			names, h, jobs := kind.jobs(n)
			p := newProblem(names, h, jobs, Options{})
			b.Run(fmt.Sprintf("%s/segments-%d", kind.name, n), func(b *testing.B) {
				for b.Loop() {
					if _, miss := p.edf(); miss != nil {
						b.Fatal(miss)
					}
				}
				perSegment(b, n)
			})
		}
	}
}

// BenchmarkPlan is the whole ladder for jobs that EDF places, and the check of its
// table.
func BenchmarkPlan(b *testing.B) {
	for _, n := range sizes {
		names, h, jobs := evenJobs(n, 4)
		b.Run(fmt.Sprintf("segments-%d", n), func(b *testing.B) {
			for b.Loop() {
				if r, err := Plan(names, h, jobs, Options{}); err != nil || r.Verdict != Feasible {
					b.Fatal(r.Verdict, err)
				}
			}
			perSegment(b, n)
		})
	}
}

func BenchmarkCheck(b *testing.B) {
	for _, n := range sizes {
		names, h, jobs := evenJobs(n, 4)
		r, err := Plan(names, h, jobs, Options{})
		if err != nil {
			b.Fatal(err)
		}
		b.Run(fmt.Sprintf("segments-%d", n), func(b *testing.B) {
			for b.Loop() {
				if err := Check(h, jobs, r.Table); err != nil {
					b.Fatal(err)
				}
			}
			perSegment(b, n)
		})
	}
}

// BenchmarkSearch is the exact search over more and more hyperperiods of a set that
// needs inserted idle time, up to its cap over twenty tasks of different costs, and
// over twenty of two costs, which are interchangeable.
func BenchmarkSearch(b *testing.B) {
	for _, repeat := range []int64{1, 10, 100, 1000} {
		tasks := []Task{{"a", 1, 4, 0}, {"b", 2, 8, 0}, {"c", 5, 16, 0}, {"d", 1, 16 * repeat, 0}}
		p, _ := periodicProblem(tasks, Options{})
		b.Run(fmt.Sprintf("jobs-%d", len(p.jobs)), func(b *testing.B) {
			for b.Loop() {
				if _, verdict := p.search(defaultStates); verdict != Feasible {
					b.Fatal(verdict)
				}
			}
			perSegment(b, len(p.jobs))
		})
	}
	for _, c := range []struct {
		name  string
		costs int64
		want  Verdict
	}{{"cap", 20, Unknown}, {"alike", 2, Infeasible}} {
		p, _ := periodicProblem(twenty(c.costs), Options{})
		b.Run(c.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, verdict := p.search(defaultStates); verdict != c.want {
					b.Fatal(verdict)
				}
			}
			if c.want == Unknown {
				b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/defaultStates, "ns/state")
			}
		})
	}
}

// twenty makes tasks of 2 or of 20 different costs that leave 210 free in every 2400,
// and one whose piece of 441 needs more than two such.
func twenty(costs int64) []Task {
	var tasks []Task
	for i := range int64(20) {
		cost := 100 + i
		if costs < 20 {
			cost = 109 + i%costs
		}
		tasks = append(tasks, Task{fmt.Sprint(i), cost, 2400, 0})
	}
	return append(tasks, Task{"long", 441, 9600, 0})
}
