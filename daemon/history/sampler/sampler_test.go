package sampler

import (
	"context"
	"errors"
	"math"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

func running(name string, rate float64, paused bool) *facetdv1.RunningTask {
	return &facetdv1.RunningTask{Task: &facetdv1.Task{Name: name},
		Status: &facetdv1.TaskStatus{AchievedRateHz: rate, Paused: paused}}
}

func job(task string, slack, skew int64) *facetdv1.FrameSet {
	return &facetdv1.FrameSet{Task: task, DeadlineBusNs: 1_000_000 + slack, FinishBusNs: 1_000_000, SkewNs: skew}
}

// series is one of an answer; nil where it has none.
func series(r *facetdv1.GetHistoryResponse, q facetdv1.HistoryQuantity, task string,
	phase facetdv1.Phase) *facetdv1.HistorySeries {
	for _, s := range r.GetSeries() {
		if s.GetQuantity() == q && s.GetTask() == task && s.GetPhase() == phase {
			return s
		}
	}
	return nil
}

// TestSamples: three seconds of a bus with a task that misses, and one that is paused, as they are told afterwards.
func TestSamples(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		tasks := []*facetdv1.RunningTask{running("a", 20, false), running("b", 5, true)}
		var now atomic.Int64
		s := New(Config{Snapshot: func() dispatch.Snapshot {
			return dispatch.Snapshot{Uncertainty: time.Microsecond, Tasks: tasks, Now: bus.Time(now.Load())}
		}})
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go s.Run(ctx)
		var load bus.Phases
		load[facetdv1.Phase_PHASE_LOAD] = 100 * time.Millisecond
		for second := 1; second <= 3; second++ {
			time.Sleep(500 * time.Millisecond)
			s.JobEnded(job("a", 40, 7))
			s.JobEndedLater(job("a", 30, 9), func() { t.Error("pixels were looked at") })
			s.JobEnded(job("", 1, 1))
			if second == 2 {
				late := job("a", -5, 8)
				late.Late = true
				s.JobEnded(late)
				s.JobEnded(&facetdv1.FrameSet{Task: "a", Failure: "the bus went away"})
			}
			for range second {
				s.SegmentRun("a", &bus.Result{Busy: load}, dispatch.WordCount{})
			}
			now.Store(int64(second) * int64(time.Second))
			time.Sleep(500 * time.Millisecond)
			synctest.Wait()
		}
		begun := time.Now().Add(-3 * time.Second)
		r, err := s.GetHistory(t.Context(), &facetdv1.GetHistoryRequest{Span: durationpb.New(3 * time.Second)})
		if err != nil {
			t.Fatal(err)
		}
		if r.GetSteps() != 3 || r.GetStep().AsDuration() != time.Second || !r.GetBeginTime().AsTime().Equal(begun) {
			t.Errorf("%d steps of %v from %v", r.GetSteps(), r.GetStep().AsDuration(), r.GetBeginTime().AsTime())
		}
		check := func(q facetdv1.HistoryQuantity, task string, phase facetdv1.Phase, least, mean, most []float32) {
			t.Helper()
			got := series(r, q, task, phase)
			if got == nil || len(got.GetRuns()) != 1 {
				t.Fatalf("%v of %s: %v", q, task, got)
			}
			for i, run := 0, got.GetRuns()[0]; i < 3; i++ {
				l, m, h := run.GetLeasts()[i], run.GetMeans()[i], run.GetMosts()[i]
				if l != least[i] || h != most[i] || mean != nil && m != mean[i] {
					t.Errorf("%v of %q, %v, second %d: %v, %v, %v", q, task, phase, i, l, m, h)
				}
			}
		}
		same := func(q facetdv1.HistoryQuantity, task string, phase facetdv1.Phase, v ...float32) {
			t.Helper()
			check(q, task, phase, v, v, v)
		}
		same(facetdv1.HistoryQuantity_HISTORY_QUANTITY_ACHIEVED_RATE, "a", 0, 20, 20, 20)
		same(facetdv1.HistoryQuantity_HISTORY_QUANTITY_JOBS_MISSED, "a", 0, 0, 2, 0)
		check(facetdv1.HistoryQuantity_HISTORY_QUANTITY_SLACK, "a", 0, []float32{30, -5, 30}, nil,
			[]float32{40, 40, 40})
		check(facetdv1.HistoryQuantity_HISTORY_QUANTITY_SKEW, "a", 0, []float32{7, 7, 7}, nil, []float32{9, 9, 9})
		same(facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION, "", facetdv1.Phase_PHASE_LOAD, 0.1, 0.2, 0.3)
		same(facetdv1.HistoryQuantity_HISTORY_QUANTITY_TIME_UNCERTAINTY, "", 0, 1000, 1000, 1000)
		for _, other := range r.GetSeries() {
			if other.GetTask() == "b" {
				t.Errorf("a paused task has a history: %v", other)
			}
		}
		if r, err = s.GetHistory(t.Context(), &facetdv1.GetHistoryRequest{Tasks: []string{"b"}}); err != nil ||
			len(r.GetSeries()) != bus.NumPhases-1+1 {
			t.Errorf("the bus alone: %v, %v", r, err)
		}
	})
}

// TestTheFirstSampleIsOfItsSecond: also where bus time was an hour when the daemon began, as in a replay.
func TestTheFirstSampleIsOfItsSecond(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		begun := time.Now()
		s := New(Config{Snapshot: func() dispatch.Snapshot {
			return dispatch.Snapshot{Now: bus.Time(time.Hour + time.Since(begun))}
		}})
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		go s.Run(ctx)
		synctest.Wait()
		var load bus.Phases
		load[facetdv1.Phase_PHASE_LOAD] = 400 * time.Millisecond
		s.SegmentRun("a", &bus.Result{Busy: load}, dispatch.WordCount{})
		time.Sleep(time.Second)
		synctest.Wait()
		r, err := s.GetHistory(t.Context(), &facetdv1.GetHistoryRequest{Span: durationpb.New(time.Second)})
		used := series(r, facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION, "", facetdv1.Phase_PHASE_LOAD)
		if err != nil || len(used.GetRuns()) != 1 || used.GetRuns()[0].GetMeans()[0] != 0.4 {
			t.Errorf("used %v, want 0.4; %v", used, err)
		}
	})
}

// TestRequestsAreChecked: each field that is wrong is named.
func TestRequestsAreChecked(t *testing.T) {
	s := New(Config{})
	many := make([]string, maxTasks+1)
	_, err := s.GetHistory(t.Context(), &facetdv1.GetHistoryRequest{Span: durationpb.New(25 * time.Hour), Steps: 3601,
		Tasks: many})
	var m invalid.Errors
	if !errors.As(err, &m) || len(m) != 3 || m[0].Path != "span" || m[1].Path != "steps" || m[2].Path != "tasks" {
		t.Errorf("%v", err)
	}
	for _, hostile := range []*facetdv1.GetHistoryRequest{{Steps: math.MaxUint32}, {Steps: 1 << 31},
		{Span: &durationpb.Duration{Seconds: math.MinInt64}}, {Span: &durationpb.Duration{Seconds: math.MaxInt64,
			Nanos: math.MaxInt32}}, {Span: &durationpb.Duration{Seconds: -3600}}} {
		if got, err := s.GetHistory(t.Context(), hostile); !errors.As(err, &m) || len(m) != 1 {
			t.Errorf("%v: %v, %v", hostile, got, err)
		}
	}
	if _, err = s.GetHistory(t.Context(), &facetdv1.GetHistoryRequest{
		Span: &durationpb.Duration{Seconds: 5, Nanos: -1}}); !errors.As(err, &m) || m[0].Path != "span" {
		t.Errorf("%v", err)
	}
}
