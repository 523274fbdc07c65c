package geometry

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"facetd.example/api/peertest"
)

// published are the values of testdata/optics.json; their sources stand there.
type published struct {
	Airy struct {
		Rows []struct {
			Wavelength float64 `json:"wavelength_nm"`
			FNumber    float64 `json:"f_number"`
			Diameter   float64 `json:"diameter_um"`
		} `json:"rows"`
	} `json:"airy"`
	J1 struct {
		Zero float64 `json:"zero"`
	} `json:"j1_zero"`
	Hyperfocal struct {
		Rows []struct {
			Focal    float64 `json:"focal_mm"`
			Circle   float64 `json:"circle_mm"`
			FNumber  float64 `json:"f_number"`
			Distance float64 `json:"distance_mm"`
		} `json:"rows"`
	} `json:"hyperfocal"`
	Cos4 struct {
		Rows []struct {
			Deg      float64 `json:"deg"`
			Relative float64 `json:"relative"`
		} `json:"rows"`
	} `json:"cos4"`
}

func readPublished(t *testing.T) (p published) {
	t.Helper()
	data, err := os.ReadFile("testdata/optics.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &p); err != nil {
		t.Fatal(err)
	}
	if len(p.Airy.Rows) != 3 || len(p.Hyperfocal.Rows) != 2 || len(p.Cos4.Rows) != 3 {
		t.Fatal("values are missing")
	}
	return p
}

// TestAiryRadius: published diameters to their last digit, and the 1.22 from the zero of J1, by its integral.
func TestAiryRadius(t *testing.T) {
	p := readPublished(t)
	for _, r := range p.Airy.Rows {
		got := 2 * Aperture{FocalMM: 10, FNumber: r.FNumber}.AiryUm(r.Wavelength/1000)
		if math.Abs(got-r.Diameter) > 0.005+1e-9 {
			t.Errorf("%v nm at f/%v: diameter %v um, published %v um", r.Wavelength, r.FNumber, got, r.Diameter)
		}
	}
	low, high := 3.0, 4.5
	for range 60 {
		if middle := (low + high) / 2; besselJ1(middle) > 0 {
			low = middle
		} else {
			high = middle
		}
	}
	if math.Abs(low-p.J1.Zero) > 5e-5 || math.Abs(airyZero-low/math.Pi) > 1e-9 {
		t.Errorf("J1 is 0 at %v, published %v; 1.22 is %v", low, p.J1.Zero, airyZero)
	}
	// Twice as far as twice the focal length: a magnification of 1 doubles the f-number.
	if got := (Aperture{FocalMM: 10, FNumber: 4, FocusM: 0.02}).WorkingFNumber(); math.Abs(got-8) > 1e-12 {
		t.Errorf("working f-number %v at a magnification of 1, want 8", got)
	}
}

func besselJ1(x float64) float64 {
	const n = 400
	sum := 0.0
	for i := range n {
		t := (float64(i) + 0.5) * math.Pi / n
		sum += math.Cos(t-x*math.Sin(t)) / n
	}
	return sum
}

// TestGaussianNearestToAnAiryDisc: of Gaussians with the peak of the Airy pattern the one of the least squares over the
// plane has the deviation that the blur takes, within 1 %.
func TestGaussianNearestToAnAiryDisc(t *testing.T) {
	const step = 0.01 // in lambda N
	var airy [400]float64
	for i := range airy {
		x := math.Pi * (float64(i) + 0.5) * step
		airy[i] = 4 * besselJ1(x) * besselJ1(x) / (x * x)
	}
	best, bestSigma := math.Inf(1), 0.0
	for sigma := 0.3; sigma < 0.6; sigma += 0.001 {
		off := 0.0
		for i, a := range airy {
			r := (float64(i) + 0.5) * step
			d := a - math.Exp(-r*r/(2*sigma*sigma))
			off += d * d * r
		}
		if off < best {
			best, bestSigma = off, sigma
		}
	}
	if math.Abs(bestSigma/airySigma-1) > 0.01 {
		t.Errorf("the nearest Gaussian has %v lambda N, the blur takes %v", bestSigma, airySigma)
	}
}

func TestHyperfocalDistance(t *testing.T) {
	for _, r := range readPublished(t).Hyperfocal.Rows {
		a := Aperture{FocalMM: r.Focal, FNumber: r.FNumber}
		got := 1000*a.HyperfocalM(1000*r.Circle) - r.Focal
		if math.Abs(got-r.Distance) > 0.005+1e-9 {
			t.Errorf("%v mm at f/%v with %v mm: %v mm, published %v mm", r.Focal, r.FNumber, r.Circle, got, r.Distance)
		}
		// In focus at the hyperfocal distance all is sharp from half of it on.
		a.FocusM = a.HyperfocalM(1000 * r.Circle)
		near, far := a.DepthOfFieldM(1000 * r.Circle)
		if math.Abs(near/(a.FocusM/2)-1) > 1e-9 || !math.IsInf(far, 1) {
			t.Errorf("in focus at the hyperfocal distance %v m: sharp from %v m to %v m", a.FocusM, near, far)
		}
	}
}

// TestDepthOfFieldByRays: the disc of a point off focus, by rays from both edges of the aperture through a thin lens;
// and the limits of the depth of field are where that disc is the circle.
func TestDepthOfFieldByRays(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	// disc is the diameter in micrometres; image distances by 1/f = 1/d + 1/b.
	disc := func(a Aperture, d float64) float64 {
		image := func(d float64) float64 {
			if d == 0 || math.IsInf(d, 1) {
				return a.FocalMM
			}
			return 1 / (1/a.FocalMM - 1/(1000*d))
		}
		sensor, point := image(a.FocusM), image(d)
		return 1000 * a.FocalMM / a.FNumber * math.Abs(sensor-point) / point
	}
	finite := 0
	for range 2000 {
		a := Aperture{FocalMM: 1 + 20*rng.Float64(), FNumber: 1 + 15*rng.Float64()}
		if rng.IntN(4) > 0 {
			a.FocusM = 1e-3 * a.FocalMM * math.Exp(1+7*rng.Float64())
		}
		d := 1e-3 * a.FocalMM * math.Exp(1+7*rng.Float64())
		if rng.IntN(5) == 0 {
			d = 0
		}
		if got, want := a.BlurUm(d), disc(a, d); math.Abs(got-want) > 1e-6*(got+want)+1e-9 {
			t.Fatalf("%+v: a point at %v m has a disc of %v um, rays say %v um", a, d, got, want)
		}
		circle := 1 + 30*rng.Float64()
		near, far := a.DepthOfFieldM(circle)
		if got := disc(a, near); math.Abs(got/circle-1) > 1e-6 {
			t.Fatalf("%+v: near limit %v m has a disc of %v um, want %v um", a, near, got, circle)
		}
		switch {
		case !math.IsInf(far, 1):
			finite++
			if got := disc(a, far); math.Abs(got/circle-1) > 1e-6 {
				t.Fatalf("%+v: far limit %v m has a disc of %v um, want %v um", a, far, got, circle)
			}
		case disc(a, 0) > circle*(1+1e-9):
			t.Fatalf("%+v: infinity is said to be sharp and has a disc of %v um, not %v um", a, disc(a, 0), circle)
		}
	}
	if finite < 200 {
		t.Errorf("only %d limits were finite", finite)
	}
}

// TestFocalLength: half the array is one focal length high under 45 degrees; a fisheye has r = f t.
func TestFocalLength(t *testing.T) {
	for _, c := range []struct {
		lens Lens
		want float64 // millimetres, for 64 pixels of 10 um
	}{
		{Lens{HorizontalFOVDeg: 90, VerticalFOVDeg: 90}, 0.32},
		{Lens{Projection: Equidistant, HorizontalFOVDeg: 180, VerticalFOVDeg: 180}, 0.32 / (math.Pi / 2)},
		{Lens{Projection: Stereographic, HorizontalFOVDeg: 180, VerticalFOVDeg: 180}, 0.16},
	} {
		if got := c.lens.Aperture(square64).FocalMM; math.Abs(got/c.want-1) > 1e-12 {
			t.Errorf("%v: focal length %v mm, want %v mm", c.lens.Projection, got, c.want)
		}
	}
}

// TestSpread: the parts add as squares; the disc of a subject out of focus has the deviation of points drawn evenly in
// it; and a lens without an aperture has its own errors alone.
func TestSpread(t *testing.T) {
	e := Lens{HorizontalFOVDeg: 40, VerticalFOVDeg: 40, BlurPixels: 0.4}
	if s := e.Spread(square64); s != (Spread{OwnPixels: 0.4, Pixels: 0.4}) {
		t.Errorf("without an aperture: %+v", s)
	}
	e.FNumber, e.FocusM, e.SubjectM = 2, 0.3, 0.05
	s := e.Spread(square64)
	want := math.Sqrt(0.4*0.4 + s.DiffractionPixels*s.DiffractionPixels + s.DefocusPixels*s.DefocusPixels)
	if math.Abs(s.Pixels-want) > 1e-12 || s.OwnPixels != 0.4 {
		t.Errorf("%+v do not add up to %v", s, want)
	}
	a := e.Aperture(square64)
	if want := airySigma * WavelengthUm * a.WorkingFNumber() / 10; s.DiffractionPixels != want || want < 0.04 {
		t.Errorf("diffraction of %v pixels, want %v", s.DiffractionPixels, want)
	}
	rng := rand.New(rand.NewPCG(1, 2))
	var sum, n float64
	for range 200_000 {
		if x, y := within1(rng), within1(rng); x*x+y*y <= 1 {
			sum, n = sum+x*x, n+1
		}
	}
	radius := a.BlurUm(0.05) / 2 / 10 // pixels
	if want := radius * math.Sqrt(sum/n); math.Abs(s.DefocusPixels/want-1) > 0.01 || want < 0.1 {
		t.Errorf("defocus of %v pixels, points in the disc have %v", s.DefocusPixels, want)
	}
	e.SubjectM = 0.3
	if s := e.Spread(square64); s.DefocusPixels != 0 {
		t.Errorf("a subject in focus is blurred over %v pixels", s.DefocusPixels)
	}
}

func fall(p Projection, angle float64) float64 { return p.falloff(angle, math.Cos(angle)) }

// TestNaturalFalloff: cos^4 at published angles, and for every projection the light through a flat pupil (cosine) on a
// piece of the sensor, by the solid angle that finite differences say it sees.
func TestNaturalFalloff(t *testing.T) {
	for _, r := range readPublished(t).Cos4.Rows {
		if got := fall(Rectilinear, Radians(r.Deg)); math.Abs(got-r.Relative) > 1e-12 {
			t.Errorf("%v degrees: %v, want %v", r.Deg, got, r.Relative)
		}
	}
	for _, p := range []Projection{Rectilinear, Equidistant, Stereographic} {
		if fall(p, 0) != 1 || fall(p, math.Pi/2) != 0 || fall(p, 2) != 0 {
			t.Errorf("%v: %v on the axis, %v and %v behind", p, fall(p, 0), fall(p, math.Pi/2), fall(p, 2))
		}
		for angle := 0.01; angle < 1.5; angle += 0.013 {
			const h = 1e-5
			ring := func(a float64) float64 { return p.Radius(a) * p.Radius(a) } // over pi
			seen := 2 * (math.Cos(angle-h) - math.Cos(angle+h)) / (ring(angle+h) - ring(angle-h))
			if want := math.Cos(angle) * seen; math.Abs(fall(p, angle)/want-1) > 1e-6 {
				t.Errorf("%v at %v rad: %v, rings say %v", p, angle, fall(p, angle), want)
			}
		}
	}
}

// TestFalloffOfALens: the part of the natural falloff that it has, or its own, between the points and beyond.
func TestFalloffOfALens(t *testing.T) {
	e := Lens{Vignetting: 0.5}
	if got := e.relativeLight(Radians(45), math.Cos(Radians(45))); math.Abs(got-0.625) > 1e-12 { // cos^4 is 1/4
		t.Errorf("half the natural falloff at 45 degrees is %v, want 0.625", got)
	}
	own := Lens{Falloff: []FalloffPoint{{0, 1}, {20, 0.9}, {60, 0.5}}}
	for deg, want := range map[float64]float64{0: 1, 10: 0.95, 20: 0.9, 30: 0.8, 60: 0.5, 100: 0.5} {
		if got := own.relativeLight(Radians(deg), math.Cos(Radians(deg))); math.Abs(got-want) > 1e-12 {
			t.Errorf("%v degrees: %v, want %v", deg, got, want)
		}
	}
	c := mustCamera(t, Lattice{Rows: 1, Columns: 3, PitchXUm: 1, PitchYUm: 1}, Mount{},
		Lens{HorizontalFOVDeg: 2 * Degrees(math.Atan(1.5)), VerticalFOVDeg: 10, Vignetting: 0.5})
	// The outer pixels look 45 degrees aside.
	for column, want := range []float64{0.625, 1, 0.625} {
		if got := c.Pixel(0, column).Light; math.Abs(got-want) > 1e-12 {
			t.Errorf("column %d: light %v, want %v", column, got, want)
		}
	}
}
