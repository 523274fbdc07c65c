package timetable

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"facetd.example/api/peertest"
)

// handedInTime plays an executor and a host that hands segments over as soon as there is a place, but no earlier than
// long before their start: stupidly, result after result. It returns the first segment, of those that run says are run,
// that is handed over later than a lead before its start, or -1.
func handedInTime(t Table, cycles, places int, latency, lead int64, run func(i int) bool) int {
	var results []int64 // of what was handed over, in order
	for i := range cycles * len(t.Placements) {
		if !run(i) {
			continue
		}
		pl := t.Placements[i%len(t.Placements)]
		shift := int64(i/len(t.Placements)) * t.Hyperperiod
		now := pl.Start + shift - lead - 1000
		for {
			flying := 0
			for _, r := range results {
				if r > now {
					flying++
				}
			}
			if flying < places {
				break
			}
			now++
		}
		if now > pl.Start+shift-lead {
			return i
		}
		results = append(results, pl.End+shift+latency)
	}
	return -1
}

// queuedJobs are random jobs of a few tasks, released together, and a queue.
func queuedJobs(rng *rand.Rand) (names []string, h int64, jobs []Job, q Queue, latency int64) {
	h = 24
	for task := range 1 + rng.IntN(3) {
		names = append(names, fmt.Sprint("t", task))
		period := []int64{8, 12, 24, 24}[rng.IntN(4)]
		costs := []int64{1 + rng.Int64N(3)}
		if rng.IntN(4) == 0 {
			costs = append(costs, 1+rng.Int64N(2))
		}
		deadline := period - rng.Int64N(3)
		for k := range h / period {
			j := Job{Task: task, Number: int(k), Release: k * period, Deadline: k*period + deadline, Costs: costs,
				Resources: []int{rng.IntN(2)}}
			if len(costs) > 1 && rng.IntN(2) == 0 {
				j.Within = []int64{0, costs[0] + costs[1] + rng.Int64N(6)}
			}
			jobs = append(jobs, j)
		}
	}
	for i := range jobs { // those of a task are alike
		jobs[i].Resources = []int{jobs[i].Task % 2}
	}
	q = Queue{Places: 1 + rng.IntN(4), Ahead: 1 + rng.Int64N(14)}
	return names, h, jobs, q, rng.Int64N(q.Ahead + 1)
}

// anyQueuedTable tries every order of the segments with every start time: whether there is a table beside a queue.
func anyQueuedTable(h int64, jobs []Job, q Queue) bool {
	next := make([]int, len(jobs))
	t := Table{Hyperperiod: h}
	segments := 0
	for i := range jobs {
		segments += len(jobs[i].Costs)
	}
	var walk func(now int64) bool
	walk = func(now int64) bool {
		if len(t.Placements) == segments {
			return Check(h, jobs, t) == nil && q.Check(t) == nil
		}
		for i := range jobs {
			j := &jobs[i]
			n := next[i]
			if n == len(j.Costs) {
				continue
			}
			for at := max(now, j.Release); at+j.Costs[n] <= j.Deadline; at++ {
				if k := len(t.Placements) - q.Places; k >= 0 && at < t.Placements[k].End+q.Ahead {
					continue
				}
				next[i]++
				t.Placements = append(t.Placements, Placement{j.Task, j.Number, n, at, at + j.Costs[n]})
				found := walk(at + j.Costs[n])
				t.Placements = t.Placements[:len(t.Placements)-1]
				next[i]--
				if found {
					return true
				}
			}
		}
		return false
	}
	return walk(0)
}

// TestQueueAgainstExecutor: in a table for a queue every segment is handed over in time to an executor that is played
// step by step, also where any of them are left out; one that the check refuses is not. What is called infeasible has
// no table, and few that have one are left undecided.
func TestQueueAgainstExecutor(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	feasible, infeasible, missed, undecided, tighter := 0, 0, 0, 0, 0
	for range peertest.Cases(400, 20_000) {
		names, h, jobs, q, latency := queuedJobs(rng)
		free, err := Plan(names, h, jobs, Options{})
		if err != nil {
			t.Fatal(err)
		}
		r, err := Plan(names, h, jobs, Options{Queue: q})
		if err != nil {
			t.Fatal(err)
		}
		if free.Verdict == Infeasible && r.Verdict != Infeasible {
			t.Fatalf("%v without a queue, %v with one: %v", free.Verdict, r.Verdict, jobs)
		}
		if free.Verdict == Feasible {
			ok := handedInTime(free.Table, 4, q.Places, latency, q.Ahead-latency, func(int) bool { return true }) < 0
			if checked := q.Check(free.Table) == nil; checked != ok {
				t.Fatalf("%+v, latency %d: the check says %v, the executor %v: %v", q, latency, checked, ok,
					free.Table.Placements)
			}
			if !ok {
				tighter++
			}
		}
		switch r.Verdict {
		case Feasible:
			feasible++
			if err := Check(h, jobs, r.Table); err != nil {
				t.Fatal(err)
			}
			left := rng.Uint64()
			for _, run := range []func(int) bool{func(int) bool { return true },
				func(i int) bool { return left>>(i%64)&1 == 0 }} {
				if i := handedInTime(r.Table, 4, q.Places, latency, q.Ahead-latency, run); i >= 0 {
					t.Fatalf("%+v, latency %d: segment %d is handed over too late: %v", q, latency, i,
						r.Table.Placements)
				}
			}
		case Infeasible:
			if infeasible++; len(jobs) <= 5 && anyQueuedTable(h, jobs, q) {
				t.Fatalf("%+v: called infeasible: %v, %s", q, jobs, r.Witness.Message)
			}
		default:
			undecided++
			if !strings.Contains(r.Witness.Message, "queue") {
				t.Fatalf("a witness that does not name the queue: %s", r.Witness.Message)
			}
			if len(jobs) <= 5 && anyQueuedTable(h, jobs, q) {
				missed++
			}
		}
	}
	t.Logf("%d feasible, %d infeasible, %d undecided of which %d have a table; %d tables without a queue were too "+
		"tight", feasible, infeasible, undecided, missed, tighter)
	if feasible < 50 || infeasible < 20 || tighter < 20 || missed > feasible/10 {
		t.Error("too few, or too many missed")
	}
}

// TestQueueIsNamed: what the queue alone forbids is refused with numbers that add up.
func TestQueueIsNamed(t *testing.T) {
	jobs := func(n int) (out []Job) {
		for i := range n {
			out = append(out, Job{Task: 0, Number: i, Release: int64(i) * 10, Deadline: int64(i)*10 + 10,
				Costs: []int64{1}})
		}
		return out
	}
	// One place: a segment of 1 and 9 until the next finds it.
	r, err := Plan([]string{"t"}, 40, jobs(4), Options{Queue: Queue{Places: 1, Ahead: 9}})
	if err != nil || r.Verdict != Feasible {
		t.Fatalf("%v: %v", r.Verdict, err)
	}
	r, err = Plan([]string{"t"}, 40, jobs(4), Options{Queue: Queue{Places: 1, Ahead: 10}})
	if err != nil || r.Verdict != Infeasible || r.Method != MethodQueue || r.Witness.Needed != 44 ||
		r.Witness.Available != 40 {
		t.Fatalf("%v by %s, %+v: %v", r.Verdict, r.Method, r.Witness, err)
	}
}
