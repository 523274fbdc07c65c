package preview

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"slices"
	"strings"
	"testing"
)

func TestParseJSON(t *testing.T) {
	for in, want := range map[string]Matrix{
		`[[1,2.5],[-3e-2,4]]`:                     {2, 2, []float64{1, 2.5, -0.03, 4}},
		` [ [ 7 ] ] `:                             {1, 1, []float64{7}},
		`{"rows":1,"columns":2,"pixels":[[1,2]]}`: {1, 2, []float64{1, 2}},
		`{"pixels":[[1],[2],[3]],"columns":1}`:    {3, 1, []float64{1, 2, 3}},
	} {
		got, m := ParseJSON([]byte(in))
		if m.Err() != nil || got.Rows != want.Rows || got.Columns != want.Columns ||
			!slices.Equal(got.Pixels, want.Pixels) {
			t.Errorf("%s: %v, %v", in, got, m)
		}
	}
	for in, want := range map[string][]string{
		`[[1,2],[3],[4,5,6]]`: {"row 1: the row has 1 values, row 0 has 2", "row 2: the row has 3 values"},
		`[]`:                  {"the matrix is empty"},
		`[[],[]]`:             {"the matrix is empty"},
		`[[1,1e999],[1e400,2]]`: {"row 0, column 1: 1e999 is not finite",
			"row 1, column 0: 1e400 is not finite"},
		`[[1,null]]`:                      {"row 0, column 1: the value is not a number"},
		`[[1,"2"]]`:                       {"row 0, column 1: the value is not a number"},
		`[[1,[2]]]`:                       {"row 0, column 1: the value is not a number"},
		`[1,2]`:                           {"row 0: the row is no list"},
		`[[1,2]`:                          {"not JSON"},
		`[[1,NaN]]`:                       {"not JSON"},
		``:                                {"not JSON"},
		`"x"`:                             {"the matrix is no list"},
		`[[1]] [[2]]`:                     {"something follows"},
		`{"pixels":[[1]],"rows":2}`:       {"2 is written, but pixels has 1"},
		`{"pixel":[[1]]}`:                 {`unknown field "pixel"`},
		`{"rows":1}`:                      {"1 is written, but pixels has 0"},
		`{"pixels":[[1]],"pixels":[[1]]}`: {"given twice"},
	} {
		got, m := ParseJSON([]byte(in))
		if len(m) != len(want) || got.Pixels != nil {
			t.Errorf("%.60s: %d errors: %v", in, len(m), m)
			continue
		}
		for i := range want {
			if !strings.Contains(m[i].String(), want[i]) || m[i].Hint == "" {
				t.Errorf("%.60s: %q, want %q and a hint", in, m[i], want[i])
			}
		}
	}
}

// TestTooLarge: reading stops at the first value too many.
func TestTooLarge(t *testing.T) {
	if _, m := parseJSON([]byte(`[[1,2,3],[4,5,6]]`), 5); len(m) != 1 ||
		!strings.Contains(m[0].String(), "row 1, column 2: the matrix is too large") {
		t.Errorf("%v", m)
	}
	if _, m := parseJSON([]byte(`[[1,2,3],[4,5,6]]`), 6); len(m) != 0 {
		t.Errorf("%v", m)
	}
}

func TestParsePGM(t *testing.T) {
	s := Scale{0, 2}
	for in, want := range map[string]Matrix{
		"P2\n# made by hand\n3 2\n4\n0 1 2\n3 4 0\n": {2, 3, []float64{0, 0.5, 1, 1.5, 2, 0}},
		"P5 2 1 255\n\x00\xff":                       {1, 2, []float64{0, 2}},
		"P5 1 2 65535\n\xff\xff\x00\x00":             {2, 1, []float64{2, 0}},
	} {
		got, m := ParsePGM([]byte(in), s)
		if m.Err() != nil || got.Rows != want.Rows || got.Columns != want.Columns ||
			!slices.Equal(got.Pixels, want.Pixels) {
			t.Errorf("%q: %v, %v", in, got, m)
		}
	}
	for in, want := range map[string]string{
		"P3 1 1 255 0":              "is not how a PGM begins",
		"P5 2 2 255\n\x00":          "1 bytes of pixels, 2 x 2 need 4",
		"P5 2 2 300\n\x00\x00\x00":  "need 8",
		"P2 2 1 255 3":              "no number for the next pixel",
		"P2 1 1 255 256":            "row 0, column 0: 256 is above the largest value",
		"P2 0 1 255":                "0 x 1",
		"P2 1 1 0 0":                "the largest value is 0",
		"P5 99999999999 99999999 9": "too many",
		"P2":                        "no number for the width",
		"":                          "is not how",
	} {
		if _, m := ParsePGM([]byte(in), s); len(m) == 0 || !strings.Contains(m.Error(), want) {
			t.Errorf("%q: %v, want %q", in, m, want)
		}
	}
	if _, m := ParsePGM([]byte("P2 1 1 1 1"), Scale{1, 1}); len(m) != 1 {
		t.Errorf("an empty scale: %v", m)
	}
}

func TestParsePNG(t *testing.T) {
	img := image.NewGray16(image.Rect(0, 0, 2, 1))
	img.SetGray16(1, 0, color.Gray16{Y: 65535})
	img.SetGray16(0, 0, color.Gray16{Y: 13107})
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		t.Fatal(err)
	}
	got, m := ParsePNG(b.Bytes(), Scale{1, 2})
	if m.Err() != nil || !slices.Equal(got.Pixels, []float64{1.2, 2}) {
		t.Errorf("%v, %v", got, m)
	}
	for _, bad := range [][]byte{nil, []byte("GIF89a"), b.Bytes()[:40]} {
		if _, m := ParsePNG(bad, Scale{1, 2}); len(m) != 1 {
			t.Errorf("%q: %v", bad, m)
		}
	}
	// A header that promises too much is refused before any pixel is made.
	huge := slices.Clone(b.Bytes())
	copy(huge[16:], []byte{0, 0, 0xff, 0xff, 0, 0, 0xff, 0xff})
	if _, m := ParsePNG(huge, Scale{1, 2}); len(m) != 1 {
		t.Errorf("a huge picture: %v", m)
	}
}

// TestPicture: the picture decodes again, with both matrices on one scale.
func TestPicture(t *testing.T) {
	b, err := Picture(Matrix{1, 2, []float64{0, 1}}, Matrix{1, 1, []float64{0.5}})
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	grey := func(x, y int) uint8 { return color.GrayModel.Convert(img.At(x, y)).(color.Gray).Y }
	if w := img.Bounds().Dx(); w != 384+8+384 {
		t.Errorf("width %d", w)
	}
	if got := fmt.Sprint(grey(10, 10), grey(300, 10), grey(500, 10)); got != "0 255 128" {
		t.Errorf("greys %s", got)
	}
	if _, err := Picture(Matrix{}, Matrix{}); err == nil {
		t.Error("nothing has a picture")
	}
}

func FuzzParseJSON(f *testing.F) {
	for _, s := range []string{`[[1,2],[3,4]]`, `[[1],[2,3]]`, `{"pixels":[[1]]}`, `[[`, `[[1e999]]`, `{"rows":[[]]}`,
		`{"rows":{"a":1},"pixels":[[1]]}`} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, m := ParseJSON(data)
		if len(m) > 0 {
			if got.Pixels != nil {
				t.Error("a refused matrix has pixels")
			}
			return
		}
		if len(got.Pixels) != got.Rows*got.Columns || len(got.Pixels) == 0 {
			t.Fatalf("%d x %d with %d values", got.Rows, got.Columns, len(got.Pixels))
		}
		b, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		again, m := ParseJSON(b)
		if m.Err() != nil || !slices.Equal(again.Pixels, got.Pixels) || again.Rows != got.Rows {
			t.Errorf("%s is read as %v, %v", b, again, m)
		}
	})
}

func FuzzParsePGM(f *testing.F) {
	for _, s := range []string{"P2 2 2 255 0 1 2 3", "P5 1 1 255\n\x10", "P5 1 1 65535\n\x10\x00", "P2 #\n1",
		"P5 2 2 9", "P5 70000 70000 255\n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		got, m := ParsePGM(data, Scale{0, 1})
		if len(m) > 0 {
			return
		}
		if len(got.Pixels) != got.Rows*got.Columns {
			t.Fatalf("%d x %d with %d values", got.Rows, got.Columns, len(got.Pixels))
		}
		for _, v := range got.Pixels {
			if v < 0 || v > 1 {
				t.Fatalf("a value of %v", v)
			}
		}
	})
}
