package geometry

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"
)

// product multiplies two matrices the long way.
func product(a, b Rotation) (out Rotation) {
	for r := range 3 {
		for c := range 3 {
			for k := range 3 {
				out[3*r+c] += a[3*r+k] * b[3*k+c]
			}
		}
	}
	return out
}

// about turns about one axis by the right hand, written out.
func about(axis int, angle float64) Rotation {
	s, c := math.Sincos(angle)
	return [3]Rotation{{1, 0, 0, 0, c, -s, 0, s, c}, {c, 0, s, 0, 1, 0, -s, 0, c}, {c, -s, 0, s, c, 0, 0, 0, 1}}[axis]
}

func far(a, b Rotation) (most float64) {
	for i := range a {
		most = max(most, math.Abs(a[i]-b[i]))
	}
	return most
}

// TestPitchIsDownPositiveOutside: a mount that looks up has a negative pitch by REP 103; yaw left and roll keep their
// signs.
func TestPitchIsDownPositiveOutside(t *testing.T) {
	a := Attitude(30, 20, 10).RollPitchYaw()
	for name, off := range map[string]float64{"yaw": a.Yaw - Radians(30), "pitch": a.Pitch + Radians(20),
		"roll": a.Roll - Radians(10)} {
		if math.Abs(off) > 1e-12 {
			t.Errorf("%s of %+v is off by %v", name, a, off)
		}
	}
	// The optical frame of a lens that looks ahead: what is right, below and ahead in it lies at -y, -z and x.
	ahead := Attitude(0, 0, 0).Optical()
	if want := (Rotation{0, 0, 1, -1, 0, 0, 0, -1, 0}); far(ahead, want) > 1e-12 {
		t.Errorf("the optical frame is %v, want %v", ahead, want)
	}
	// Its quaternion, as every tutorial of robots' frames has it (from memory): -1/2, 1/2, -1/2, 1/2.
	if q := ahead.Quaternion(); math.Abs(q.X+0.5) > 1e-12 || math.Abs(q.Y-0.5) > 1e-12 || math.Abs(q.Z+0.5) > 1e-12 ||
		math.Abs(q.W-0.5) > 1e-12 {
		t.Errorf("the quaternion is %+v", q)
	}
}

// TestExportedAttitudes: angles by REP 103, put together as rotations about fixed axes, and the quaternion, applied as
// q v q*, turn as the mount does.
func TestExportedAttitudes(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for n := range 3000 {
		m := Mount{YawDeg: 720*rng.Float64() - 360, PitchDeg: 360*rng.Float64() - 180, RollDeg: 720*rng.Float64() - 360}
		if n%4 == 0 { // where two axes are one, and where parts of a quaternion are 0
			m = Mount{YawDeg: 90 * float64(rng.IntN(8)-4), PitchDeg: 90 * float64(rng.IntN(4)-2),
				RollDeg: 90 * float64(rng.IntN(8)-4)}
		}
		is := Attitude(m.YawDeg, m.PitchDeg, m.RollDeg)
		a := is.RollPitchYaw()
		if got := product(about(2, a.Yaw), product(about(1, a.Pitch), about(0, a.Roll))); far(got, is) > 1e-9 {
			t.Fatalf("%+v: %+v turns as %v, the mount as %v", m, a, got, is)
		}
		if math.Abs(a.Pitch) > math.Pi/2 || math.Abs(a.Yaw) > math.Pi || math.Abs(a.Roll) > math.Pi {
			t.Fatalf("%+v has %+v", m, a)
		}
		q := is.Quaternion()
		if size := q.X*q.X + q.Y*q.Y + q.Z*q.Z + q.W*q.W; math.Abs(size-1) > 1e-12 || q.W < 0 {
			t.Fatalf("%+v is %+v", m, q)
		}
		for i, v := range [][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}} {
			got := sandwich(q, v)
			for k := range 3 {
				if math.Abs(got[k]-is[3*k+i]) > 1e-9 {
					t.Fatalf("%+v: %+v turns axis %d to %v, the matrix is %v", m, q, i, got, is)
				}
			}
		}
	}
}

// sandwich is q v q*, by the product of quaternions.
func sandwich(q Quaternion, v [3]float64) [3]float64 {
	times := func(a, b Quaternion) Quaternion {
		return Quaternion{a.W*b.X + a.X*b.W + a.Y*b.Z - a.Z*b.Y, a.W*b.Y - a.X*b.Z + a.Y*b.W + a.Z*b.X,
			a.W*b.Z + a.X*b.Y - a.Y*b.X + a.Z*b.W, a.W*b.W - a.X*b.X - a.Y*b.Y - a.Z*b.Z}
	}
	p := times(times(q, Quaternion{v[0], v[1], v[2], 0}), Quaternion{-q.X, -q.Y, -q.Z, q.W})
	return [3]float64{p.X, p.Y, p.Z}
}

// TestBodyRateByDifferences: the rates about the axes of the body are those by which its attitude changes, R'dR/dt read
// off small steps.
func TestBodyRateByDifferences(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		m := Mount{YawDeg: 360 * rng.Float64(), PitchDeg: 360*rng.Float64() - 180, RollDeg: 360 * rng.Float64()}
		yaw, pitch, roll := 100*rng.NormFloat64(), 100*rng.NormFloat64(), 100*rng.NormFloat64()
		const h = 1e-5
		at := func(t float64) Rotation { return Attitude(m.YawDeg+yaw*t, m.PitchDeg+pitch*t, m.RollDeg+roll*t) }
		before, is, after := at(-h), at(0), at(h)
		var back, change Rotation
		for r := range 3 {
			for c := range 3 {
				back[3*r+c] = is[3*c+r]
				change[3*r+c] = (after[3*r+c] - before[3*r+c]) / (2 * h)
			}
		}
		turn := product(back, change) // skew: z above the diagonal is negative
		want := [3]float64{turn[7], turn[2], turn[3]}
		got := BodyRate(m, yaw, pitch, roll)
		for i := range 3 {
			if math.Abs(got[i]-want[i]) > 1e-5 {
				t.Fatalf("%+v at %v, %v, %v: %v, differences say %v", m, yaw, pitch, roll, got, want)
			}
		}
	}
	// A yaw to the left is positive about z, a view that rises negative about y.
	if got := BodyRate(Mount{}, 90, 0, 0); math.Abs(got[2]-math.Pi/2) > 1e-12 || got[1] != 0 {
		t.Errorf("yaw: %v", got)
	}
	if got := BodyRate(Mount{}, 0, 90, 0); math.Abs(got[1]+math.Pi/2) > 1e-12 || got[2] != 0 {
		t.Errorf("pitch: %v", got)
	}
}
