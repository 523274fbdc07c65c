// Package resample puts corrected frames of hexagonal lattices on square ones. It is pure.
package resample

import (
	"encoding/binary"
	"fmt"
	"math"
	"sync"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/shallow"
	"facetd.example/chipmodel/analog"
)

// Square returns a frame set whose corrected hexagonal frames lie on a square lattice, of
// as many points to the area. Others are as they were, hexagonal ones with the reason in
// their correction_note. The set that is given stays as it is.
//
// Of a frame that lies on another lattice now, row offsets and the pixel interval are those
// of the places that its points have on the old one.
func Square(fs *facetdv1.FrameSet) *facetdv1.FrameSet {
	out := shallow.Without(fs, "frames")
	for _, f := range fs.GetFrames() {
		if f.GetArrangement() == facetdv1.Arrangement_ARRANGEMENT_HEXAGONAL {
			f = square(f)
		}
		out.Frames = append(out.Frames, f)
	}
	return out
}

// shape is what a resampler depends on.
type shape struct {
	rows, columns int
	odd           bool // the first row is one that lies half a pitch to the right
}

// maxShapes is how many resamplers are kept: far more than the views of usual tasks, and
// still little memory where captures ask for a window of their own each time.
const maxShapes = 32

// made keeps resamplers by their shape.
var made resamplers

// resamplers are for many goroutines. The zero value has none.
type resamplers struct {
	mu      sync.Mutex
	byShape map[shape]*analog.HexResampler
}

// of returns the resampler of a shape, and makes it where it is not known.
func (k *resamplers) of(s shape) (*analog.HexResampler, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if r := k.byShape[s]; r != nil {
		return r, nil
	}
	r, err := analog.NewHexToSquare(s.rows, s.columns, s.odd)
	if err != nil {
		return nil, err
	}
	if k.byShape == nil || len(k.byShape) >= maxShapes {
		k.byShape = map[shape]*analog.HexResampler{}
	}
	k.byShape[s] = r
	return r, nil
}

func square(f *facetdv1.Frame) *facetdv1.Frame {
	out := shallow.Without(f, "data")
	out.Data = f.GetData()
	refuse := func(why string) *facetdv1.Frame {
		if out.CorrectionNote != "" {
			out.CorrectionNote += "; "
		}
		out.CorrectionNote += "not resampled: " + why
		return out
	}
	w := f.GetWindow()
	switch {
	case len(f.GetCorrections()) == 0:
		return refuse("the frame is not corrected")
	case w.GetRowStep() != 1 || w.GetColumnStep() != 1:
		return refuse(fmt.Sprintf("with steps of %d rows and %d columns the pixels do not lie on a hexagonal lattice",
			w.GetRowStep(), w.GetColumnStep()))
	}
	of := shape{int(f.GetRows()), int(f.GetColumns()), w.GetRow()%2 == 1}
	// A recording may say anything; the product of what it says must not overflow.
	if n := len(f.GetData()); of.rows > n || of.columns > n || n != 2*of.rows*of.columns {
		return refuse("the frame is incomplete")
	}
	if len(f.GetRowOffsetNs()) == 0 {
		return refuse("the frame says nothing of the times of its rows")
	}
	r, err := made.of(of)
	if err != nil {
		return refuse(err.Error())
	}
	return apply(out, r, of)
}

// apply fills in a frame, which still holds the data of the old lattice.
func apply(out *facetdv1.Frame, r *analog.HexResampler, of shape) *facetdv1.Frame {
	samples, points := make([]float64, of.rows*of.columns), make([]float64, r.Rows*r.Columns)
	for i := range samples {
		samples[i] = float64(binary.LittleEndian.Uint16(out.Data[2*i:]))
	}
	if err := r.Resample(points, samples); err != nil {
		out.CorrectionNote = "not resampled: " + err.Error()
		return out
	}
	out.Data = make([]byte, 2*len(points))
	for i, v := range points {
		binary.LittleEndian.PutUint16(out.Data[2*i:], uint16(math.Round(v)))
	}
	out.RowOffsetNs = rowTimes(out.GetRowOffsetNs(), r.Rows)
	out.RowLightOffsetNs = rowTimes(out.GetRowLightOffsetNs(), r.Rows)
	out.PixelIntervalNs = int64(math.Round(float64(out.GetPixelIntervalNs()) * analog.HexPitch))
	out.Rows, out.Columns = uint32(r.Rows), uint32(r.Columns)
	out.Arrangement = facetdv1.Arrangement_ARRANGEMENT_SQUARE
	out.Corrections = append(out.Corrections[:len(out.Corrections):len(out.Corrections)],
		facetdv1.Correction_CORRECTION_RESAMPLED)
	return out
}

// rowTimes are the times of the rows of the square lattice: each that of the hexagonal row that is nearest. Of no times
// there are none.
func rowTimes(of []int64, rows int) []int64 {
	if len(of) == 0 {
		return nil
	}
	out := make([]int64, rows)
	for i := range out {
		row := int(math.Round(float64(i) * analog.HexPitch / analog.HexRowPitch))
		out[i] = of[min(row, len(of)-1)]
	}
	return out
}
