package scene

import (
	"image"
	"image/color"
	"image/png"
	"os"
	"path/filepath"
	"testing"
)

// mustView fails the test when a view cannot be made.
func mustView(t testing.TB, l Lattice, o Optics) *View {
	t.Helper()
	v, err := NewView(l, o)
	if err != nil {
		t.Fatal(err)
	}
	return v
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
func frame(s Scene, v *View, atNS int64) [][]float64 {
	out := make([][]float64, v.Lattice().Rows)
	for r := range out {
		out[r] = make([]float64, v.Lattice().Columns)
		s.Row(out[r], v, r, atNS)
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

func TestDemoPictures(t *testing.T) {
	img := DemoPanorama()
	if got := img.Bounds().Size(); got != image.Pt(demoWidth, demoHeight) {
		t.Fatalf("size %v", got)
	}
	save(t, "demo", img)
	s := mustPanorama(t, img, PanoramaOptions{LuxHigh: 1000})
	l := Lattice{Rows: 96, Columns: 128, PitchXUm: 10, PitchYUm: 10}
	for _, c := range []struct {
		name string
		o    Optics
	}{
		{"ahead", Optics{}}, {"left", Optics{YawDeg: 90}}, {"right", Optics{YawDeg: -90}},
		{"behind", Optics{YawDeg: 180}}, {"down", Optics{PitchDeg: -90}}, {"up", Optics{PitchDeg: 90}},
		{"rolled", Optics{RollDeg: 30}},
	} {
		c.o.HorizontalFOVDeg = 90
		c.o.VerticalFOVDeg = l.VerticalFOVDeg(90)
		save(t, "view-"+c.name, picture(frame(s, mustView(t, l, c.o), 0), 1000, 4))
	}
}
