package virtual

import (
	"math"
	"runtime"
	"testing"
	"time"
	"weak"

	"facetd.example/bus"
	"facetd.example/chipmodel/die"
)

// TestForgotten: of what was put off and nobody keeps, that alone is kept by which a lane finds out what it shows now,
// however long the bus runs and however unevenly its lanes are read.
func TestForgotten(t *testing.T) {
	const cycles, keptOfLane = 80, 300 // up to 256 conversions of a lane wait for one another, in pieces of a few
	a := demoArray(t)
	b, err := New(Config{Array: a, Scene: demoScene(t), Pace: free, Seed: 7})
	if err != nil {
		t.Fatal(err)
	}
	jobs, times := demoJobs(a)
	programs := ready(t, b, jobs)
	var conversions []weak.Pointer[die.LaterConversion]
	for range cycles {
		end := b.Now().Add(200 * time.Millisecond)
		for i, program := range programs {
			for range times[i] {
				job := &bus.Job{Task: string(rune('a' + i)), Number: uint64(len(conversions)), Deadline: math.MaxInt64,
					Segments: 1}
				if err := b.Submit(b.Now(), &bus.Segment{Job: job, Program: program, Later: true}); err != nil {
					t.Fatal(err)
				}
				res, err := b.Next(t.Context())
				if err != nil || res.Err != nil {
					t.Fatal(err, res.Err)
				}
				for k := range res.Captures {
					conversions = append(conversions, weak.Make(res.Captures[k].Later.(*laterRead).conversion))
				}
				b.Inspector().JobEnded(job, bus.Outcome{Kind: bus.OnTime})
			}
		}
		if err := b.WaitUntil(t.Context(), end); err != nil {
			t.Fatal(err)
		}
	}
	runtime.GC()
	alive := 0
	for _, c := range conversions {
		if c.Value() != nil {
			alive++
		}
	}
	most := keptOfLane * len(a.Lanes)
	if alive > most || len(conversions) < 4*most {
		t.Errorf("%d of %d conversions are kept, of %d lanes", alive, len(conversions), len(a.Lanes))
	}
	runtime.KeepAlive(b)
}
