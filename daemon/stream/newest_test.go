package stream

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
)

func all(*facetdv1.FrameSet) bool { return true }

func names(sets []*facetdv1.FrameSet) (out []string) {
	for _, fs := range sets {
		out = append(out, fmt.Sprintf("%s/%d", fs.GetTask(), fs.GetJob()))
	}
	return out
}

func finished(task string, job uint64, at int64, chips ...string) *facetdv1.FrameSet {
	fs := set(task, job, chips...)
	fs.FinishBusNs = at
	return fs
}

// TestNewest: the newest of each task chosen, in the order in which they finished, and a wake-up for more.
func TestNewest(t *testing.T) {
	h := NewHub()
	sets, came, err := h.Newest(Options{}, all)
	if err != nil || len(sets) > 0 {
		t.Fatalf("an empty hub has %v, %v", names(sets), err)
	}
	h.Publish(finished("b", 0, 10, "x"))
	<-came
	h.Publish(finished("a", 7, 20, "y"))
	h.Publish(finished("b", 1, 30, "x"))
	if sets, _, _ = h.Newest(Options{}, all); !slices.Equal(names(sets), []string{"a/7", "b/1"}) {
		t.Errorf("newest %v", names(sets))
	}
	if sets, _, _ = h.Newest(Options{Tasks: []string{"a"}}, all); !slices.Equal(names(sets), []string{"a/7"}) {
		t.Errorf("of a: %v", names(sets))
	}
	if sets, _, _ = h.Newest(Options{Chips: []string{"x"}}, all); !slices.Equal(names(sets), []string{"b/1"}) {
		t.Errorf("of chip x: %v", names(sets))
	}
	later := func(fs *facetdv1.FrameSet) bool { return fs.GetJob() > 6 }
	if sets, came, _ = h.Newest(Options{}, later); !slices.Equal(names(sets), []string{"a/7"}) {
		t.Errorf("later than 6: %v", names(sets))
	}
	h.SetTasks([]string{"a"})
	<-came
	if sets, came, _ = h.Newest(Options{}, all); !slices.Equal(names(sets), []string{"a/7"}) {
		t.Errorf("after b was removed: %v", names(sets))
	}
	stopped := errors.New("the array is stopped")
	h.Suspend(stopped)
	<-came
	if _, _, err = h.Newest(Options{}, all); err != stopped {
		t.Errorf("suspended: %v", err)
	}
	h.Publish(finished("a", 7, 35, "y")) // of a job that was under way
	h.Restore()
	if sets, came, err = h.Newest(Options{}, all); err != nil || len(sets) > 0 {
		t.Errorf("restored: %v, %v; what came before the stop is not new", names(sets), err)
	}
	h.Publish(finished("a", 8, 40, "y"))
	<-came
	if sets, came, _ = h.Newest(Options{}, all); !slices.Equal(names(sets), []string{"a/8"}) {
		t.Errorf("after the restore: %v", names(sets))
	}
	h.Close("the end")
	<-came
	if _, _, err = h.Newest(Options{}, all); err == nil {
		t.Error("a closed hub gives sets")
	}
}

// TestQueuesBesideAStupidOne: random sets of several tasks, and a reader now and then, beside lists that are cut from
// the front. What is dropped of each task is counted with the next set of it.
func TestQueuesBesideAStupidOne(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 2))
	for range 50 {
		length := 1 + rng.IntN(5)
		h := NewHub()
		s := subscribe(t, h, Options{Policy: Queue, Length: length})
		var waiting []*facetdv1.FrameSet
		lost := map[string]uint64{}
		jobs := map[string]uint64{}
		for range 400 {
			if rng.IntN(3) > 0 {
				task := string(rune('a' + min(rng.IntN(6), rng.IntN(6))))
				fs := set(task, jobs[task])
				jobs[task]++
				h.Publish(fs)
				waiting = append(waiting, fs)
				of := func(w *facetdv1.FrameSet) bool { return w.GetTask() == task }
				n := 0
				for _, w := range waiting {
					if of(w) {
						n++
					}
				}
				if n > length {
					lost[task]++
					i := slices.IndexFunc(waiting, of)
					waiting = slices.Delete(waiting, i, i+1)
				}
				continue
			}
			m, ok, err := s.Take()
			if err != nil || ok != (len(waiting) > 0) {
				t.Fatalf("took %v, %v; %d wait", ok, err, len(waiting))
			}
			if !ok {
				continue
			}
			task := waiting[0].GetTask()
			if m.FrameSet != waiting[0] || m.OfTask != lost[task] {
				t.Fatalf("took %v, %d lost of it; want %v, %d", m.FrameSet, m.OfTask, waiting[0], lost[task])
			}
			waiting, lost[task] = waiting[1:], 0
			if s.Waits(task) != slices.ContainsFunc(waiting, func(w *facetdv1.FrameSet) bool {
				return w.GetTask() == task
			}) {
				t.Fatalf("Waits(%s) is wrong", task)
			}
		}
	}
}
