package scene

import (
	"image"
	"math"
	"math/rand/v2"
	"sync"
	"testing"

	"facetd.example/chipmodel/bustime"
)

func mustScene(t testing.TB) func(Scene, error) Scene {
	return func(s Scene, err error) Scene {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
}

func oneRow(s Scene, v *View, row int, at bustime.Time) []float64 {
	dst := make([]float64, v.lattice.Columns)
	s.Row(dst, v, row, at)
	return dst
}

func TestUniformIsAFlatField(t *testing.T) {
	o := Optics{YawDeg: 10, HorizontalFOVDeg: 90, VerticalFOVDeg: 90, BlurPixels: 2}
	for _, line := range frame(Uniform(123.456), mustView(t, square64, o), 7) {
		for _, got := range line {
			if got != 123.456 {
				t.Fatalf("%v lx, want exactly 123.456", got)
			}
		}
	}
	o.Vignetting = 1
	v := mustView(t, square64, o)
	white := image.NewGray(image.Rect(0, 0, 8, 4))
	for i := range white.Pix {
		white.Pix[i] = 255
	}
	panorama := mustPanorama(t, white, PanoramaOptions{LuxHigh: 100})
	still := mustScene(t)(Grating(GratingOptions{MeanLux: 100}))
	for _, s := range []Scene{Uniform(100), panorama, still} {
		f := frame(s, v, 0)
		tangent := 31.5 / 32
		want := 100 / squared(1+2*tangent*tangent) // cos^4 at the corner
		if got := f[0][0]; math.Abs(got-want) > 1e-4 {
			t.Errorf("%s: corner %v lx, want %v", s.Name(), got, want)
		}
	}
	for _, bad := range []float64{-1, math.NaN(), math.Inf(1)} {
		if got := oneRow(Uniform(bad), v, 0, 0)[5]; got != 0 {
			t.Errorf("Uniform(%v) gives %v, want darkness", bad, got)
		}
	}
}

func TestRowsOutsideTheLatticeAreDark(t *testing.T) {
	v := mustView(t, Lattice{Rows: 2, Columns: 3, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 30, VerticalFOVDeg: 30})
	flick := mustScene(t)(Flicker(Uniform(5), 50, 0.5))
	step := mustScene(t)(Step(Uniform(5), Uniform(5), 0))
	grate := mustScene(t)(Grating(GratingOptions{MeanLux: 5}))
	pan := mustPanorama(t, photographOrNoise(), PanoramaOptions{LuxLow: 5, LuxHigh: 5})
	for _, s := range []Scene{Uniform(5), flick, step, grate, pan} {
		for _, c := range []struct{ row, n, lit int }{{0, 3, 3}, {0, 5, 3}, {1, 2, 2}, {-1, 3, 0}, {2, 3, 0},
			{0, 0, 0}} {
			dst := []float64{9, 9, 9, 9, 9}[:c.n]
			s.Row(dst, v, c.row, 0)
			for i, got := range dst {
				if want := map[bool]float64{true: 5, false: 0}[i < c.lit]; got != want {
					t.Errorf("%s row %d of %d: entry %d is %v, want %v", s.Name(), c.row, c.n, i, got, want)
				}
			}
		}
	}
}

func photographOrNoise() image.Image { return noisePicture(64, 32) }

// The light of lamps on 50 and 60 Hz mains flickers at 100 and 120 Hz (common
// practice): frames at the rate of the flicker see no change, and frames at
// others see the folded frequency |f - k rate|.
func TestFlickerFoldsAtTheFrameRate(t *testing.T) {
	v := mustView(t, Lattice{Rows: 1, Columns: 1, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 10, VerticalFOVDeg: 10})
	for _, c := range []struct{ mains, frames, alias float64 }{
		{50, 100, 0}, {50, 50, 0}, {50, 24, 4}, {50, 30, 10}, {50, 40, 20}, {50, 240, 100},
		{60, 60, 0}, {60, 50, 20}, {60, 48, 24}, {60, 75, 30}, {60, 25, 5}, {60, 500, 120},
	} {
		s := mustScene(t)(Flicker(Uniform(100), c.mains, 0.3))
		// A transform over ten seconds of frames, at every 0.5 Hz.
		shown := make([]float64, int(10*c.frames))
		for i := range shown {
			at := int64(math.Round(float64(i)/c.frames*1e9)) + 1_234_567
			shown[i] = oneRow(s, v, 0, bustime.Time(at))[0] - 100
		}
		best, bestHz := 0.0, 0.0
		for hz := 0.0; hz <= c.frames/2; hz += 0.5 {
			var re, im float64
			for i, y := range shown {
				sin, cos := math.Sincos(2 * math.Pi * hz * float64(i) / c.frames)
				re, im = re+y*cos, im+y*sin
			}
			if a := math.Hypot(re, im); a > best*1.001 {
				best, bestHz = a, hz
			}
		}
		if bestHz != c.alias {
			t.Errorf("mains %v Hz at %v frames a second: strongest at %v Hz, want %v", c.mains, c.frames, bestHz,
				c.alias)
		}
	}
}

func TestFlickerDepthAndLongRuns(t *testing.T) {
	v := mustView(t, Lattice{Rows: 1, Columns: 1, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 10, VerticalFOVDeg: 10})
	s := mustScene(t)(Flicker(Uniform(200), 50, 0.25))
	for _, start := range []int64{0, 86400 * 365 * 1e9, -5e9} {
		for _, c := range []struct {
			after int64
			want  float64
		}{{0, 200}, {2_500_000, 250}, {5_000_000, 200}, {7_500_000, 150}, {10_000_000, 200}} {
			if got := oneRow(s, v, 0, bustime.Time(start+c.after))[0]; math.Abs(got-c.want) > 1e-6 {
				t.Errorf("%d ns after %d: %v lx, want %v", c.after, start, got, c.want)
			}
		}
	}
}

func TestStepChangesAtItsInstant(t *testing.T) {
	v := mustView(t, Lattice{Rows: 1, Columns: 1, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 10, VerticalFOVDeg: 10})
	s := mustScene(t)(Step(Uniform(1), Uniform(2), 1000))
	for at, want := range map[int64]float64{-1 << 63: 1, 999: 1, 1000: 2, 1<<63 - 1: 2} {
		if got := oneRow(s, v, 0, bustime.Time(at))[0]; got != want {
			t.Errorf("at %d: %v, want %v", at, got, want)
		}
	}
}

func TestConstructorsTellEveryError(t *testing.T) {
	_, err := Flicker(nil, 0, 2)
	wantParams(t, err, "base", "mainsHz", "depth")
	_, err = Step(nil, nil, 0)
	wantParams(t, err, "before", "after")
	nan := math.NaN()
	_, err = Grating(GratingOptions{nan, -1, nan, nan, nan, nan})
	wantParams(t, err, "MeanLux", "Contrast", "CyclesPerPixel", "OrientationDeg", "DriftHz", "PhaseDeg")
	_, err = Panorama(nil, PanoramaOptions{LuxLow: -1, LuxHigh: nan, Motion: Motion{YawDeg: nan, YawRateDegPerS: nan,
		YawSwingDeg: nan, YawSwingHz: nan, PitchDeg: nan, PitchRateDegPerS: nan, RollDeg: nan, RollRateDegPerS: nan,
		ForwardM: nan, ForwardMPerS: nan, TravelM: -1}})
	wantParams(t, err, "img", "LuxLow", "LuxHigh", "YawDeg", "YawRateDegPerS", "YawSwingDeg", "YawSwingHz", "PitchDeg",
		"PitchRateDegPerS", "RollDeg", "RollRateDegPerS", "ForwardM", "ForwardMPerS", "TravelM", "PipeRadiusM")
	_, err = Panorama(image.NewGray(image.Rect(0, 0, 0, 5)), PanoramaOptions{})
	wantParams(t, err, "img")
	_, err = Panorama(hugePicture{}, PanoramaOptions{})
	wantParams(t, err, "img")
}

// hugePicture claims a size without having it.
type hugePicture struct{ *image.Uniform }

func (hugePicture) Bounds() image.Rectangle { return image.Rect(0, 0, 1<<15, 1<<15) }

// The mean of the sine over each cell, by integration over a fine grid of the
// cell and of the Gaussian of the lens.
func TestGratingAgainstIntegration(t *testing.T) {
	const seed = 9
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, hex := range []bool{false, true} {
		for range 12 {
			l := Lattice{Rows: 5, Columns: 70, Hexagonal: hex, PitchXUm: 10, PitchYUm: 15}
			rowPitch := 1.5
			if hex {
				l.PitchYUm, rowPitch = 0, math.Sqrt(3)/2
			}
			g := GratingOptions{MeanLux: 80, Contrast: rng.Float64(), CyclesPerPixel: rng.Float64() * 1.2,
				OrientationDeg: rng.Float64() * 360, DriftHz: rng.NormFloat64() * 10, PhaseDeg: rng.Float64() * 720}
			v := mustView(t, l, Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
			at := rng.Int64N(1e9)
			row := rng.IntN(5)
			got := oneRow(mustScene(t)(Grating(g)), v, row, bustime.Time(at))
			sin, cos := math.Sincos(g.OrientationDeg * math.Pi / 180)
			width := 70.0
			if hex {
				width = 70.5
			}
			for _, c := range []int{0, 33, 69} {
				x0, y0 := float64(c)-width/2, (2.5-float64(row)-1)*rowPitch // left and lower edge, y up
				if hex && row%2 == 1 {
					x0 += 0.5
				}
				var sum float64
				const n = 60
				for i := range n * n {
					x, y := x0+(float64(i%n)+0.5)/n, y0+(float64(i/n)+0.5)/n*rowPitch
					phase := g.CyclesPerPixel*(x*cos+y*sin) - g.DriftHz*float64(at)*1e-9 + g.PhaseDeg/360
					sum += g.MeanLux * (1 + g.Contrast*math.Sin(2*math.Pi*phase))
				}
				if want := sum / (n * n); math.Abs(got[c]-want) > 0.1 {
					t.Fatalf("%+v hex %v row %d column %d: %v lx, want %v", g, hex, row, c, got[c], want)
				}
			}
		}
	}
}

// A blur of sigma pixels multiplies the contrast by exp(-2 pi^2 sigma^2 f^2),
// the Fourier transform of the Gaussian.
func TestGratingBlur(t *testing.T) {
	g := mustScene(t)(Grating(GratingOptions{MeanLux: 1, Contrast: 1, CyclesPerPixel: 0.1, PhaseDeg: 12}))
	o := Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50}
	sharp := oneRow(g, mustView(t, square64, o), 3, 0)
	o.BlurPixels = 2
	blurred := oneRow(g, mustView(t, square64, o), 3, 0)
	want := math.Exp(-2 * math.Pi * math.Pi * 4 * 0.01)
	for i := range sharp {
		if math.Abs((blurred[i]-1)-(sharp[i]-1)*want) > 1e-12 {
			t.Fatalf("column %d: %v and %v, want a ratio of %v", i, blurred[i]-1, sharp[i]-1, want)
		}
	}
}

// The convention of motion: f(x, y) moves by (+u, +v) a frame towards higher
// columns when the drift is positive at orientation 0.
func TestGratingDriftsTowardsHigherColumns(t *testing.T) {
	g := mustScene(t)(Grating(GratingOptions{MeanLux: 1, Contrast: 1, CyclesPerPixel: 0.05, DriftHz: 1}))
	v := mustView(t, square64, Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	before, after := oneRow(g, v, 0, 0), oneRow(g, v, 0, 100_000_000) // a tenth of a cycle: two columns
	for i := 2; i < 64; i++ {
		if math.Abs(after[i]-before[i-2]) > 1e-9 {
			t.Fatalf("column %d after is %v, column %d before %v", i, after[i], i-2, before[i-2])
		}
	}
}

// Rows asked for in any order, many at once, are the same.
func TestRowsAreDeterministicAndConcurrent(t *testing.T) {
	s := mustScene(t)(Flicker(mustPanorama(t, noisePicture(128, 64), PanoramaOptions{LuxHigh: 9,
		Motion: Motion{YawRateDegPerS: 50, ForwardMPerS: 1, TravelM: 2, PipeRadiusM: 1}}), 50, 0.1))
	v := mustView(t, square64, Optics{YawDeg: 20, HorizontalFOVDeg: 90, VerticalFOVDeg: 90})
	want := frame(s, v, 123_456_789)
	var wait sync.WaitGroup
	for worker := range 4 {
		wait.Go(func() {
			for r := range 64 {
				row := (r*7 + worker*13) % 64
				for c, got := range oneRow(s, v, row, 123_456_789) {
					if got != want[row][c] {
						t.Errorf("pixel %d,%d: %v, want %v", row, c, got, want[row][c])
					}
				}
			}
		})
	}
	wait.Wait()
	dst := make([]float64, 64)
	if n := testing.AllocsPerRun(50, func() { s.Row(dst, v, 5, 99) }); n != 0 {
		t.Errorf("%v allocations a row", n)
	}
}
