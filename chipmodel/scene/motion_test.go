package scene

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/chipmodel/bustime"
)

const second = 1_000_000_000

func TestMotionAt(t *testing.T) {
	turn := Motion{YawDeg: 10, YawRateDegPerS: 30, PitchRateDegPerS: -1, RollDeg: 4, RollRateDegPerS: 0.5}
	swing := Motion{YawDeg: 5, YawSwingDeg: 20, YawSwingHz: 0.25}
	shuttle := Motion{ForwardM: 1, ForwardMPerS: 0.5, TravelM: 2, PipeRadiusM: 1} // there and back in 8 s
	back := Motion{ForwardMPerS: -0.5, TravelM: 2, PipeRadiusM: 1}
	on := Motion{ForwardMPerS: 0.5, PipeRadiusM: 1}
	for _, c := range []struct {
		name string
		m    Motion
		at   float64 // seconds
		want Pose
	}{
		{"start", turn, 0, Pose{YawDeg: 10, RollDeg: 4}},
		{"turning", turn, 2, Pose{YawDeg: 70, PitchDeg: -2, RollDeg: 5}},
		{"before the start", turn, -1, Pose{YawDeg: -20, PitchDeg: 1, RollDeg: 3.5}},
		{"a year of whole turns later", turn, 86400*360 + 1, Pose{YawDeg: 40, PitchDeg: -1, RollDeg: 4.5}},
		{"swing out", swing, 1, Pose{YawDeg: 25}},
		{"swing back", swing, 3, Pose{YawDeg: -15}},
		{"shuttle start", shuttle, 0, Pose{ForwardM: 1}},
		{"shuttle out", shuttle, 1.5, Pose{ForwardM: 1.75}},
		{"shuttle end", shuttle, 2, Pose{ForwardM: 2}},
		{"shuttle returns", shuttle, 5, Pose{ForwardM: 0.5}},
		{"shuttle other end", shuttle, 6, Pose{ForwardM: 0}},
		{"shuttle again", shuttle, 8000.5, Pose{ForwardM: 1.25}},
		{"shuttle backwards", back, 1, Pose{ForwardM: -0.5}},
		{"shuttle backwards, returning", back, 3, Pose{ForwardM: -0.5}},
		{"on and on", on, 1000, Pose{ForwardM: 500}},
	} {
		got := c.m.At(bustime.Time(c.at * second))
		near := func(a, b, turn float64) bool { return math.Abs(math.Remainder(a-b, turn)) < 1e-6 }
		if !near(got.YawDeg, c.want.YawDeg, 360) || !near(got.PitchDeg, c.want.PitchDeg, 360) ||
			!near(got.RollDeg, c.want.RollDeg, 360) || math.Abs(got.ForwardM-c.want.ForwardM) > 1e-9 {
			t.Errorf("%s: %+v, want %+v", c.name, got, c.want)
		}
		if c.m.still() {
			t.Errorf("%s: taken to be still", c.name)
		}
	}
	if !(Motion{YawDeg: 4, ForwardM: 2, YawSwingDeg: 4}).still() {
		t.Error("a fixed pose is not taken to be still")
	}
}

// A mark on the wall of the pipe, ahead to the left, passes the crawler: seen
// from the axis at a distance d short of it, it stands at azimuth atan(R/d).
func TestMarkOnTheWallPassesBy(t *testing.T) {
	const radius, ahead = 0.5, 0.6
	azimuth := degrees(math.Atan2(radius, ahead))
	s := mustPanorama(t, spots(2.5, [2]float64{azimuth, 0}), PanoramaOptions{LuxHigh: 100,
		Motion: Motion{ForwardMPerS: 0.1, PipeRadiusM: radius}})
	for _, seconds := range []float64{0, 2, 4, 6, 8} {
		at := int64(seconds * second)
		want := degrees(math.Atan2(radius, ahead-0.1*seconds))
		v := mustView(t, square64, Optics{YawDeg: want, HorizontalFOVDeg: 40, VerticalFOVDeg: 40})
		row, column, sum := centroid(frame(s, v, bustime.Time(at)))
		// Half a cell; a pixel is 0.6 degrees.
		if math.Abs(row-31.5) > 0.5 || math.Abs(column-31.5) > 0.75 || sum == 0 {
			t.Errorf("after %v s: mark at row %.2f column %.2f of the chip that looks at azimuth %.1f", seconds, row,
				column, want)
		}
	}
}

// Along the axis, ahead and behind, nothing changes while the crawler moves.
func TestTheAxisOfThePipeStays(t *testing.T) {
	for _, ahead := range []float64{0, 180} {
		s := mustPanorama(t, spots(8, [2]float64{ahead, 0}), PanoramaOptions{LuxHigh: 100,
			Motion: Motion{ForwardMPerS: 1, TravelM: 4, PipeRadiusM: 0.5}})
		v := mustView(t, square64, Optics{YawDeg: ahead, HorizontalFOVDeg: 10, VerticalFOVDeg: 10})
		for _, at := range []int64{0, second, 5 * second / 2} {
			if got := oneRow(s, v, 31, bustime.Time(at))[31]; math.Abs(got-100) > 0.01 {
				t.Errorf("azimuth %v, %d ns: %v lx on the axis, want 100", ahead, at, got)
			}
		}
	}
}

func TestCyclesAt(t *testing.T) {
	for _, c := range []struct {
		hz   float64
		at   int64
		want float64
	}{{100, 2_500_000, 0.25}, {100, 31_536_000*second + 2_500_000, 0.25}, {-1, second / 4, 0.75}, {0.3, 10 * second, 0},
		{1, -second / 4, 0.75}} {
		got := bustime.Time(c.at).Cycles(c.hz)
		if got < 0 || got >= 1 || math.Abs(math.Remainder(got-c.want, 1)) > 1e-9 {
			t.Errorf("%v Hz at %d ns: %v, want %v", c.hz, c.at, got, c.want)
		}
	}
}

// What a footprint covers on the side of the cube, against finite differences:
// two small steps across the ray, taken to the wall of the pipe, back to where
// the picture was taken and on to the side, span a parallelogram there.
func TestFootprintOnTheCube(t *testing.T) {
	const seed = 31
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	p := mustPanorama(t, noisePicture(64, 32), PanoramaOptions{}).(*panorama)
	size := float64(p.cube[0].size)
	for range 500 {
		moved, radius := rng.NormFloat64(), 0.2+rng.Float64()
		azimuth, elevation := rng.Float64()*360, 160*rng.Float64()-80
		const step = 1e-4 // degrees
		place := func(dAzimuth, dElevation float64) (side int, major, u, v float64) {
			x, y, z := direction(azimuth+dAzimuth/math.Cos(radians(elevation)), elevation+dElevation)
			far := radius / math.Hypot(y, z)
			x, y, z = (x*far+moved)/radius, y*far/radius, z*far/radius // on the wall of a pipe of radius 1
			switch m := max(math.Abs(x), math.Abs(y), math.Abs(z)); m {
			case math.Abs(x):
				return 0, m / far * radius, y / m, z / m
			case math.Abs(y):
				return 1, m / far * radius, x / m, z / m
			default:
				return 2, m / far * radius, x / m, y / m
			}
		}
		side, major, u0, v0 := place(0, 0)
		sideA, _, u1, v1 := place(step, 0)
		sideB, _, u2, v2 := place(0, step)
		if sideA != side || sideB != side {
			continue
		}
		texels := math.Abs((u1-u0)*(v2-v0)-(u2-u0)*(v1-v0)) * size * size / 4
		want := texels / squared(radians(step)) * 1e-3 / 3
		if got := float64(p.area(1e-3, float32(1/major))); math.Abs(got/want-1) > 1e-3 {
			t.Fatalf("azimuth %v elevation %v, moved %v of radius %v: %v texels, want %v", azimuth, elevation, moved,
				radius, got, want)
		}
	}
}
