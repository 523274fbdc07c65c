package health

import (
	"math"
	"slices"
)

// hotRun is in how many frames in a row a pixel must stand out (our choice, no source).
const hotRun = 4

// hotPixels follows pixels that stand out from those around them. A small light that the chip sees moves in the
// picture, or with the picture; a pixel that is stuck does neither.
type hotPixels struct {
	frames int
	moved  bool
	// pixels are those that stood out in every frame so far, with the least and the highest code that they had.
	pixels map[int]span
	ring   []uint16
}

type span struct{ low, high uint16 }

func (h *hotPixels) forget() { h.frames, h.moved, h.pixels = 0, false, nil }

// see takes another frame. A pixel stands out where it is further than limit from those around it; same is how far its
// codes may be apart.
func (h *hotPixels) see(codes []uint16, rows, columns int, limit, same float64, moved bool) {
	if rows < 7 || columns < 7 {
		return
	}
	h.moved = h.moved || moved
	if h.frames == 0 {
		h.pixels = map[int]span{}
		h.screen(codes, rows, columns, limit, func(i int) { h.pixels[i] = span{codes[i], codes[i]} })
		h.frames = 1
		return
	}
	h.frames++
	for i, s := range h.pixels {
		s.low, s.high = min(s.low, codes[i]), max(s.high, codes[i])
		if float64(s.high)-float64(s.low) > same || !h.outstanding(codes, columns, i, limit) {
			delete(h.pixels, i)
			continue
		}
		h.pixels[i] = s
	}
	if len(h.pixels) == 0 { // begin anew with this one
		h.forget()
		h.see(codes, rows, columns, limit, same, false)
	}
}

// count is how many pixels are stuck beyond those that a correction map names; below 0 where it cannot be told.
func (h *hotPixels) count(known *Pattern) int {
	if len(h.pixels) == 0 {
		if h.frames == 0 {
			return -1
		}
		return 0
	}
	if h.frames < hotRun || !h.moved {
		return -1
	}
	n := 0
	for i := range h.pixels {
		if known != nil {
			if _, found := slices.BinarySearch(known.Defective, i); found {
				continue
			}
		}
		n++
	}
	return n
}

// screen calls each for the pixels that stand out, with four looks at most of them. The three rows and columns at each
// edge have no square around them.
func (h *hotPixels) screen(codes []uint16, rows, columns int, limit float64, each func(int)) {
	for r := 3; r < rows-3; r++ {
		for c := 3; c < columns-3; c++ {
			i := r*columns + c
			around := float64(codes[i-3]) + float64(codes[i+3]) + float64(codes[i-3*columns]) +
				float64(codes[i+3*columns])
			if math.Abs(float64(codes[i])-around/4) > limit && h.outstanding(codes, columns, i, limit) {
				each(i)
			}
		}
	}
}

// outstanding compares a pixel with the 24 that lie on a square around it, all of them on one side: a pixel within an
// edge or a line of the picture has some like itself there.
func (h *hotPixels) outstanding(codes []uint16, columns, i int, limit float64) bool {
	own := float64(codes[i])
	h.ring = h.ring[:0]
	for d := -3; d <= 3; d++ {
		h.ring = append(h.ring, codes[i-3*columns+d], codes[i+3*columns+d])
		if d > -3 && d < 3 {
			h.ring = append(h.ring, codes[i+d*columns-3], codes[i+d*columns+3])
		}
	}
	slices.Sort(h.ring)
	// Of a field of such pixels some may lie on the square: a sixth of it is left out on either side.
	low, high := float64(h.ring[4]), float64(h.ring[len(h.ring)-5])
	return own-high > limit || low-own > limit
}
