// Package picture turns frames into pictures: codes out of a message, grey levels,
// PNG, a contact sheet of a frame set, and blocks of text for a terminal.
package picture

import (
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"slices"

	facetdv1 "facetd.example/api/facetd/v1"
)

// Frame is a frame with its codes extracted.
type Frame struct {
	*facetdv1.Frame
	// Codes are row by row.
	Codes []uint16
	// PitchRatio is the distance of two rows of the lattice over that of two pixels
	// of a row; 0 means 1.
	PitchRatio float64
}

// New extracts the codes of a frame. It refuses a frame whose data does not match its size or
// format.
func New(f *facetdv1.Frame) (*Frame, error) {
	if p := f.GetPixelFormat(); p != "Mono16" && p != "" {
		return nil, fmt.Errorf("frame of %s: pixel format %s, only Mono16 is known", f.GetChip(), p)
	}
	n := uint64(f.GetRows()) * uint64(f.GetColumns())
	if n == 0 || uint64(len(f.GetData())) != 2*n {
		return nil, fmt.Errorf("frame of %s: %d bytes for %d x %d pixels of 2 bytes", f.GetChip(), len(f.GetData()),
			f.GetRows(), f.GetColumns())
	}
	codes := make([]uint16, n)
	for i := range codes {
		codes[i] = binary.LittleEndian.Uint16(f.GetData()[2*i:])
	}
	return &Frame{Frame: f, Codes: codes}, nil
}

// NewSet extracts the codes of all frames of a set; pitchRatios are by chip.
func NewSet(fs *facetdv1.FrameSet, pitchRatios map[string]float64) ([]*Frame, error) {
	var frames []*Frame
	for _, f := range fs.GetFrames() {
		one, err := New(f)
		if err != nil {
			return nil, err
		}
		if !slices.Contains(f.GetCorrections(), facetdv1.Correction_CORRECTION_RESAMPLED) { // which left that lattice
			one.PitchRatio = pitchRatios[f.GetChip()]
		}
		frames = append(frames, one)
	}
	return frames, nil
}

// shifted reports whether row r of the frame lies half a pixel further right.
func (f *Frame) shifted(r int) bool {
	return f.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL &&
		(int(f.GetWindow().GetRow())+r*int(max(f.GetWindow().GetRowStep(), 1)))%2 == 1
}

// aspect is the height of a pixel of the frame over its width, as the lattice and
// the window's steps make it; it is kept within what can be drawn.
func (f *Frame) aspect() float64 {
	pitch := f.PitchRatio
	if pitch == 0 {
		pitch = 1
	}
	ratio := pitch * float64(max(f.GetWindow().GetRowStep(), 1)) / float64(max(f.GetWindow().GetColumnStep(), 1))
	return min(max(ratio, 1./8), 8)
}

// Range is the span of codes that is drawn from black to white.
type Range struct{ Low, High uint16 }

// FullRange is the lowest and the highest code of the frames.
func FullRange(frames ...*Frame) Range {
	r := Range{Low: 0xffff}
	for _, f := range frames {
		r.Low, r.High = min(r.Low, slices.Min(f.Codes)), max(r.High, slices.Max(f.Codes))
	}
	return r
}

// AutoRange leaves out the half percent of codes at either end, so that a few odd
// pixels do not decide what is seen.
func AutoRange(frames ...*Frame) Range {
	var codes []uint16
	for _, f := range frames {
		codes = append(codes, f.Codes...)
	}
	if len(codes) == 0 {
		return Range{}
	}
	slices.Sort(codes)
	cut := len(codes) / 200
	return Range{codes[cut], codes[len(codes)-1-cut]}
}

// Scale maps a code to 0..top, clamped. An empty range maps to the middle.
func (r Range) Scale(code uint16, top uint32) uint32 {
	if r.High <= r.Low {
		return top / 2
	}
	c := min(max(code, r.Low), r.High)
	return (uint32(c-r.Low)*top + uint32(r.High-r.Low)/2) / uint32(r.High-r.Low)
}

// Gray16 returns the frame as a picture of 16-bit grey. The codes are kept as they
// are, unless a range is given: then it is stretched to the full 16 bits.
func (f *Frame) Gray16(stretch *Range) *image.Gray16 {
	img := image.NewGray16(image.Rect(0, 0, int(f.GetColumns()), int(f.GetRows())))
	for i, code := range f.Codes {
		if stretch != nil {
			// The range spans 65535 codes at most, so this cannot overflow 32 bits.
			code = uint16(stretch.Scale(code, 0xffff))
		}
		img.SetGray16(i%int(f.GetColumns()), i/int(f.GetColumns()), color.Gray16{Y: code})
	}
	return img
}

// size is what the frame takes when drawn with pixels of sx by sy.
func (f *Frame) size(sx, sy int) image.Point {
	w := int(f.GetColumns()) * sx
	if f.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL {
		w += sx / 2
	}
	return image.Pt(w, int(f.GetRows())*sy)
}

// draw paints the frame with its pixels sx by sy large, rows of a hexagonal
// lattice shifted by half a pixel.
func (f *Frame) draw(dst *image.Gray, at image.Point, sx, sy int, rng Range) {
	for i, code := range f.Codes {
		r, c := i/int(f.GetColumns()), i%int(f.GetColumns())
		x, y := at.X+c*sx, at.Y+r*sy
		if f.shifted(r) {
			x += sx / 2
		}
		fill(dst, image.Rect(x, y, x+sx, y+sy), color.Gray{Y: uint8(rng.Scale(code, 255))})
	}
}
