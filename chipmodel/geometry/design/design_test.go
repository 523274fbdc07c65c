package design

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/geometry"
)

// published are the values of testdata/lens.json; their sources stand there.
type published struct {
	SolidAngle struct{ Deg, Sr float64 } `json:"solid_angle"`
	Focus      struct {
		FocalMM     float64 `json:"focal_mm"`
		FNumber     float64 `json:"f_number"`
		CircleUm    float64 `json:"circle_um"`
		HyperfocalM float64 `json:"hyperfocal_m"`
		FocusM      float64 `json:"focus_m"`
		NearM       float64 `json:"near_m"`
		FarM        float64 `json:"far_m"`
	}
	Airy struct {
		WavelengthNM float64 `json:"wavelength_nm"`
		FNumber      float64 `json:"f_number"`
		Um           float64
	}
	Cos4       struct{ Deg, Relative float64 }
	Hexagonal  struct{ Percent float64 }
	BinningMTF struct{ MTF float64 } `json:"binning_mtf"`
}

func readPublished(t *testing.T) (p published) {
	t.Helper()
	data, err := os.ReadFile("testdata/lens.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(data, &p); err != nil {
		t.Fatal(err)
	}
	return p
}

func find(t *testing.T, r Request) *Result {
	t.Helper()
	if r.WavelengthUm == 0 {
		r.WavelengthUm = 0.55
	}
	out, m := Find(r)
	if len(m) > 0 {
		t.Fatalf("%+v: %v", r, m)
	}
	return out
}

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v", what, got, want)
	}
}

var square = geometry.Lattice{Rows: 32, Columns: 32, PitchXUm: 24, PitchYUm: 24}

// TestCheckValues: published and derived values, to their last digit.
func TestCheckValues(t *testing.T) {
	p := readPublished(t)
	r := find(t, Request{Lattice: square, FOVDeg: p.SolidAngle.Deg})
	near(t, "solid angle", r.SolidAngleSr, p.SolidAngle.Sr, 5e-8)
	f := find(t, Request{Lattice: square, FocalMM: p.Focus.FocalMM, FNumber: p.Focus.FNumber,
		CircleUm: p.Focus.CircleUm, FocusM: p.Focus.FocusM, WavelengthUm: p.Airy.WavelengthNM / 1000})
	near(t, "focal length", f.FocalMM, p.Focus.FocalMM, 1e-12)
	near(t, "hyperfocal distance", f.Focus.HyperfocalM, p.Focus.HyperfocalM, 5.1e-6)
	near(t, "near", f.Focus.NearM, p.Focus.NearM, 5.1e-6)
	near(t, "far", *f.Focus.FarM, p.Focus.FarM, 5.1e-6)
	near(t, "Airy radius", f.Focus.AiryUm/p.Airy.Um, 1, 3e-4) // 1.22 for 1.21967
	near(t, "binning", f.BinnedMTF, p.BinningMTF.MTF, 5e-6)
	near(t, "saving", f.HexagonalSavingPercent, p.Hexagonal.Percent, 0.05)
	// The corners of a square field are 30 degrees from the axis when tan 30 is half the diagonal.
	side := 2 * geometry.Degrees(math.Atan(math.Tan(geometry.Radians(p.Cos4.Deg))/math.Sqrt2))
	c := find(t, Request{Lattice: square, FOVDeg: side})
	near(t, "corner", c.DiagonalFOVDeg, 2*p.Cos4.Deg, 1e-9)
	near(t, "falloff", c.CornerLight, p.Cos4.Relative, 1e-12)
}

// TestForwardsAndBackwards: the focal length that one way of asking gives, asked for itself, gives that way back.
func TestForwardsAndBackwards(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for n := range 200 {
		l := geometry.Lattice{Rows: 1 + rng.IntN(64), Columns: 1 + rng.IntN(64), PitchXUm: 5 + 40*rng.Float64(),
			PitchYUm: 5 + 40*rng.Float64(), Hexagonal: n%3 == 0}
		if l.Hexagonal {
			l.PitchYUm = 0
		}
		p := geometry.Projection(rng.IntN(3))
		width, height := l.Extent()
		f := l.PitchXUm / 1000 * math.Hypot(width, height) * (0.7 + 3*rng.Float64())
		d := 0.1 + rng.Float64()
		is := find(t, Request{Lattice: l, Projection: p, FocalMM: f, DistanceM: d})
		near(t, "focal length", is.FocalMM/f, 1, 1e-9)
		for name, r := range map[string]Request{
			"field":             {FOVDeg: is.HorizontalFOVDeg},
			"degrees per pixel": {DegreesPerPixel: is.DegreesPerPixel},
			"width":             {WidthM: *is.Reach.WidthM, DistanceM: d},
			"detail":            {DetailM: is.Reach.PixelMM / 1000, DistanceM: d},
		} {
			r.Lattice, r.Projection = l, p
			near(t, name, find(t, r).FocalMM/f, 1, 1e-9)
		}
		// What must be sharp comes back as the depth of field; asked for by f-number and focus it is the same.
		from, to := 0.2+0.2*rng.Float64(), 0.6+rng.Float64()
		e, m := Find(Request{Lattice: l, Projection: p, FocalMM: f, NearM: from, FarM: to, WavelengthUm: 0.55})
		if len(m) > 0 || e.Focus.FNumber == 0.5 {
			continue // not to be had, or more than was asked for
		}
		near(t, "near", e.Focus.NearM/from, 1, 1e-9)
		near(t, "far", *e.Focus.FarM/to, 1, 1e-9)
		back := find(t, Request{Lattice: l, Projection: p, FocalMM: f, FNumber: e.Focus.FNumber,
			FocusM: e.Focus.DistanceM})
		near(t, "near again", back.Focus.NearM/from, 1, 1e-9)
	}
}

// TestSolidAngleByTriangles: whatever the projection, the solid angle is the area of the polygon that the edge of the
// array draws on the sphere, in triangles from the axis (Van Oosterom and Strackee 1983, from memory).
func TestSolidAngleByTriangles(t *testing.T) {
	for _, p := range []geometry.Projection{geometry.Rectilinear, geometry.Equidistant, geometry.Stereographic} {
		for _, deg := range []float64{20, 90} {
			r := find(t, Request{Lattice: square, Projection: p, FOVDeg: deg})
			f := r.FocalMM / 0.024 // in pitches
			edge := func(i int) [3]float64 {
				const n = 1000
				s := float64(i%n)/n*2 - 1
				at := [][2]float64{{s, -1}, {1, s}, {-s, 1}, {-1, -s}}[i/n%4]
				x, y := 16*at[0]/f, 16*at[1]/f
				d := math.Hypot(x, y)
				angle := map[geometry.Projection]float64{geometry.Rectilinear: math.Atan(d), geometry.Equidistant: d,
					geometry.Stereographic: 2 * math.Atan(d/2)}[p]
				return [3]float64{math.Cos(angle), math.Sin(angle) * x / d, math.Sin(angle) * y / d}
			}
			sum := 0.0
			for i := range 4000 {
				a, b := edge(i), edge(i+1)
				sum += 2 * math.Atan2(a[1]*b[2]-a[2]*b[1], 1+a[0]+b[0]+a[0]*b[0]+a[1]*b[1]+a[2]*b[2])
			}
			near(t, p.String(), r.SolidAngleSr/sum, 1, 1e-5)
		}
	}
}

// TestMotionBlur: a turn of one pixel while the light is taken blurs over one pixel, and passing at a speed is a turn.
func TestMotionBlur(t *testing.T) {
	r := find(t, Request{Lattice: square, DegreesPerPixel: 2, RateDegPerS: 100, ExposureS: 0.02})
	near(t, "blur", r.Motion.BlurPixels, 1, 1e-9)
	near(t, "what is left", r.Motion.MTF, 2/math.Pi, 1e-9)
	near(t, "rate of a pixel", r.Motion.OnePixelRate, 100, 1e-9)
	s := find(t, Request{Lattice: square, DegreesPerPixel: 2, SpeedMPerS: 0.5, DistanceM: 0.25, ExposureS: 0.01})
	near(t, "passing", s.Motion.RateDegPerS, geometry.Degrees(2), 1e-9)
}

// TestDiffractionByPupils: the contrast that diffraction leaves is the overlap of two pupils, counted.
func TestDiffractionByPupils(t *testing.T) {
	for _, cycles := range []float64{0, 0.1, 0.3, 0.5} {
		const fNumber, wavelength, pitch, n = 4.0, 0.55, 3.0, 600
		shift := 2 * cycles * wavelength * fNumber / pitch // in radii of the pupil
		both, one := 0, 0
		for i := range n {
			for j := range n {
				x, y := (float64(i)+0.5)/n*2-1, (float64(j)+0.5)/n*2-1
				if x*x+y*y < 1 {
					one++
					if (x-shift)*(x-shift)+y*y < 1 {
						both++
					}
				}
			}
		}
		near(t, "contrast", DiffractionMTF(cycles, fNumber, wavelength, pitch), float64(both)/float64(one), 2e-3)
	}
	near(t, "beyond the cut", DiffractionMTF(0.5, 16, 0.55, 3), 0, 0)
}

// TestWhatCannotBeHad: each contradiction is named by its flag.
func TestWhatCannotBeHad(t *testing.T) {
	for path, r := range map[string]Request{
		"fov":          {},
		"distance":     {WidthM: 1},
		"near":         {FocalMM: 4, FarM: 1},
		"far":          {FocalMM: 4, NearM: 1, FarM: 0.5},
		"f-number":     {FocalMM: 4, NearM: 1, FNumber: 2},
		"focus":        {FocalMM: 4, NearM: 1, FocusM: 2},
		"focal":        {FocalMM: math.NaN()},
		"lens.focus_m": {FocalMM: 4, FNumber: 2, FocusM: 0.005},
	} {
		r.Lattice, r.WavelengthUm = square, 0.55
		if _, m := Find(r); len(m) == 0 || m[0].Path != path {
			t.Errorf("%+v: %v, want an error of %s", r, m, path)
		}
	}
	if _, m := Find(Request{Lattice: square, FocalMM: 4}); len(m) != 1 || m[0].Path != "wavelength" {
		t.Errorf("no wavelength: %v", m)
	}
}
