package bench

import (
	"fmt"
	"math"
)

// Mount is how a chip is turned in the body, in degrees, as an array file has it: pitch up positive.
type Mount struct {
	YawDeg   float64 `json:"yaw_deg"`
	PitchDeg float64 `json:"pitch_deg"`
	RollDeg  float64 `json:"roll_deg"`
	// PlaceM is where the lens is, ahead, left and up, in metres.
	PlaceM [3]float64 `json:"-"`
}

// Moves of a target, seen from the body: to its left about its upward axis, or upwards.
const (
	MoveLeft  = "left"
	MoveRight = "right"
	MoveUp    = "up"
	MoveDown  = "down"
)

// Flow gathers how the picture of a chip moves.
type Flow struct {
	rows, columns      int
	before             []float64
	xx, xy, yy, xt, yt float64
	pairs              int
}

// Add takes the next picture in, row by row.
func (f *Flow) Add(rows, columns int, values []float64) {
	now := smoothed(rows, columns, values)
	if f.before != nil && f.rows == rows && f.columns == columns {
		f.pair(now)
	}
	f.rows, f.columns, f.before = rows, columns, now
}

// pair adds the normal equations of one pair, by gradients of the mean of both; that the light as a whole becomes
// brighter is no motion.
func (f *Flow) pair(now []float64) {
	was, mean := f.before, 0.0
	for i := range now {
		mean += (now[i] - was[i]) / float64(len(now))
	}
	for r := 1; r+1 < f.rows; r++ {
		for c := 1; c+1 < f.columns; c++ {
			i := r*f.columns + c
			x := (now[i+1] - now[i-1] + was[i+1] - was[i-1]) / 4
			y := (now[i+f.columns] - now[i-f.columns] + was[i+f.columns] - was[i-f.columns]) / 4
			t := now[i] - was[i] - mean
			f.xx, f.xy, f.yy, f.xt, f.yt = f.xx+x*x, f.xy+x*y, f.yy+y*y, f.xt-x*t, f.yt-y*t
		}
	}
	f.pairs++
}

// Shift is the mean motion from picture to picture in pixels, towards higher columns and rows; ok is false where there
// is no texture that tells it, or next to no motion.
func (f *Flow) Shift() (x, y float64, ok bool) {
	det := f.xx*f.yy - f.xy*f.xy
	if f.pairs == 0 || !(det > 1e-4*(f.xx+f.yy)*(f.xx+f.yy)) {
		return 0, 0, false
	}
	x, y = (f.xt*f.yy-f.yt*f.xy)/det, (f.yt*f.xx-f.xt*f.xy)/det
	return x, y, math.Hypot(x, y) > leastShift
}

// leastShift is how many pixels a picture must move, from frame to frame.
const leastShift = 0.02

// smoothed is a picture under a mean of three by three, which noise and edges need.
func smoothed(rows, columns int, values []float64) []float64 {
	out := make([]float64, len(values))
	for r := range rows {
		for c := range columns {
			sum, n := 0.0, 0.0
			for i := max(r-1, 0); i <= min(r+1, rows-1); i++ {
				for j := max(c-1, 0); j <= min(c+1, columns-1); j++ {
					sum, n = sum+values[i*columns+j], n+1
				}
			}
			out[r*columns+c] = sum / n
		}
	}
	return out
}

// Seen is how a picture moved while the target was moved one way.
type Seen struct {
	Move string
	X, Y float64
}

// expected is the direction in which the picture of a chip moves, in columns and rows, under a move of the target
// before it; ok is false where that move goes along its line of sight, or nearly.
func (m Mount) expected(move string) (x, y float64, ok bool) {
	ahead, left, up := m.axes()
	var d [3]float64
	switch aside := math.Hypot(ahead[0], ahead[1]); {
	case move == MoveLeft || move == MoveRight:
		d = [3]float64{-ahead[1], ahead[0], 0}
	case aside > 1e-6:
		d = [3]float64{-ahead[2] * ahead[0] / aside, -ahead[2] * ahead[1] / aside, aside}
	}
	if move == MoveRight || move == MoveDown {
		d = [3]float64{-d[0], -d[1], -d[2]}
	}
	x, y = -dot(d, left), -dot(d, up) // the picture has left and top first
	return x, y, math.Hypot(x, y) > 0.2
}

func dot(a, b [3]float64) float64 { return a[0]*b[0] + a[1]*b[1] + a[2]*b[2] }

// axes are where the chip looks, and what is left and up in its picture, in the body frame: yaw about z, then pitch,
// then roll about the line of sight.
func (m Mount) axes() (ahead, left, up [3]float64) {
	sy, cy := math.Sincos(m.YawDeg * math.Pi / 180)
	sp, cp := math.Sincos(m.PitchDeg * math.Pi / 180)
	sr, cr := math.Sincos(m.RollDeg * math.Pi / 180)
	ahead = [3]float64{cy * cp, sy * cp, sp}
	level, above := [3]float64{-sy, cy, 0}, [3]float64{-cy * sp, -sy * sp, cp}
	for i := range 3 {
		left[i] = cr*level[i] + sr*above[i]
		up[i] = cr*above[i] - sr*level[i]
	}
	return ahead, left, up
}

// Verdict is what the moves tell of how a chip is turned.
type Verdict struct {
	Chip string `json:"chip"`
	// Moves is how many moves it saw; of fewer than two that are across each other a mirror and a turn look alike.
	Moves int `json:"moves"`
	// OffDeg is the mean angle between how the picture moved and how it should have, as the array file has it.
	OffDeg float64 `json:"off_deg"`
	// Finding is "right", "turned", "mirrored", "unclear" or "nothing seen".
	Finding string `json:"finding"`
	// Line is what to write in the array file; empty where nothing of it is wrong, or none would help.
	Line string `json:"line,omitempty"`
	Note string `json:"note,omitempty"`
}

// Findings.
const (
	Right       = "right"
	Turned      = "turned"
	Mirrored    = "mirrored"
	Unclear     = "unclear"
	NothingSeen = "nothing seen"
)

// nearEnough is how far off a motion may be and still count as in a direction, in degrees: less than half a quarter.
const nearEnough = 35

// Judge compares how a picture moved with how it should have: as described, turned by quarters, and mirrored with each
// of these.
func Judge(chip string, m Mount, seen []Seen) Verdict {
	v := Verdict{Chip: chip, Finding: NothingSeen}
	var used []Seen
	for _, s := range seen {
		if _, _, across := m.expected(s.Move); across {
			used = append(used, s)
		}
	}
	if v.Moves = len(used); v.Moves == 0 {
		return v
	}
	v.OffDeg = off(m, used, false)
	v.Finding = Unclear
	best, second, fits := math.Inf(1), 0, 0
	var turned Mount
	mirror := false
	for quarter := range 4 {
		for _, mirrored := range []bool{false, true} {
			t := m
			t.RollDeg = math.Remainder(m.RollDeg+90*float64(quarter), 360)
			o := off(t, used, mirrored)
			if o <= nearEnough {
				fits++
			}
			if o < best {
				best, turned, mirror, second = o, t, mirrored, quarter
			}
		}
	}
	switch {
	case v.OffDeg <= nearEnough && fits == 1:
		v.Finding = Right
	case v.OffDeg <= nearEnough:
		v.Note = "it moved as it should, and so would a mirrored picture: move the target the other way across too"
	case best > nearEnough:
		v.Note = "it moved in no direction that a turn or a mirror explains: is it another chip, or did another move?"
	case fits > 1:
		v.Note = "a turn and a mirror explain it: move the target the other way across too"
	case mirror:
		v.Finding = Mirrored
		v.Note = "no mount mirrors a picture: the address lines of its columns are reversed, or it is seen in a mirror"
	default:
		v.Finding, v.Line = Turned, fmt.Sprintf("mount: {yaw_deg: %g, pitch_deg: %g, roll_deg: %g}", turned.YawDeg,
			turned.PitchDeg, turned.RollDeg)
		v.Note = fmt.Sprintf("turned by %d degrees against its mount", 90*second)
	}
	return v
}

// off is the mean angle between motions and those expected, in degrees.
func off(m Mount, seen []Seen, mirrored bool) float64 {
	sum := 0.0
	for _, s := range seen {
		x, y, _ := m.expected(s.Move)
		if mirrored {
			x = -x
		}
		sum += math.Abs(math.Atan2(x*s.Y-y*s.X, x*s.X+y*s.Y)) * 180 / math.Pi
	}
	return sum / float64(len(seen))
}

// Swapped are pairs of chips that both moved as the other should have, and not as they should themselves.
func Swapped(mounts map[string]Mount, seen map[string][]Seen) (pairs [][2]string) {
	fits := func(chip string, m Mount) bool {
		used := 0
		for _, s := range seen[chip] {
			if _, _, across := m.expected(s.Move); across {
				used++
			}
		}
		return used >= 2 && off(m, seen[chip], false) <= nearEnough
	}
	for a := range seen {
		for b := range seen {
			if a < b && !fits(a, mounts[a]) && !fits(b, mounts[b]) && fits(a, mounts[b]) && fits(b, mounts[a]) {
				pairs = append(pairs, [2]string{a, b})
			}
		}
	}
	return pairs
}
