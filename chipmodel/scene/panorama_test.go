package scene

import (
	"image"
	"image/color"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// spots is a black panorama of 720 by 360 (half a degree a pixel) with white
// discs of the given radius at azimuths and elevations in degrees.
func spots(radiusDeg float64, at ...[2]float64) image.Image {
	img := image.NewGray(image.Rect(0, 0, 720, 360))
	for y := range 360 {
		for x := range 720 {
			dx, dy, dz := direction(180-(float64(x)+0.5)/2, 90-(float64(y)+0.5)/2)
			for _, s := range at {
				sx, sy, sz := direction(s[0], s[1])
				if dx*sx+dy*sy+dz*sz > math.Cos(radians(radiusDeg)) {
					img.SetGray(x, y, color.Gray{Y: 255})
				}
			}
		}
	}
	return img
}

func direction(azimuthDeg, elevationDeg float64) (x, y, z float64) {
	sa, ca := math.Sincos(radians(azimuthDeg))
	se, ce := math.Sincos(radians(elevationDeg))
	return ce * ca, ce * sa, se
}

// centroid is the light-weighted mean position of a frame.
func centroid(f [][]float64) (row, column, sum float64) {
	for r, line := range f {
		for c, v := range line {
			row, column, sum = row+v*float64(r), column+v*float64(c), sum+v
		}
	}
	return row / sum, column / sum, sum
}

// A view of 64 by 64 and 90 degrees: the tangent of 45 degrees is 32 cells.
func TestSpotsAppearWhereTheyAre(t *testing.T) {
	aside := 32 * math.Tan(radians(20)) // cells from the middle for 20 degrees
	diagonal := aside * math.Sqrt2 / 2
	seen := map[[2]float64]Scene{}
	for _, c := range []struct {
		name             string
		spot             [2]float64 // azimuth, elevation
		yaw, pitch, roll float64
		dRow, dColumn    float64 // expected distance from the middle
	}{
		{"ahead", [2]float64{0, 0}, 0, 0, 0, 0, 0},
		{"left of the axis is left in the frame", [2]float64{20, 0}, 0, 0, 0, 0, -aside},
		{"right", [2]float64{-20, 0}, 0, 0, 0, 0, aside},
		{"above is up", [2]float64{0, 20}, 0, 0, 0, -aside, 0},
		{"below", [2]float64{0, -20}, 0, 0, 0, aside, 0},
		{"yaw left shows the left", [2]float64{90, 0}, 90, 0, 0, 0, 0},
		{"yaw left moves things right", [2]float64{0, 0}, 20, 0, 0, 0, aside},
		{"behind, over the seam of the picture", [2]float64{180, 0}, 180, 0, 0, 0, 0},
		{"left of a chip that looks back", [2]float64{-160, 0}, 180, 0, 0, 0, -aside},
		{"pitch up shows above", [2]float64{0, 70}, 0, 70, 0, 0, 0},
		{"pitch up moves things down", [2]float64{0, 0}, 0, 20, 0, aside, 0},
		{"zenith", [2]float64{0, 90}, 0, 90, 0, 0, 0},
		{"ahead is below the zenith", [2]float64{0, 70}, 0, 90, 0, aside, 0},
		{"left of the zenith", [2]float64{90, 70}, 0, 90, 0, 0, -aside},
		{"ahead is above the nadir", [2]float64{0, -70}, 0, -90, 0, -aside, 0},
		{"left of the nadir", [2]float64{90, -70}, 0, -90, 0, 0, -aside},
		{"roll turns the frame anticlockwise: right goes up", [2]float64{-20, 0}, 0, 0, 90, -aside, 0},
		{"roll: above goes left", [2]float64{0, 20}, 0, 0, 90, 0, -aside},
		{"half of that roll", [2]float64{-20, 0}, 0, 0, 45, -diagonal, diagonal},
		{"yaw, then pitch, then roll", [2]float64{90, 20}, 90, 40, 90, 0, aside},
	} {
		s := seen[c.spot]
		if s == nil {
			s = mustPanorama(t, spots(3, c.spot), PanoramaOptions{LuxHigh: 100})
			seen[c.spot] = s
		}
		v := mustView(t, square64, Optics{YawDeg: c.yaw, PitchDeg: c.pitch, RollDeg: c.roll, HorizontalFOVDeg: 90,
			VerticalFOVDeg: 90})
		row, column, _ := centroid(frame(s, v, 0))
		// A disc off the axis is stretched outward by the lens, by about 0.15 cells here.
		if math.Abs(row-31.5-c.dRow) > 0.25 || math.Abs(column-31.5-c.dColumn) > 0.25 {
			t.Errorf("%s: spot at row %+.2f column %+.2f from the middle, want %+.2f %+.2f", c.name, row-31.5,
				column-31.5, c.dRow, c.dColumn)
		}
		// The crawler turned by the same angles sees the same through a straight chip.
		turned := moving(s, Motion{YawDeg: c.yaw, PitchDeg: c.pitch, RollDeg: c.roll})
		row2, column2, _ := centroid(frame(turned,
			mustView(t, square64, Optics{HorizontalFOVDeg: 90, VerticalFOVDeg: 90}), 0))
		if math.Abs(row-row2) > 0.01 || math.Abs(column-column2) > 0.01 {
			t.Errorf("%s: the crawler turned sees %.2f %.2f, the chip turned %.2f %.2f", c.name, row2, column2, row,
				column)
		}
	}
}

func TestUniformPanoramaIsExactlyUniform(t *testing.T) {
	const seed = 5
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	for _, size := range []image.Point{{1, 1}, {2, 1}, {37, 19}, {512, 256}, {5, 300}} {
		grey := uint8(1 + rng.IntN(255))
		img := image.NewGray(image.Rect(3, -2, 3+size.X, -2+size.Y))
		for i := range img.Pix {
			img.Pix[i] = grey
		}
		s := mustPanorama(t, img, PanoramaOptions{LuxLow: 0.7, LuxHigh: 330,
			Motion: Motion{YawRateDegPerS: 77, PitchRateDegPerS: 9, ForwardMPerS: 0.4, PipeRadiusM: 0.2}})
		want := float64(float32(0.7) + float32(329.3)*float32(decodeSRGB(float64(grey)/255)))
		for _, field := range []float64{2, 60, 170, 250} {
			o := Optics{YawDeg: rng.Float64() * 360, PitchDeg: rng.Float64() * 90, RollDeg: 20,
				HorizontalFOVDeg: field, VerticalFOVDeg: field, BlurPixels: rng.Float64() * 3}
			if field > 170 {
				o.Projection = geometry.Equidistant
			}
			v := mustView(t, square64, o)
			for r, line := range frame(s, v, bustime.Time(rng.Int64N(1e10))) {
				for c, got := range line {
					if got != want {
						t.Fatalf("%v, field %v: pixel %d,%d has %v lx, want exactly %v", size, field, r, c, got, want)
					}
				}
			}
		}
	}
}

// noisePicture is an irregular picture with detail at every scale down to one
// pixel, with dark and bright parts.
func noisePicture(width, height int) *image.Gray {
	img := image.NewGray(image.Rect(0, 0, width, height))
	for y := range height {
		for x := range width {
			dx, dy, dz := direction(180-360*(float64(x)+0.5)/float64(width), 90-180*(float64(y)+0.5)/float64(height))
			v := fractal(5*dx+40+dz*3, 5*dy+40+dz*4, 77)
			v = 0.6*v + 0.4*noise(int64(x), int64(y), 4)
			img.SetGray(x, y, color.Gray{Y: uint8(255 * smooth((v-0.2)*1.6))})
		}
	}
	return img
}

// supersampled is the stupid reference: the mean over a fine grid of points in
// the cell of each pixel (and, for a blur, over a Gaussian around it) of the
// picture's nearest pixel found with atan2 and asin. It shares the lens without
// distortion only in the sense of its definition: tangents proportional to the
// position on the sensor.
func supersampled(light plane, l Lattice, o Optics, pose Pose, radius float64, points int) [][]float64 {
	mount := attitude(o.YawDeg, o.PitchDeg, o.RollDeg)
	body := attitude(pose.YawDeg, pose.PitchDeg, pose.RollDeg)
	tx, ty := math.Tan(radians(o.HorizontalFOVDeg/2)), math.Tan(radians(o.VerticalFOVDeg/2))
	rng := rand.New(rand.NewPCG(1, 2))
	out := make([][]float64, l.Rows)
	for r := range out {
		out[r] = make([]float64, l.Columns)
		for c := range out[r] {
			var sum float64
			for i := range points * points {
				px := float64(c) + (float64(i%points)+0.5)/float64(points) + o.BlurPixels*rng.NormFloat64()
				py := float64(r) + (float64(i/points)+0.5)/float64(points) +
					o.BlurPixels/l.RowPitch()*rng.NormFloat64()
				x, y, z := body.Apply(mount.Apply(1, tx*(1-2*px/float64(l.Columns)), ty*(1-2*py/float64(l.Rows))))
				if pose.ForwardM != 0 { // to the wall of the pipe, and the point as seen from the start
					t := radius / math.Hypot(y, z)
					x, y, z = x*t+pose.ForwardM, y*t, z*t
				}
				azimuth, elevation := math.Atan2(y, x), math.Asin(z/math.Sqrt(x*x+y*y+z*z))
				u := min(max(int((0.5-azimuth/(2*math.Pi))*float64(light.width)), 0), light.width-1)
				v := min(max(int((0.5-elevation/math.Pi)*float64(light.height)), 0), light.height-1)
				sum += float64(light.pix[v*light.width+u])
			}
			out[r][c] = sum / float64(points*points)
		}
	}
	return out
}

// compare returns the root mean square difference of two frames over the
// standard deviation of the reference, and the difference of the means over
// the mean.
func compare(got, want [][]float64) (relative, bias float64) {
	var n, sum, squares, diff, meanDiff float64
	for r := range want {
		for c, w := range want[r] {
			d := got[r][c] - w
			n, sum, squares, diff, meanDiff = n+1, sum+w, squares+w*w, diff+d*d, meanDiff+d
		}
	}
	return math.Sqrt(diff / (squares - sum*sum/n)), meanDiff / sum
}

// Against brute-force supersampling of a picture with irregular detail in every
// pixel, the hardest content there is for an average: the difference stays
// within the stated fraction of the contrast of the frame, and the mean light
// within 1.5 %. In "wide" ten picture pixels fall into a chip pixel along each
// axis (aliasing would show), in "narrow" three and a half.
func TestPanoramaAgainstSupersampling(t *testing.T) {
	fine := noisePicture(2048, 1024)
	light := linearise(fine)
	resampled := mustPanorama(t, fine, PanoramaOptions{LuxHigh: 1})
	l := Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10}
	still := Motion{}
	for _, c := range []struct {
		name      string
		o         Optics // of 45 degrees if not said
		motion    Motion
		tolerance float64
	}{
		{"wide", Optics{HorizontalFOVDeg: 100, VerticalFOVDeg: 100}, still, 0.09},
		{"middle", Optics{YawDeg: 33, PitchDeg: 20, RollDeg: 10}, still, 0.14},
		{"narrow", Optics{YawDeg: 133, HorizontalFOVDeg: 15, VerticalFOVDeg: 15}, still, 0.19},
		{"seam of the picture", Optics{YawDeg: 180}, still, 0.14},
		{"corner of the cube", Optics{YawDeg: 45, PitchDeg: 35}, still, 0.14},
		{"zenith", Optics{PitchDeg: 90}, still, 0.14},
		{"nadir", Optics{PitchDeg: -90, HorizontalFOVDeg: 15, VerticalFOVDeg: 15}, still, 0.14},
		{"blurred", Optics{YawDeg: -70, BlurPixels: 1.5}, still, 0.14},
		{"turned", Optics{YawDeg: -70}, Motion{YawDeg: 20, YawRateDegPerS: 15, RollDeg: 40}, 0.14},
		{"moved", Optics{YawDeg: 90}, Motion{ForwardMPerS: 0.1, PipeRadiusM: 0.4}, 0.14},
		{"moved back, oblique", Optics{YawDeg: 40, PitchDeg: 20}, Motion{ForwardMPerS: -0.1, PipeRadiusM: 0.4}, 0.14},
	} {
		if c.o.HorizontalFOVDeg == 0 {
			c.o.HorizontalFOVDeg, c.o.VerticalFOVDeg = 45, 45
		}
		const at = 3_000_000_000
		got := frame(moving(resampled, c.motion), mustView(t, l, c.o), at)
		want := supersampled(light, l, c.o, c.motion.At(at), c.motion.PipeRadiusM, 20)
		relative, bias := compare(got, want)
		t.Logf("%-20s rms difference %.1f %% of the contrast, mean %+.2f %%", c.name, 100*relative, 100*bias)
		if relative > c.tolerance || math.Abs(bias) > 0.015 {
			t.Errorf("%s: rms difference %.3f of the contrast (at most %.3f), bias %.4f", c.name, relative, c.tolerance,
				bias)
		}
	}
}

// The same with photographs as panoramas. They have few pixels (150 by 103), and
// the reference shows the steps between them where the panorama interpolates.
func TestPhotographAgainstSupersampling(t *testing.T) {
	for _, name := range []string{"video-001.png", "video-001.jpeg", "video-005.gray.png"} {
		img := photograph(t, name)
		light := linearise(img)
		l := Lattice{Rows: 24, Columns: 24, PitchXUm: 10, PitchYUm: 10}
		o := Optics{YawDeg: 30, PitchDeg: 10, RollDeg: 15, HorizontalFOVDeg: 80, VerticalFOVDeg: 80}
		got := frame(mustPanorama(t, img, PanoramaOptions{LuxHigh: 1}), mustView(t, l, o), 0)
		want := supersampled(light, l, o, Pose{}, 0, 20)
		relative, bias := compare(got, want)
		t.Logf("%s: rms difference %.1f %% of the contrast, mean %+.2f %%", name, 100*relative, 100*bias)
		if relative > 0.11 || math.Abs(bias) > 0.01 {
			t.Errorf("%s: rms difference %.3f of the contrast, bias %.4f", name, relative, bias)
		}
	}
}

// photograph reads a test picture of the Go distribution, or skips the test.
func photograph(t *testing.T, name string) image.Image {
	t.Helper()
	out, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Skip("no go command to ask for GOROOT: ", err)
	}
	f, err := os.Open(filepath.Join(strings.TrimSpace(string(out)), "src/image/testdata", name))
	if err != nil {
		t.Skip("no test pictures in GOROOT: ", err)
	}
	defer f.Close()
	img, err := Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	return img
}

// Vertical bars finer than the pixels must fade as the aperture of the pixel
// says, sinc(f p), and not come back as false coarse bars at full contrast, as
// they do when the nearest picture pixel is taken. The kernel is smoother than a
// box, so that of the box's own side lobe (0.21 at 1.5 cycles) little remains;
// hence the tolerance of 0.2.
func TestFineBarsFade(t *testing.T) {
	const width, cycles = 4096, 512 // one cycle is 0.703 degrees
	img := image.NewGray16(image.Rect(0, 0, width, 8))
	for x := range width {
		v := encodeSRGB(0.5 + 0.5*math.Sin(2*math.Pi*cycles*(float64(x)+0.5)/width))
		for y := range 8 {
			img.SetGray16(x, y, color.Gray16{Y: uint16(65535*v + 0.5)})
		}
	}
	s := mustPanorama(t, img, PanoramaOptions{LuxHigh: 1})
	for _, perPixel := range []float64{0.1, 0.25, 0.45, 0.8, 1.07, 1.5, 2.05, 3.3, 7.1} {
		field := perPixel * 8 * 360 / cycles // 8 columns: tangents are angles within 1 % up to 10 degrees
		v := mustView(t, Lattice{Rows: 1, Columns: 8, PitchXUm: 1, PitchYUm: 1},
			Optics{HorizontalFOVDeg: field, VerticalFOVDeg: field / 8})
		var most float64
		for i := range 40 { // turn by fractions of a cycle and take the largest swing
			turned := moving(s, Motion{YawDeg: float64(i) / 40 * 360 / cycles})
			dst := make([]float64, 8)
			turned.Row(dst, v, 0, 0)
			most = max(most, math.Abs(dst[3]-0.5)/0.5, math.Abs(dst[4]-0.5)/0.5)
		}
		want := math.Abs(sinc(perPixel))
		t.Logf("%.2f cycles per pixel: contrast %.3f, aperture %.3f", perPixel, most, want)
		if math.Abs(most-want) > 0.2 {
			t.Errorf("%.2f cycles per pixel: contrast %.3f, the aperture gives %.3f", perPixel, most, want)
		}
	}
}

// moving is the same panorama under another motion, without resampling it.
func moving(s Scene, m Motion) Scene {
	q := *s.(*panorama)
	q.move(m)
	return &q
}

// The sides of the cube meet without a step: values on both sides of an edge,
// and around a corner, differ as little as their distance, at every level.
func TestCubeHasNoSeams(t *testing.T) {
	const seed = 21
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 0))
	cube := mustPanorama(t, noisePicture(256, 128), PanoramaOptions{LuxHigh: 1}).(*panorama).cube
	look := func(x, y, z, area float64) float64 {
		side, major, a, b := sideOf(float32(x), float32(y), float32(z))
		return float64(cube.sample(side, a/major, b/major, float32(area)))
	}
	crossed := 0
	for range 20000 {
		p := [3]float64{1, 1, 2*rng.Float64() - 1} // an edge; one in ten a corner
		if rng.IntN(10) == 0 {
			p[2] = 1
		}
		for i := range p {
			if rng.IntN(2) == 0 {
				p[i] = -p[i]
			}
		}
		rng.Shuffle(3, func(i, j int) { p[i], p[j] = p[j], p[i] })
		near := func() (float64, float64, float64) {
			const by = 1e-5
			return p[0] + by*rng.NormFloat64(), p[1] + by*rng.NormFloat64(), p[2] + by*rng.NormFloat64()
		}
		ax, ay, az := near()
		bx, by, bz := near()
		sideA, _, _, _ := sideOf(float32(ax), float32(ay), float32(az))
		sideB, _, _, _ := sideOf(float32(bx), float32(by), float32(bz))
		if sideA == sideB {
			continue
		}
		crossed++
		area := math.Exp2(rng.Float64()*20 - 2)
		// A full swing within a texel of 2/128 is a slope of 64; the steps are about 4e-5.
		if a, b := look(ax, ay, az, area), look(bx, by, bz, area); math.Abs(a-b) > 0.01 {
			t.Fatalf("near %v, area %v: %v on side %d and %v on side %d", p, area, a, sideA, b, sideB)
		}
	}
	if crossed < 5000 {
		t.Errorf("only %d pairs lay on two sides", crossed)
	}
}
