package bench

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
)

// Vector is in the body frame: x ahead, y left, z up.
type Vector [3]float64

// Matrix is of vectors, row by row.
type Matrix [3]Vector

// Told is what one chip told of one pair of frames while the body turned, with the chip mounted as the array file has
// it: a rate in radians a second, with the inverse of its covariance.
type Told struct {
	Job uint64
	// ShiftPx is by how many pixels the picture moved.
	ShiftPx     float64
	Rate        Vector
	Information Matrix
}

// BodyTurn is a turn of the body about a known axis, right-handed about the axes of the body.
type BodyTurn struct {
	Axis Vector
	// RateRadPerS is how fast, where that is known; 0 where not. Then what all chips tell together is taken for it.
	RateRadPerS float64
	Chips       map[string][]Told
}

// Axes of turns, as poses have them: to the left, upward, over the right side.
var axes = map[string]Vector{"yaw": {0, 0, 1}, "pitch": {0, -1, 0}, "roll": {1, 0, 0}}

// AxisOf is the axis of a turn by its name.
func AxisOf(name string) (Vector, bool) { v, ok := axes[name]; return v, ok }

// Attitude is how a chip is really mounted, by the turns that it saw.
type Attitude struct {
	Chip string `json:"chip"`
	// Pairs of frames that told something.
	Pairs int `json:"pairs"`
	// Described is the mount of the array file, and Measured that of the turns; Sd has standard deviations.
	Described Mount `json:"described"`
	Measured  Mount `json:"measured"`
	Sd        Mount `json:"sd"`
	// OffDeg is the angle of the turn from the one to the other, and its standard deviation in that direction.
	OffDeg   float64 `json:"off_deg"`
	OffSdDeg float64 `json:"off_sd_deg"`
	// Scale is the rate that it told across its axis by the real one, where rates are known, or else 1: above 1 the
	// field of view is narrower than described.
	Scale   float64 `json:"scale"`
	ScaleSd float64 `json:"scale_sd"`
	// ChiSquared is what is left over per degree of freedom; far above 1 the body did not only turn, or what is seen
	// was too near.
	ChiSquared float64 `json:"chi_squared"`
	// Why says why nothing is told of it; then only Chip, Pairs and Described say something, and Scale is 1.
	Why string `json:"why,omitempty"`

	turn Matrix // from the described attitude to the measured one
}

// fewestPairs is how many pairs of a turn a chip needs.
const fewestPairs = 6

// farEnough is the least sine between the axes of two turns.
const farEnough = 0.5

// Attitudes finds how chips are mounted, by what they told of turns. A chip that is turned by E against its description
// tells E' w of a rate w; each turn tells two angles of E, two turns about axes that are apart all three.
func Attitudes(mounts map[string]Mount, turns []BodyTurn) ([]Attitude, error) {
	if !apart(turns) {
		return nil, errors.New("all turns are about one axis, or nearly: a second one about another is needed")
	}
	names := map[string]bool{}
	for _, t := range turns {
		for chip := range t.Chips {
			names[chip] = true
		}
	}
	var solved []*chipTurn
	var out []Attitude
	for chip := range names {
		c := &chipTurn{out: Attitude{Chip: chip, Described: mounts[chip], Scale: 1}, mount: mounts[chip].matrix()}
		for _, t := range turns {
			c.out.Pairs += len(t.Chips[chip])
			if len(t.Chips[chip]) < fewestPairs {
				c.out.Why = fmt.Sprintf("of a turn it told only %d pairs, %d are needed", len(t.Chips[chip]),
					fewestPairs)
			}
		}
		if c.out.Why == "" {
			solved = append(solved, c)
		} else {
			out = append(out, c.out)
		}
	}
	rates := firstRates(turns)
	for range 12 {
		for _, c := range solved {
			c.solve(turns, rates)
		}
		if refined := refine(turns, solved, rates); !refined {
			break
		}
	}
	for _, c := range solved {
		c.finish(turns, rates)
		out = append(out, c.out)
	}
	slices.SortFunc(out, func(a, b Attitude) int { return strings.Compare(a.Chip, b.Chip) })
	return out, nil
}

func apart(turns []BodyTurn) bool {
	for i, a := range turns {
		for _, b := range turns[:i] {
			c := cross(a.Axis, b.Axis)
			if math.Sqrt(c.dot(c)) >= farEnough {
				return true
			}
		}
	}
	return false
}

// firstRates are the known rates by turn and job, or medians of what chips told.
func firstRates(turns []BodyTurn) []map[uint64]float64 {
	out := make([]map[uint64]float64, len(turns))
	for i, t := range turns {
		told := map[uint64][]float64{}
		for _, list := range t.Chips {
			for _, p := range list {
				told[p.Job] = append(told[p.Job], math.Sqrt(p.Rate.dot(p.Rate)))
			}
		}
		out[i] = map[uint64]float64{}
		for job, list := range told {
			slices.Sort(list)
			if out[i][job] = list[len(list)/2]; t.RateRadPerS != 0 {
				out[i][job] = t.RateRadPerS
			}
		}
	}
	return out
}

// refine makes rates that are not known those that all chips tell together; it reports whether there are any.
func refine(turns []BodyTurn, chips []*chipTurn, rates []map[uint64]float64) (any bool) {
	for i, t := range turns {
		if t.RateRadPerS != 0 {
			continue
		}
		any = true
		above, below := map[uint64]float64{}, map[uint64]float64{}
		for _, c := range chips {
			v := c.sees(t.Axis)
			for _, p := range t.Chips[c.out.Chip] {
				w := p.Information.times(v)
				above[p.Job] += w.dot(p.Rate)
				below[p.Job] += w.dot(v)
			}
		}
		for job := range rates[i] {
			if below[job] > 0 {
				rates[i][job] = above[job] / below[job]
			}
		}
	}
	return any
}

// chipTurn is the search for the attitude of one chip.
type chipTurn struct {
	out    Attitude
	mount  Matrix // as described
	turn   Matrix // E
	begun  bool
	info   [4][4]float64 // of a small turn and the scale
	tilt   float64       // radians that all pairs err by together
	spread [][4]float64  // of solutions without parts of the time
	known  bool          // the rates are, so that the scale is looked for
}

// sees is what the chip tells of a rate of 1 about an axis.
func (c *chipTurn) sees(axis Vector) Vector { return c.scaled(c.turn.transposed().times(axis)) }

// scaled makes what is across the described axis of the chip larger by the scale.
func (c *chipTurn) scaled(v Vector) Vector {
	along := Vector{c.mount[0][0], c.mount[1][0], c.mount[2][0]}
	d := along.dot(v)
	for k := range 3 {
		v[k] = c.out.Scale*v[k] + (1-c.out.Scale)*d*along[k]
	}
	return v
}

// solve finds turn and scale with rates given: what was told of a turn is a vector and its information, and the sum of
// squares between those and what the chip sees of the axes is least.
func (c *chipTurn) solve(turns []BodyTurn, rates []map[uint64]float64) {
	told := make([]Vector, len(turns))
	weight := make([]Matrix, len(turns))
	c.known = true
	for i, t := range turns {
		c.known = c.known && t.RateRadPerS != 0
		var sum Vector
		for _, p := range t.Chips[c.out.Chip] {
			r := rates[i][p.Job]
			w := p.Information.times(p.Rate)
			for k := range 3 {
				sum[k] += r * w[k]
				for n := range 3 {
					weight[i][k][n] += r * r * p.Information[k][n]
				}
			}
		}
		told[i] = weight[i].solved(sum)
	}
	if !c.begun {
		c.turn, c.begun = between(turns, told), true
	}
	for range 20 {
		var right [4]float64
		c.info = [4][4]float64{}
		for i, t := range turns {
			plain := c.turn.transposed().times(t.Axis)
			left, along := c.sees(t.Axis), Vector{c.mount[0][0], c.mount[1][0], c.mount[2][0]}
			var columns [4]Vector
			for k := range 3 { // E becomes exp(d) E: E' a changes by E' (a x d)
				var unit Vector
				unit[k] = 1
				columns[k] = c.scaled(c.turn.transposed().times(cross(t.Axis, unit)))
			}
			for k := range 3 {
				left[k] = told[i][k] - left[k]
				columns[3][k] = plain[k] - along.dot(plain)*along[k]
			}
			for n := range 4 {
				w := weight[i].times(columns[n])
				right[n] += w.dot(left)
				for m := range 4 {
					c.info[n][m] += w.dot(columns[m])
				}
			}
		}
		if !c.known {
			for n := range 4 {
				c.info[n][3], c.info[3][n] = 0, 0
			}
			c.info[3][3], right[3] = 1, 0
		}
		step := solve4(c.info, right)
		c.turn = exp(Vector{step[0], step[1], step[2]}).by(c.turn)
		c.out.Scale += step[3]
		if math.Abs(step[0])+math.Abs(step[1])+math.Abs(step[2])+math.Abs(step[3]) < 1e-12 {
			break
		}
	}
}

// between is the turn E for which E' takes axes to what was told of them, exactly so for one turn and as nearly as it
// goes for the one most across it.
func between(turns []BodyTurn, told []Vector) Matrix {
	best, first, second := 0.0, 0, 1
	for i := range turns {
		for k := range i {
			if c := cross(turns[i].Axis, turns[k].Axis); c.dot(c) > best {
				best, first, second = c.dot(c), k, i
			}
		}
	}
	real, seen := triad(turns[first].Axis, turns[second].Axis), triad(told[first], told[second])
	return real.by(seen.transposed())
}

// triad has columns along a, across a and b, and across both.
func triad(a, b Vector) Matrix {
	x := a.unit()
	z := cross(a, b).unit()
	y := cross(z, x)
	return Matrix{{x[0], y[0], z[0]}, {x[1], y[1], z[1]}, {x[2], y[2], z[2]}}
}

// finish works out what is told of the mount, and how surely.
func (c *chipTurn) finish(turns []BodyTurn, rates []map[uint64]float64) {
	squares, numbers := 0.0, -4.0
	for i, t := range turns {
		v := c.sees(t.Axis)
		for _, p := range t.Chips[c.out.Chip] {
			var d Vector
			for k := range 3 {
				d[k] = p.Rate[k] - v[k]*rates[i][p.Job]
			}
			squares += d.dot(p.Information.times(d))
			numbers += 3
		}
	}
	out := &c.out
	out.ChiSquared = squares / max(1, numbers)
	grow := math.Sqrt(max(1, out.ChiSquared))
	out.Measured, out.turn = mountOf(c.turn.by(c.mount)), c.turn
	out.Measured.PlaceM = out.Described.PlaceM
	angle := logOf(c.turn)
	out.OffDeg = math.Sqrt(angle.dot(angle)) * 180 / math.Pi
	c.leaveOut(turns, rates)
	c.tilt = c.systematic(turns)
	towards := angle.unit()
	out.OffSdDeg = c.deviation([4]float64{towards[0], towards[1], towards[2]}, grow) * 180 / math.Pi
	if c.known {
		out.ScaleSd = c.deviation([4]float64{3: 1}, grow)
	}
	out.Sd = c.deviations(grow)
}

// blocks is into how many parts of its time a turn is cut.
const blocks = 6

// bias is by how much estimates of shifts err together, in pixels: between what those of 16 by 16 and of 8 by 8 pixels
// do (the tests of chipmodel/motion), and about what chips of 20 by 20 came out wrong by in turns of the demo.
const bias = 0.012

// systematic is the angle by which that tilts what a chip tells of a turn, in radians: the bias against the shift. A
// turn about the chip's own axis moves the edges of its picture alone, so that the turn that moved it more counts.
func (c *chipTurn) systematic(turns []BodyTurn) float64 {
	most := 0.0
	for _, t := range turns {
		list, sum := t.Chips[c.out.Chip], 0.0
		for _, p := range list {
			sum += p.ShiftPx
		}
		most = max(most, sum/float64(len(list)))
	}
	return bias / max(most, 0.1)
}

// leaveOut solves without each part of the time in turn. Pairs that follow each other see much the same picture, and
// what that does to their estimates is much the same: the spread of these solutions says how much (a jackknife over
// blocks: Kunsch 1989, from memory), which the pairs' own uncertainties do not.
func (c *chipTurn) leaveOut(turns []BodyTurn, rates []map[uint64]float64) {
	c.spread = c.spread[:0]
	for block := range blocks {
		some := slices.Clone(turns)
		for i := range some {
			list := turns[i].Chips[c.out.Chip]
			from, to := len(list)*block/blocks, len(list)*(block+1)/blocks
			some[i].Chips = map[string][]Told{c.out.Chip: slices.Concat(list[:from], list[to:])}
		}
		o := chipTurn{out: c.out, mount: c.mount, turn: c.turn, begun: true}
		o.solve(some, rates)
		d := logOf(o.turn.by(c.turn.transposed()))
		c.spread = append(c.spread, [4]float64{d[0], d[1], d[2], o.out.Scale - c.out.Scale})
	}
}

// deviation is the standard deviation of what changes by g under a small turn and a change of the scale: by the
// information of the pairs, or by the spread between parts of the time where that is more, and by what all of them have
// in common.
func (c *chipTurn) deviation(g [4]float64, grow float64) float64 {
	v := solve4(c.info, g)
	told, mean, spread := 0.0, 0.0, 0.0
	for k := range 4 {
		told += g[k] * v[k]
	}
	tilt := c.tilt * c.tilt * (g[0]*g[0] + g[1]*g[1] + g[2]*g[2] + g[3]*g[3])
	of := func(d [4]float64) float64 { return g[0]*d[0] + g[1]*d[1] + g[2]*d[2] + g[3]*d[3] }
	for _, d := range c.spread {
		mean += of(d) / blocks
	}
	for _, d := range c.spread {
		spread += (of(d) - mean) * (of(d) - mean) * (blocks - 1) / blocks
	}
	return math.Sqrt(max(0, grow*grow*told, spread) + tilt)
}

// deviations are those of yaw, pitch and roll.
func (c *chipTurn) deviations(grow float64) Mount {
	const small = 1e-5
	var yaw, pitch, roll [4]float64
	at := mountOf(c.turn.by(c.mount))
	for k := range 3 {
		var d Vector
		d[k] = small
		m := mountOf(exp(d).by(c.turn).by(c.mount))
		yaw[k] = math.Remainder(m.YawDeg-at.YawDeg, 360) / small
		pitch[k] = math.Remainder(m.PitchDeg-at.PitchDeg, 360) / small
		roll[k] = math.Remainder(m.RollDeg-at.RollDeg, 360) / small
	}
	return Mount{YawDeg: c.deviation(yaw, grow), PitchDeg: c.deviation(pitch, grow), RollDeg: c.deviation(roll, grow)}
}

// Changed reports whether the mount is surely another than described: by more than three standard deviations.
func (a *Attitude) Changed() bool { return a.Why == "" && a.OffDeg > 3*a.OffSdDeg }

// Line is what to write in the array file.
func (a *Attitude) Line() string { return a.Measured.line() }

func (m Mount) line() string {
	hundredths := func(v float64) float64 { return math.Round(100*v)/100 + 0 }
	s := fmt.Sprintf("mount: {yaw_deg: %g, pitch_deg: %g, roll_deg: %g", hundredths(m.YawDeg), hundredths(m.PitchDeg),
		hundredths(m.RollDeg))
	for i, v := range m.PlaceM {
		if v != 0 {
			s += fmt.Sprintf(", %s: %g", [3]string{"x_m", "y_m", "z_m"}[i], v)
		}
	}
	return s + "}"
}
