package scene

import (
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
)

// sample averages around a point of a side, with the variance of a square of three times `area` texels of level 0.
func (c cubeMap) sample(side int, u, v, area float32) float32 {
	level, mix := levelOf(area, len(c)-1)
	if mix < 0 {
		return c[level].bilinear(side, u, v)
	}
	fine, coarse := c[level].bilinear(side, u, v), c[level+1].bilinear(side, u, v)
	return fine + mix*(coarse-fine)
}

// bilinear interpolates between texel centres; u and v from -1 to 1.
func (l *cubeLevel) bilinear(side int, u, v float32) float32 {
	x, y := (u+1)*l.half+0.5, (v+1)*l.half+0.5
	i, j := int(x), int(y)
	tx, ty := x-float32(i), y-float32(j)
	at := side*l.side + j*l.stride + i
	top, bottom := l.texels[at:at+2], l.texels[at+l.stride:at+l.stride+2]
	a := top[0] + tx*(top[1]-top[0])
	b := bottom[0] + tx*(bottom[1]-bottom[0])
	return a + ty*(b-a)
}

// poseOf is the pose at a bus time, nothing of it prepared.
func poseOf(m Motion, at bustime.Time) pose32 {
	p := m.At(at)
	return newPose32(m, p, attitudeOf(p))
}

// look is the mean light on one ray.
func (p *panorama) look(pose *pose32, r ray) float32 {
	m := &pose.m
	x := m[0]*r.x + m[1]*r.y + m[2]*r.z
	y := m[3]*r.x + m[4]*r.y + m[5]*r.z
	z := m[6]*r.x + m[7]*r.y + m[8]*r.z
	if pose.forward != 0 {
		x += pose.forward * float32(math.Sqrt(float64(y*y+z*z)))
	}
	side, major, a, b := sideOf(x, y, z)
	inverse := 1 / major
	return p.cube.sample(side, a*inverse, b*inverse, p.area(r.footprint, inverse))
}

// pixel is the light on one pixel, one tap after another.
func (p *panorama) pixel(v *View, i int, pose *pose32) float64 {
	r := v.rays[i]
	if v.streaks == nil || v.streaks[i].taps <= 1 {
		return float64(p.look(pose, r)) * float64(v.gain[i])
	}
	s := v.streaks[i]
	back := float32(s.taps-1) / 2
	r.x, r.y, r.z = r.x-back*s.x, r.y-back*s.y, r.z-back*s.z
	base, sum := p.look(pose, r), float32(0)
	for range s.taps - 1 {
		r.x, r.y, r.z = r.x+s.x, r.y+s.y, r.z+s.z
		sum += p.look(pose, r) - base
	}
	light := base + sum/float32(s.taps)
	return float64(light) * float64(v.gain[i])
}

// TestRowsArePixels: a row is, to the bit, what its pixels are one by one: chips of random sizes, lenses and mounts,
// square pixels and others, under random motions.
func TestRowsArePixels(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	still := mustPanorama(t, DemoPanorama(), PanoramaOptions{LuxLow: 1, LuxHigh: 1000}).(*panorama)
	for range 20 {
		m := Motion{YawRateDegPerS: 100 * r.NormFloat64(), RollRateDegPerS: 50 * r.NormFloat64(),
			ForwardMPerS: []float64{0, 0.2}[r.IntN(2)], PipeRadiusM: 0.3, TravelM: 1}
		moving := *still // to paint one anew takes a quarter of a second
		p := &moving
		p.move(m)
		l := Lattice{Rows: 1 + r.IntN(6), Columns: 1 + r.IntN(70), PitchXUm: 20,
			PitchYUm: []float64{20, 30, 90, 5}[r.IntN(4)]}
		v := mustView(t, l, Optics{YawDeg: 360 * r.Float64(), PitchDeg: 180*r.Float64() - 90, RollDeg: 90 * r.Float64(),
			HorizontalFOVDeg: 2 + 100*r.Float64(), VerticalFOVDeg: 2 + 100*r.Float64(), Vignetting: 0.3,
			BlurPixels: 0.4 * r.Float64()})
		dst := make([]float64, l.Columns)
		for row := range l.Rows {
			at := bustime.Time(r.Int64N(1e12))
			p.Row(dst, v, row, at)
			pose := poseOf(m, at)
			for c, got := range dst {
				if want := p.pixel(v, row*l.Columns+c, &pose); got != want {
					t.Fatalf("row %d, column %d of %v: %v, want %v", row, c, l, got, want)
				}
			}
		}
	}
}
