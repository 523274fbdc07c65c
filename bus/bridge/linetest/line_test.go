package linetest

import (
	"errors"
	"math"
	"math/rand/v2"
	"net"
	"os"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/goleak"

	"facetd.example/api/peertest"
	"facetd.example/bus/bustest"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// quiet is a line whose device is not run.
func quiet(cfg Config) *Line {
	return &Line{cfg: cfg, epoch: time.Now(), rng: rand.New(rand.NewPCG(cfg.Seed, 1))}
}

// TestALineTakesItsTime: a packet takes ten bits a byte and the two that frame it, behind those before it in the same
// direction and none of the other, and the latency besides.
func TestALineTakesItsTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const latency = 3 * time.Millisecond
		l := quiet(Config{Baud: 10_000, Latency: latency}) // a byte takes a millisecond
		var at [3]atomic.Int64
		send := func(way, i, size int) {
			l.carry(way, make([]byte, size), func() { at[i].Store(int64(time.Since(l.epoch))) })
		}
		send(0, 0, 8)
		send(0, 1, 18)
		send(1, 2, 3)
		if n := l.backlog(0); n != 30 {
			t.Errorf("%d bytes wait, of 10 and 20", n)
		}
		time.Sleep(time.Second)
		for i, want := range []time.Duration{10 * time.Millisecond, 30 * time.Millisecond, 5 * time.Millisecond} {
			if got := time.Duration(at[i].Load()); got != want+latency {
				t.Errorf("packet %d came after %v, want %v", i, got, want+latency)
			}
		}
		if n := l.backlog(0); n != 0 {
			t.Errorf("%d bytes wait of what has come", n)
		}
	})
}

// TestFaultsStrikeAsOften: of many packets as many are lost and come twice as was asked for, within five standard
// deviations, each of them is told, and none after the fault has ended.
func TestFaultsStrikeAsOften(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	synctest.Test(t, func(t *testing.T) {
		const n, lose, double = 4000, 0.3, 0.2
		struck := 0
		l := quiet(Config{Seed: seed, Faults: []bustest.LinkFault{{Until: time.Second, Lose: lose, Double: double,
			Struck: func() { struck++ }}}})
		came := make([]atomic.Int32, n)
		for i := range came {
			l.carry(0, []byte{1}, func() { came[i].Add(1) })
		}
		time.Sleep(2 * time.Second)
		var times [3]int
		for i := range came {
			times[came[i].Swap(0)]++
		}
		near := func(what string, got int, share float64) {
			if sd := math.Sqrt(n * share * (1 - share)); math.Abs(float64(got)-n*share) > 5*sd {
				t.Errorf("%s: %d of %d, want %g", what, got, n, n*share)
			}
		}
		near("lost", times[0], lose)
		near("twice", times[2], double)
		if struck != times[0]+times[2] {
			t.Errorf("%d were told, of %d lost and %d that came twice", struck, times[0], times[2])
		}
		for i := range came {
			l.carry(0, []byte{1}, func() { came[i].Add(1) })
		}
		time.Sleep(time.Second)
		for i := range came {
			if c := came[i].Load(); c != 1 {
				t.Fatalf("packet %d came %d times after the fault had ended", i, c)
			}
		}
	})
}

// TestReadingEnds: a read takes the packets apart, and ends at its deadline and with the connection.
func TestReadingEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		c := &lineConn{line: quiet(Config{}), changed: make(chan struct{})}
		c.arrived([]byte{1, 2})
		c.arrived([]byte{3})
		b := make([]byte, 8)
		for _, want := range []int{2, 1} {
			if n, err := c.Read(b); n != want || err != nil {
				t.Errorf("read %d bytes, %v; want %d", n, err, want)
			}
		}
		began := time.Now()
		if err := c.SetReadDeadline(began.Add(time.Second)); err != nil {
			t.Fatal(err)
		}
		if _, err := c.Read(b); !errors.Is(err, os.ErrDeadlineExceeded) || time.Since(began) != time.Second {
			t.Errorf("%v after %v", err, time.Since(began))
		}
		if err := c.SetReadDeadline(time.Time{}); err != nil {
			t.Fatal(err)
		}
		ended := make(chan error)
		go func() {
			_, err := c.Read(b)
			ended <- err
		}()
		synctest.Wait()
		if err := c.Close(); err != nil {
			t.Fatal(err)
		}
		if err := <-ended; !errors.Is(err, net.ErrClosed) {
			t.Errorf("a read that waits ends with %v", err)
		}
		if _, err := c.Write(b); !errors.Is(err, net.ErrClosed) {
			t.Errorf("a write ends with %v", err)
		}
	})
}
