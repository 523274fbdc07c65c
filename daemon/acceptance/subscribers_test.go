package acceptance

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/peertest"
	"facetd.example/daemon/rate"
)

// startFast runs the daemon with one chip and a task of 100 frame sets of 16 KiB a
// second, in real time.
func startFast(t testing.TB) *daemon {
	t.Helper()
	tasks := filepath.Join(t.TempDir(), "tasks.yaml")
	if err := os.WriteFile(tasks, []byte("tasks:\n- {name: fast, target: {all: {}}, rate_hz: 100}\n"),
		0o600); err != nil {
		t.Fatal(err)
	}
	return start(t, "--array", "testdata/one-fast.yaml", "--tasks", tasks, "--scene", "uniform:200")
}

func dial(t testing.TB, address string) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { conn.Close() })
	return conn
}

// subscriber counts what one stream got.
type subscriber struct {
	received, dropped uint64
	first, last       uint64
	err               error
}

// read takes frame sets up to a job.
func (s *subscriber) read(stream *followtest.Stream, until uint64) {
	for s.last < until {
		m, err := stream.Recv()
		if err != nil {
			s.err = err
			return
		}
		job := m.GetFrameSet().GetJob()
		if s.received == 0 {
			s.first = job - m.GetDropped()
		}
		s.received++
		s.dropped += m.GetDropped()
		s.last = job
	}
}

// A hundred subscribers, each with a connection of its own, of one task at 100 frame sets
// of 16 KiB a second, and one more that never reads: every job is received or counted as
// dropped by every reader, none gets much less than the others, and the bus is on time.
func TestAHundredSubscribers(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector slows this test's hundred readers, not the daemon, which is a process of its own")
	}
	const readers = 100
	jobs := uint64(peertest.Cases(160, 300))
	d := startFast(t)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	open := func(granted uint32) *followtest.Stream {
		stream, err := followtest.Open(ctx, dial(t, d.grpc), &facetdv1.FollowStart{FrameSets: granted})
		if err != nil {
			t.Fatal(err)
		}
		return stream
	}
	state := func() *facetdv1.Status {
		got, err := facetdv1.NewStatusServiceClient(dial(t, d.grpc)).GetStatus(ctx, &facetdv1.GetStatusRequest{})
		if err != nil {
			t.Fatal(err)
		}
		return got.GetStatus()
	}
	open(1024) // and never reads
	var all [readers]subscriber
	var streams [readers]*followtest.Stream
	for i := range streams {
		streams[i] = open(8)
	}
	// All are subscribed before the jobs are counted on which they are compared.
	until := state().GetTasks()[0].GetStatus().GetJobsOnTime() + jobs
	var done sync.WaitGroup
	for i := range all {
		done.Go(func() { all[i].read(streams[i], until) })
	}
	// The rate is of the last 128 jobs; one that is asked for while the host stands still is low.
	var achieved float64
	read := make(chan struct{})
	go func() { done.Wait(); close(read) }()
	for reading := true; reading; {
		if st := state().GetTasks()[0].GetStatus(); st.GetJobsOnTime() >= until-jobs+rate.Jobs {
			achieved = max(achieved, st.GetAchievedRateHz())
		}
		select {
		case <-read:
			reading = false
		case <-time.After(50 * time.Millisecond):
		}
	}
	var counts []uint64
	for i, s := range all {
		if s.err != nil {
			t.Fatalf("subscriber %d: %v", i, s.err)
		}
		if got := s.received + s.dropped; got != s.last-s.first+1 {
			t.Errorf("subscriber %d: %d received and %d dropped of the jobs %d to %d", i, s.received, s.dropped,
				s.first, s.last)
		}
		counts = append(counts, s.received)
	}
	slices.Sort(counts)
	least, middle := counts[0], counts[readers/2]
	t.Logf("of %d jobs the readers got %d at least, %d in the median, %d at most", jobs, least, middle,
		counts[readers-1])
	if least*4 < middle {
		t.Errorf("a reader got %d frame sets, the median one %d", least, middle)
	}
	st := state()
	task := st.GetTasks()[0].GetStatus()
	t.Logf("achieved %.1f Hz, %d on time, times off by %v at most", achieved, task.GetJobsOnTime(),
		time.Duration(st.GetTimeUncertaintyNs()))
	if task.GetJobsLate()+task.GetJobsFailed() > 0 || st.GetRuleViolations() > 0 || task.GetJobsOnTime() < until ||
		achieved < 99 {
		t.Errorf("the bus suffered: %.1f Hz, %v", achieved, task)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
