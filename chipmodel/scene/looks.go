package scene

import "math"

// batch is how many pixels are looked up together.
const batch = 16

// maxLevels is a power of two that no cube has more levels than.
const maxLevels = 16

// levelPlace is where a level of a cube map is among the texels of all levels.
type levelPlace struct {
	half   float32 // of its size, in texels
	stride uint32
	sides  [6]uint32 // where each begins
}

func (c cubeMap) places() (out [maxLevels]levelPlace) {
	for i := range c {
		l := &c[i]
		out[i].half, out[i].stride = l.half, uint32(l.stride)
		for side := range out[i].sides {
			out[i].sides[side] = uint32(l.begins + side*l.side)
		}
	}
	return out
}

// place is where one level of a cube map is looked up: between four texels. It has the first of the upper and of the
// lower pair, among the texels of all levels.
type place struct {
	upper, lower uint32
	x, y         float32 // between them
}

// find is the place of a point of a side; u and v from 0 to 2.
func (p *place) find(l *levelPlace, side int, u, v float32) {
	x, y := u*l.half+0.5, v*l.half+0.5
	i, j := int32(x), int32(y)
	p.upper = l.sides[side] + uint32(j)*l.stride + uint32(i)
	p.lower = p.upper + l.stride
	p.x, p.y = x-float32(i), y-float32(j)
}

// light interpolates between texels.
func (p *place) light(all []float32) float32 {
	top, bottom := all[p.upper:], all[p.lower:]
	if len(top) < 2 || len(bottom) < 2 { // which never is: it spares the checks of four
		return 0
	}
	a := top[0] + p.x*(top[1]-top[0])
	b := bottom[0] + p.x*(bottom[1]-bottom[0])
	return a + p.y*(b-a)
}

// looks looks up the mean light on up to a batch of rays, which need not have the length 1: their footprints lie in the
// plane that they reach to. It finds all places first and fetches the texels then: as none of that waits for another,
// the processor waits for memory for several at a time. The pose may drift from ray to ray.
func (p *panorama) looks(light []float32, rays []ray, pose *pose32, by *drift) {
	var fine, coarse [batch]place
	var mixes, lamps [batch]float32
	m, forward, last := pose.m, pose.forward, len(p.cube)-1
	rays = rays[:min(len(rays), batch)]
	for i := range rays {
		r := &rays[i]
		if by != nil {
			forward = by.pose(&m, pose, float32(i))
		}
		x := m[0]*r.x + m[1]*r.y + m[2]*r.z
		y := m[3]*r.x + m[4]*r.y + m[5]*r.z
		z := m[6]*r.x + m[7]*r.y + m[8]*r.z
		footprint := r.footprint
		if pose.aside {
			var wider float32
			x, y, z, wider, lamps[i] = pose.meet(x, y, z)
			footprint *= wider
		} else if forward != 0 {
			x += forward * float32(math.Sqrt(float64(y*y+z*z)))
		}
		side, major, a, b := sideOf(x, y, z)
		inverse := 1 / major
		level, mix := levelOf(p.area(footprint, inverse), last)
		u, v := a*inverse+1, b*inverse+1
		fine[i].find(&p.levels[level&(maxLevels-1)], side, u, v)
		if mixes[i] = mix; mix >= 0 {
			coarse[i].find(&p.levels[(level+1)&(maxLevels-1)], side, u, v)
		}
	}
	all := p.all
	for i := range light[:len(rays)] {
		lit := fine[i].light(all)
		if mix := mixes[i]; mix >= 0 {
			lit += mix * (coarse[i].light(all) - lit)
		}
		light[i] = lit
	}
	if pose.share > 0 && pose.lampAside {
		for i := range light[:len(rays)] {
			light[i] *= 1 + pose.share*(lamps[i]-1)
		}
	}
}

// row looks up the pixels of a row.
func (p *panorama) row(dst []float64, v *View, first int, pose *pose32, by *drift) {
	var light [batch]float32
	for len(dst) > 0 {
		n := min(len(dst), batch)
		rays, gain := v.viewRow(first, n)
		if v.streaks == nil {
			p.looks(light[:n], rays, pose, by)
		} else {
			p.stretch(light[:n], rays, v.streaks[first:first+n], pose, by)
		}
		for i := range gain {
			dst[i] = float64(light[i]) * float64(gain[i])
		}
		dst, first = dst[n:], first+n
		if by != nil {
			by.first += float32(n)
		}
	}
}

// stretch looks up the light on pixels of which some are far from square, averaged over their taps. As everywhere here
// differences are averaged, those from the first tap, so that equal light stays exactly equal.
func (p *panorama) stretch(light []float32, rays []ray, streaks []streak, pose *pose32, by *drift) {
	var moved [batch]ray
	var tap, sum [batch]float32
	most := int32(0)
	for i, s := range streaks {
		most = max(most, s.taps)
		r, back := rays[i], float32(s.taps-1)/2
		r.x, r.y, r.z = r.x-back*s.x, r.y-back*s.y, r.z-back*s.z
		moved[i] = r
	}
	p.looks(light, moved[:len(rays)], pose, by)
	for k := int32(1); k < most; k++ {
		for i := range streaks {
			s, r := &streaks[i], &moved[i]
			r.x, r.y, r.z = r.x+s.x, r.y+s.y, r.z+s.z
		}
		p.looks(tap[:len(rays)], moved[:len(rays)], pose, by)
		for i := range streaks {
			if k < streaks[i].taps {
				sum[i] += tap[i] - light[i]
			}
		}
	}
	for i := range streaks {
		if n := streaks[i].taps; n > 1 {
			light[i] += sum[i] / float32(n)
		}
	}
}
