package measure

import (
	"cmp"
	"math"
	"slices"
	"time"

	"facetd.example/bus"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
	"facetd.example/daemon/fit"
)

// Stats are a window's codes summed up.
type Stats struct {
	Mean, Deviation  float64 // over pixels
	Lowest, Highest  uint16
	AtRails          float64 // part of the pixels at either end of the range
	Different, Count int     // different codes, pixels
}

// StatsOf sums up codes of a converter of some bits.
func StatsOf(codes []uint16, bits int) Stats {
	s := Stats{Lowest: math.MaxUint16, Count: len(codes)}
	if len(codes) == 0 {
		return Stats{}
	}
	top := uint16(1)<<uint(bits) - 1
	seen := map[uint16]bool{}
	var sum, squares float64
	for _, c := range codes {
		sum += float64(c)
		s.Lowest, s.Highest = min(s.Lowest, c), max(s.Highest, c)
		if c == 0 || c == top {
			s.AtRails++
		}
		seen[c] = true
	}
	n := float64(len(codes))
	s.Mean = sum / n
	for _, c := range codes {
		squares += (float64(c) - s.Mean) * (float64(c) - s.Mean)
	}
	s.Deviation = math.Sqrt(squares / max(n-1, 1))
	s.AtRails /= n
	s.Different = len(seen)
	return s
}

// Mean is the mean of codes.
func Mean(codes []uint16) float64 {
	sum := 0.0
	for _, c := range codes {
		sum += float64(c)
	}
	return sum / float64(max(len(codes), 1))
}

// Noise is the temporal noise of several captures of one window: the root mean square,
// over pixels, of the standard deviation over captures.
func Noise(captures []bus.Capture) float64 {
	if len(captures) < 2 {
		return 0
	}
	total := 0.0
	n := float64(len(captures))
	for i := range captures[0].Codes {
		var sum, squares float64
		for k := range captures {
			v := float64(captures[k].Codes[i])
			sum += v
			squares += v * v
		}
		total += max(squares-sum*sum/n, 0) / (n - 1)
	}
	return math.Sqrt(total / float64(max(len(captures[0].Codes), 1)))
}

// Expected is the mean code that a chip should give under a light, as described, with
// the registers of power-on.
func Expected(a *chipmodel.Array, chip int, lux float64) float64 {
	c := &a.Chips[chip]
	lane := &a.Lanes[c.Lane]
	volts := die.NewResponse(c.Class).Volts(lux)
	if amp := c.Class.Spec.GetAmplifier(); amp != nil {
		mid := amp.GetMidVolts()
		volts = min(max(mid+amp.GetGains()[0]*(volts-mid), amp.GetLowVolts()), amp.GetHighVolts())
	}
	return min(max(lane.CodeOf(volts), 0), math.Exp2(float64(lane.Bits))-1)
}

// Dead counts the pixels that answer to light by less than fit.DeadBelow of the median
// pixel's answer, and returns that median in codes.
func Dead(dark, lit []uint16) (dead int, median float64) {
	n := min(len(dark), len(lit))
	if n == 0 {
		return 0, 0
	}
	answers := make([]float64, n)
	for i := range answers {
		answers[i] = float64(lit[i]) - float64(dark[i])
	}
	median = fit.Median(slices.Clone(answers))
	for _, d := range answers {
		if d*median < fit.DeadBelow*median*median {
			dead++
		}
	}
	return dead, median
}

// First is what the first conversions after a rest say.
type First struct {
	// Errors are the first conversions less the mean of the last half, in codes.
	Errors []float64
	// Noise is the standard deviation of single conversions in codes, Sigma the
	// uncertainty of Errors.
	Noise, Sigma float64
	// Discard is how many conversions to throw away until the next is within half a
	// code, or within what could be measured.
	Discard int
}

// FirstOf compares the first conversions of several samplings of a lane at rest with those
// that follow.
func FirstOf(samples [][]uint16) First {
	var f First
	if len(samples) == 0 || len(samples[0]) < 8 {
		return f
	}
	n := len(samples[0])
	var all Stats
	means := make([]float64, n)
	for _, codes := range samples {
		s := StatsOf(codes[n/2:], 16)
		all.Deviation += s.Deviation * s.Deviation / float64(len(samples))
		for i := range means {
			means[i] += (float64(codes[i]) - s.Mean) / float64(len(samples))
		}
	}
	f.Noise = math.Sqrt(all.Deviation)
	f.Sigma = math.Sqrt((all.Deviation + 1.0/12) / float64(len(samples)))
	f.Errors = means[:min(8, n/2)]
	for f.Discard < len(f.Errors) && math.Abs(f.Errors[f.Discard]) > max(0.5, 4*f.Sigma) {
		f.Discard++
	}
	return f
}

// Droop is what reads of one load say.
type Droop struct {
	// VoltsPerSecond is that of a cell, positive where its voltage falls; Sigma is its
	// uncertainty.
	VoltsPerSecond, Sigma float64
	// HalfStep and OneStep are how long memories hold to half a step and a step of the
	// converter; 0 where no droop was seen.
	HalfStep, OneStep time.Duration
	// LeakFA is the leakage that follows for cells as described, in femtoamperes.
	LeakFA float64
	// Codes is the droop over the time that was watched.
	Codes float64
	// Seconds and Levels are the mean codes over time.
	Seconds, Levels []float64
}

// FitDroop fits a line to the reads of one load: dV/dt = I/C of a capacitor with a
// constant leakage. Pixels at a rail are left out. ok is false with less than three
// reads, when all are of one time, or when no pixel is in range.
func FitDroop(a *chipmodel.Array, chip int, captures []bus.Capture) (d Droop, ok bool) {
	if len(captures) < 3 {
		return d, false
	}
	captures = slices.Clone(captures)
	slices.SortFunc(captures, func(x, y bus.Capture) int { return cmp.Compare(x.FirstSample, y.FirstSample) })
	lane := &a.Lanes[a.Chips[chip].Lane]
	top := uint16(1)<<uint(lane.Bits) - 1
	var inRange []int
	for i := range captures[0].Codes {
		bad := slices.ContainsFunc(captures, func(c bus.Capture) bool { return c.Codes[i] == 0 || c.Codes[i] == top })
		if !bad {
			inRange = append(inRange, i)
		}
	}
	if len(inRange) == 0 {
		return d, false
	}
	for k := range captures {
		sum := 0.0
		for _, i := range inRange {
			sum += float64(captures[k].Codes[i])
		}
		d.Seconds = append(d.Seconds, float64(captures[k].FirstSample-captures[0].FirstSample)*1e-9)
		d.Levels = append(d.Levels, sum/float64(len(inRange)))
	}
	line := fit.NewLine(d.Seconds, d.Levels, nil)
	if line.Spread == 0 {
		return d, false
	}
	slope, sigma := line.Slope, line.Sigma(len(d.Seconds))
	// Codes are whole numbers: their mean over pixels is known to that at best.
	step := lane.StepVolts()
	span := d.Seconds[len(d.Seconds)-1]
	floor := math.Sqrt(1.0/12/float64(len(inRange))) / span
	gain := 1.0 // of what stands between the cells and the lane, after power-on
	if gains := a.Chips[chip].Class.Spec.GetAmplifier().GetGains(); len(gains) > 0 {
		gain = gains[0]
	}
	d.VoltsPerSecond, d.Sigma = -slope*step/gain, math.Hypot(sigma, floor)*step/math.Abs(gain)
	d.Codes = math.Abs(slope) * span
	d.LeakFA = d.VoltsPerSecond * a.Chips[chip].Class.Spec.GetMemory().GetCellCapacitanceFf()
	if rate := math.Abs(slope); rate > 0 {
		d.HalfStep = seconds(0.5 / rate)
		d.OneStep = seconds(1 / rate)
	}
	return d, true
}

// Later is how much later a chip samples that shows a phase of a frequency, than one
// that shows another.
func Later(phase, than, hz float64) time.Duration {
	return time.Duration(math.Remainder(phase-than, 2*math.Pi) / (2 * math.Pi * hz) * 1e9)
}

func seconds(s float64) time.Duration { return time.Duration(min(s, 1e6) * 1e9) }

// DoublingKelvin is in how many kelvin a leakage doubles that grew from cold to warm
// over some kelvin, with its uncertainty; 0 when it did not grow.
func DoublingKelvin(cold, warm Droop, kelvin float64) (doubling, sigma float64) {
	if !(cold.VoltsPerSecond > 0 && warm.VoltsPerSecond > cold.VoltsPerSecond) {
		return 0, 0
	}
	grown := math.Log(warm.VoltsPerSecond / cold.VoltsPerSecond)
	doubling = kelvin * math.Ln2 / grown
	return doubling, doubling / grown * math.Hypot(cold.Sigma/cold.VoltsPerSecond, warm.Sigma/warm.VoltsPerSecond)
}

// Delay is by how much a chip's sampling lags, from a lamp that flickers.
type Delay struct {
	Chip int
	// Delay is behind the median of its class; Sigma is its uncertainty.
	Delay, Sigma time.Duration
	// Phase of the flicker in radians of bus time, from which delays follow.
	Phase float64
	// Amplitude is of the flicker, in codes.
	Amplitude float64
}

// Delays fits a sine of a frequency to the mean codes of every chip over load times, and compares
// phases. times[i][k] is the bus time of load k of chip i, levels[i][k] what the chip showed. Chips
// are compared within their class: pixels of one class lag alike in uniform illumination. Error:
// *fit.ConditionError where a chip's loads met too few phases of the lamp to tell.
func Delays(a *chipmodel.Array, chips []int, times [][]bus.Time, levels [][]float64, hz float64) ([]Delay, error) {
	out := make([]Delay, len(chips))
	omega := 2 * math.Pi * hz
	for i, chip := range chips {
		phase, amplitude, sigma, err := sine(times[i], levels[i], omega)
		if err != nil {
			return nil, err
		}
		out[i] = Delay{Chip: chip, Amplitude: amplitude, Sigma: seconds(sigma / omega), Phase: phase}
	}
	for i, chip := range chips {
		var apart []float64
		for j, other := range chips {
			if a.Chips[other].Class == a.Chips[chip].Class {
				apart = append(apart, math.Remainder(out[i].Phase-out[j].Phase, 2*math.Pi))
			}
		}
		out[i].Delay = time.Duration(fit.Median(apart) / omega * 1e9)
	}
	return out, nil
}

// sine fits mean + harmonics of omega, of which the first counts: a chip that samples
// later by d than the time it is taken for shows s(t + d), a phase larger by omega d. The
// second harmonic takes up that the logarithm of a sine is none.
func sine(times []bus.Time, levels []float64, omega float64) (phase, amplitude, sigma float64, err error) {
	rows := make([][]float64, len(times))
	for k, t := range times {
		s1, c1 := math.Sincos(omega * float64(t) * 1e-9)
		s2, c2 := math.Sincos(2 * omega * float64(t) * 1e-9)
		rows[k] = []float64{1, c1, s1, c2, s2}
	}
	terms, err := fit.NewTerms(rows, levels)
	if err != nil {
		return 0, 0, 0, err
	}
	c, s := terms.X[1], terms.X[2]
	amplitude = math.Hypot(c, s)
	square := max(amplitude*amplitude, 1e-18)
	return math.Atan2(-s, c), amplitude, terms.Sigma([]float64{0, s / square, -c / square, 0, 0}), nil
}
