package scene

import (
	"math/rand/v2"
	"slices"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
)

// TestRememberingShowsTheSame: a scene that remembers is, to the bit, the one that does not, at times that come again
// and at others, for several views and for rows that are longer or shorter than theirs.
func TestRememberingShowsTheSame(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	still := mustPanorama(t, DemoPanorama(), PanoramaOptions{LuxLow: 1, LuxHigh: 1000})
	turning := moving(still, Motion{YawRateDegPerS: 30, PitchDeg: 10, RollDeg: -5})
	rolling := moving(still, Motion{RollRateDegPerS: 30, PitchDeg: 10, ForwardMPerS: 0.2, PipeRadiusM: 0.3})
	lit, err := Flicker(turning, 50, 0.5)
	if err != nil {
		t.Fatal(err)
	}
	both, err := Step(rolling, turning, 5e8)
	if err != nil {
		t.Fatal(err)
	}
	views := []*View{nil, mustView(t, square64, Optics{YawDeg: 90, HorizontalFOVDeg: 50, VerticalFOVDeg: 50}),
		mustView(t, Lattice{Rows: 9, Columns: 70, PitchXUm: 20, PitchYUm: 30},
			Optics{PitchDeg: -60, HorizontalFOVDeg: 70, VerticalFOVDeg: 20})}
	for _, s := range []Scene{Uniform(3), still, turning, rolling, lit, both} {
		kept := Remembering(s)
		if kept.Name() != s.Name() {
			t.Errorf("%s is called %s", s.Name(), kept.Name())
		}
		var times [300]bustime.Time
		for i := range times {
			times[i] = bustime.Time(r.Int64N(1e9))
		}
		for range 1000 {
			v, row, at := views[r.IntN(len(views))], r.IntN(66)-1, times[r.IntN(len(times))]
			got := make([]float64, 60+r.IntN(15))
			want := slices.Clone(got)
			kept.Row(got, v, row, at)
			s.Row(want, v, row, at)
			for c := range got {
				if got[c] != want[c] {
					t.Fatalf("%s, row %d, column %d at %v: %v, want %v", s.Name(), row, c, at, got[c], want[c])
				}
			}
		}
	}
}
