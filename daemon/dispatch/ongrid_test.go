package dispatch

import (
	"context"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"testing/synctest"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/scheduler"
)

// grid is where a task is released, by definition: n times in a hyperperiod, from an epoch on.
type grid struct{ epoch, hyperperiod, n int64 }

func (g grid) at(k int64) int64 { return g.epoch + k*g.hyperperiod/g.n }

// index is the number of the release at a time, false where there is none.
func (g grid) index(at int64) (int64, bool) {
	for k := (at-g.epoch)*g.n/g.hyperperiod - 1; ; k++ {
		if g.at(k) >= at {
			return k, g.at(k) == at
		}
	}
}

// gridOf is the grid of a task under the active timetable.
func gridOf(s Snapshot, task int) grid {
	h := s.Plan.GetTimetable().GetHyperperiodNs()
	hz := s.Plan.GetPredictions()[task].GetPlannedRateHz()
	return grid{s.Epoch.NS(), h, int64(math.Round(hz * float64(h) / 1e9))}
}

// told is what the answer to a change said of a task, and its grid from then on.
type told struct {
	effective, shift int64
	grid             grid
}

// gridJudge is a reference for where releases may be: for each generation of a task the grid with which it began, and
// what answers have said of it since.
type gridJudge struct {
	t     *testing.T
	begun map[string]map[uint64]grid
	told  map[string][]told
	// Counts of what was seen.
	kept, moved int
}

// changed notes an answer, and the timetable after it.
func (j *gridJudge) changed(c Change, s Snapshot) {
	shifts := map[string]int64{}
	for _, m := range c.Shifts {
		shifts[m.GetTask()] = m.GetShiftNs()
	}
	for i, r := range s.Tasks {
		name, g := r.GetTask().GetName(), gridOf(s, i)
		if j.begun[name] == nil {
			j.begun[name] = map[uint64]grid{}
		}
		if _, known := j.begun[name][r.GetGeneration()]; !known {
			j.begun[name][r.GetGeneration()] = g
			j.told[name] = append(j.told[name], told{effective: c.Effective.NS(), grid: g})
		}
		if ns, is := shifts[name]; is {
			j.told[name] = append(j.told[name], told{c.Effective.NS(), ns, g})
		}
	}
}

// mayFail reports whether a job may end with a failure; empty is none.
func (j *gridJudge) mayFail(failure string) bool {
	switch failure {
	case "", "the daemon stopped", queueTooShort:
		return true
	}
	return false
}

// judge holds the frame sets of a task against its grids.
func (j *gridJudge) judge(task string, sets []*facetdv1.FrameSet) {
	var now grid
	var generation uint64
	var k int64
	notes := j.told[task]
	for i, fs := range sets {
		at := fs.GetReleaseBusNs()
		if fs.GetLate() || !j.mayFail(fs.GetFailure()) {
			j.t.Errorf("job %d of %s: late %v, %q", fs.GetJob(), task, fs.GetLate(), fs.GetFailure())
		}
		switch {
		case fs.GetTaskGeneration() != generation:
			generation = fs.GetTaskGeneration()
			now = j.begun[task][generation]
			for len(notes) > 0 && notes[0].grid != now {
				notes = notes[1:]
			}
			if notes = notes[1:]; fs.ReleaseShiftNs != nil {
				j.moves(task, fs, now.epoch, &notes)
			}
		case fs.ReleaseShiftNs != nil:
			now = j.moves(task, fs, now.at(k+1), &notes)
			j.moved++
		case at != now.at(k+1) || fs.GetJob() != sets[i-1].GetJob()+1:
			j.t.Errorf("job %d of %s was released %d ns off its grid, after job %d", fs.GetJob(), task, at-now.at(k+1),
				sets[i-1].GetJob())
		default:
			j.kept++
		}
		var on bool
		if k, on = now.index(at); !on {
			j.t.Fatalf("job %d of %s was released at %d, which is on no grid", fs.GetJob(), task, at)
		}
	}
}

// goesOn checks that a task that ran at two times, between which nothing was changed, was released to the end, but for
// the last release, which may be under way. It returns how many are then on their grid at least.
func (j *gridJudge) goesOn(s Snapshot, task int, sets []*facetdv1.FrameSet, from, to int64) int {
	r, g := s.Tasks[task], gridOf(s, task)
	name := r.GetTask().GetName()
	if len(sets) == 0 {
		j.t.Errorf("no job of %s has ended by %d", name, to)
		return 0
	}
	last := sets[len(sets)-1]
	k, on := g.index(last.GetReleaseBusNs())
	if last.GetTaskGeneration() != r.GetGeneration() || !on || g.at(k+2) < to {
		j.t.Errorf("job %d of %s, released at %d, was its last by %d: on its grid %v, of generation %d, and %d runs",
			last.GetJob(), name, last.GetReleaseBusNs(), to, on, last.GetTaskGeneration(), r.GetGeneration())
	}
	// The first may be the first of all, or one that was moved.
	return max(0, int((to-from)*g.n/g.hyperperiod)-2)
}

// moves holds the mark of a frame set against what was told, and returns the grid from then on.
func (j *gridJudge) moves(task string, fs *facetdv1.FrameSet, due int64, notes *[]told) grid {
	var sum int64
	var now grid
	for len(*notes) > 0 && (*notes)[0].effective <= fs.GetReleaseBusNs() {
		sum += (*notes)[0].shift
		now = (*notes)[0].grid
		*notes = (*notes)[1:]
	}
	if seen := fs.GetReleaseBusNs() - due; fs.GetReleaseShiftNs() != sum || seen != sum {
		j.t.Errorf("job %d of %s: %d ns told, %d marked, %d seen", fs.GetJob(), task, sum, fs.GetReleaseShiftNs(), seen)
	}
	return now
}

const (
	// mostTasks run at once.
	mostTasks = 7
	// calm is for how long nothing is changed at the end: two periods of the slowest.
	calm = 2 * time.Second
)

// randomChanges are one to three changes of tasks that read random chips at random rates, many of which have no
// timetable in common that is short.
func randomChanges(rnd *rand.Rand, running map[string]bool) *facetdv1.TaskChanges {
	rates := []float64{1, 2, 3, 5, 7.3, 10, 12.5, 15, 16.7, 20, 25, 30, 33, 40, 50}
	targets := []*facetdv1.Target{list("c0"), list("m1"), {Chips: &facetdv1.Target_Group{Group: "mems"}}}
	c := &facetdv1.TaskChanges{}
	for _, i := range rnd.Perm(mostTasks)[:1+rnd.IntN(3)] {
		t := &facetdv1.Task{Name: fmt.Sprint("t", i), RateHz: rates[rnd.IntN(len(rates))],
			Target: targets[rnd.IntN(len(targets))]}
		switch {
		case !running[t.GetName()]:
			c.Add = append(c.Add, t)
		case rnd.IntN(2) == 0:
			c.Update = append(c.Update, &facetdv1.TaskUpdate{Task: t})
		default:
			c.Remove = append(c.Remove, &facetdv1.TaskRemoval{Name: t.GetName()})
		}
	}
	return c
}

// TestReleasesStayOnTheirGrid: through random changes every release of a task that was not changed is on the grid on
// which it was, to the nanosecond, unless the answer to the change has said by how much it is not.
func TestReleasesStayOnTheirGrid(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	for name, limits := range buses() {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				rnd := rand.New(rand.NewPCG(seed, 1))
				r, _ := rigFor(t, limits)
				j := &gridJudge{t: t, begun: map[string]map[uint64]grid{},
					told: map[string][]told{}}
				ctx, cancel := context.WithCancel(t.Context())
				done := make(chan error, 1)
				go func() { done <- r.Run(ctx) }()
				made, refused := 0, 0
				for range peertest.Cases(15, 500) {
					time.Sleep(time.Duration(rnd.Int64N(int64(150 * time.Millisecond))))
					running := map[string]bool{}
					for _, task := range r.Snapshot().Tasks {
						running[task.GetTask().GetName()] = true
					}
					c, err := r.Apply(ctx, randomChanges(rnd, running))
					if errors.As(err, new(*scheduler.RefusalError)) {
						refused++
						continue
					}
					if err != nil {
						t.Fatal(err)
					}
					made++
					if s := r.Snapshot(); s.Plan != nil {
						j.changed(c, s)
					}
				}
				final, from := r.Snapshot(), r.Dispatcher.bus.Now().NS()
				time.Sleep(calm)
				to := r.Dispatcher.bus.Now().NS()
				cancel()
				if err := <-done; err != nil {
					t.Fatal(err)
				}
				for name := range j.begun {
					j.judge(name, r.watch.of(name))
				}
				least := 0
				for i, task := range final.Tasks {
					least += j.goesOn(final, i, r.watch.of(task.GetTask().GetName()), from, to)
				}
				if made >= 100 {
					least += 2 * made // few changes may all come before a release of long periods
				}
				t.Logf("%d changes, %d refused, %d releases on their grid, %d moved as told", made, refused, j.kept,
					j.moved)
				if made == 0 || j.kept < least {
					t.Errorf("%d releases after %d changes, where %d were due at least", j.kept, made, least)
				}
				if len(r.watch.violations) > 0 {
					t.Errorf("rules violated: %v", r.watch.violations)
				}
			})
		})
	}
}
