package coverage

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/geometry"
)

// turn is a mount's rotation written out as products of rotations about one axis each, and not by the package geometry.
func turn(m geometry.Mount, v [3]float64) [3]float64 {
	spin := func(v [3]float64, i, j int, deg float64) [3]float64 {
		s, c := math.Sincos(deg * math.Pi / 180)
		v[i], v[j] = c*v[i]-s*v[j], s*v[i]+c*v[j]
		return v
	}
	return spin(spin(spin(v, 1, 2, m.RollDeg), 2, 0, -m.PitchDeg), 0, 1, m.YawDeg)
}

// exact is the solid angle that a chip's field has, seen from the middle of the body, on a sphere of a radius (0: far
// away): the area inside the line that the edge of the sensor draws there, in triangles (Van Oosterom and Strackee
// 1983, from memory), by formulas of its own.
func exact(l geometry.Lattice, m geometry.Mount, e geometry.Lens, radius float64) float64 {
	focal := func(deg float64) float64 { // radius of an edge on the sensor in focal lengths
		half := deg * math.Pi / 360
		r := map[geometry.Projection]float64{geometry.Rectilinear: math.Tan(half), geometry.Equidistant: half,
			geometry.Stereographic: 2 * math.Tan(half/2)}[e.Projection]
		return r * (1 + e.DistortionK1*r*r)
	}
	right, down := focal(e.HorizontalFOVDeg), focal(e.VerticalFOVDeg)
	edge := func(a, b float64) [3]float64 {
		x, y := a*right, b*down
		d := math.Hypot(x, y)
		r := d
		for range 200 { // r (1 + k r^2) = d, by a fixed point
			r = d / (1 + e.DistortionK1*r*r)
		}
		angle := map[geometry.Projection]float64{geometry.Rectilinear: math.Atan(r), geometry.Equidistant: r,
			geometry.Stereographic: 2 * math.Atan(r/2)}[e.Projection]
		sx, sy := x, y
		if d > 0 {
			sx, sy = x/d, y/d
		}
		ray := turn(m, [3]float64{math.Cos(angle), -math.Sin(angle) * sx, -math.Sin(angle) * sy})
		if radius == 0 {
			return ray
		}
		p := [3]float64{m.XM, m.YM, m.ZM}
		along := dot(p, ray)
		t := -along + math.Sqrt(along*along+radius*radius-dot(p, p))
		for i := range ray {
			ray[i] = (p[i] + t*ray[i]) / radius
		}
		return ray
	}
	const steps = 600
	middle, sum := edge(0, 0), 0.0
	last := edge(-1, -1)
	for side := range 4 {
		for i := range steps {
			s := 2*float64(i+1)/steps - 1
			at := [4][2]float64{{s, -1}, {1, s}, {-s, 1}, {-1, -s}}[side]
			next := edge(at[0], at[1])
			triple := middle[0]*(last[1]*next[2]-last[2]*next[1]) + middle[1]*(last[2]*next[0]-last[0]*next[2]) +
				middle[2]*(last[0]*next[1]-last[1]*next[0])
			sum += 2 * math.Atan2(triple, 1+dot(middle, last)+dot(last, next)+dot(next, middle))
			last = next
		}
	}
	return math.Abs(sum)
}

var square = geometry.Lattice{Rows: 40, Columns: 40, PitchXUm: 24, PitchYUm: 24}

// TestSolidAngles: at 10^5 directions the solid angle of every field is within 0.5 % of the exact one, whatever the
// lens, its place and the distance; that of a plain square field of 34 degrees is 0.3423426 sr.
func TestSolidAngles(t *testing.T) {
	plain := geometry.Lens{HorizontalFOVDeg: 34, VerticalFOVDeg: 34}
	if got := exact(square, geometry.Mount{YawDeg: 30, PitchDeg: 20}, plain, 0); math.Abs(got-0.3423426) > 5e-7 {
		t.Fatalf("the reference says %v for 34 degrees", got)
	}
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	worst := 0.0
	for n := range 2 {
		radius := []float64{0, 0.3}[n%2]
		var chips []Chip
		var want []float64
		for i := range 8 {
			e := geometry.Lens{Projection: geometry.Projection(rng.IntN(3)), HorizontalFOVDeg: 15 + 60*rng.Float64(),
				VerticalFOVDeg: 15 + 60*rng.Float64(), DistortionK1: 0.16*rng.Float64() - 0.08}
			m := geometry.Mount{YawDeg: 360 * rng.Float64(), PitchDeg: 180*rng.Float64() - 90,
				RollDeg: 360 * rng.Float64(),
				XM:      0.08 * rng.NormFloat64(), YM: 0.05 * rng.NormFloat64(), ZM: 0.05 * rng.NormFloat64()}
			if len(e.Check(square)) > 0 || m.XM*m.XM+m.YM*m.YM+m.ZM*m.ZM > 0.05 {
				continue
			}
			chips = append(chips, Chip{fmt.Sprint("c", i), geometry.New(square, m, e)})
			want = append(want, exact(square, m, e, radius))
		}
		r := Survey(chips, geometry.Surface{SphereM: radius}, 100_000)
		for i, c := range r.Chips {
			off := math.Abs(c.Sr/want[i] - 1)
			worst = max(worst, off)
			if off > 0.005 {
				t.Errorf("%s at %v m: %v sr, exactly %v", c.Chip, radius, c.Sr, want[i])
			}
		}
		consistent(t, r)
	}
	t.Logf("the worst is off by %.3f %%", 100*worst)
}

// consistent checks what must add up.
func consistent(t *testing.T, r *Report) {
	t.Helper()
	sphere, twice, all, overlaps, pairs := 0.0, 0.0, 0.0, 0.0, 0.0
	for _, x := range r.Times {
		n := float64(x.Times)
		sphere += x.Sr
		all += n * x.Sr
		pairs += n * (n - 1) / 2 * x.Sr
		if x.Times > 1 {
			twice += x.Fraction
		}
	}
	for _, o := range r.Overlaps {
		overlaps += o.Sr
	}
	chips := 0.0
	for _, c := range r.Chips {
		chips += c.Sr
	}
	for what, off := range map[string]float64{"the sphere": sphere - 4*math.Pi,
		"what is seen twice": twice - r.TwiceFraction,
		"the chips":          all - chips, "the pairs": pairs - overlaps,
		"what is seen": sphere - r.Times[0].Sr - r.SeenSr} {
		if math.Abs(off) > 1e-9 {
			t.Errorf("%s does not add up: off by %v", what, off)
		}
	}
}

// TestAgainstEveryDirection: what is seen how often, and by which pairs, is what random directions say, each looked up
// by itself.
func TestAgainstEveryDirection(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	var chips []Chip
	for i := range 10 {
		chips = append(chips, Chip{fmt.Sprint("c", i), geometry.New(square,
			geometry.Mount{YawDeg: 36 * float64(i), PitchDeg: 20 * float64(i%2), YM: 0.02 * float64(i%3)},
			geometry.Lens{HorizontalFOVDeg: 50, VerticalFOVDeg: 40})})
	}
	surface := geometry.Surface{PipeM: 0.25}
	r := Survey(chips, surface, 50_000)
	const n = 60_000
	times := make([]float64, len(chips)+1)
	for range n {
		z, az := 2*rng.Float64()-1, 2*math.Pi*rng.Float64()
		aside := math.Sqrt(1 - z*z)
		count := 0
		for _, c := range chips {
			if _, _, ok := surface.Sees(c.Camera, aside*math.Cos(az), aside*math.Sin(az), z); ok {
				count++
			}
		}
		times[count] += 1.0 / n
	}
	for _, x := range r.Times {
		// Five standard deviations of the count, and what the grid is off by.
		within := 5*math.Sqrt(times[x.Times]*(1-times[x.Times])/n) + 1e-3
		if math.Abs(x.Fraction-times[x.Times]) > within {
			t.Errorf("seen %d times: %v of the sphere, directions say %v", x.Times, x.Fraction, times[x.Times])
		}
	}
	consistent(t, r)
}

// TestGapsAndNeighbours: two square fields side by side leave the gap that their angles say, which is a part of the one
// region around them; two caps of a sphere that is seen all around but for two holes leave two.
func TestGapsAndNeighbours(t *testing.T) {
	lens := geometry.Lens{HorizontalFOVDeg: 34, VerticalFOVDeg: 34}
	two := []Chip{{"a", geometry.New(square, geometry.Mount{YawDeg: 20}, lens)},
		{"b", geometry.New(square, geometry.Mount{YawDeg: -20}, lens)}}
	r := Survey(two, geometry.Surface{}, 20_000)
	if n := r.Neighbours[0]; n.Chips != [2]string{"a", "b"} || math.Abs(n.AngleDeg-40) > 1e-9 ||
		math.Abs(n.GapDeg-6) > 0.05 || n.OverlapDeg != 0 {
		t.Errorf("neighbours %+v, want a gap of 6 degrees", n)
	}
	if len(r.Gaps) != 1 || math.Abs(r.Gaps[0].Sr-(4*math.Pi-2*0.3423426)) > 0.01 || len(r.Overlaps) != 0 {
		t.Errorf("gaps %+v, overlaps %+v", r.Gaps, r.Overlaps)
	}
	// Fisheyes that look both ways see all but a ring around; with a third pair of them only the places up and down.
	wide := geometry.Lens{Projection: geometry.Equidistant, HorizontalFOVDeg: 100, VerticalFOVDeg: 100}
	var around []Chip
	for i := range 6 {
		around = append(around, Chip{fmt.Sprint(i),
			geometry.New(square, geometry.Mount{YawDeg: 60 * float64(i)}, wide)})
	}
	r = Survey(around, geometry.Surface{}, 20_000)
	if len(r.Gaps) != 2 || math.Abs(math.Abs(r.Gaps[0].ElevationDeg)-90) > 0.5 ||
		math.Abs(math.Abs(r.Gaps[1].ElevationDeg)-90) > 0.5 ||
		math.Abs(r.Gaps[0].ElevationDeg+r.Gaps[1].ElevationDeg) > 1e-6 {
		t.Errorf("gaps %+v, want one above and one below", r.Gaps)
	}
	if d := r.DegreesPerPixel; d == nil || math.Abs(d.Most-2.5) > 0.1 || d.Least > d.Median || d.Median > d.Most {
		t.Errorf("degrees a pixel %+v of a fisheye of 100 degrees in 40 pixels", d)
	}
}

// TestOverlapNearBy: two lenses apart that look the same way see all alike far away, and near by what their parallax
// leaves; the parallax is that of their triangle.
func TestOverlapNearBy(t *testing.T) {
	lens := geometry.Lens{HorizontalFOVDeg: 30, VerticalFOVDeg: 30}
	chips := []Chip{{"a", geometry.New(square, geometry.Mount{YM: 0.03}, lens)},
		{"b", geometry.New(square, geometry.Mount{YM: -0.03}, lens)}}
	away := Survey(chips, geometry.Surface{}, 20_000)
	if o := away.Overlaps[0]; math.Abs(o.Fraction-1) > 1e-9 || o.ParallaxDeg != 0 {
		t.Errorf("far away %+v", o)
	}
	at := Survey(chips, geometry.Surface{SphereM: 0.2}, 20_000)
	if o := at.Overlaps[0]; o.Fraction > 0.6 || o.Fraction < 0.3 ||
		math.Abs(o.ParallaxDeg-2*math.Atan(0.03/0.2)*180/math.Pi) > 0.3 {
		t.Errorf("at 0.2 m %+v", o)
	}
}

// TestDrawing: the picture is XML that names every chip, and holds no number that is none.
func TestDrawing(t *testing.T) {
	var out bytes.Buffer
	r := Survey([]Chip{{"north & south", geometry.New(square, geometry.Mount{YawDeg: 180, PitchDeg: 80},
		geometry.Lens{HorizontalFOVDeg: 60, VerticalFOVDeg: 60})}}, geometry.Surface{}, 2000)
	if err := r.Draw(&out, "what it sees"); err != nil {
		t.Fatal(err)
	}
	names := 0
	for dec := xml.NewDecoder(strings.NewReader(out.String())); ; {
		token, err := dec.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		if text, is := token.(xml.CharData); is && string(text) == "north & south" {
			names++
		}
	}
	if names != 1 || strings.Contains(out.String(), "NaN") || !strings.Contains(out.String(), `class="t1"`) {
		t.Errorf("%d names in %s", names, out.String())
	}
}
