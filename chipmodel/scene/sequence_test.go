package scene

import (
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
)

// TestSequence: at every time a sequence shows the scene that is active, and goes on evenly where a pose does.
func TestSequence(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	l := Lattice{Rows: 3, Columns: 4, PitchXUm: 10, PitchYUm: 10}
	view := mustView(t, l, Optics{YawDeg: 70, HorizontalFOVDeg: 30, VerticalFOVDeg: 30})
	base := mustPanorama(t, softSpot(80, 5, 6), PanoramaOptions{LuxHigh: 100, LampShare: 0.5,
		Motion: Motion{PipeRadiusM: 0.3}})
	scenes := []Since{{Scene: base, At: bustime.Never}}
	jumps := 0
	for at := bustime.Time(1e9); len(scenes) < 12; at = at.Add(1e8) {
		was, moves := MotionOf(scenes[len(scenes)-1].Scene, at)
		if !moves {
			t.Fatal("it does not move")
		}
		pose := was.At(at)
		if rng.IntN(3) == 0 {
			pose.LeftM, pose.YawDeg = 0.2*rng.Float64()-0.1, 10*rng.NormFloat64()
			jumps++
		}
		m := was.Uniformly(pose, at)
		m.LeftMPerS, m.ForwardMPerS = 0.1*rng.NormFloat64(), 0.1*rng.NormFloat64()
		if m.At(at) != pose {
			t.Fatalf("at its beginning %+v, want %+v", m.At(at), pose)
		}
		next, err := Moved(scenes[len(scenes)-1].Scene, m)
		if err != nil {
			t.Fatal(err)
		}
		scenes = append(scenes, Since{Scene: next, At: at})
	}
	all := Remembering(Sequence(scenes))
	for range 500 {
		at := bustime.Time(rng.Int64N(3e9))
		is := scenes[0].Scene
		for _, s := range scenes {
			if s.At <= at {
				is = s.Scene
			}
		}
		got, want := frame(all, view, at), frame(is, view, at)
		for r := range want {
			for c := range want[r] {
				if got[r][c] != want[r][c] {
					t.Fatalf("at %v pixel %d, %d shows %v, want %v", at, r, c, got[r][c], want[r][c])
				}
			}
		}
	}
	course := CourseOf(Sequence(scenes), view)
	if len(course.Jumps) != jumps || course.Every <= 0 {
		t.Errorf("%d jumps, want %d; looks %v apart", len(course.Jumps), jumps, course.Every)
	}
	if _, err := Moved(base, Motion{PipeRadiusM: 0.3, LeftM: 1e9}); err == nil {
		t.Error("a pose far away was taken")
	}
	if _, moves := MotionOf(Uniform(3), 0); moves {
		t.Error("uniform light moves")
	}
}
