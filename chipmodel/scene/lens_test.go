package scene

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/chipmodel/geometry"
)

// throughLens is the stupid reference for lenses: the mean over points drawn evenly in the cell of each pixel and in a
// disc around each (of a radius in column pitches), of the picture's nearest pixel in the direction that the definition
// of the projection gives, found by halving. It knows nothing of footprints.
func throughLens(light plane, l Lattice, o Optics, disc float64, points int) [][]float64 {
	radius := map[geometry.Projection]func(angle float64) float64{
		geometry.Rectilinear:   math.Tan,
		geometry.Equidistant:   func(angle float64) float64 { return angle },
		geometry.Stereographic: func(angle float64) float64 { return 2 * math.Tan(angle/2) },
	}[o.Projection]
	most := math.Pi
	if o.Projection == geometry.Rectilinear {
		most = math.Pi / 2
	}
	angle := func(r float64) float64 {
		low, high := 0.0, most
		for range 40 {
			if middle := (low + high) / 2; radius(middle) < r {
				low = middle
			} else {
				high = middle
			}
		}
		return low
	}
	mount := attitude(o.YawDeg, o.PitchDeg, o.RollDeg)
	fx := 2 * radius(radians(o.HorizontalFOVDeg)/2) / float64(l.Columns)
	fy := 2 * radius(radians(o.VerticalFOVDeg)/2) / float64(l.Rows) / l.RowPitch()
	rng := rand.New(rand.NewPCG(7, 8))
	out := make([][]float64, l.Rows)
	for r := range out {
		out[r] = make([]float64, l.Columns)
		for c := range out[r] {
			sum := 0.0
			for range points {
				x := float64(c) + rng.Float64() - float64(l.Columns)/2
				y := (float64(r) + rng.Float64() - float64(l.Rows)/2) * l.RowPitch()
				sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
				away := disc * math.Sqrt(rng.Float64())
				x, y = (x+away*cos)*fx, (y+away*sin)*fy
				aside := angle(math.Hypot(x, y))
				s, ahead := math.Sincos(aside)
				around := math.Atan2(y, x)
				dx, dy, dz := mount.Apply(ahead, -s*math.Cos(around), -s*math.Sin(around))
				u := int((0.5 - math.Atan2(dy, dx)/(2*math.Pi)) * float64(light.width))
				v := int((0.5 - math.Asin(min(max(dz, -1), 1))/math.Pi) * float64(light.height))
				sum += float64(light.pix[min(max(v, 0), light.height-1)*light.width+min(max(u, 0), light.width-1)])
			}
			out[r][c] = sum / float64(points)
		}
	}
	return out
}

// worstOff is the largest difference of a pixel, over the peak of the reference.
func worstOff(got, want [][]float64) float64 {
	peak, worst := 0.0, 0.0
	for r := range want {
		for c, w := range want[r] {
			peak, worst = max(peak, w), max(worst, math.Abs(got[r][c]-w))
		}
	}
	return worst / peak
}

// TestFisheyes: a spot far aside, and behind the lens, through each projection.
func TestFisheyes(t *testing.T) {
	l := Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10}
	for _, c := range []struct {
		name   string
		optics Optics
		spot   [3]float64
	}{
		{"rectilinear", Optics{HorizontalFOVDeg: 100, VerticalFOVDeg: 100}, [3]float64{30, 25, 5}},
		{"equidistant, a right angle aside", Optics{Projection: geometry.Equidistant, HorizontalFOVDeg: 200,
			VerticalFOVDeg: 200}, [3]float64{88, 10, 9}},
		{"equidistant, behind", Optics{YawDeg: 30, RollDeg: 20, Projection: geometry.Equidistant, HorizontalFOVDeg: 240,
			VerticalFOVDeg: 240}, [3]float64{150, 20, 10}},
		{"stereographic", Optics{PitchDeg: 40, Projection: geometry.Stereographic, HorizontalFOVDeg: 180,
			VerticalFOVDeg: 180}, [3]float64{50, -30, 6}},
		{"stereographic, anamorphic", Optics{Projection: geometry.Stereographic, HorizontalFOVDeg: 200,
			VerticalFOVDeg: 90}, [3]float64{60, 20, 6}},
	} {
		t.Run(c.name, func(t *testing.T) {
			img := softSpot(c.spot[0], c.spot[1], c.spot[2])
			got := frame(mustPanorama(t, img, PanoramaOptions{LuxHigh: 1}), mustView(t, l, c.optics), 0)
			want := throughLens(linearise(img), l, c.optics, 0, 200)
			off := worstOff(got, want)
			t.Logf("off by %.1f %% of the peak", 100*off)
			if off > 0.04 {
				t.Errorf("off by %.1f %% of the peak", 100*off)
			}
		})
	}
}

// TestDefocus: a subject out of focus is seen through the disc of the aperture, which the blur's Gaussian stands for;
// in
// focus it is seen as without an aperture, but for diffraction.
func TestDefocus(t *testing.T) {
	l := Lattice{Rows: 20, Columns: 20, PitchXUm: 100, PitchYUm: 100}
	img := softSpot(2, 1, 2)
	scene, light := mustPanorama(t, img, PanoramaOptions{LuxHigh: 1}), linearise(img)
	o := Optics{HorizontalFOVDeg: 30, VerticalFOVDeg: 30, FNumber: 0.8, FocusM: 0.4, SubjectM: 0.05}
	v := mustView(t, l, o)
	disc := v.camera.Lens().Aperture(l).BlurUm(0.05) / 2 / 100
	if disc < 1.5 {
		t.Fatalf("the disc has a radius of %v pixels", disc)
	}
	want := throughLens(light, l, o, disc, 400)
	if off := worstOff(frame(scene, v, 0), want); off > 0.05 {
		t.Errorf("out of focus: off by %.1f %% of the peak", 100*off)
	}
	sharp := o
	sharp.SubjectM = 0
	if off := worstOff(frame(scene, mustView(t, l, sharp), 0), want); off < 0.1 {
		t.Errorf("the disc changes the frame by only %.1f %% of the peak", 100*off)
	}
	if off := worstOff(frame(scene, mustView(t, l, sharp), 0), throughLens(light, l, o, 0, 400)); off > 0.04 {
		t.Errorf("in focus: off by %.1f %% of the peak", 100*off)
	}
}

// TestFalloffOfTheLensReachesThePixels: uniform light falls off as the lens says.
func TestFalloffOfTheLensReachesThePixels(t *testing.T) {
	lens := geometry.Lens{Projection: geometry.Equidistant, HorizontalFOVDeg: 100, VerticalFOVDeg: 100,
		Falloff: []geometry.FalloffPoint{{AngleDeg: 0, Relative: 1}, {AngleDeg: 50, Relative: 0.6},
			{AngleDeg: 60, Relative: 0}}}
	l := Lattice{Rows: 1, Columns: 5, PitchXUm: 10, PitchYUm: 10}
	v := NewView(geometry.New(l, geometry.Mount{}, lens))
	for column, want := range []float64{0.68, 0.84, 1, 0.84, 0.68} { // 40, 20 and 0 degrees
		if got := oneRow(Uniform(100), v, 0, 0)[column]; math.Abs(got-100*want) > 1e-4 {
			t.Errorf("column %d: %v lx, want %v", column, got, 100*want)
		}
	}
}
