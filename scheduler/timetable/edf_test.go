package timetable

import (
	"math/rand/v2"
	"reflect"
	"testing"

	"facetd.example/api/peertest"
)

// plainEDF is earliest deadline first with a look at every job for every segment.
func plainEDF(h int64, jobs []Job) (placements []Placement, fits bool) {
	next := make([]int, len(jobs))
	began := make([]int64, len(jobs))
	left := 0
	for _, j := range jobs {
		left += len(j.Costs)
	}
	for now := int64(0); left > 0; {
		best, bestDue, later := -1, int64(0), h
		for i, j := range jobs {
			if next[i] == len(j.Costs) {
				continue
			}
			if j.Release > now {
				later = min(later, j.Release)
				continue
			}
			free := true
			for k, other := range jobs {
				if k != i && next[k] > 0 && next[k] < len(other.Costs) {
					for _, a := range j.Resources {
						for _, b := range other.Resources {
							free = free && a != b
						}
					}
				}
			}
			due := j.Deadline
			for n := next[i]; next[i] > 0 && j.Within != nil && n < len(j.Costs); n++ {
				if j.Within[n] > 0 {
					at := began[i] + j.Within[n]
					for m := next[i] + 1; m <= n; m++ {
						at -= j.Costs[m]
					}
					due = min(due, at)
				}
			}
			first := best < 0 || due < bestDue ||
				due == bestDue && (j.Task < jobs[best].Task || j.Task == jobs[best].Task &&
					j.Number < jobs[best].Number)
			if free && first {
				best, bestDue = i, due
			}
		}
		if best < 0 {
			now = later
			continue
		}
		j, n := jobs[best], next[best]
		if n == 0 {
			began[best] = now
		}
		end := now + j.Costs[n]
		if end > j.Deadline || j.Within != nil && j.Within[n] > 0 && end > began[best]+j.Within[n] {
			return nil, false
		}
		placements = append(placements, Placement{j.Task, j.Number, n, now, end})
		now = end
		next[best]++
		left--
	}
	return placements, true
}

// longJobs makes tasks of several jobs.
func longJobs(rng *rand.Rand, h int64) (names []string, jobs []Job) {
	kinds := 2 + rng.IntN(4)
	for task := range 1 + rng.IntN(16) {
		names = append(names, "t")
		var resources []int
		for range rng.IntN(4) {
			resources = append(resources, rng.IntN(kinds))
		}
		var release, deadline int64
		for number := range 1 + rng.IntN(5) {
			release = min(release+rng.Int64N(60), h-30)
			deadline = min(max(deadline, release+30+rng.Int64N(200)), h)
			j := Job{Task: task, Number: number, Release: release, Deadline: deadline, Resources: resources}
			for range 1 + rng.IntN(4) {
				j.Costs = append(j.Costs, 1+rng.Int64N(5))
			}
			if rng.IntN(3) == 0 {
				j.Within = make([]int64, len(j.Costs))
				j.Within[len(j.Costs)-1] = j.total() + rng.Int64N(20)
			}
			jobs = append(jobs, j)
		}
	}
	return names, jobs
}

// nestedJobs makes jobs of several segments, the later the more urgent, so that
// many are begun at once and many wait for more than one resource.
func nestedJobs(rng *rand.Rand, h int64) (names []string, jobs []Job) {
	for task := range 6 + rng.IntN(8) {
		names = append(names, "t")
		j := Job{Task: task, Release: rng.Int64N(60)}
		j.Deadline = h - 3*j.Release - rng.Int64N(40)
		j.Resources = rng.Perm(4)[:1+rng.IntN(2)]
		for range 2 + rng.IntN(4) {
			j.Costs = append(j.Costs, 1+rng.Int64N(5))
		}
		jobs = append(jobs, j)
	}
	return names, jobs
}

// TestEDFAgainstPlain: the heaps and queues give the very table of a plain look at
// every job, with many jobs that want each other's resources.
func TestEDFAgainstPlain(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	fit := 0
	for n := range 3000 {
		h := int64(400)
		names, jobs := longJobs(rng, h)
		if n%2 == 0 {
			names, jobs = nestedJobs(rng, h)
		}
		want, fits := plainEDF(h, jobs)
		got, miss := newProblem(names, h, jobs, Options{}).edf()
		if fits != (miss == nil) || fits && !reflect.DeepEqual(got.Placements, want) {
			t.Fatalf("set %d: %v\n%v\nwant %v\n%v\n%+v", n, miss, got.Placements, fits, want, jobs)
		}
		if fits {
			fit++
			if err := Check(h, jobs, got); err != nil {
				t.Fatalf("set %d: %v", n, err)
			}
		}
	}
	t.Logf("%d fit", fit)
	if fit < 600 || fit > 2900 {
		t.Errorf("%d of 3000 sets fit, which exercises too little", fit)
	}
}
