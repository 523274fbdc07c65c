package scene

import (
	"bytes"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"

	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/geometry"
)

// Lattice and Optics are the parts of a camera in one line each.
type Lattice = geometry.Lattice

type Optics struct {
	YawDeg, PitchDeg, RollDeg            float64
	Projection                           geometry.Projection
	HorizontalFOVDeg, VerticalFOVDeg     float64
	DistortionK1, Vignetting, BlurPixels float64
	FNumber, FocusM, SubjectM            float64
	XM, YM, ZM                           float64
}

var square64 = Lattice{Rows: 64, Columns: 64, PitchXUm: 10, PitchYUm: 10}

// mustView fails the test when a view cannot be made.
func mustView(t testing.TB, l Lattice, o Optics) *View {
	t.Helper()
	lens := geometry.Lens{Projection: o.Projection, HorizontalFOVDeg: o.HorizontalFOVDeg,
		VerticalFOVDeg: o.VerticalFOVDeg, DistortionK1: o.DistortionK1, Vignetting: o.Vignetting,
		BlurPixels: o.BlurPixels, FNumber: o.FNumber, FocusM: o.FocusM, SubjectM: o.SubjectM}
	if m := append(l.Check(), lens.Check(l)...); len(m) > 0 {
		t.Fatal(m)
	}
	return NewView(geometry.New(l, geometry.Mount{YawDeg: o.YawDeg, PitchDeg: o.PitchDeg, RollDeg: o.RollDeg,
		XM: o.XM, YM: o.YM, ZM: o.ZM}, lens))
}

// Ray and Gain are those of one pixel, as the scenes see them.
func (v *View) Ray(row, column int) (x, y, z float64) {
	r := v.rays[row*v.lattice.Columns+column]
	return float64(r.x), float64(r.y), float64(r.z)
}

func (v *View) Gain(row, column int) float64 { return float64(v.gain[row*v.lattice.Columns+column]) }

func radians(deg float64) float64 { return deg * (math.Pi / 180) }
func degrees(rad float64) float64 { return rad * (180 / math.Pi) }

// paramsOf lists the parameters that an error complains about, sorted.
func paramsOf(err error) []string {
	var out []string
	var walk func(error)
	walk = func(err error) {
		if p, ok := err.(*ParamError); ok {
			out = append(out, p.Param)
			return
		}
		switch e := err.(type) {
		case interface{ Unwrap() []error }:
			for _, inner := range e.Unwrap() {
				walk(inner)
			}
		case interface{ Unwrap() error }:
			walk(e.Unwrap())
		}
	}
	walk(err)
	slices.Sort(out)
	return out
}

func wantParams(t *testing.T, err error, want ...string) {
	t.Helper()
	slices.Sort(want)
	if got := paramsOf(err); !slices.Equal(got, want) {
		t.Errorf("errors in %v, want %v; error: %v", got, want, err)
	}
}

// attitude is that of the room for geometry.
func attitude(yawDeg, pitchDeg, rollDeg float64) geometry.Rotation {
	return geometry.Attitude(yawDeg, pitchDeg, rollDeg)
}

func mustPanorama(t testing.TB, img image.Image, o PanoramaOptions) Scene {
	t.Helper()
	s, err := Panorama(img, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// frame is all rows of a view at one instant.
func frame(s Scene, v *View, at bustime.Time) [][]float64 {
	out := make([][]float64, v.lattice.Rows)
	for r := range out {
		out[r] = make([]float64, v.lattice.Columns)
		s.Row(out[r], v, r, at)
	}
	return out
}

// save writes a picture into the folder named by SCENE_PICTURES, if set, so
// that a person can look at what the tests look at.
func save(t testing.TB, name string, img image.Image) {
	t.Helper()
	dir := os.Getenv("SCENE_PICTURES")
	if dir == "" {
		return
	}
	f, err := os.Create(filepath.Join(dir, name+".png"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := png.Encode(f, img); err != nil {
		t.Fatal(err)
	}
}

// picture shows a frame scaled up, white at the given lux.
func picture(f [][]float64, white float64, zoom int) image.Image {
	img := image.NewGray(image.Rect(0, 0, len(f[0])*zoom, len(f)*zoom))
	for y := range len(f) * zoom {
		for x := range len(f[0]) * zoom {
			v := encodeSRGB(min(max(f[y/zoom][x/zoom]/white, 0), 1))
			img.SetGray(x, y, color.Gray{Y: uint8(v*255 + 0.5)})
		}
	}
	return img
}

// sheet puts pictures of one size side by side, some to a line.
func sheet(line int, pictures []image.Image) image.Image {
	size := pictures[0].Bounds().Size().Add(image.Pt(4, 4))
	lines := (len(pictures) + line - 1) / line
	out := image.NewGray(image.Rect(0, 0, size.X*line, size.Y*lines))
	for i, p := range pictures {
		at := image.Pt(i%line*size.X, i/line*size.Y)
		draw.Draw(out, p.Bounds().Add(at), p, image.Point{}, draw.Src)
	}
	return out
}

func mean(f [][]float64) float64 {
	var sum, n float64
	for _, line := range f {
		for _, v := range line {
			sum, n = sum+v, n+1
		}
	}
	return sum / n
}

// demoPicture is the picture of the demo, painted once for all tests that only look at it.
var demoPicture = sync.OnceValue(DemoPanorama)

// The demo is what it is said to be: the same each time, brightest at the
// outlet ahead, darkest behind, with structure for chips that look aside and
// down, and the right way up.
func TestDemoPanorama(t *testing.T) {
	img := demoPicture()
	if got := img.Bounds().Size(); got != image.Pt(demoWidth, demoHeight) {
		t.Fatalf("size %v", got)
	}
	if !bytes.Equal(img.(*image.RGBA).Pix, DemoPanorama().(*image.RGBA).Pix) {
		t.Error("a second picture differs")
	}
	save(t, "demo", img)
	s := mustPanorama(t, img, PanoramaOptions{LuxHigh: 1000})
	l := Lattice{Rows: 48, Columns: 64, PitchXUm: 10, PitchYUm: 10}
	look := func(yaw, pitch, field float64) [][]float64 {
		return frame(s, mustView(t, l, Optics{YawDeg: yaw, PitchDeg: pitch, HorizontalFOVDeg: field,
			VerticalFOVDeg: geometry.Rectilinear.VerticalFOVDeg(field, l)}), 0)
	}
	outlet, ahead, behind := look(0, 2, 2), look(0, 0, 60), look(180, 0, 20)
	if a, b := mean(outlet), mean(behind); a < 700 || b > 60 {
		t.Errorf("outlet %v lx, behind %v lx", a, b)
	}
	if up, down := mean(ahead[:24]), mean(ahead[24:]); down == up {
		t.Error("above and below are alike")
	}
	for name, f := range map[string][][]float64{"left": look(90, 0, 50), "right": look(-90, 0, 50),
		"bed": look(0, -90, 50), "crown": look(0, 90, 50)} {
		m := mean(f)
		var squares float64
		for _, line := range f {
			for _, v := range line {
				squares += squared(v-m) / float64(l.Rows*l.Columns)
			}
		}
		if contrast := math.Sqrt(squares) / m; m < 20 || contrast < 0.15 {
			t.Errorf("%s: mean %v lx, contrast %v", name, m, contrast)
		}
	}
}

// Pictures to look at, see save. What they show is tested elsewhere.
func TestPicturesToLookAt(t *testing.T) {
	if os.Getenv("SCENE_PICTURES") == "" {
		t.Skip("SCENE_PICTURES names no folder")
	}
	s := mustPanorama(t, demoPicture(), PanoramaOptions{LuxHigh: 1000,
		Motion: Motion{ForwardMPerS: 0.1, PipeRadiusM: 0.4}})
	l := Lattice{Rows: 96, Columns: 128, PitchXUm: 10, PitchYUm: 10}
	shoot := func(l Lattice, o Optics, at int64) image.Image {
		if o.HorizontalFOVDeg == 0 {
			o.HorizontalFOVDeg = 80
		}
		o.VerticalFOVDeg = geometry.Rectilinear.VerticalFOVDeg(o.HorizontalFOVDeg, l)
		return picture(frame(s, mustView(t, l, o), bustime.Time(at)), 500, 384/l.Columns)
	}
	save(t, "mounts", sheet(3, []image.Image{
		shoot(l, Optics{}, 0), shoot(l, Optics{YawDeg: 180}, 0), shoot(l, Optics{RollDeg: 30}, 0),
		shoot(l, Optics{YawDeg: 90}, 0), shoot(l, Optics{YawDeg: -90}, 0), shoot(l, Optics{YawDeg: 45}, 0),
		shoot(l, Optics{PitchDeg: 90}, 0), shoot(l, Optics{PitchDeg: -90}, 0), shoot(l, Optics{PitchDeg: -35}, 0),
	}))
	small := Lattice{Rows: 48, Columns: 64, PitchXUm: 10, PitchYUm: 10}
	save(t, "lenses", sheet(3, []image.Image{
		shoot(small, Optics{}, 0), shoot(small, Optics{DistortionK1: -0.12}, 0),
		shoot(small, Optics{DistortionK1: 0.5}, 0),
		shoot(small, Optics{Vignetting: 1}, 0), shoot(small, Optics{BlurPixels: 1.5}, 0),
		shoot(small, Optics{HorizontalFOVDeg: 140}, 0),
	}))
	var moving []image.Image
	for i := range 6 {
		moving = append(moving, shoot(small, Optics{YawDeg: 60}, int64(i)*second/2))
	}
	save(t, "moving", sheet(3, moving))
}
