package scene

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// crowded is a pipe with an end and obstacles, and within says whether a place is free: not in a ball, before the end
// and in the pipe.
func crowded(rng *rand.Rand) (s Surfaces, pipe float64, within func(vector) bool) {
	pipe = 0.2 + 0.5*rng.Float64()
	s = Surfaces{Ends: rng.IntN(3) > 0, EndM: 0.3 + rng.Float64()}
	for range rng.IntN(4) {
		s.Balls = append(s.Balls, Ball{0.2 + rng.Float64(), 0.3 * rng.NormFloat64(), 0.3 * rng.NormFloat64(),
			0.02 + 0.1*rng.Float64()})
	}
	return s, pipe, func(p vector) bool {
		for _, b := range s.Balls {
			off := p.plus(vector{b.ForwardM, b.LeftM, b.UpM}, -1)
			if off.dot(off) < b.RadiusM*b.RadiusM {
				return false
			}
		}
		return math.Hypot(p[1], p[2]) < pipe && (!s.Ends || p[0] < s.EndM)
	}
}

func unit(rng *rand.Rand) vector {
	v := vector{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
	n := math.Sqrt(v.dot(v))
	return vector{v[0] / n, v[1] / n, v[2] / n}
}

// TestMeetsBySteps: what a ray meets first is where small steps along it come to first.
func TestMeetsBySteps(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	met := 0
	for range 300 {
		s, pipe, within := crowded(rng)
		from := vector{0, 0.3 * pipe * (2*rng.Float64() - 1), 0.3 * pipe * (2*rng.Float64() - 1)}
		if !within(from) {
			continue
		}
		ray := unit(rng)
		got := s.meets(from, ray, pipe)
		const step = 1e-3
		want := math.Inf(1)
		for d := step; d < 5; d += step {
			if !within(from.plus(ray, d)) {
				want = d
				break
			}
		}
		if got.distance > 5 {
			continue
		}
		met++
		if math.Abs(got.distance-want) <= 2*step {
			continue
		}
		// A ball that is only grazed is less than a step deep.
		at := from.plus(ray, got.distance)
		if grazed := math.Abs(got.normal.dot(ray)) < 0.25; !(grazed && got.end && got.distance < want) {
			t.Fatalf("%+v in a pipe of %v: from %v along %v at %v (%v), steps say %v", s, pipe, from, ray, got, at,
				want)
		}
	}
	if met < 100 {
		t.Errorf("only %d rays met something", met)
	}
}

// TestPatternOfAFootprint: the light of a footprint is the mean of the pattern over the places that the rays of the
// footprint meet, taken one by one.
func TestPatternOfAFootprint(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	pattern := patternOf()
	for range 40 {
		s := Surfaces{Ends: true, EndM: 0.1 + 0.5*rng.Float64()}
		ray := vector{1, 0.5 * rng.NormFloat64(), 0.5 * rng.NormFloat64()}
		n := math.Sqrt(ray.dot(ray))
		ray = vector{ray[0] / n, ray[1] / n, ray[2] / n}
		h := s.meets(vector{}, ray, 0)
		sigma := 0.002 + 0.02*rng.Float64()
		got := h.light(vector{}, ray, pattern, sigma*sigma)
		// Two directions across the ray.
		a := vector{-ray[1], ray[0], 0}
		size := math.Sqrt(a.dot(a))
		a = vector{a[0] / size, a[1] / size, 0}
		b := vector{ray[1]*a[2] - ray[2]*a[1], ray[2]*a[0] - ray[0]*a[2], ray[0]*a[1] - ray[1]*a[0]}
		sum, weight := 0.0, 0.0
		const steps = 40
		for i := range steps {
			for j := range steps {
				u, v := (float64(i)+0.5)/steps*8-4, (float64(j)+0.5)/steps*8-4
				w := math.Exp(-(u*u + v*v) / 2)
				r := ray.plus(a, sigma*u).plus(b, sigma*v)
				m := math.Sqrt(r.dot(r))
				r = vector{r[0] / m, r[1] / m, r[2] / m}
				at := r.plus(vector{}, 0)
				d := s.EndM / r[0]
				light := 1.0
				for _, g := range pattern {
					light += waveDepth * math.Cos(g.k.dot(vector{at[0] * d, at[1] * d, at[2] * d})+g.phase)
				}
				sum, weight = sum+w*light, weight+w
			}
		}
		want := max(sum/weight, 0.02)
		if math.Abs(got-want) > 0.06 {
			t.Fatalf("at %v m along %v, blur %v: %v, rays say %v", s.EndM, ray, sigma, got, want)
		}
	}
}

// TestTruthByDifferences: rates, velocity, distance and contact are those by which the pose itself changes.
func TestTruthByDifferences(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	still := mustPanorama(t, softSpot(80, 5, 6), PanoramaOptions{LuxHigh: 1})
	for range 200 {
		m := Motion{YawDeg: 360 * rng.Float64(), PitchDeg: 60 * rng.NormFloat64(), RollDeg: 100 * rng.NormFloat64(),
			YawRateDegPerS: 50 * rng.NormFloat64(), YawSwingDeg: 10, YawSwingHz: 0.5 + rng.Float64(),
			PitchRateDegPerS: 30 * rng.NormFloat64(), RollRateDegPerS: 30 * rng.NormFloat64(),
			ForwardMPerS: 0.3 * rng.NormFloat64(), LeftMPerS: 0.01, UpMPerS: -0.02, PipeRadiusM: 0.5}
		if rng.IntN(2) == 0 {
			m.TravelM = 0.4
		}
		s, err := Moved(still, m)
		if err != nil {
			t.Fatal(err)
		}
		at := bustime.Time(rng.Int64N(3e9))
		truth, is := TruthAt(s, at)
		if !is || truth.Pose != m.At(at) {
			t.Fatalf("%+v: %v, %+v", m, is, truth)
		}
		const h = 20_000 // ns
		before, after := m.At(at-h), m.At(at+h)
		if m.TravelM > 0 && m.forwardRate(at-h) != m.forwardRate(at+h) {
			continue // it turns back just here
		}
		a, b := attitudeOf(before), attitudeOf(after)
		// A vector that is fixed outside moves in the body by -w x it.
		move := vector{(after.ForwardM - before.ForwardM) / (2e-9 * h), (after.LeftM - before.LeftM) / (2e-9 * h),
			(after.UpM - before.UpM) / (2e-9 * h)}
		vx, vy, vz := attitudeOf(truth.Pose).Undo(move[0], move[1], move[2])
		w := vector(truth.RateRadPerS)
		for i, v := range (vector{vx, vy, vz}) {
			if math.Abs(v-truth.VelocityMPerS[i]) > 1e-5 {
				t.Fatalf("%+v: velocity %v, differences say %v", m, truth.VelocityMPerS, vector{vx, vy, vz})
			}
		}
		for range 3 {
			u := unit(rng)
			px, py, pz := a.Undo(u[0], u[1], u[2])
			qx, qy, qz := b.Undo(u[0], u[1], u[2])
			x, y, z := attitudeOf(truth.Pose).Undo(u[0], u[1], u[2])
			want := vector{(qx - px) / (2e-9 * h), (qy - py) / (2e-9 * h), (qz - pz) / (2e-9 * h)}
			got := vector{w[2]*y - w[1]*z, w[0]*z - w[2]*x, w[1]*x - w[0]*y}
			if off := got.plus(want, -1); off.dot(off) > 1e-6 {
				t.Fatalf("%+v: rate %v moves %v by %v, differences say %v", m, w, u, got, want)
			}
		}
	}
}

// TestContactWithAnEnd: a crawler that goes straight at an end wall meets it when it has come there, and what its
// cameras see on the way is so far away; a ball in the way comes first.
func TestContactWithAnEnd(t *testing.T) {
	camera := geometry.New(geometry.Lattice{Rows: 16, Columns: 16, PitchXUm: 10, PitchYUm: 10},
		geometry.Mount{XM: 0.1}, geometry.Lens{HorizontalFOVDeg: 40, VerticalFOVDeg: 40})
	s, err := Parse("demo:forward_rate=0.2,radius=0.3,end=1.1", nil)
	if err != nil {
		t.Fatal(err)
	}
	for at, want := range map[bustime.Time]float64{0: 1, 2e9: 0.6, 4e9: 0.2} {
		got := SeesAt(s, camera, 0, 0, at)
		if math.Abs(got.DistanceM-want) > 1e-9 || math.Abs(got.ContactS-want/0.2) > 1e-9 {
			t.Errorf("at %v: %+v, want %v m and %v s", at, got, want, want/0.2)
		}
	}
	o, err := parsePanoramaOptions("demo", "forward_rate=0.2,end=1.1,ball_forward=0.8,ball_radius=0.1")
	if err != nil {
		t.Fatal(err)
	}
	ball := mustPanorama(t, softSpot(80, 5, 6), o)
	if got := SeesAt(ball, camera, 0, 0, 0); math.Abs(got.DistanceM-0.6) > 1e-9 {
		t.Errorf("the ball is %+v away, want 0.6 m", got)
	}
	if got := SeesAt(Uniform(3), camera, 0, 0, 0); !math.IsInf(got.DistanceM, 1) || !math.IsInf(got.ContactS, 1) {
		t.Errorf("under uniform light %+v", got)
	}
	for _, wrong := range []string{"demo:ball_forward=1", "demo:end=x", "demo:ball_radius=-1"} {
		if _, err := Parse(wrong, nil); err == nil || !strings.Contains(err.Error(), "ball") &&
			!strings.Contains(err.Error(),
				"Ball") && !strings.Contains(err.Error(), "end") {
			t.Errorf("%s: %v", wrong, err)
		}
	}
}

// TestSurfacesHideThePicture: what is painted on an end wall stays where it is while the camera comes nearer, and
// covers exactly the pixels whose rays meet the wall; without surfaces the picture is as ever.
func TestSurfacesHideThePicture(t *testing.T) {
	l := Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10}
	v := mustView(t, l, Optics{HorizontalFOVDeg: 90, VerticalFOVDeg: 90})
	o := PanoramaOptions{LuxLow: 1, LuxHigh: 100, Motion: Motion{ForwardM: 0.2, PipeRadiusM: 0.3}}
	plain := mustPanorama(t, softSpot(0, 5, 6), o)
	o.Surfaces = Surfaces{Ends: true, EndM: 0.7}
	walled := mustPanorama(t, softSpot(0, 5, 6), o)
	was, is := frame(plain, v, 0), frame(walled, v, 0)
	hidden := 0
	for r := range is {
		for c := range is[r] {
			ray := v.camera.Pixel(r, c).Ray
			// Half a metre ahead the wall of the pipe is met before the end where it is steeper than 0.3 to 0.5.
			covered := math.Hypot(ray[1], ray[2])/ray[0] < 0.3/0.5
			if same := was[r][c] == is[r][c]; same == covered {
				t.Errorf("pixel %d, %d: covered %v, and %v instead of %v", r, c, covered, is[r][c], was[r][c])
			}
			if covered {
				hidden++
			}
		}
	}
	if hidden < 50 {
		t.Errorf("%d pixels see the wall", hidden)
	}
	if SweepOf(walled, v) != nil {
		t.Error("it is swept")
	}
}
