package scene

import "math"

// equirect samples an equirectangular picture by direction. Near the poles a
// column spans little solid angle, so the picture is also kept at half, a
// quarter ... of its width, down to the mean of each row.
type equirect struct {
	byWidth []plane // widest first, the last one column wide
	column  float64 // radians per column of the widest
}

func newEquirect(p plane) equirect {
	e := equirect{byWidth: []plane{p}, column: 2 * math.Pi / float64(p.width)}
	for p.width > 1 {
		p = p.narrowed()
		e.byWidth = append(e.byWidth, p)
	}
	return e
}

// at returns the light in a direction (not nil, any length), averaged along
// the parallel of latitude over about `size` radians of arc.
func (e *equirect) at(x, y, z, size float64) float32 {
	horizontal := math.Sqrt(x*x + y*y)
	// Longitude as a fraction of the picture's width, left edge behind.
	east := 0.5 - math.Atan2(y, x)/(2*math.Pi)
	down := 0.5 - math.Atan2(z, horizontal)/math.Pi
	wide := size * math.Sqrt(horizontal*horizontal+z*z)
	last := len(e.byWidth) - 1
	if wide <= e.column*horizontal {
		return e.byWidth[0].bilinear(east, down)
	}
	if wide >= horizontal*e.column*float64(uint64(1)<<last) {
		return e.byWidth[last].bilinear(east, down)
	}
	level := math.Log2(wide / (e.column * horizontal))
	i := int(level)
	if i >= last {
		return e.byWidth[last].bilinear(east, down)
	}
	a, b := e.byWidth[i].bilinear(east, down), e.byWidth[i+1].bilinear(east, down)
	return a + float32(level-float64(i))*(b-a)
}

// bilinear interpolates between pixel centres; east wraps, and down ends at the
// centres of the first and last row.
func (p *plane) bilinear(east, down float64) float32 {
	x := east*float64(p.width) - 0.5
	y := min(max(down*float64(p.height)-0.5, 0), float64(p.height-1))
	floor := math.Floor(x)
	tx := float32(x - floor)
	x0 := int(floor)
	if x0 < 0 {
		x0 += p.width
	}
	x0 = min(x0, p.width-1)
	x1 := x0 + 1
	if x1 == p.width {
		x1 = 0
	}
	y0 := int(y)
	y1 := min(y0+1, p.height-1)
	top, bottom := p.pix[y0*p.width:(y0+1)*p.width], p.pix[y1*p.width:(y1+1)*p.width]
	a := top[x0] + tx*(top[x1]-top[x0])
	b := bottom[x0] + tx*(bottom[x1]-bottom[x0])
	return a + float32(y-float64(y0))*(b-a)
}
