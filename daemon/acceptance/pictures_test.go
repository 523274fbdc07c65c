package acceptance

import (
	"encoding/json"
	"image"
	"image/png"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/demo"
)

// TestFramesShowThePicture saves the frames of every chip under a real photograph
// (a test picture of the Go distribution) and compares each with the photograph as
// the scene shows it in that chip's direction: the frame is alike to its own
// direction, and more so than to that of any other chip of its class.
func TestFramesShowThePicture(t *testing.T) {
	t.Parallel()
	root, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		t.Fatal(err)
	}
	photo := filepath.Join(strings.TrimSpace(string(root)), "src/image/testdata/video-001.png")
	if _, err := os.Stat(photo); err != nil {
		t.Skipf("this Go distribution comes without %s; skipped", photo)
	}
	spec := "panorama:" + photo
	light, err := scene.Parse(spec, func(name string) (io.ReadCloser, error) { return os.Open(name) })
	if err != nil {
		t.Fatal(err)
	}
	a, err := demo.Array()
	if err != nil {
		t.Fatal(err)
	}
	d := start(t, "--scene", spec)
	dir := t.TempDir()
	for _, task := range []string{"wall", "bed", "bow", "comb"} {
		run(t, binary(t, "facetctl"), "--address", d.grpc, "frames", "save", "--task", task, "--out", dir)
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
	for i := range a.Chips {
		chip := &a.Chips[i]
		got := load(t, dir, chip.Name)
		own := correlation(got, expected(t, a, i, light, got.Bounds()))
		if own < 0.7 {
			t.Errorf("%s: correlation %.2f with its own direction", chip.Name, own)
		}
		for j := range a.Chips {
			if j != i && a.Chips[j].Class == chip.Class {
				if other := correlation(got, expected(t, a, j, light, got.Bounds())); other >= own {
					t.Errorf("%s: correlation %.2f with its own direction, %.2f with that of %s", chip.Name, own, other,
						a.Chips[j].Name)
				}
			}
		}
	}
}

// load reads the saved frame of a chip, and checks what lies beside it.
func load(t *testing.T, dir, chip string) *image.Gray16 {
	t.Helper()
	files, err := filepath.Glob(filepath.Join(dir, "*-"+chip+"-*.png"))
	if err != nil || len(files) != 1 {
		t.Fatalf("%s: %d pictures (%v)", chip, len(files), err)
	}
	f, err := os.Open(files[0])
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.Decode(f)
	if err != nil {
		t.Fatal(err)
	}
	grey, ok := img.(*image.Gray16)
	if !ok {
		t.Fatalf("%s is not 16-bit grey", files[0])
	}
	side, err := os.ReadFile(strings.TrimSuffix(files[0], ".png") + ".json")
	if err != nil {
		t.Fatal(err)
	}
	if !json.Valid(side) || !strings.Contains(string(side), chip) {
		t.Errorf("%s: what lies beside it is not of it: %.200s", files[0], side)
	}
	return grey
}

// expected is the logarithm of the light on a chip, averaged to the frame's size.
func expected(t *testing.T, a *chipmodel.Array, chip int, light scene.Scene, size image.Rectangle) []float64 {
	t.Helper()
	c := &a.Chips[chip]
	v := scene.NewView(c.Camera())
	rows, cols := size.Dy(), size.Dx()
	out := make([]float64, rows*cols)
	row := make([]float64, c.Class.Columns)
	for r := range c.Class.Rows {
		light.Row(row, v, r, 0)
		for k, lux := range row {
			out[r*rows/c.Class.Rows*cols+k*cols/c.Class.Columns] += math.Log(lux + 0.02)
		}
	}
	return out
}

// correlation is Pearson's coefficient.
func correlation(img *image.Gray16, want []float64) float64 {
	n := float64(len(want))
	cols := img.Bounds().Dx()
	var sx, sy, sxx, syy, sxy float64
	for i, y := range want {
		x := float64(img.Gray16At(i%cols, i/cols).Y)
		sx, sy, sxx, syy, sxy = sx+x, sy+y, sxx+x*x, syy+y*y, sxy+x*y
	}
	return (n*sxy - sx*sy) / math.Sqrt((n*sxx-sx*sx)*(n*syy-sy*sy))
}
