package virtual

import (
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/bus"
	"facetd.example/chipmodel/scene"
)

// counted is a scene that counts how often somebody looks at a row.
type counted struct {
	scene.Scene
	rows *atomic.Int64
}

func (c counted) Row(dst []float64, v *scene.View, row int, at bus.Time) {
	c.rows.Add(1)
	c.Scene.Row(dst, v, row, at)
}

// laterBus runs cycles of the demo on a bus of its own and hands out what they read.
func laterBus(t *testing.T, cycles int, later bool, taken func([]bus.Capture)) (rows *atomic.Int64) {
	t.Helper()
	a := demoArray(t)
	light := counted{demoScene(t), new(atomic.Int64)}
	b, err := New(Config{Array: a, Scene: light, Pace: free, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	jobs, times := demoJobs(a)
	programs := ready(t, b, jobs)
	number := uint64(0)
	for range cycles {
		end := b.Now().Add(200 * time.Millisecond)
		for i, program := range programs {
			for range times[i] {
				job := &bus.Job{Task: string(rune('a' + i)), Number: number, Deadline: math.MaxInt64, Segments: 1}
				number++
				if err := b.Submit(b.Now(), &bus.Segment{Job: job, Program: program, Later: later}); err != nil {
					t.Fatal(err)
				}
				res, err := b.Next(t.Context())
				if err != nil || res.Err != nil {
					t.Fatal(err, res.Err)
				}
				taken(res.Captures)
				b.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
			}
		}
		if err := b.WaitUntil(t.Context(), end); err != nil {
			t.Fatal(err)
		}
	}
	return light.rows
}

// TestNobodyLooks: what nobody looks at is not simulated, but for what keeps the past of pixels short: in ten seconds
// of the demo, less than a tenth of the looks at the scene.
func TestNobodyLooks(t *testing.T) {
	put := laterBus(t, 50, true, func(captures []bus.Capture) {
		for i := range captures {
			if captures[i].Later == nil {
				t.Fatal("a capture was not put off")
			}
		}
	}).Load()
	each := laterBus(t, 4, false, func([]bus.Capture) {}).Load() / 4
	if share := float64(put) / float64(50*each); share > 0.1 {
		t.Errorf("nobody looked, and %.1f %% of the looks at the scene were taken (%d rows, and %d a cycle)", 100*share,
			put, each)
	} else {
		t.Logf("%.2f %% of the looks at the scene", 100*share)
	}
}

// TestLookedAtBySeveral: several who look at what was put off, in an order of their own and while the bus goes on, all
// see what one sees that reads everything at once.
func TestLookedAtBySeveral(t *testing.T) {
	const cycles = 2
	var want []bus.Capture
	laterBus(t, cycles, false, func(captures []bus.Capture) { want = append(want, captures...) })
	var wait sync.WaitGroup
	var wrong atomic.Int64
	seed, n := peertest.Seed(t), 0
	var put []bus.Capture
	look := func(c *bus.Capture, want *bus.Capture) {
		codes := make([]uint16, c.Window.Pixels())
		if low, high := c.Later.Read(codes); low != want.Low || high != want.High || !slices.Equal(codes, want.Codes) {
			wrong.Add(1)
		}
	}
	laterBus(t, cycles, true, func(captures []bus.Capture) {
		if n++; n%4 == 0 {
			for k := range captures {
				i := len(put) + k
				wait.Go(func() { look(&captures[k], &want[i]) })
			}
		}
		put = append(put, captures...)
	})
	for reader := range 2 {
		order := rand.New(rand.NewPCG(seed, uint64(reader))).Perm(len(put))
		wait.Go(func() {
			for _, i := range order[:len(order)/4] {
				look(&put[i], &want[i])
			}
		})
	}
	wait.Wait()
	if wrong.Load() > 0 || len(put) != len(want) {
		t.Errorf("seed %d: %d of %d captures differ from those read at once (%d)", seed, wrong.Load(), len(put),
			len(want))
	}
}
