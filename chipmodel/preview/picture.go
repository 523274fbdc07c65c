package preview

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"

	"facetd.example/api/invalid"
)

// Scale maps the values of a picture to volts or lux: black is Low, white is High,
// linear in the stored value (no gamma is undone).
type Scale struct{ Low, High float64 }

func (s Scale) errs() (m invalid.Errors) {
	if !finite(s.Low) || !finite(s.High) || s.Low == s.High {
		m.Add("scale", fmt.Sprintf("%g to %g is not a scale", s.Low, s.High),
			"give two different finite values for black and white")
	}
	return m
}

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }

// ParsePGM reads a portable graymap, plain (P2) or raw (P5), of 8 or 16 bits (the
// netpbm formats; raw values above 255 are two bytes, the high one first).
func ParsePGM(data []byte, s Scale) (Matrix, invalid.Errors) {
	m := s.errs()
	p := pgmParser{data: data}
	magic := string(data[:min(2, len(data))])
	if magic != "P2" && magic != "P5" {
		m.Add("", fmt.Sprintf("%q is not how a PGM begins", magic), "give a picture that begins with P2 or P5")
		return Matrix{}, m
	}
	p.at = 2
	width, height, most := p.number("width"), p.number("height"), p.number("largest value")
	if p.errs == nil {
		p.limits(width, height, most)
	}
	if m = append(m, p.errs...); len(m) > 0 {
		return Matrix{}, m
	}
	out := Matrix{Rows: height, Columns: width}
	read := p.plain
	if magic == "P5" {
		p.at++ // exactly one blank ends the header
		read = p.raw
		if need, have := width*height*p.bytes(most), max(len(data)-p.at, 0); have < need {
			m.Add("", fmt.Sprintf("%d bytes of pixels, %d x %d need %d", have, width, height, need),
				"the file is cut short")
			return Matrix{}, m
		}
	}
	out.Pixels = make([]float64, 0, min(width*height, len(data)))
	for i := range width * height {
		v := read(i, most)
		if v > most {
			p.errs.Add(fmt.Sprintf("row %d, column %d", i/width, i%width),
				fmt.Sprintf("%d is above the largest value, %d", v, most), "correct the header or the value")
		}
		if p.errs != nil {
			return Matrix{}, p.errs
		}
		out.Pixels = append(out.Pixels, s.Low+(s.High-s.Low)*float64(v)/float64(most))
	}
	return out, nil
}

type pgmParser struct {
	data []byte
	at   int
	errs invalid.Errors
}

func (p *pgmParser) limits(width, height, most int) {
	if width < 1 || height < 1 {
		p.errs.Add("", fmt.Sprintf("the picture is %d x %d", width, height), "give at least one pixel")
	} else if width > MaxPixels/height {
		p.errs.Add("", fmt.Sprintf("%d x %d pixels are too many", width, height),
			fmt.Sprintf("use at most %d", MaxPixels))
	}
	if most < 1 || most > 65535 {
		p.errs.Add("", fmt.Sprintf("the largest value is %d", most), "1 to 65535 are possible")
	}
}

func (p *pgmParser) bytes(most int) int {
	if most > 255 {
		return 2
	}
	return 1
}

func blank(b byte) bool { return b == ' ' || b >= '\t' && b <= '\r' }

// number reads a decimal after blanks and comments; numbers beyond 10^9 stay there.
func (p *pgmParser) number(what string) int {
	for p.at < len(p.data) && (blank(p.data[p.at]) || p.data[p.at] == '#') {
		if p.data[p.at] == '#' {
			for p.at < len(p.data) && p.data[p.at] != '\n' {
				p.at++
			}
			continue
		}
		p.at++
	}
	start, n := p.at, 0
	for p.at < len(p.data) && p.data[p.at] >= '0' && p.data[p.at] <= '9' {
		n = min(n*10+int(p.data[p.at]-'0'), 1_000_000_000)
		p.at++
	}
	if p.at == start {
		p.errs.Add("", fmt.Sprintf("byte %d: no number for the %s", p.at, what), "the file is cut short or not a PGM")
	}
	return n
}

func (p *pgmParser) plain(int, int) int { return p.number("next pixel") }

func (p *pgmParser) raw(i, most int) int {
	if p.bytes(most) == 1 {
		return int(p.data[p.at+i])
	}
	return int(p.data[p.at+2*i])<<8 | int(p.data[p.at+2*i+1])
}

// ParsePNG reads a PNG; colours become grey by the weights of the image/color package
// (ITU-R BT.601 luma).
func ParsePNG(data []byte, s Scale) (Matrix, invalid.Errors) {
	m := s.errs()
	config, err := png.DecodeConfig(bytes.NewReader(data))
	switch {
	case err != nil:
		m.Add("", fmt.Sprintf("not a PNG: %v", err), "give a PNG")
	case config.Width < 1 || config.Height < 1 || config.Width > MaxPixels/config.Height:
		m.Add("", fmt.Sprintf("%d x %d pixels", config.Width, config.Height),
			fmt.Sprintf("use 1 to %d", MaxPixels))
	}
	if len(m) > 0 {
		return Matrix{}, m
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		m.Add("", fmt.Sprintf("not a PNG: %v", err), "give a PNG")
		return Matrix{}, m
	}
	b := img.Bounds()
	out := Matrix{Rows: b.Dy(), Columns: b.Dx(), Pixels: make([]float64, 0, b.Dx()*b.Dy())}
	for y := b.Min.Y; y < b.Max.Y; y++ {
		for x := b.Min.X; x < b.Max.X; x++ {
			grey := color.Gray16Model.Convert(img.At(x, y)).(color.Gray16).Y
			out.Pixels = append(out.Pixels, s.Low+(s.High-s.Low)*float64(grey)/65535)
		}
	}
	return out, nil
}

// Picture renders two matrices side by side as a grey PNG with one scale for both,
// black the smallest value and white the largest; small matrices are enlarged by a
// whole factor.
func Picture(before, after Matrix) ([]byte, error) {
	if len(before.Pixels) == 0 || len(after.Pixels) == 0 {
		return nil, fmt.Errorf("an empty matrix has no picture")
	}
	low, high := math.Inf(1), math.Inf(-1)
	for _, m := range []Matrix{before, after} {
		for _, v := range m.Pixels {
			low, high = min(low, v), max(high, v)
		}
	}
	if !finite(low) || !finite(high) {
		return nil, fmt.Errorf("values from %v to %v have no picture", low, high)
	}
	const gap = 8
	one, two := enlargement(before), enlargement(after)
	width := before.Columns*one + gap + after.Columns*two
	img := image.NewGray(image.Rect(0, 0, width, max(before.Rows*one, after.Rows*two)))
	for i := range img.Pix {
		img.Pix[i] = 0x80
	}
	draw(img, 0, before, one, low, high)
	draw(img, before.Columns*one+gap, after, two, low, high)
	var out bytes.Buffer
	if err := png.Encode(&out, img); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// enlargement brings the longer side to about 384 pixels of the picture.
func enlargement(m Matrix) int { return max(384/max(m.Rows, m.Columns), 1) }

func draw(img *image.Gray, left int, m Matrix, times int, low, high float64) {
	for r := range m.Rows {
		for c := range m.Columns {
			grey := uint8(0x80)
			if high > low {
				grey = uint8(math.Round(255 * (m.At(r, c)/2 - low/2) / (high/2 - low/2)))
			}
			for y := range times {
				start := img.PixOffset(left+c*times, r*times+y)
				for x := range times {
					img.Pix[start+x] = grey
				}
			}
		}
	}
}
