package chipmodel

import (
	"math"
	"testing"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
)

// rayOf is the ray of a pixel as the schema says to make it: of the message alone, without the package geometry.
func rayOf(g *facetdv1.ChipGeometry, row, column int) (ray [3]float64) {
	c := float64(column)
	if g.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL && row%2 == 1 {
		c += 0.5
	}
	x, y := (c-g.GetAxisColumn())/g.GetFocalColumns(), (float64(row)-g.GetAxisRow())/g.GetFocalRows()
	d := math.Hypot(x, y)
	low, high := 0.0, 4.0 // of r, by halves
	if k := g.GetDistortionK1(); k < 0 {
		high = math.Min(high, 1/math.Sqrt(-3*k))
	}
	for range 200 {
		if r := (low + high) / 2; r*(1+g.GetDistortionK1()*r*r) < d {
			low = r
		} else {
			high = r
		}
	}
	angle := low
	switch g.GetProjection() {
	case facetdv1.Projection_PROJECTION_RECTILINEAR:
		angle = math.Atan(low)
	case facetdv1.Projection_PROJECTION_STEREOGRAPHIC:
		angle = 2 * math.Atan(low/2)
	}
	lens := [3]float64{math.Cos(angle), 0, 0}
	if d > 0 {
		lens[1], lens[2] = -math.Sin(angle)*x/d, -math.Sin(angle)*y/d
	}
	for i := range 3 {
		for j := range 3 {
			ray[i] += g.GetRotation()[3*i+j] * lens[j]
		}
	}
	return ray
}

// TestGeometryMakesTheRays: whoever follows the schema gets the rays that the cameras have, for every kind of lens and
// lattice, and each has a digest of its own.
func TestGeometryMakesTheRays(t *testing.T) {
	digests := map[string]bool{}
	for _, lattice := range []*facetdv1.Lattice{
		{Arrangement: facetdv1.Arrangement_ARRANGEMENT_SQUARE, Rows: 14, Columns: 11, PitchXUm: 20, PitchYUm: 30},
		{Arrangement: facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL, Rows: 13, Columns: 12, PitchXUm: 20}} {
		for _, projection := range []facetdv1.Projection{facetdv1.Projection_PROJECTION_RECTILINEAR,
			facetdv1.Projection_PROJECTION_EQUIDISTANT, facetdv1.Projection_PROJECTION_STEREOGRAPHIC} {
			for _, k1 := range []float64{0, -0.08, 0.1} {
				m := throughLens(&facetdv1.Lens{HorizontalFovDeg: 60, VerticalFovDeg: 40, Projection: projection,
					DistortionK1: k1})
				m.Classes[0].Lattice = proto.CloneOf(lattice)
				m.Chips[0].Mount = &facetdv1.Mount{YawDeg: 30, PitchDeg: -10, RollDeg: 5, XM: 0.1, YM: -0.2, ZM: 0.3}
				g := sameRays(t, m)
				if len(g.GetDigest()) != 64 || digests[g.GetDigest()] || sameRays(t, m).GetDigest() != g.GetDigest() {
					t.Errorf("%v, %v, k1 %v: digest %q", lattice, projection, k1, g.GetDigest())
				}
				digests[g.GetDigest()] = true
			}
		}
	}
}

// turned turns a vector by a quaternion x, y, z, w: v + 2 u x (u x v + w v).
func turned(q []float64, v [3]float64) (out [3]float64) {
	cross := func(a, b [3]float64) [3]float64 {
		return [3]float64{a[1]*b[2] - a[2]*b[1], a[2]*b[0] - a[0]*b[2], a[0]*b[1] - a[1]*b[0]}
	}
	u := [3]float64{q[0], q[1], q[2]}
	t := cross(u, v)
	for i := range t {
		t[i] += q[3] * v[i]
	}
	t = cross(u, t)
	for i := range v {
		out[i] = v[i] + 2*t[i]
	}
	return out
}

// sameRays compares the rays of an array's pixels and returns its geometry.
func sameRays(t *testing.T, m *facetdv1.Array) *facetdv1.Geometry {
	t.Helper()
	a, wrong := New(m)
	if len(wrong) > 0 {
		t.Fatal(wrong)
	}
	g := a.Geometry()
	if len(g.GetChips()) != len(a.Chips) {
		t.Fatalf("%d of %d chips", len(g.GetChips()), len(a.Chips))
	}
	for i, told := range g.GetChips() {
		camera := a.Chips[i].Camera()
		if x, y, z := camera.Place(); told.GetXM() != x || told.GetYM() != y || told.GetZM() != z {
			t.Errorf("%s is told at %v", told.GetChip(), told)
		}
		// By REP 103 pitch is down positive, as it is not in mounts.
		if m := a.Chips[i].Spec.GetMount(); m != nil &&
			(math.Abs(told.GetPitchRad()+m.GetPitchDeg()*math.Pi/180) > 1e-12 ||
				math.Abs(told.GetYawRad()-m.GetYawDeg()*math.Pi/180) > 1e-12 ||
				math.Abs(told.GetRollRad()-m.GetRollDeg()*math.Pi/180) > 1e-12) {
			t.Errorf("the mount %v is told as %v", m, told)
		}
		for row := range int(told.GetRows()) {
			for column := range int(told.GetColumns()) {
				want, got := camera.Pixel(row, column).Ray, rayOf(told, row, column)
				// The same ray in the optical frame: x right, y down, z ahead.
				x, y, z := camera.Attitude().Undo(want[0], want[1], want[2])
				optical := [3]float64{-y, -z, x}
				for k := range 3 {
					if !(math.Abs(got[k]-want[k]) < 1e-12) {
						t.Fatalf("%v, pixel %d %d: ray %v, want %v", told, row, column, got, want)
					}
					if q := told.GetOpticalOrientation(); math.Abs(turned(q, optical)[k]-want[k]) > 1e-12 {
						t.Fatalf("%v, pixel %d %d: %v turns its ray to %v, want %v", told, row, column, q,
							turned(q, optical), want)
					}
				}
			}
		}
	}
	return g
}
