package health

import (
	"math"
	"slices"
)

// noiseMeter measures temporal noise between two frames. Light that moves changes pixels, too, and most where the
// picture is uneven; noise does not care. So noise is what remains in the evenest quarter of the picture, and is
// told only where the most uneven quarter changes hardly more, and where the means of small blocks change as little as
// those of noise: a picture that moves changes them nearly as much as single pixels.
type noiseMeter struct {
	grades, sorted []float64
	even, uneven   []float64
}

const (
	// trimmed is the deviation of a normal variable, the tenth that is furthest from its mean left out, as a part of
	// the whole (derived: the root of 1 - 2 z phi(z)/0.9 with z = 1.645).
	trimmed = 0.789
	// restful is how much more the uneven quarter may change than the even one where nothing moves (our choice, no
	// source).
	restful = 1.5
)

// between is the deviation of one pixel from one frame to the next, in codes; below 0 where it cannot be told.
// Neighbours are subtracted, so that light that grows or fades adds nothing. How uneven a place is, is taken from the
// sum of both frames, whose noise is independent of that of their difference.
func (m *noiseMeter) between(before, now []uint16, rows, columns int) float64 {
	if rows < 5 || columns < 6 {
		return -1
	}
	sum := func(i int) float64 { return float64(before[i]) + float64(now[i]) }
	m.grades = m.grades[:0]
	for r := 1; r < rows-1; r++ {
		for c := 1; c < columns-2; c++ {
			i := r*columns + c
			left := sum(i-columns-1) + sum(i-1) + sum(i+columns-1)
			right := sum(i-columns+2) + sum(i+2) + sum(i+columns+2)
			up, down := sum(i-columns)+sum(i-columns+1), sum(i+columns)+sum(i+columns+1)
			m.grades = append(m.grades, math.Abs(right-left)/3+math.Abs(down-up)/2)
		}
	}
	m.sorted = append(m.sorted[:0], m.grades...)
	slices.Sort(m.sorted)
	n := len(m.sorted)
	low, high := m.sorted[n/4], m.sorted[n-1-n/4]
	m.even, m.uneven = m.even[:0], m.uneven[:0]
	k := 0
	for r := 1; r < rows-1; r++ {
		for c := 1; c < columns-2; c++ {
			grade := m.grades[k]
			k++
			if grade > low && grade < high {
				continue
			}
			i := r*columns + c
			d := float64(now[i]) - float64(before[i]) - float64(now[i+1]) + float64(before[i+1])
			if grade <= low {
				m.even = append(m.even, d*d)
			}
			if grade >= high {
				m.uneven = append(m.uneven, d*d)
			}
		}
	}
	even, uneven := deviation(m.even), deviation(m.uneven)
	if even < 0 || uneven < 0 || uneven > restful*even+0.5 ||
		blocks(before, now, rows, columns) > restful*even/side+0.25 {
		return -1
	}
	return even
}

// side is that of the blocks, in pixels.
const side = 4

// blocks is by how much the means of blocks change, as the deviation of one of them in one frame. Neighbours are
// subtracted.
func blocks(before, now []uint16, rows, columns int) float64 {
	var squares float64
	n := 0
	for r := 0; r+side <= rows; r += side {
		last, first := 0.0, true
		for c := 0; c+side <= columns; c += side {
			change := 0
			for i := range side * side {
				k := (r+i/side)*columns + c + i%side
				change += int(now[k]) - int(before[k])
			}
			mean := float64(change) / (side * side)
			if !first {
				squares += (mean - last) * (mean - last)
				n++
			}
			last, first = mean, false
		}
	}
	if n == 0 {
		return math.Inf(1)
	}
	return math.Sqrt(squares/float64(n)) / 2
}

// deviation is that of one pixel by squares of differences of two differences, which have four times its variance;
// below 0 where they are few. It sorts them.
func deviation(squares []float64) float64 {
	if len(squares) < leastPixels {
		return -1
	}
	slices.Sort(squares)
	squares = squares[:len(squares)*9/10]
	var sum float64
	for _, d := range squares {
		sum += d
	}
	return math.Sqrt(sum/float64(len(squares))) / trimmed / 2
}
