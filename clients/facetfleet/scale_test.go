package main

import (
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/peertest"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/natstest"
	"facetd.example/clients/facetfleet/internal/subject"
	"facetd.example/clients/go/facet"
)

// TestFramesOfManyBridges: how long frame sets take from the bridges that receive them to one reader of all, through
// the hub: 50 bridges at 10 sets a second of some 10 KiB.
func TestFramesOfManyBridges(t *testing.T) {
	parallelUnlessTimed(t)
	server := natstest.Start(t)
	c := prepareHub(t, 1, server.URL)
	daemon := startProcess(t, "--tasks", "none")
	task := &facetdv1.Task{Name: "many", Target: facet.Group("bed"), RateHz: 10}
	if _, err := daemon.AddTask(t.Context(), task); err != nil {
		t.Fatal(err)
	}
	bridges := peertest.Cases(5, 50)
	var mu sync.Mutex
	var took []time.Duration
	size := 0
	s, err := c.NC.Subscribe("facet.frame.>", func(m *nats.Msg) {
		f := &fleetv1.RobotFrames{}
		if len(m.Data) == 0 || proto.Unmarshal(m.Data, f) != nil {
			return
		}
		mu.Lock()
		defer mu.Unlock()
		size = len(m.Data)
		took = append(took, time.Since(f.GetReceivedTime().AsTime()))
	})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Unsubscribe()
	for i := range bridges {
		name := fmt.Sprintf("robot-%02d", i)
		startBridge(t, daemon.Client, name, server.URL)
	}
	for i := range bridges {
		name := fmt.Sprintf("robot-%02d", i)
		fresh(t, c, name, time.Time{})
		if _, err := fleet.Ask(t.Context(), c, name, &fleetv1.Command{What: &fleetv1.Command_LeaseFrames{
			LeaseFrames: &fleetv1.LeaseFrames{LeaseId: "all", Duration: durationpb.New(time.Minute)}}}); err != nil {
			t.Fatal(err)
		}
	}
	best := time.Hour
	for range peertest.Cases(1, 5) { // a machine that others use gets several tries
		mu.Lock()
		took = nil
		mu.Unlock()
		want := bridges * peertest.Cases(10, 50)
		natstest.Wait(t, "frame sets", func() error {
			mu.Lock()
			defer mu.Unlock()
			if len(took) < want {
				return fmt.Errorf("%d of %d", len(took), want)
			}
			return nil
		})
		mu.Lock()
		slices.Sort(took)
		p99 := took[len(took)*99/100]
		t.Logf("%d bridges, sets of %d bytes: half within %v, p99 %v", bridges, size, took[len(took)/2], p99)
		best = min(best, p99)
		mu.Unlock()
	}
	if peertest.All() && best > 50*time.Millisecond {
		t.Errorf("p99 is %v", best)
	}
}

// benchmarkedRobot is a status of the size that the demo's robots have.
func benchmarkedRobot() *fleetv1.Robot {
	r := &fleetv1.Robot{Name: "crawler-0001", DaemonAnswers: true, State: facetdv1.State_STATE_RUNNING,
		Version: "v1.2.3", Array: "culvert-crawler", Bus: "virtual", Summary: "19 of 19 chips good", Utilization: 0.5,
		Identity: &facetdv1.Identity{Name: "culvert-crawler", InstanceId: "ABCDEFGHIJKLMNOPQRSTUVWXYZ",
			ArrayDigest: fmt.Sprintf("%064d", 1), GeometryDigest: fmt.Sprintf("%064d", 2),
			HostBootId: "01234567-89ab-cdef-0123-456789abcdef 4026531834"},
		Bridge: &fleetv1.Bridge{Version: "v1.2.3", InstanceId: "ABCDEFGHIJKLMNOPQRSTUVWXYZ", Events: 12345}}
	for _, name := range []string{"wall", "bed", "bow", "comb"} {
		r.Tasks = append(r.Tasks, &fleetv1.RobotTask{Name: name, PlannedRateHz: 15, AchievedRateHz: 15})
	}
	return r
}

// benchmarkHub is a hub of one node, or of three that keep everything three times.
func benchmarkHub(b *testing.B, nodes int) *hub.Conn {
	b.Helper()
	if nodes == 1 {
		return prepareHub(b, 1, natstest.Start(b).URL)
	}
	servers := natstest.Cluster(b)
	return prepareHub(b, 3, servers[0].URL, servers[1].URL, servers[2].URL)
}

// BenchmarkHub is what a hub takes in a second: statuses and frames of many robots together, and events of one robot,
// one in flight.
func BenchmarkHub(b *testing.B) {
	status, err := proto.Marshal(benchmarkedRobot())
	if err != nil {
		b.Fatal(err)
	}
	for _, nodes := range []int{1, 3} {
		b.Run(fmt.Sprintf("statuses/nodes=%d", nodes), func(b *testing.B) {
			c := benchmarkHub(b, nodes)
			b.SetBytes(int64(len(status)))
			b.ResetTimer()
			for i := range b.N {
				to := subject.InBucket(subject.Status, fmt.Sprintf("robot-%04d", i%1000))
				if _, err := c.JS.PublishAsync(to, status, jetstream.WithStallWait(time.Minute)); err != nil {
					b.Fatal(err)
				}
			}
			<-c.JS.PublishAsyncComplete()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "statuses/s")
		})
		b.Run(fmt.Sprintf("events/nodes=%d", nodes), func(b *testing.B) {
			c := benchmarkHub(b, nodes)
			b.ResetTimer()
			for range b.N {
				m := nats.NewMsg(subject.Event("crawler"))
				m.Data = status[:200]
				if _, err := c.Publish(b.Context(), m); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "events/s")
		})
		b.Run(fmt.Sprintf("stored-frames/nodes=%d", nodes), func(b *testing.B) {
			c := benchmarkHub(b, nodes)
			set := make([]byte, 10<<10)
			b.SetBytes(int64(len(set)))
			b.ResetTimer()
			for range b.N {
				if _, err := c.JS.PublishAsync(subject.Event("frames"), set,
					jetstream.WithStallWait(time.Minute)); err != nil {
					b.Fatal(err)
				}
			}
			<-c.JS.PublishAsyncComplete()
			b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "sets/s")
		})
	}
}
