package bench

import (
	"bytes"
	"encoding/xml"
	"errors"
	"image"
	"image/color"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/scene"
)

// series samples a lamp as logarithmic pixels do: code = 400 + 80 log10(light), with noise.
func series(rng *rand.Rand, n int, rate, hz, depth, noise float64) []Sample {
	out := make([]Sample, n)
	phase := 2 * math.Pi * rng.Float64()
	for i := range out {
		at := 3 + float64(i)/rate
		out[i] = Sample{at,
			400 + 80*math.Log10(200*(1+depth*math.Sin(2*math.Pi*hz*at+phase))) + noise*rng.NormFloat64()}
	}
	return out
}

// TestFlickerIsFound: the frequency of a lamp is found to a hundredth of what the length of the series tells, its
// amplitude to a few per cent, and the mains also where it is sampled too rarely.
func TestFlickerIsFound(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, c := range []struct{ rate, hz, depth, mains float64 }{
		{500, 100, 0.2, 50}, {500, 120, 0.05, 60}, {500, 99.7, 0.1, 50}, {80, 100, 0.2, 50}, {137, 120, 0.2, 60},
		{500, 94, 0.2, 0}, {500, 33, 0.2, 0},
	} {
		f, err := FlickerOf(series(rng, 400, c.rate, c.hz, c.depth, 0.5))
		if err != nil {
			t.Fatal(err)
		}
		amplitude := 80 * c.depth / math.Ln10
		if !f.Found || math.Abs(f.LightHz-c.hz) > 0.1*c.rate/400 || f.MainsHz != c.mains ||
			math.Abs(f.Amplitude/amplitude-1) > 0.1 {
			t.Errorf("%+v: %+v, want an amplitude of %v", c, f, amplitude)
		}
		// Sampled at a rate that is proposed it stands still; the mean of a pair is without it.
		for _, r := range f.StillHz {
			if k := c.hz / r; math.Abs(k-math.Round(k)) > 0.01 {
				t.Errorf("%+v: %v Hz does not hold it still", c, r)
			}
		}
		for _, r := range f.PairHz {
			if sum := math.Cos(1) + math.Cos(1+2*math.Pi*c.hz/r); math.Abs(sum) > 0.1 {
				t.Errorf("%+v: two frames at %v Hz do not cancel it: %v", c, r, sum)
			}
		}
	}
}

// TestNoFlickerInNoise: noise alone, and light that drifts, are not taken for flicker.
func TestNoFlickerInNoise(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 20 {
		f, err := FlickerOf(series(rng, 200, 300, 100, 0, 1))
		if err != nil || f.Found {
			t.Fatalf("%+v, %v", f, err)
		}
	}
	flat := make([]Sample, 64)
	for i := range flat {
		flat[i] = Sample{float64(i), 7}
	}
	if f, err := FlickerOf(flat); err != nil || f.Found {
		t.Errorf("%+v, %v", f, err)
	}
	if _, err := FlickerOf(flat[:FewestSamples-1]); err == nil {
		t.Error("too few samples are taken")
	}
	if _, err := FlickerOf(make([]Sample, 64)); err == nil {
		t.Error("samples of one time are taken")
	}
}

func TestSpectrumIsDrawn(t *testing.T) {
	f, err := FlickerOf(series(rand.New(rand.NewPCG(1, 0)), 200, 500, 100, 0.2, 0.5))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := f.Draw(&b, "light & lamps"); err != nil {
		t.Fatal(err)
	}
	for dec := xml.NewDecoder(bytes.NewReader(b.Bytes())); ; {
		if _, err := dec.Token(); errors.Is(err, io.EOF) {
			break
		} else if err != nil {
			t.Fatal(err)
		}
	}
	if s := b.String(); !strings.Contains(s, "the light 100.0") || strings.Contains(s, "NaN") {
		t.Error(s)
	}
}

// target is a picture of grey squares on white all around, 6 degrees wide.
func target() image.Image {
	img := image.NewGray(image.Rect(0, 0, 3600, 1800))
	for y := range 1800 {
		for x := range 3600 {
			light := uint8(230)
			if (x/60+y/60)%2 == 0 {
				light = 120
			}
			img.SetGray(x, y, color.Gray{Y: light})
		}
	}
	return img
}

// lit is the target as a scene, made once.
var lit = sync.OnceValues(func() (scene.Scene, error) {
	return scene.Panorama(target(), scene.PanoramaOptions{LuxLow: 1, LuxHigh: 100})
})

// TestBlurIsMeasured: lenses of known blur before a simulated target measure as what they are.
func TestBlurIsMeasured(t *testing.T) {
	light, err := lit()
	if err != nil {
		t.Fatal(err)
	}
	l := geometry.Lattice{Rows: 40, Columns: 40, PitchXUm: 24, PitchYUm: 24}
	last := 0.0
	for _, lens := range []geometry.Lens{{BlurPixels: 0.4}, {BlurPixels: 0.7}, {BlurPixels: 1}, {BlurPixels: 1.4},
		{FNumber: 1.2, SubjectM: 0.1}} {
		lens.HorizontalFOVDeg, lens.VerticalFOVDeg = 30, 30
		camera := geometry.New(l, geometry.Mount{YawDeg: 2, PitchDeg: 1}, lens)
		v := scene.NewView(camera)
		codes, row := make([]float64, 0, 1600), make([]float64, 40)
		for r := range 40 {
			light.Row(row, v, r, 0)
			for _, lux := range row {
				codes = append(codes, math.Round(400+300*math.Log10(lux)))
			}
		}
		got, want := SharpnessOf(40, 40, codes, 0.5), camera.Spread().Pixels
		if math.Abs(got.BlurPixels-want) > 0.15*want+0.1 {
			t.Errorf("a blur of %v pixels measures as %+v", want, got)
		}
		if lens.FNumber == 0 && got.BlurPixels <= last {
			t.Errorf("a blur of %v pixels measures as %v, a smaller one as %v", want, got.BlurPixels, last)
		}
		last = got.BlurPixels
	}
	if got := SharpnessOf(40, 40, make([]float64, 1600), 1); !math.IsNaN(got.BlurPixels) {
		t.Errorf("an even picture: %+v", got)
	}
	if got := SharpnessOf(3, 3, nil, 1); !math.IsNaN(got.BlurPixels) {
		t.Errorf("no picture: %+v", got)
	}
}

// TestSteepestByPixels: the part of a step that two pixels take apart, by sums over fine pieces of both.
func TestSteepestByPixels(t *testing.T) {
	for _, sigma := range []float64{0.2, 0.5, 1, 2} {
		mean := func(from, to float64) float64 { // of a step at 0, blurred
			sum := 0.0
			const n = 2000
			for i := range n {
				x := from + (to-from)*(float64(i)+0.5)/n
				sum += 0.5 * math.Erfc(-x/(sigma*math.Sqrt2)) / n
			}
			return sum
		}
		if got, want := steepest(sigma), mean(0, 1)-mean(-1, 0); math.Abs(got-want) > 1e-6 {
			t.Errorf("under %v pixels: %v, sums say %v", sigma, got, want)
		}
		if got := blurOf(steepest(sigma)); math.Abs(got-sigma) > 1e-9 {
			t.Errorf("%v comes back as %v", sigma, got)
		}
	}
	// An Airy disc at f/2.8 on 24 um is nearly nothing.
	if got := LensBlurPixels(0.4, 2.8, 24); math.Abs(got-0.4009) > 1e-3 {
		t.Errorf("%v", got)
	}
}
