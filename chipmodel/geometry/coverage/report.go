package coverage

import (
	"cmp"
	"math"
	"slices"

	"facetd.example/chipmodel/geometry"
)

// mostGaps is how many gaps are told, the largest first.
const mostGaps = 20

// report puts the counts into a report.
func (s *survey) report(out *Report) {
	const sphere = 4 * math.Pi
	for times, sr := range s.times {
		if sr > 0 || times == 0 {
			out.Times = append(out.Times, Times{times, sr, sr / sphere})
		}
		if times > 0 {
			out.SeenSr += sr
		}
		if times > 1 {
			out.TwiceFraction += sr / sphere
		}
	}
	out.SeenFraction = out.SeenSr / sphere
	out.DegreesPerPixel = spreadOf(s.finest)
	for i, f := range s.fields {
		az, el := angles(f.axis)
		middle := f.Camera.Sight(0, 0)
		out.Chips = append(out.Chips, Seen{Chip: f.Name, AzimuthDeg: az, ElevationDeg: el, Sr: s.sr[i],
			AloneSr: s.alone[i], DegreesPerPixel: geometry.Degrees(math.Sqrt(middle.SolidAngle))})
	}
	out.Overlaps, out.Neighbours = []Overlap{}, []Adjacent{}
	for key, p := range s.pairs {
		a, b := s.fields[key[0]], s.fields[key[1]]
		out.Overlaps = append(out.Overlaps, Overlap{Chips: [2]string{a.Name, b.Name}, Sr: p.sr,
			Fraction: p.sr / min(s.sr[key[0]], s.sr[key[1]]), ParallaxDeg: s.parallax(a, b, p.middle)})
	}
	slices.SortFunc(out.Overlaps, func(a, b Overlap) int {
		// What is equal but for rounding is in the order of the names.
		return cmp.Or(cmp.Compare(math.Round(b.Sr*1e6), math.Round(a.Sr*1e6)), cmp.Compare(a.Chips[0], b.Chips[0]),
			cmp.Compare(a.Chips[1], b.Chips[1]))
	})
	for i := range s.fields {
		if n, ok := s.adjacent(i); ok {
			out.Neighbours = append(out.Neighbours, n)
		}
	}
}

// parallax is the angle in degrees under which two chips see the surface in a direction of any length.
func (s *survey) parallax(a, b field, d [3]float64) float64 {
	size := math.Sqrt(dot(d, d))
	if size == 0 {
		return 0
	}
	place, far := s.surface.At(d[0]/size, d[1]/size, d[2]/size)
	if far {
		return 0
	}
	return geometry.Degrees(geometry.Parallax(a.Camera, b.Camera, place[0], place[1], place[2]))
}

// adjacent finds the chip whose axis is nearest to that of another, and walks from one axis to the other.
func (s *survey) adjacent(i int) (Adjacent, bool) {
	near, cos := -1, -2.0
	for k := range s.fields {
		if c := dot(s.fields[i].axis, s.fields[k].axis); k != i && c > cos {
			near, cos = k, c
		}
	}
	if near < 0 {
		return Adjacent{}, false
	}
	a, b := s.fields[i], s.fields[near]
	angle := math.Acos(max(-1, min(1, cos)))
	out := Adjacent{Chips: [2]string{a.Name, b.Name}, AngleDeg: geometry.Degrees(angle)}
	if math.Sin(angle) < 1e-9 {
		return out, true
	}
	const steps = 2000
	for k := range steps {
		t := (float64(k) + 0.5) / steps
		u, v := math.Sin((1-t)*angle)/math.Sin(angle), math.Sin(t*angle)/math.Sin(angle)
		var d [3]float64
		for j := range d {
			d[j] = u*a.axis[j] + v*b.axis[j]
		}
		_, _, one := s.surface.Sees(a.Camera, d[0], d[1], d[2])
		_, _, other := s.surface.Sees(b.Camera, d[0], d[1], d[2])
		switch {
		case one && other:
			out.OverlapDeg += out.AngleDeg / steps
		case !one && !other:
			out.GapDeg += out.AngleDeg / steps
		}
	}
	return out, true
}

// spreadOf sorts what it is given.
func spreadOf(of []weighted) *Spread {
	if len(of) == 0 {
		return nil
	}
	slices.SortFunc(of, func(a, b weighted) int { return cmp.Compare(a.value, b.value) })
	total := 0.0
	for _, w := range of {
		total += w.weight
	}
	at := func(part float64) float64 {
		sum := 0.0
		for _, w := range of {
			if sum += w.weight; sum >= part*total {
				return w.value
			}
		}
		return of[len(of)-1].value
	}
	return &Spread{Least: of[0].value, Tenth: at(0.1), Median: at(0.5), Ninth: at(0.9), Most: of[len(of)-1].value}
}

// gaps joins cells of which more than half is not seen to regions. Only those count that touch at a side.
func gaps(g grid, unseen []float64) []Gap {
	parent := make([]int, g.cells)
	for i := range parent {
		parent[i] = i
	}
	root := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	open := make([]bool, g.cells)
	for _, r := range g.rings {
		for cell := range r.cells {
			open[r.first+cell] = unseen[r.first+cell] > r.area()/2
		}
	}
	for i, r := range g.rings {
		for cell := range r.cells {
			own := r.first + cell
			join := func(other int) {
				if open[own] && open[other] {
					parent[root(own)] = root(other)
				}
			}
			join(r.first + (cell+1)%r.cells)
			g.neighbours(i, cell, join)
		}
	}
	type region struct {
		sr     float64
		middle [3]float64
	}
	regions := map[int]*region{}
	for _, r := range g.rings {
		for cell := range r.cells {
			own := r.first + cell
			if !open[own] {
				continue
			}
			one := regions[root(own)]
			if one == nil {
				one = &region{}
				regions[root(own)] = one
			}
			one.sr += unseen[own]
			for k, v := range r.at(cell, 0.5, 0.5) {
				one.middle[k] += v * unseen[own]
			}
		}
	}
	out := []Gap{}
	for _, r := range regions {
		az, el := angles(r.middle)
		out = append(out, Gap{Sr: r.sr, AzimuthDeg: az, ElevationDeg: el})
	}
	slices.SortFunc(out, func(a, b Gap) int {
		return cmp.Or(cmp.Compare(b.Sr, a.Sr), cmp.Compare(a.AzimuthDeg, b.AzimuthDeg))
	})
	return out[:min(len(out), mostGaps)]
}

// angles are azimuth (left positive) and elevation of a direction of any length, in degrees.
func angles(d [3]float64) (azimuth, elevation float64) {
	return geometry.Degrees(math.Atan2(d[1], d[0])), geometry.Degrees(math.Atan2(d[2], math.Hypot(d[0], d[1])))
}
