package timetable

import (
	"reflect"
	"testing"
)

// TestLongestPieces: the longest segment of all and the longest of any other task, in whatever order they come.
func TestLongestPieces(t *testing.T) {
	for name, c := range map[string]struct {
		jobs []Job
		want [2]piece
	}{
		"rising in one task": {[]Job{{Task: 1, Costs: []int64{5}}, {Task: 1, Costs: []int64{7}},
			{Task: 0, Costs: []int64{3}}},
			[2]piece{{1, 7}, {0, 3}}},
		"overtaken": {[]Job{{Task: 1, Costs: []int64{5, 2}}, {Task: 0, Costs: []int64{1, 6}}},
			[2]piece{{0, 6}, {1, 5}}},
		"overtaken twice": {[]Job{{Task: 2, Costs: []int64{4}}, {Task: 1, Costs: []int64{5}},
			{Task: 2, Costs: []int64{6}}},
			[2]piece{{2, 6}, {1, 5}}},
		"falling": {[]Job{{Task: 2, Costs: []int64{9}}, {Task: 1, Costs: []int64{5}}, {Task: 0, Costs: []int64{6}}},
			[2]piece{{2, 9}, {0, 6}}},
		"equal": {[]Job{{Task: 1, Costs: []int64{5}}, {Task: 2, Costs: []int64{5}}}, [2]piece{{1, 5}, {2, 5}}},
		"one":   {[]Job{{Task: 1, Costs: []int64{5}}}, [2]piece{{1, 5}, {}}},
	} {
		p := problem{jobs: c.jobs}
		if got := p.longest(); got != c.want {
			t.Errorf("%s: %v, want %v", name, got, c.want)
		}
	}
}

// TestJobsOfARelaxation: those of the others are repeated from hyperperiod to hyperperiod and numbered on; those of the
// task begin by its shortest period and end by its longest, as far as they are due within.
func TestJobsOfARelaxation(t *testing.T) {
	r := &Relaxation{Names: []string{"a", "b", "mine"}, Hyperperiod: 20, Cost: 3, Others: []Job{
		{Task: 0, Release: 0, Deadline: 10, Costs: []int64{2}},
		{Task: 0, Number: 1, Release: 10, Deadline: 20, Costs: []int64{2}},
		{Task: 1, Release: 5, Deadline: 15, Costs: []int64{1}},
	}}
	want := []Job{
		{Task: 0, Release: 0, Deadline: 10, Costs: []int64{2}},
		{Task: 0, Number: 1, Release: 10, Deadline: 20, Costs: []int64{2}},
		{Task: 1, Release: 5, Deadline: 15, Costs: []int64{1}},
		{Task: 0, Number: 2, Release: 20, Deadline: 30, Costs: []int64{2}},
		{Task: 0, Number: 3, Release: 30, Deadline: 40, Costs: []int64{2}},
		{Task: 1, Number: 1, Release: 25, Deadline: 35, Costs: []int64{1}},
		{Task: 2, Release: 0, Deadline: 20, Costs: []int64{3}},
		{Task: 2, Number: 1, Release: 9, Deadline: 40, Costs: []int64{3}},
	}
	if got := r.jobs(2, 9, 20); !reflect.DeepEqual(got, want) {
		t.Errorf("jobs\n%+v\nwant\n%+v", got, want)
	}
	r.Deadline = 7
	want = append(want[:6], Job{Task: 2, Deadline: 7, Costs: []int64{3}},
		Job{Task: 2, Number: 1, Release: 9, Deadline: 27, Costs: []int64{3}})
	if got := r.jobs(2, 9, 20); !reflect.DeepEqual(got, want) {
		t.Errorf("with a deadline\n%+v\nwant\n%+v", got, want)
	}
}

// TestNoRoom: a job fits beside others somewhere, or nowhere whatever its period; too much to look at is not refuted.
func TestNoRoom(t *testing.T) {
	for _, c := range []struct {
		cost int64
		want bool
	}{{11, false}, {12, true}} {
		// Two jobs of 2 in every 20, each where it must be to a tick: 11 ticks are free from the second to the first.
		r := &Relaxation{Names: []string{"a", "mine"}, Hyperperiod: 20, Cost: c.cost, Others: []Job{
			{Task: 0, Release: 4, Deadline: 6, Costs: []int64{2}},
			{Task: 0, Number: 1, Release: 11, Deadline: 13, Costs: []int64{2}},
		}}
		if got := r.NoRoom(); got != c.want {
			t.Errorf("a job of %d ticks: no room %v", c.cost, got)
		}
		r.Others[0].Costs, r.Hyperperiod = []int64{2}, maxTime
		if r.NoRoom() {
			t.Errorf("a hyperperiod that is too long to look at twice refutes a job of %d ticks", c.cost)
		}
	}
}

// TestRefutedSpansAreKept: a rate within a span that was ruled out is not asked about again, and one is ruled out only
// where the relaxation says so.
func TestRefutedSpansAreKept(t *testing.T) {
	asked := 0
	w := edgeWalk{Edge: &Edge{Hyperperiod: 1 << 20, Refutes: func(short, long int64) (bool, int64) {
		asked++
		return short > 900_000, 5
	}}}
	if !w.refuted(1, 1) {
		t.Error("a span that is ruled out is not refuted")
	}
	// Reaches of 1024th, 256th, 64th and 16th of the period stay above 900,000; a quarter does not.
	if asked != 5 || w.spent != 25 || len(w.out) != 4 {
		t.Errorf("asked %d times for work of %d, %d spans kept", asked, w.spent, len(w.out))
	}
	if !w.refuted(1, 1) || asked != 5 {
		t.Errorf("asked %d times about what is known", asked)
	}
	if w.refuted(2, 1) || asked != 6 {
		t.Errorf("half the period: asked %d times", asked)
	}
}
