// Package coverage says what the chips of an array see of the sphere around it: how often every direction is seen, with
// how many degrees a pixel, where fields overlap and where they leave gaps, far away or at a surface near by. It is
// pure.
//
// Directions are those from the middle of the body; at a surface, what is seen is the place of the surface that lies in
// a direction.
package coverage

import (
	"math"
	"slices"

	"facetd.example/chipmodel/geometry"
)

// Limits of the number of directions.
const (
	LeastDirections = 1000
	MostDirections  = 4_000_000
)

// within is how many samples along each side a cell has that is not seen alike all over.
const within = 8

// Chip is a chip of the array.
type Chip struct {
	Name   string
	Camera *geometry.Camera
}

// Report is what the chips see.
type Report struct {
	// Directions is how many were tried.
	Directions int `json:"directions"`
	// SphereM and PipeM are the surface that was looked at; both 0: far away.
	SphereM float64 `json:"sphere_m,omitempty"`
	PipeM   float64 `json:"pipe_m,omitempty"`
	// SeenSr is what at least one chip sees, SeenFraction that of the sphere, TwiceFraction what two or more see.
	SeenSr        float64 `json:"seen_sr"`
	SeenFraction  float64 `json:"seen_fraction"`
	TwiceFraction float64 `json:"twice_fraction"`
	// Times is what is seen exactly so many times, from 0 on.
	Times []Times `json:"times"`
	// DegreesPerPixel is that of the finest chip in each direction that is seen; nil where nothing is.
	DegreesPerPixel *Spread    `json:"degrees_per_pixel,omitempty"`
	Chips           []Seen     `json:"chips"`
	Overlaps        []Overlap  `json:"overlaps"`
	Gaps            []Gap      `json:"gaps"`
	Neighbours      []Adjacent `json:"neighbours"`

	drawing drawing
}

// Times is how much is seen a number of times.
type Times struct {
	Times    int     `json:"times"`
	Sr       float64 `json:"sr"`
	Fraction float64 `json:"fraction"`
}

// Spread is how a quantity is spread over the directions that are seen, by their area.
type Spread struct {
	Least  float64 `json:"least"`
	Tenth  float64 `json:"tenth"`
	Median float64 `json:"median"`
	Ninth  float64 `json:"ninth"`
	Most   float64 `json:"most"`
}

// Seen is what a chip sees.
type Seen struct {
	Chip string `json:"chip"`
	// AzimuthDeg (left positive) and ElevationDeg are where its axis points, from the middle of the body.
	AzimuthDeg   float64 `json:"azimuth_deg"`
	ElevationDeg float64 `json:"elevation_deg"`
	// Sr is the solid angle, and AloneSr what of it no other chip sees.
	Sr      float64 `json:"sr"`
	AloneSr float64 `json:"alone_sr"`
	// DegreesPerPixel is that on the axis, from the chip's own place.
	DegreesPerPixel float64 `json:"degrees_per_pixel"`
}

// Overlap is what two chips both see.
type Overlap struct {
	Chips [2]string `json:"chips"`
	Sr    float64   `json:"sr"`
	// Fraction is that of the smaller of the two fields.
	Fraction float64 `json:"fraction"`
	// ParallaxDeg is the angle between their directions to the middle of it; 0 far away.
	ParallaxDeg float64 `json:"parallax_deg"`
}

// Gap is a region that no chip sees, in one piece.
type Gap struct {
	Sr float64 `json:"sr"`
	// AzimuthDeg and ElevationDeg are the middle of it.
	AzimuthDeg   float64 `json:"azimuth_deg"`
	ElevationDeg float64 `json:"elevation_deg"`
}

// Adjacent is a chip and the one whose axis is nearest.
type Adjacent struct {
	Chips    [2]string `json:"chips"`
	AngleDeg float64   `json:"angle_deg"`
	// OverlapDeg is how much of the way from axis to axis both see, GapDeg how much neither does.
	OverlapDeg float64 `json:"overlap_deg"`
	GapDeg     float64 `json:"gap_deg"`
}

// field is a chip with what spares looking through it in vain.
type field struct {
	Chip
	axis    [3]float64
	reach   float64 // cosine of the cone about axis beyond which nothing is seen
	outline [][3]float64
}

// survey is a report that is being made.
type survey struct {
	surface geometry.Surface
	fields  []field
	times   []float64
	sr      []float64
	alone   []float64
	pairs   map[[2]int]*pair
	finest  []weighted
}

type pair struct {
	sr     float64
	middle [3]float64
}

type weighted struct{ value, weight float64 }

// Survey looks at a number of directions, about, spread evenly over the sphere; cells that are not seen alike all over
// are looked at more closely.
func Survey(chips []Chip, surface geometry.Surface, directions int) *Report {
	s := &survey{surface: surface, pairs: map[[2]int]*pair{}, sr: make([]float64, len(chips)),
		alone: make([]float64, len(chips)), times: make([]float64, len(chips)+1)}
	for _, c := range chips {
		s.fields = append(s.fields, newField(c, surface))
	}
	g := newGrid(directions)
	unseen := make([]float64, g.cells)
	for _, r := range g.rings {
		corners := s.corners(r)
		for cell := range r.cells {
			unseen[r.first+cell] = s.cell(r, cell, corners)
		}
	}
	out := &Report{Directions: g.cells, SphereM: surface.SphereM, PipeM: surface.PipeM}
	s.report(out)
	out.Gaps = gaps(g, unseen)
	out.drawing = s.drawing()
	return out
}

// newField finds the cone that a field lies in.
func newField(c Chip, surface geometry.Surface) field {
	f := field{Chip: c, reach: -1}
	width, height := c.Camera.Lattice().Extent()
	hit := func(x, y float64) [3]float64 {
		d, _ := surface.Hit(c.Camera, c.Camera.Sight(x, y).Ray)
		return d
	}
	f.axis = hit(0, 0)
	const steps = 48
	least := 1.0
	for side := range 4 {
		for i := range steps {
			along := 2*float64(i)/steps - 1
			at := [4][2]float64{{along, -1}, {1, along}, {-along, 1}, {-1, -along}}[side]
			d := hit(at[0]*width/2, at[1]*height/2)
			f.outline = append(f.outline, d)
			least = min(least, dot(d, f.axis))
		}
	}
	// A field that reaches far around the sphere may be all but a part of it: look everywhere.
	if least > 0.2 {
		f.reach = math.Cos(math.Acos(least)*1.02 + 0.01)
	}
	return f
}

// sees lists the chips that see a direction, in order.
func (s *survey) sees(d [3]float64, into []int) []int {
	into = into[:0]
	for i := range s.fields {
		f := &s.fields[i]
		if dot(d, f.axis) < f.reach {
			continue
		}
		if _, _, ok := s.surface.Sees(f.Camera, d[0], d[1], d[2]); ok {
			into = append(into, i)
		}
	}
	return into
}

// corners are what is seen at the upper and the lower corners of a ring's cells, to the left of each.
func (s *survey) corners(r ring) [2][][]int {
	var out [2][][]int
	for k := range out {
		for cell := range r.cells {
			out[k] = append(out[k], slices.Clone(s.sees(r.at(cell, 0, float64(k)), nil)))
		}
	}
	return out
}

// cell counts a cell and returns how much of it is not seen, in steradians.
func (s *survey) cell(r ring, cell int, corners [2][][]int) (unseen float64) {
	middle := r.at(cell, 0.5, 0.5)
	here := s.sees(middle, nil)
	next := (cell + 1) % r.cells
	alike := true
	for k := range 2 {
		alike = alike && slices.Equal(here, corners[k][cell]) && slices.Equal(here, corners[k][next])
	}
	area := r.area()
	s.pixels(middle, here, area)
	if alike {
		s.count(middle, here, area)
		if len(here) == 0 {
			return area
		}
		return 0
	}
	buffer := make([]int, 0, 8)
	for i := range within {
		for j := range within {
			d := r.at(cell, (float64(i)+0.5)/within, (float64(j)+0.5)/within)
			buffer = s.sees(d, buffer)
			s.count(d, buffer, area/(within*within))
			if len(buffer) == 0 {
				unseen += area / (within * within)
			}
		}
	}
	return unseen
}

// count counts an area that chips see.
func (s *survey) count(d [3]float64, chips []int, area float64) {
	s.times[len(chips)] += area
	for i, a := range chips {
		s.sr[a] += area
		if len(chips) == 1 {
			s.alone[a] += area
		}
		for _, b := range chips[i+1:] {
			p := s.pairs[[2]int{a, b}]
			if p == nil {
				p = &pair{}
				s.pairs[[2]int{a, b}] = p
			}
			p.sr += area
			for k := range d {
				p.middle[k] += d[k] * area
			}
		}
	}
}

// pixels notes how finely a direction is seen.
func (s *survey) pixels(d [3]float64, chips []int, area float64) {
	finest := math.Inf(1)
	for _, i := range chips {
		c := s.fields[i].Camera
		if x, y, ok := s.surface.Sees(c, d[0], d[1], d[2]); ok {
			finest = min(finest, geometry.Degrees(math.Sqrt(c.Sight(x, y).SolidAngle)))
		}
	}
	if len(chips) > 0 {
		s.finest = append(s.finest, weighted{finest, area})
	}
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }
