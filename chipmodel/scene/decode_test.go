package scene

import (
	"bytes"
	"encoding/binary"
	"errors"
	"hash/crc32"
	"image"
	"image/color"
	"image/jpeg"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"
	"testing/iotest"
)

func encoded(t testing.TB, img image.Image, encode func(io.Writer, image.Image) error) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := encode(&b, img); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func asJPEG(w io.Writer, img image.Image) error { return jpeg.Encode(w, img, nil) }

// claimedPNG is a PNG whose header claims a size, without its pixels.
func claimedPNG(width, height uint32) []byte {
	header := []byte("IHDR")
	header = binary.BigEndian.AppendUint32(header, width)
	header = binary.BigEndian.AppendUint32(header, height)
	header = append(header, 8, 6, 0, 0, 0) // 8 bits, RGBA
	out := []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\x0d")
	out = append(out, header...)
	return binary.BigEndian.AppendUint32(out, crc32.ChecksumIEEE(header))
}

func TestDecodeReadsBothFormats(t *testing.T) {
	img := noisePicture(40, 20)
	got, err := Decode(iotest.OneByteReader(bytes.NewReader(encoded(t, img, png.Encode))))
	if err != nil || !bytes.Equal(got.(*image.Gray).Pix, img.Pix) {
		t.Errorf("PNG differs from what was written, error %v", err)
	}
	got, err = Decode(bytes.NewReader(encoded(t, img, asJPEG)))
	if err != nil || got.Bounds() != img.Bounds() {
		t.Errorf("JPEG: %v", err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	whole := encoded(t, noisePicture(40, 20), png.Encode)
	broken := errors.New("cable pulled")
	for _, c := range []struct {
		name  string
		r     io.Reader
		is    error
		about string
	}{
		{"too many pixels", bytes.NewReader(claimedPNG(20000, 20000)), ErrPictureTooLarge, "20000 by 20000"},
		{"one pixel row too many", bytes.NewReader(claimedPNG(8192, 4097)), ErrPictureTooLarge, "8192 by 4097"},
		{"an overflowing size", bytes.NewReader(claimedPNG(1<<31-1, 1<<31-1)), nil, "PNG"},
		{"no pixels", bytes.NewReader(claimedPNG(0, 5)), nil, "PNG"},
		{"header without pixels", bytes.NewReader(claimedPNG(8192, 4096)), nil, "PNG picture"},
		{"cut", bytes.NewReader(whole[:len(whole)/2]), nil, "PNG picture"},
		{"cut header", bytes.NewReader(whole[:12]), nil, "PNG header"},
		{"GIF", strings.NewReader("GIF89a\x01\x00\x01\x00"), ErrPictureFormat, "47 49 46"},
		{"nothing", strings.NewReader(""), ErrPictureFormat, ""},
		{"broken reader", iotest.ErrReader(broken), broken, "read picture"},
		{"nil", nil, nil, "a reader"},
	} {
		img, err := Decode(c.r)
		if err == nil || img != nil {
			t.Errorf("%s: accepted", c.name)
			continue
		}
		if c.is != nil && !errors.Is(err, c.is) || !strings.Contains(err.Error(), c.about) {
			t.Errorf("%s: error %q, want %v about %q", c.name, err, c.is, c.about)
		}
	}
}

// Values of the sRGB transfer function from IEC 61966-2-1, known in tables of
// the trade (from memory): 128/255 is 21.586 % and 188/255 is 50.289 % of white.
func TestLinearLight(t *testing.T) {
	table := newLinearTable()
	for code, want := range map[uint8]float64{0: 0, 10: 10.0 / 255 / 12.92, 128: 0.21586, 188: 0.50289, 255: 1} {
		if got := float64(table[code]); math.Abs(got-want) > 1e-5 {
			t.Errorf("code %d is %v of white, want %v", code, got, want)
		}
	}
	for i := range 256 {
		v := float64(i) / 255
		if got := encodeSRGB(decodeSRGB(v)); math.Abs(got-v) > 1e-5 {
			t.Errorf("%v decodes and encodes to %v", v, got)
		}
	}
}

// Each type of picture gives the light that the general rule gives for its
// colours; transparent colours are dark in proportion to their alpha.
func TestLinearisePictureTypes(t *testing.T) {
	bounds := image.Rect(-3, 5, 4, 9)
	colours := func(x, y int) color.NRGBA {
		return color.NRGBA{uint8(x * 50), uint8(y * 77), uint8(x*y + 9), uint8(255 - 40*((x+9)%3))}
	}
	nrgba, rgba, wide := image.NewNRGBA(bounds), image.NewRGBA(bounds), image.NewNRGBA64(bounds)
	grey, paletted := image.NewGray(bounds), image.NewPaletted(bounds,
		color.Palette{color.Black, color.White, color.NRGBA{200, 10, 60, 255}})
	ycc := image.NewYCbCr(bounds, image.YCbCrSubsampleRatio420)
	for i := range ycc.Y {
		ycc.Y[i] = uint8(i * 9)
	}
	for i := range ycc.Cb {
		ycc.Cb[i], ycc.Cr[i] = uint8(100+i*9), uint8(160-i*7)
	}
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			c := colours(x, y)
			nrgba.Set(x, y, c)
			rgba.Set(x, y, c)
			wide.Set(x, y, c)
			grey.Set(x, y, c)
			paletted.SetColorIndex(x, y, uint8((x+3)%3))
		}
	}
	for _, img := range []image.Image{nrgba, rgba, wide, grey, paletted, ycc, nrgba.SubImage(image.Rect(-1, 6, 3, 8))} {
		got := linearise(img)
		b := img.Bounds()
		if got.width != b.Dx() || got.height != b.Dy() {
			t.Fatalf("%T: %d by %d", img, got.width, got.height)
		}
		for i, light := range got.pix {
			n := color.NRGBA64Model.Convert(img.At(b.Min.X+i%b.Dx(), b.Min.Y+i/b.Dx())).(color.NRGBA64)
			part := func(v uint16) float64 { return decodeSRGB(float64(v) / 65535) }
			want := (0.2126*part(n.R) + 0.7152*part(n.G) + 0.0722*part(n.B)) * float64(n.A) / 65535
			// YCbCr: half an 8-bit code, as its 16-bit colours are not rounded to 8
			if math.Abs(float64(light)-want) > 4e-3 {
				t.Errorf("%T pixel %d: %v, want %v", img, i, light, want)
			}
		}
	}
}

func FuzzDecode(f *testing.F) {
	img := noisePicture(9, 6)
	f.Add(encoded(f, img, png.Encode))
	f.Add(encoded(f, img, asJPEG))
	f.Add(claimedPNG(70000, 70000))
	f.Add([]byte{})
	f.Fuzz(func(t *testing.T, data []byte) {
		img, err := Decode(bytes.NewReader(data))
		if (img == nil) == (err == nil) {
			t.Fatalf("picture %v and error %v", img != nil, err)
		}
		if err != nil {
			return
		}
		size := img.Bounds().Size()
		if size.X < 1 || size.Y < 1 || size.X > MaxPixels/size.Y {
			t.Fatalf("accepted a picture of %v", size)
		}
		if size.X*size.Y > 1<<14 {
			return
		}
		if _, err := Panorama(img, PanoramaOptions{LuxHigh: 1}); err != nil {
			t.Fatalf("decoded a picture that is no panorama: %v", err)
		}
	})
}
