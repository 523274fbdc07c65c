package scene

import "math"

// cubeLevel is one resolution of the light on the six sides of a cube around
// the crawler. Each side has size x size texels and an apron of one texel
// around it that continues into its neighbours, so that interpolation has no
// seams. Sides 0..5 are +x -x +y -y +z -z; the coordinates of a side are the
// other two axes in the order x, y, z, each divided by the side's own.
type cubeLevel struct {
	size, stride, side int // texels: edge, edge with apron, all of a side
	half               float32
	texels             []float32
	begins             int // within those of all levels
}

// cubeMap is a pyramid. Level 0 holds the light at its texels. Level 1 has the
// same size, level 2 half of it and so on down to one texel a side; they hold
// means over 3 x 3 of their texels, so that there are three texels to the width
// of the average and an interpolation is nearly the same wherever it falls
// between them.
type cubeMap []cubeLevel

// joined puts the texels of all levels into one piece of memory, in which each has its place, and returns that.
func (c cubeMap) joined() []float32 {
	var all []float32
	for i := range c {
		c[i].begins = len(all)
		all = append(all, c[i].texels...)
	}
	for i := range c {
		n := len(c[i].texels)
		c[i].texels = all[c[i].begins:][:n:n]
	}
	return all
}

// sideAxes lists, for each axis of a side, the axes of its coordinates.
var sideAxes = [3][2]int{{1, 2}, {0, 2}, {0, 1}}

func newCubeLevel(size int) cubeLevel {
	stride := size + 2
	return cubeLevel{size: size, stride: stride, side: stride * stride,
		half: float32(size) / 2, texels: make([]float32, 6*stride*stride)}
}

// index of a texel; u and v from -1 to size.
func (l *cubeLevel) index(side, u, v int) int { return side*l.side + (v+1)*l.stride + u + 1 }

// newCubeMap samples the light at the texel centres of the largest level, whose
// size is a power of two, and averages it down.
func newCubeMap(size int, at func(x, y, z, size float64) float32) cubeMap {
	level := newCubeLevel(size)
	step := 2 / float64(size)
	for side := range 6 {
		var p [3]float64
		axis, other := side/2, sideAxes[side/2]
		p[axis] = 1 - 2*float64(side&1)
		for v := range size {
			p[other[1]] = (float64(v)+0.5)*step - 1
			for u := range size {
				p[other[0]] = (float64(u)+0.5)*step - 1
				length := math.Sqrt(p[0]*p[0] + p[1]*p[1] + p[2]*p[2])
				texel := step / (length * math.Sqrt(length)) // root of its solid angle
				level.texels[level.index(side, u, v)] = at(p[0], p[1], p[2], texel)
			}
		}
	}
	level.fillApron()
	cube := cubeMap{level, level.smoothed()}
	for size > 1 {
		size /= 2
		level = level.halved(size)
		cube = append(cube, level.smoothed())
	}
	return cube
}

// smoothed averages 3 x 3 texels. As everywhere here, differences are averaged,
// so that equal texels stay exactly equal.
func (l *cubeLevel) smoothed() cubeLevel {
	s := newCubeLevel(l.size)
	line := make([]float32, l.stride)
	for side := range 6 {
		for v := range l.size {
			at := l.index(side, -1, v)
			above, here := l.texels[at-l.stride:][:l.stride], l.texels[at:][:l.stride]
			below := l.texels[at+l.stride:][:l.stride]
			for i, t := range here {
				line[i] = t + ((above[i]-t)+(below[i]-t))/3
			}
			out := s.texels[at:][:l.stride]
			for i := 1; i <= l.size; i++ {
				out[i] = line[i] + ((line[i-1]-line[i])+(line[i+1]-line[i]))/3
			}
		}
	}
	s.fillApron()
	return s
}

// halved averages blocks of 2 x 2 texels weighted by their solid angles.
func (l *cubeLevel) halved(size int) cubeLevel {
	h := newCubeLevel(size)
	step := 2 / float64(l.size)
	weight := func(u, v int) float32 {
		x, y := (float64(u)+0.5)*step-1, (float64(v)+0.5)*step-1
		w := 1 + x*x + y*y
		return float32(1 / (w * math.Sqrt(w)))
	}
	for v := range size {
		for u := range size {
			w0, w1 := weight(2*u, 2*v), weight(2*u+1, 2*v)
			w2, w3 := weight(2*u, 2*v+1), weight(2*u+1, 2*v+1)
			sum := w0 + w1 + w2 + w3
			for side := range 6 {
				i := l.index(side, 2*u, 2*v)
				a := l.texels[i]
				b, c, d := l.texels[i+1]-a, l.texels[i+l.stride]-a, l.texels[i+l.stride+1]-a
				h.texels[h.index(side, u, v)] = a + (w1*b+w2*c+w3*d)/sum
			}
		}
	}
	h.fillApron()
	return h
}

// fillApron copies the outermost texels of the neighbouring sides. Texels of
// two sides that share an edge are equally spaced along it, so both sides
// interpolate the same pairs there; at a corner all three sides meet in the
// mean of their corner texels.
func (l *cubeLevel) fillApron() {
	n := l.size
	for side := range 6 {
		for i := range n {
			for _, uv := range [4][2]int{{-1, i}, {n, i}, {i, -1}, {i, n}} {
				l.texels[l.index(side, uv[0], uv[1])] = l.texels[l.across(side, uv[0], uv[1])]
			}
		}
		for _, uv := range [4][2]int{{-1, -1}, {n, -1}, {-1, n}, {n, n}} {
			u, v := min(max(uv[0], 0), n-1), min(max(uv[1], 0), n-1)
			a := l.texels[l.index(side, u, v)]
			b, c := l.texels[l.across(side, uv[0], v)]-a, l.texels[l.across(side, u, uv[1])]-a
			l.texels[l.index(side, uv[0], uv[1])] = a + (b+c)/3
		}
	}
}

// across returns the index of the texel on the neighbouring side that an apron
// texel stands for; exactly one of u and v is -1 or size.
func (l *cubeLevel) across(side, u, v int) int {
	axis, other := side/2, sideAxes[side/2]
	var at [3]int
	at[axis] = (1 - side&1) * (l.size - 1)
	at[other[0]], at[other[1]] = u, v
	over := other[0]
	if v < 0 || v >= l.size {
		over = other[1]
	}
	neighbour := 2 * over
	if at[over] < 0 {
		neighbour++
	}
	target := sideAxes[over]
	return l.index(neighbour, at[target[0]], at[target[1]])
}
