package api

import (
	"context"
	"fmt"
	"io"
	"net"
	"slices"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/followtest"
	"facetd.example/api/peertest"
)

// link hands on, both ways, what comes to the address that it returns, at so many bytes a second each way.
func link(t *testing.T, to string, bytesPerSecond float64) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	t.Cleanup(func() { l.Close(); <-ended })
	go func() {
		defer close(ended)
		near, err := l.Accept()
		if err != nil {
			return
		}
		defer near.Close()
		far, err := net.Dial("tcp", to)
		if err != nil {
			t.Error(err)
			return
		}
		back := make(chan struct{})
		go func() {
			defer close(back)
			paced(near, far, bytesPerSecond)
			near.Close()
		}()
		paced(far, near, bytesPerSecond)
		far.Close()
		<-back
	}()
	return l.Addr().String()
}

// paced copies, each piece for as long as the link takes for it: a piece that waits for the next to come is not slower.
func paced(to io.Writer, from io.Reader, bytesPerSecond float64) {
	piece, free := make([]byte, 4<<10), time.Now()
	for {
		n, err := from.Read(piece)
		if now := time.Now(); free.Before(now) {
			free = now
		}
		free = free.Add(time.Duration(float64(n) / bytesPerSecond * float64(time.Second)))
		time.Sleep(time.Until(free))
		if _, wrong := to.Write(piece[:n]); err != nil || wrong != nil {
			return
		}
	}
}

// TestFreshOverASlowLink: a link of 2 MB a second, and frame sets of 98 KB 100 times a second, five times what it can
// carry. A reader that grants one with every read gets at the median what is no older than one and a half times what
// the link takes for it: nothing else waits on the way. In an ordinary run the machine is busy with other tests, and
// the reader has several tries: what waits on the way is old in all of them.
func TestFreshOverASlowLink(t *testing.T) {
	const bytes, speed, period = 98_000, 2e6, 10 * time.Millisecond
	transfer := time.Duration(bytes / speed * float64(time.Second))
	w := newWorld(t, "ring")
	conn, err := grpc.NewClient(link(t, w.r.address, speed), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	ctx, cancel := context.WithCancel(limited(t))
	if peertest.All() {
		ctx, cancel = context.WithTimeout(t.Context(), 3*time.Minute)
	}
	defer cancel()
	s, err := followtest.Open(ctx, conn, &facetdv1.FollowStart{})
	if err != nil {
		t.Fatal(err)
	}
	stopped := make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(period)
		defer tick.Stop()
		for job := uint64(0); ; job++ {
			fs := frameSet("ring", job, w.r.array.Chips[0].Name, bytes)
			fs.TaskGeneration, fs.Frames[0].FirstSampleTime = 1, timestamppb.Now()
			w.r.hub.Publish(fs)
			select {
			case <-tick.C:
			case <-ctx.Done():
				return
			}
		}
	}()
	read := func() (old string) {
		var ages []time.Duration
		dropped := uint64(0)
		for range peertest.Cases(25, 1200) {
			d, err := s.Recv()
			if err != nil {
				t.Fatal(err)
			}
			ages = append(ages, time.Since(d.GetFrameSet().GetFrames()[0].GetFirstSampleTime().AsTime()))
			dropped = d.GetDroppedTotal()
		}
		slices.Sort(ages)
		median := ages[len(ages)/2]
		said := fmt.Sprintf("the link takes %v for a frame set; ages %v to %v, %v at the median; %d dropped", transfer,
			ages[0], ages[len(ages)-1], median, dropped)
		t.Log(said)
		if ages[0] < transfer*9/10 || dropped == 0 {
			t.Error("the link is quicker than it should be")
		}
		if median > transfer*3/2 {
			return said
		}
		return ""
	}
	old := "-"
	for tries := peertest.Cases(8, 1); tries > 0 && old != ""; tries-- {
		old = read()
	}
	if old != "" {
		t.Errorf("in every try, in the last: %s", old)
	}
	cancel()
	<-stopped
}
