package scene

import (
	"image"
	"image/color"
	"math"
)

// Rec. ITU-R BT.709 weights of linear red, green and blue in luminance.
const (
	lumaR = 0.2126
	lumaG = 0.7152
	lumaB = 0.0722
)

// decodeSRGB turns an sRGB component in 0..1 into linear light (IEC 61966-2-1).
func decodeSRGB(v float64) float64 {
	if v <= 0.04045 {
		return v / 12.92
	}
	return math.Pow((v+0.055)/1.055, 2.4)
}

// encodeSRGB is the inverse of decodeSRGB.
func encodeSRGB(v float64) float64 {
	if v <= 0.0031308 {
		return 12.92 * v
	}
	return 1.055*math.Pow(v, 1/2.4) - 0.055
}

// linearTable holds decodeSRGB of the 256 values of an 8-bit component.
type linearTable [256]float32

func newLinearTable() *linearTable {
	var t linearTable
	for i := range t {
		t[i] = float32(decodeSRGB(float64(i) / 255))
	}
	return &t
}

func (t *linearTable) luminance(r, g, b uint8) float32 {
	if r == g && g == b {
		return t[r] // so that grey is exact whatever the rounding of the weights
	}
	return lumaR*t[r] + lumaG*t[g] + lumaB*t[b]
}

// plane is a picture of light values.
type plane struct {
	width, height int
	pix           []float32
}

// linearise reads the relative luminance (0..1) of a picture. What is
// transparent is dark in proportion.
func linearise(img image.Image) plane {
	bounds := img.Bounds()
	p := plane{width: bounds.Dx(), height: bounds.Dy()}
	p.pix = make([]float32, p.width*p.height)
	table := newLinearTable()
	for y := range p.height {
		fillLinearRow(p.pix[y*p.width:(y+1)*p.width], img, bounds.Min.X, bounds.Min.Y+y, table)
	}
	return p
}

// fillLinearRow has a way of its own for the types that the PNG and JPEG
// decoders make most; the last case is right for every picture, and slow.
func fillLinearRow(dst []float32, img image.Image, x0, y int, table *linearTable) {
	switch m := img.(type) {
	case *image.YCbCr:
		for i := range dst {
			yi, ci := m.YOffset(x0+i, y), m.COffset(x0+i, y)
			dst[i] = table.luminance(color.YCbCrToRGB(m.Y[yi], m.Cb[ci], m.Cr[ci]))
		}
	case *image.Gray:
		for i, v := range m.Pix[m.PixOffset(x0, y):][:len(dst)] {
			dst[i] = table[v]
		}
	case *image.NRGBA:
		pix := m.Pix[m.PixOffset(x0, y):][:4*len(dst)]
		for i := range dst {
			dst[i] = table.luminance(pix[4*i], pix[4*i+1], pix[4*i+2])
			if alpha := pix[4*i+3]; alpha != 255 {
				dst[i] *= float32(alpha) / 255
			}
		}
	case *image.RGBA:
		pix := m.Pix[m.PixOffset(x0, y):][:4*len(dst)]
		for i := range dst {
			if pix[4*i+3] == 255 {
				dst[i] = table.luminance(pix[4*i], pix[4*i+1], pix[4*i+2])
			} else {
				dst[i] = linearColour(m.RGBAAt(x0+i, y))
			}
		}
	default:
		for i := range dst {
			dst[i] = linearColour(img.At(x0+i, y))
		}
	}
}

func linearColour(c color.Color) float32 {
	n := color.NRGBA64Model.Convert(c).(color.NRGBA64)
	r, g, b := decodeSRGB(float64(n.R)/65535), decodeSRGB(float64(n.G)/65535), decodeSRGB(float64(n.B)/65535)
	light := g
	if n.R != n.G || n.G != n.B {
		light = lumaR*r + lumaG*g + lumaB*b
	}
	return float32(light * float64(n.A) / 65535)
}

// shrink averages n equal cells into m <= n equal cells, for one line of
// values at the given stride. Cells are weighted by their overlap. It averages
// differences from the first cell, so that equal cells stay exactly equal.
func shrink(dst []float32, m int, src []float32, n, dstStride, srcStride int) {
	ratio := float64(n) / float64(m)
	for i := range m {
		from, to := float64(i)*ratio, float64(i+1)*ratio
		first, last := int(from), min(int(math.Ceil(to-1e-9)), n)
		base := src[first*srcStride]
		var sum float64
		for j := first; j < last; j++ {
			overlap := min(to, float64(j+1)) - max(from, float64(j))
			sum += overlap * float64(src[j*srcStride]-base)
		}
		dst[i*dstStride] = base + float32(sum/ratio)
	}
}

// narrowed halves the width, rounding up.
func (p plane) narrowed() plane {
	q := plane{width: (p.width + 1) / 2, height: p.height}
	q.pix = make([]float32, q.width*q.height)
	for y := range p.height {
		shrink(q.pix[y*q.width:], q.width, p.pix[y*p.width:], p.width, 1, 1)
	}
	return q
}

// shortened halves the height, rounding up.
func (p plane) shortened() plane {
	q := plane{width: p.width, height: (p.height + 1) / 2}
	q.pix = make([]float32, q.width*q.height)
	for x := range p.width {
		shrink(q.pix[x:], q.height, p.pix[x:], p.height, q.width, p.width)
	}
	return q
}
