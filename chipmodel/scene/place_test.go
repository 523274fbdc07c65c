package scene

import (
	"image"
	"math"
	"math/rand/v2"
	"testing"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel/bustime"
)

// insidePipe is the stupid reference for cameras aside of the middle of the body: rays from dense points of each cell
// are followed from where the camera is until they are at the wall, by halving, and the nearest pixel of the picture in
// the direction of that point from where the picture was taken is read.
func insidePipe(light plane, l Lattice, o Optics, pose Pose, radius float64, points int) [][]float64 {
	mount, body := attitude(o.YawDeg, o.PitchDeg, o.RollDeg), attitude(pose.YawDeg, pose.PitchDeg, pose.RollDeg)
	qx, qy, qz := body.Apply(o.XM, o.YM, o.ZM)
	qx += pose.ForwardM
	tx, ty := math.Tan(radians(o.HorizontalFOVDeg/2)), math.Tan(radians(o.VerticalFOVDeg/2))
	out := make([][]float64, l.Rows)
	for r := range out {
		out[r] = make([]float64, l.Columns)
		for c := range out[r] {
			sum := 0.0
			for i := range points * points {
				px := float64(c) + (float64(i%points)+0.5)/float64(points)
				py := float64(r) + (float64(i/points)+0.5)/float64(points)
				dx, dy, dz := body.Apply(mount.Apply(1, tx*(1-2*px/float64(l.Columns)), ty*(1-2*py/float64(l.Rows))))
				near, far := 0.0, 1e4*radius
				for range 60 {
					if t := (near + far) / 2; math.Hypot(qy+t*dy, qz+t*dz) < radius {
						near = t
					} else {
						far = t
					}
				}
				x, y, z := qx+near*dx, qy+near*dy, qz+near*dz
				u := int((0.5 - math.Atan2(y, x)/(2*math.Pi)) * float64(light.width))
				v := int((0.5 - math.Asin(z/math.Sqrt(x*x+y*y+z*z))/math.Pi) * float64(light.height))
				sum += float64(light.pix[min(max(v, 0), light.height-1)*light.width+min(max(u, 0), light.width-1)])
			}
			out[r][c] = sum / float64(points*points)
		}
	}
	return out
}

// TestPlacesInAPipe: what cameras see that are not in the middle of the body, near the wall and far from it, with the
// body turned and moved.
func TestPlacesInAPipe(t *testing.T) {
	l := Lattice{Rows: 20, Columns: 20, PitchXUm: 10, PitchYUm: 10}
	img := softSpot(80, 5, 6)
	light, scene := linearise(img), mustPanorama(t, img, PanoramaOptions{LuxHigh: 1})
	for name, c := range map[string]struct {
		o Optics
		m Motion
	}{
		"in the middle": {Optics{YawDeg: 80}, Motion{PipeRadiusM: 0.3}},
		"near the wall": {Optics{YawDeg: 80, YM: 0.15}, Motion{PipeRadiusM: 0.3}},
		"far from it":   {Optics{YawDeg: 80, YM: -0.15, ZM: 0.05}, Motion{PipeRadiusM: 0.3}},
		"ahead":         {Optics{YawDeg: 90, XM: 0.05, RollDeg: 30}, Motion{PipeRadiusM: 0.3}},
		"turned":        {Optics{YawDeg: 60, XM: 0.1, YM: 0.05}, Motion{YawDeg: 20, RollDeg: 25, PipeRadiusM: 0.3}},
		"moved":         {Optics{YawDeg: 90, YM: 0.1}, Motion{ForwardM: 0.04, PipeRadiusM: 0.3}},
		"turning, moves": {Optics{YawDeg: 85, YM: 0.1},
			Motion{RollRateDegPerS: 30, ForwardMPerS: 0.05, PipeRadiusM: 0.4}},
		"oblong": {Optics{YawDeg: 80, YM: 0.1, HorizontalFOVDeg: 80}, Motion{PipeRadiusM: 0.3}},
	} {
		t.Run(name, func(t *testing.T) {
			c.o.VerticalFOVDeg = 40
			if c.o.HorizontalFOVDeg == 0 {
				c.o.HorizontalFOVDeg = 40
			}
			const at = 500_000_000
			got := frame(moving(scene, c.m), mustView(t, l, c.o), at)
			want := insidePipe(light, l, c.o, c.m.At(at), c.m.PipeRadiusM, 8)
			if off := worstOff(got, want); off > 0.06 {
				t.Errorf("off by %.1f %% of the peak", 100*off)
			}
			// The place matters, or the test would be of nothing.
			c.o.XM, c.o.YM, c.o.ZM = 0, 0, 0
			if off := worstOff(frame(moving(scene, c.m), mustView(t, l, c.o), at), want); name != "in the middle" &&
				off < 0.1 {
				t.Errorf("in the middle it would be off by only %.1f %%", 100*off)
			}
		})
	}
}

// TestFootprintsAsideOfTheAxis: what a footprint covers as seen from the middle of the picture, against finite
// differences of rays from any place in the pipe.
func TestFootprintsAsideOfTheAxis(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for range 2000 {
		qx, angle, out := rng.NormFloat64(), rng.Float64()*2*math.Pi, 0.9*rng.Float64()
		qy, qz := out*math.Cos(angle), out*math.Sin(angle)
		azimuth, elevation := rng.Float64()*360, 140*rng.Float64()-70
		if math.Abs(math.Sin(radians(azimuth))) < 0.2 { // along the axis nothing is near
			continue
		}
		const step = 1e-3 // degrees
		seen := func(dAzimuth, dElevation float64) [3]float64 {
			x, y, z := direction(azimuth+dAzimuth/math.Cos(radians(elevation)), elevation+dElevation)
			near, far := 0.0, 1e3
			for range 80 {
				if m := (near + far) / 2; math.Hypot(qy+m*y, qz+m*z) < 1 {
					near = m
				} else {
					far = m
				}
			}
			v := [3]float64{qx + near*x, qy + near*y, qz + near*z}
			n := math.Sqrt(v[0]*v[0] + v[1]*v[1] + v[2]*v[2])
			return [3]float64{v[0] / n, v[1] / n, v[2] / n}
		}
		want := 2 * triangleArea(seen(0, 0), seen(step, 0), seen(0, step)) / squared(radians(step))
		p := pose32{aside: true, from: [3]float32{float32(qx), float32(qy), float32(qz)},
			open: float32(1 / (1 - qy*qy - qz*qz))}
		x, y, z := direction(azimuth, elevation)
		vx, vy, vz, wider, _ := p.meet(float32(x), float32(y), float32(z))
		n := math.Sqrt(float64(vx*vx + vy*vy + vz*vz))
		if got := float64(wider) / (n * n * n); math.Abs(got/want-1) > 5e-3 {
			t.Fatalf("from (%v, %v, %v) towards %v, %v: a footprint grows by %v, differences say %v", qx, qy, qz,
				azimuth,
				elevation, got, want)
		}
	}
}

// TestPlacesThatShowNothing: without a pipe what is seen is far away, and the place makes no difference; outside the
// pipe it is dark; and equal light stays equal from everywhere.
func TestPlacesThatShowNothing(t *testing.T) {
	l := Lattice{Rows: 6, Columns: 6, PitchXUm: 10, PitchYUm: 10}
	o := Optics{YawDeg: 50, HorizontalFOVDeg: 60, VerticalFOVDeg: 60}
	there := o
	there.XM, there.YM, there.ZM = 0.3, 0.2, -0.1
	scene := mustPanorama(t, noisePicture(64, 32), PanoramaOptions{LuxHigh: 1})
	far, aside := frame(scene, mustView(t, l, o), 0), frame(scene, mustView(t, l, there), 0)
	for r := range far {
		for c := range far[r] {
			if far[r][c] != aside[r][c] {
				t.Fatalf("pixel %d,%d: %v and %v without a pipe", r, c, far[r][c], aside[r][c])
			}
		}
	}
	for radius, want := range map[float64]float64{0.2: 0, 0.25: 7} { // it is 0.224 m from the axis
		grey := image.NewGray(image.Rect(0, 0, 4, 2))
		lit := mustPanorama(t, grey, PanoramaOptions{LuxLow: 7, LuxHigh: 9, Motion: Motion{PipeRadiusM: radius}})
		for _, line := range frame(lit, mustView(t, l, there), bustime.Time(1)) {
			for _, got := range line {
				if got != want {
					t.Fatalf("in a pipe of %v m: %v lx, want exactly %v", radius, got, want)
				}
			}
		}
	}
}

// triangleArea is the area of a small triangle by its edge vectors.
func triangleArea(a, b, c [3]float64) float64 {
	u := [3]float64{b[0] - a[0], b[1] - a[1], b[2] - a[2]}
	v := [3]float64{c[0] - a[0], c[1] - a[1], c[2] - a[2]}
	return math.Sqrt(squared(u[1]*v[2]-u[2]*v[1])+squared(u[2]*v[0]-u[0]*v[2])+squared(u[0]*v[1]-u[1]*v[0])) / 2
}

// TestLampAside: under a lamp in the middle of the body a white pipe is as bright as the way from the lamp to the wall
// says, followed step by step, against that of a lamp on the axis beside it.
func TestLampAside(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 1))
	white := image.NewGray(image.Rect(0, 0, 64, 32))
	for i := range white.Pix {
		white.Pix[i] = 255
	}
	const radius, lux = 0.3, 100
	l := Lattice{Rows: 1, Columns: 1, PitchXUm: 10, PitchYUm: 10}
	for range 300 {
		share, out, angle := rng.Float64(), 0.8*radius*rng.Float64(), 2*math.Pi*rng.Float64()
		m := Motion{From: 3, PipeRadiusM: radius, ForwardM: rng.NormFloat64(), LeftM: out * math.Cos(angle),
			UpM: out * math.Sin(angle), YawDeg: 20 * rng.NormFloat64()}
		o := Optics{YawDeg: 60 + 60*rng.Float64(), PitchDeg: 60*rng.Float64() - 30, HorizontalFOVDeg: 0.5,
			VerticalFOVDeg: 0.5, XM: 0.02 * rng.NormFloat64()}
		lit, err := Panorama(white, PanoramaOptions{LuxHigh: lux, LampShare: share, Motion: m})
		if err != nil {
			t.Fatal(err)
		}
		got := frame(lit, mustView(t, l, o), 7)[0][0]
		unlit, err := Panorama(white, PanoramaOptions{LuxHigh: lux, Motion: m})
		if err != nil {
			t.Fatal(err)
		}
		plain := frame(unlit, mustView(t, l, o), 7)[0][0]
		body := attitude(m.YawDeg, 0, 0)
		mx, my, mz := body.Apply(o.XM, 0, 0)
		dx, dy, dz := body.Apply(attitude(o.YawDeg, o.PitchDeg, 0).Apply(1, 0, 0))
		x, y, z := mx, my+m.LeftM, mz+m.UpM // from the lamp's place along the axis
		step := radius / 5000
		for math.Hypot(y, z) < radius {
			x, y, z = x+step*dx, y+step*dy, z+step*dz
		}
		from := func(left, up float64) float64 {
			rx, ry, rz := x, y-left, z-up
			far := math.Sqrt(rx*rx + ry*ry + rz*rz)
			return (ry*y + rz*z) / (radius * far) / (far * far)
		}
		want := plain * (1 - share + share*from(m.LeftM, m.UpM)/from(0, 0))
		if math.Abs(got-want) > 0.01*want {
			t.Fatalf("%+v towards %+v with a share of %v: %v lux, want %v", m, o, share, got, want)
		}
	}
}
