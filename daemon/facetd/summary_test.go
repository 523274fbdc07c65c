package main

import (
	"math"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
)

// TestSummaryRates: a task whose every job ran achieves its planned rate whatever the
// length of the run, and one that lost every fifth job four fifths of it.
func TestSummaryRates(t *testing.T) {
	const period = int64(time.Second / 15)
	r := newRecorder()
	for i := range int64(15) {
		r.add(&facetdv1.FrameSet{Task: "whole", ReleaseBusNs: 20_000_000 + i*period})
		lossy := &facetdv1.FrameSet{Task: "lossy", ReleaseBusNs: 20_000_000 + i*period}
		if i%5 == 3 {
			lossy.Failure = "a wire came off"
		}
		r.add(lossy)
	}
	r.add(&facetdv1.FrameSet{Task: "once"})
	named := func(name string) *facetdv1.RunningTask {
		return &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name}, Status: &facetdv1.TaskStatus{}}
	}
	s := r.summary(&facetdv1.Status{Tasks: []*facetdv1.RunningTask{named("whole"), named("lossy"), named("once"),
		named("never")}}, int64(time.Second), time.Second)
	for i, want := range []float64{15, 15 * 11.0 / 14, 0, 0} {
		if got := s.Tasks[i].Achieved; math.Abs(got-want) > 1e-6 {
			t.Errorf("%s: %v Hz achieved, want %v", s.Tasks[i].Name, got, want)
		}
	}
}
