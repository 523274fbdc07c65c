package motion

import "math"

// OneStep is the classical estimate, for comparison: central differences of the first frame, no smoothing, no offset,
// over the pixels that have all four neighbours. (Srinivasan, Biological Cybernetics 71 (1994) 401-415: the abstract
// was seen, and the form of least squares elsewhere; Lucas and Kanade, 1981, from memory.) It is for square lattices of
// three rows and columns or more, and flat where the gradients do not tell both directions. With a noise of 0 that of a
// pixel is what is left over.
func OneStep(s Shape, first, second []float64, noise float64) (out Estimate) {
	var n, xx, xy, yy, xt, yt, tt float64
	w := s.Columns
	for row := 1; row < s.Rows-1; row++ {
		for i := row*w + 1; i < row*w+w-1; i++ {
			x, y := (first[i+1]-first[i-1])/2, (first[i+w]-first[i-w])/2
			t := second[i] - first[i]
			n++
			xx += x * x
			xy += x * y
			yy += y * y
			xt += x * t
			yt += y * t
			tt += t * t
		}
	}
	det := xx*yy - xy*xy
	if !(det > 1e-12*xx*yy) || !(n > 2) {
		return Estimate{Refused: Flat, Pixels: int(n)}
	}
	out.X, out.Y = -(yy*xt-xy*yt)/det, -(xx*yt-xy*xt)/det
	left := max(0, tt+out.X*xt+out.Y*yt) / (n - 2)
	if noise > 0 {
		left = 2 * noise * noise
	}
	out.XX, out.XY, out.YY = left*yy/det, -left*xy/det, left*xx/det
	out.Noise, out.Pixels, out.Valid = math.Sqrt(left/2), int(n), 1
	return out
}
