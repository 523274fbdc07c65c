package measure

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// minContrast is the least root mean square step, in codes, by which settling is measured: below it
// the converter's own steps matter too much.
const minContrast = 12.0

// JudgeSettling judges the settling of a chip's lane, nil where it was too fast to be
// measured. It reports whether the time that was found may be used.
func JudgeSettling(r *Report, chip int, s *Settling, missing []Missing) bool {
	described := float64(r.a.LaneSettle(chip))
	if contrast := Contrast(missing); contrast < minContrast {
		r.judge(r.name(chip), "contrast of the stripes", contrast, "codes",
			atLeast(minContrast, warn, "too little to measure settling"))
		r.Act("Chip %s: bring more contrast into its view and repeat the step.", r.name(chip))
		return false
	}
	if s == nil {
		r.Tell(r.name(chip), "shortest delay the converter allows", float64(missing[0].Delay), "ns",
			"the lane has settled by then; how much sooner is not known")
		return false
	}
	r.Tell(r.name(chip), "time constant", float64(s.Tau), "ns",
		fmt.Sprintf("known to %.1f %%, from %d delays", 100*s.Relative, s.Points))
	if r.judge(r.name(chip), "settling to half a step", float64(s.Settle), "ns",
		atMost(described*(1.03+2*s.Relative), fail,
			"slower than described: frames carry ghosts of the pixel before")) == fail {
		r.Act("Chip %s: take the proposed settling time; if only this chip is slow, look for a long wire, a bad "+
			"joint or a weak driver at its output.",
			r.name(chip))
	}
	return true
}

// ProposeSettling proposes the slowest chip's time for each class that is not as
// described.
func ProposeSettling(r *Report, found map[int]Settling) {
	for i, class := range r.a.Classes {
		slowest, off, name := time.Duration(0), false, ""
		for c := range r.a.Chips {
			s, is := found[c]
			if !is || r.a.Chips[c].Class != class {
				continue
			}
			described := float64(r.a.LaneSettle(c))
			off = off || math.Abs(float64(s.Settle)-described) > (0.04+2*s.Relative)*described
			if s.Settle > slowest {
				slowest, name = s.Settle, r.name(c)
			}
		}
		if !off {
			continue
		}
		current := ""
		if s := class.Spec.GetReadout().GetSettle(); s != nil {
			current = s.AsDuration().String()
		}
		r.propose(fmt.Sprintf("classes[%d].readout.settle", i), yamlDuration(roundUp(slowest)), current,
			fmt.Sprintf("slowest of the class: %s; (bits + 1) ln 2 time constants, to half a step", name))
	}
}

// roundUp gives a time three figures.
func roundUp(d time.Duration) time.Duration {
	unit := time.Duration(1)
	for d/unit >= 1000 {
		unit *= 10
	}
	return (d + unit - 1) / unit * unit
}

// yamlDuration writes a time as array files have it, such as 4.32us.
func yamlDuration(d time.Duration) string { return strings.ReplaceAll(d.String(), "µ", "u") }

// JudgeFirst judges the first conversions of a lane after a rest, and draws them.
func JudgeFirst(r *Report, lane string, f First, rest time.Duration, chart *Chart) {
	most := max(0.5, 4*f.Sigma)
	if r.judge(lane, fmt.Sprintf("first conversion after %v of rest", rest), f.Errors[0], "codes",
		within(-most, most, warn, "it differs from those that follow")) == warn {
		r.Act("Lane %s: throw away the first %d conversions after a rest: begin windows that many pixels early, or "+
			"read a frame that nobody needs first. "+
			"Check the decoupling of the reference.", lane, f.Discard)
		r.Tell(lane, "conversions to discard", float64(f.Discard), "", "")
	}
	r.Tell(lane, "noise of single conversions", f.Noise, "codes", "")
	line := Series{Name: lane}
	for k, v := range f.Errors {
		line.X, line.Y = append(line.X, float64(k+1)), append(line.Y, v)
	}
	chart.Series = append(chart.Series, line)
}
