package scene

import (
	"bytes"
	"errors"
	"image/png"
	"io"
	"math"
	"os"
	"strings"
	"testing"

	"facetd.example/chipmodel/bustime"
)

func TestParse(t *testing.T) {
	data := encoded(t, noisePicture(64, 32), png.Encode)
	open := func(name string) (io.ReadCloser, error) {
		if name != "wall.png" {
			return nil, os.ErrNotExist
		}
		return io.NopCloser(bytes.NewReader(data)), nil
	}
	v := mustView(t, Lattice{Rows: 8, Columns: 8, PitchXUm: 1, PitchYUm: 1},
		Optics{YawDeg: 70, HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	must := mustScene(t)
	wall := mustPanorama(t, noisePicture(64, 32), PanoramaOptions{LuxLow: 1, LuxHigh: 2000,
		Motion: Motion{YawDeg: 1, YawRateDegPerS: 2, YawSwingDeg: 3, YawSwingHz: 4, PitchDeg: 5, PitchRateDegPerS: 6,
			RollDeg: 7, RollRateDegPerS: 8, ForwardM: 0.9, ForwardMPerS: 0.1, TravelM: 1.1, PipeRadiusM: 1.2}})
	for spec, want := range map[string]Scene{
		"uniform:200": Uniform(200), " uniform: 1e3 ": Uniform(1000),
		"grating:mean=5,contrast=0.5,cycles_per_pixel=0.2,orientation=45,drift=2,phase=30": must(Grating(
			GratingOptions{5, 0.5, 0.2, 45, 2, 30})),
		"demo:high=800": mustPanorama(t, demoPicture(), PanoramaOptions{LuxHigh: 800}),
		"demo":          mustPanorama(t, demoPicture(), PanoramaOptions{LuxHigh: 1000}),
		"demo:forward_rate=0.1": mustPanorama(t, demoPicture(), PanoramaOptions{LuxHigh: 1000,
			Motion: Motion{ForwardMPerS: 0.1, PipeRadiusM: 0.3}}),
		"panorama:wall.png,low=1,high=2000,yaw=1,yaw_rate=2,yaw_swing=3,yaw_swing_hz=4,pitch=5,pitch_rate=6," +
			"roll=7,roll_rate=8,forward=0.9,forward_rate=0.1,travel=1.1,radius=1.2": wall,
		"uniform:10 | flicker:mains=60,depth=0.3|flicker": must(Flicker(must(Flicker(Uniform(10), 60, 0.3)),
			50, 0.1)),
		"uniform:1 then 500ms uniform:2 | flicker then 2s uniform:3": must(Step(must(Step(Uniform(1),
			must(Flicker(Uniform(2), 50, 0.1)), 5e8)), Uniform(3), 2e9)),
	} {
		got, err := Parse(spec, open)
		if err != nil {
			t.Errorf("%s: %v", spec, err)
			continue
		}
		for _, at := range []int64{0, 499_999_999, 503_000_000, 2 * second} {
			a, b := frame(got, v, bustime.Time(at)), frame(want, v, bustime.Time(at))
			for r := range a {
				for c := range a[r] {
					if a[r][c] != b[r][c] {
						t.Fatalf("%s at %d: pixel %d,%d is %v, want %v", spec, at, r, c, a[r][c], b[r][c])
					}
				}
			}
		}
		if strings.TrimSpace(got.Name()) == "" {
			t.Errorf("%s has no name", spec)
		}
	}
}

func TestParseTellsEveryError(t *testing.T) {
	missing := func(string) (io.ReadCloser, error) { return nil, os.ErrNotExist }
	for spec, want := range map[string][]string{
		"":            {"uniform:, demo, panorama: or grating:"},
		"fog":         {"fog"},
		"uniform":     {"uniform"},
		"uniform:-1":  {"-1"},
		"uniform:NaN": {"NaN"},
		"demo:hihg=1,low=x,yaw=1,yaw=2,high=-4": {"hihg", "one of ball_forward", `low is "x", want a finite number of lux`,
			"once", "LuxHigh is -4"},
		"grating:contrast=2,mean=inf":                  {"Contrast is 2", "grating mean"},
		"panorama:":                                    {"name of a picture"},
		"panorama:high=4":                              {"name of a picture"},
		"panorama:none.png":                            {"file does not exist"},
		"uniform:1|flicker:depth=3,mains=0|fog":        {"depth is 3", "mainsHz is 0", "fog"},
		"fog|flicker:depth=3":                          {"fog", "depth is 3"},
		"uniform:1 then soon uniform:2":                {"soon"},
		"uniform:1 then 2s uniform:2 then 1s fog then": {"later than 2s", "fog"},
		"uniform:1" + strings.Repeat("|flicker", 20):   {"21 parts"},
		strings.Repeat("x", 5000):                      {"5000 bytes"},
		"demo:travel=-1":                               {"TravelM"},
	} {
		s, err := Parse(spec, missing)
		if err == nil || s != nil {
			t.Errorf("%.60q accepted", spec)
			continue
		}
		for _, part := range want {
			if !strings.Contains(err.Error(), part) {
				t.Errorf("%.60q: error %q does not mention %q", spec, err, part)
			}
		}
	}
	if _, err := Parse("panorama:a.png", nil); err == nil {
		t.Error("a picture without an opener is accepted")
	}
	var p *ParamError
	if _, err := Parse("uniform:x", nil); !errors.As(err, &p) || p.Param != "uniform" {
		t.Errorf("no ParamError for uniform in %v", err)
	}
}

func FuzzParse(f *testing.F) {
	for _, spec := range []string{"uniform:200", "grating:mean=1,drift=2 | flicker:mains=60",
		"uniform:1 then 5ms uniform:2",
		"panorama:a.png,high=3,forward=1,travel=2,yaw_swing=1e300", "uniform:0x1p-2 then -1h grating"} {
		f.Add(spec)
	}
	tiny := encoded(f, noisePicture(4, 2), png.Encode)
	open := func(string) (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(tiny)), nil }
	v := mustView(f, Lattice{Rows: 1, Columns: 4, PitchXUm: 1, PitchYUm: 1},
		Optics{HorizontalFOVDeg: 50, VerticalFOVDeg: 50})
	f.Fuzz(func(t *testing.T, spec string) {
		if strings.Contains(spec, "demo") {
			t.Skip("its picture takes a tenth of a second")
		}
		s, err := Parse(spec, open)
		if (s == nil) == (err == nil) {
			t.Fatalf("scene %v and error %v", s, err)
		}
		if err != nil {
			return
		}
		for _, at := range []int64{-1 << 63, -5, 0, 12_345_678_901, 1<<63 - 1} {
			for _, lux := range oneRow(s, v, 0, bustime.Time(at)) {
				if math.IsNaN(lux) || math.IsInf(lux, 0) || lux < -1e-6 {
					t.Fatalf("%q gives %v lx at %d ns", spec, lux, at)
				}
			}
		}
	})
}

func TestIsUniform(t *testing.T) {
	for spec, want := range map[string]bool{
		"uniform:200": true, " uniform:200 | flicker:mains=50,depth=0.2": true,
		"uniform:10 then 500ms uniform:200": true,
		"demo":                              false, "demo:high=500": false,
		"grating:mean=100,contrast=0.5,cycles_per_pixel=0.1": false,
		"uniform:10 then 500ms uniform:200 then 2s demo":     false, "demo then 1s uniform:3": false,
	} {
		if !strings.HasPrefix(spec, "demo") { // which takes long to paint, and which TestParse has
			if _, err := Parse(spec, nil); err != nil {
				t.Fatal(spec, err)
			}
		}
		if got := IsUniform(spec); got != want {
			t.Errorf("%s: %v", spec, got)
		}
	}
}
