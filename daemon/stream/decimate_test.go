package stream

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	facetdv1 "facetd.example/api/facetd/v1"
)

// decimated subscribes at a rate, publishes jobs of one task at the releases, and returns
// the releases that were read.
func decimated(t rapid.TB, hz float64, releases []int64) (kept []int64, left uint64) {
	t.Helper()
	h := NewHub()
	s, err := h.Subscribe(Options{Policy: Queue, Length: MaxQueue, MaxRateHz: hz})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i, at := range releases {
		h.Publish(&facetdv1.FrameSet{Task: "ring", Job: uint64(i), ReleaseBusNs: at})
	}
	h.Close("end")
	for {
		m, ok, _ := s.take()
		if !ok {
			return kept, left
		}
		kept = append(kept, m.FrameSet.GetReleaseBusNs())
		left = m.DecimatedTotal
		if m.DroppedTotal != 0 {
			t.Fatalf("%d dropped", m.DroppedTotal)
		}
	}
}

func every(period int64, n int) []int64 {
	at := make([]int64, n)
	for i := range at {
		at[i] = int64(i) * period
	}
	return at
}

// TestDecimatingKeepsAnEvenSpread: of a periodic task that is faster than the limit, each
// gap is within one period of the even one and the count is the rate's; of a slower or
// equal one nothing is left out.
func TestDecimatingKeepsAnEvenSpread(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		period := rapid.Int64Range(100_000, 2_000_000_000).Draw(t, "period_ns")
		hz := rapid.Float64Range(0.5, 200).Draw(t, "hz")
		n := rapid.IntRange(2, 500).Draw(t, "jobs")
		kept, _ := decimated(t, hz, every(period, n))
		interval := 1e9 / hz
		if float64(period) >= interval {
			if len(kept) != n {
				t.Fatalf("kept %d of %d jobs of a task that is slow enough", len(kept), n)
			}
			return
		}
		for i := 1; i < len(kept); i++ {
			if gap := float64(kept[i] - kept[i-1]); math.Abs(gap-interval) > float64(period)+thinSlack {
				t.Fatalf("a gap of %v ns; the even one is %v, the period %v", gap, interval, period)
			}
		}
		span := float64(period) * float64(n-1)
		if got, most := float64(len(kept)), math.Floor(span/(interval-thinSlack))+2; got > most ||
			got < math.Floor(span/(interval+1)) {
			t.Fatalf("kept %v in %v ns at an interval of %v", got, span, interval)
		}
	})
}

func TestDecimating(t *testing.T) {
	for _, c := range []struct {
		name     string
		hz       float64
		releases []int64
		kept     string
	}{
		{"all", 0, []int64{0, 1, 2}, "0 1 2"},
		{"20 to 15", 15, every(50_000_000, 9), "0 100000000 150000000 200000000 300000000 350000000 400000000"},
		{"equal rate, period rounded down", 15, every(66_666_666, 5), "0 66666666 133333332 199999998 266666664"},
		{"far from zero", 10, []int64{5_000_000_007, 5_050_000_000, 5_100_000_007}, "5000000007 5100000007"},
		{"a pause is not caught up", 10, []int64{0, 100_000_000, 1_050_000_000, 1_090_000_000, 1_150_000_000},
			"0 100000000 1050000000 1150000000"},
		{"a jump back", 10, []int64{900_000_000, 1_000_000_000, 0, 20_000_000}, "900000000 1000000000 0"},
	} {
		t.Run(c.name, func(t *testing.T) {
			kept, left := decimated(t, c.hz, c.releases)
			if got := strings.Trim(strings.Join(strings.Fields(fmt.Sprint(kept)), " "), "[]"); got != c.kept {
				t.Errorf("kept %s, want %s", got, c.kept)
			}
			if want := len(c.releases) - len(kept); int(left) > want || c.hz == 0 && left != 0 {
				t.Errorf("%d counted as decimated, of %d", left, want)
			}
		})
	}
}

// TestDecimatingIsByTask: tasks do not take each other's turns, and what is decimated takes
// no place in a queue.
func TestDecimatingIsByTask(t *testing.T) {
	h := NewHub()
	s, err := h.Subscribe(Options{Policy: Queue, Length: 4, MaxRateHz: 1})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	for i := range int64(100) {
		h.Publish(&facetdv1.FrameSet{Task: "a", ReleaseBusNs: i * 20_000_000})
		h.Publish(&facetdv1.FrameSet{Task: "b", ReleaseBusNs: i * 1_000_000})
	}
	var got []string
	var last Message
	for {
		m, ok, _ := s.take()
		if !ok {
			break
		}
		last, got = m, append(got, m.FrameSet.GetTask())
	}
	if strings.Join(got, " ") != "a b a" || last.DecimatedTotal != 197 || last.DroppedTotal != 0 {
		t.Errorf("read %v, decimated %d, dropped %d", got, last.DecimatedTotal, last.DroppedTotal)
	}
	during := h.Stats().Decimated
	s.Close()
	if after := h.Stats().Decimated; during != 197 || after != 197 {
		t.Errorf("the hub counts %d decimated, and %d once the subscriber left", during, after)
	}
}

func TestDecimatingRefused(t *testing.T) {
	for _, hz := range []float64{-1, math.NaN(), math.Inf(1), 2 * MaxRateHz} {
		if _, err := NewHub().Subscribe(Options{MaxRateHz: hz}); err == nil {
			t.Errorf("%v was accepted", hz)
		}
	}
}

// TestDecimatedTasksAreBounded: names of tasks that come and go do not pile up.
func TestDecimatedTasksAreBounded(t *testing.T) {
	th := newDecimator(1)
	for i := range 10 * MaxWaitingTasks {
		if !th.keeps(&facetdv1.FrameSet{Task: fmt.Sprint(i)}) {
			t.Fatalf("the first frame set of task %d was left out", i)
		}
		if len(th.tasks) > MaxWaitingTasks {
			t.Fatalf("%d tasks are remembered", len(th.tasks))
		}
	}
}
