package autoexposure

import (
	"math"
	"time"

	"facetd.example/chipmodel"
)

// Setting is how a frame is made. Gain is an index into the gains of the class, Offset in steps of its register.
type Setting struct {
	Exposure     time.Duration
	Gain, Offset int
}

// Config is what a law is for.
type Config struct {
	Class *chipmodel.Class
	Lanes []*chipmodel.Lane // of the chips that are read
	// Level is to be held, a share of the range of codes from 0 to 1, of the mean or of a percentile (see
	// Meter.Measure), in percent, which is 0 for the mean.
	Level, Percentile float64
	// Averaging is over how many jobs flicker is averaged.
	Averaging int
	// Exposed says that the exposure is set. Low and High are the bounds of what is set: equal in what is not.
	Exposed   bool
	Low, High Setting
	// Step is what exposures are multiples of.
	Step time.Duration
}

const (
	// deadband is how far the level may be off before a setting is changed: of its distance from dark, or where no
	// exposure is set of the range.
	deadband = 0.05
	// leap is by how much more or less light is looked for after a frame that is saturated or dark.
	leap = 64
	// saturated is from which part of the way from dark to saturation on a level says nothing.
	saturated = 0.97
	// edge is how near to an end of the range a code counts as beyond it.
	edge = 0.005
	// margin is how far from both ends pixels are to lie, and wider what a greater gain has to leave besides.
	margin, wider = 0.02, 0.05
	// step is what is another light where no exposure is set, of the range.
	step = 0.1
	// roomy is which part of the longest exposure a smaller gain must do with.
	roomy = 0.8
)

// Law is the control law of one view. It keeps the mean of the light from job to job.
type Law struct {
	cfg   Config
	chain chain
	reset float64 // level of a pixel without light
	light average // volts of signal per second, or without an exposure volts
}

// New makes a law of a configuration that Check has passed.
func New(cfg Config) *Law {
	l := &Law{cfg: cfg, chain: newChain(cfg.Class, cfg.Lanes)}
	l.reset = cfg.Class.Spec.GetLinear().GetResetVolts()
	l.light = average{most: cfg.Averaging, far: ratio}
	if !cfg.Exposed {
		l.light.far = func(x, mean float64) float64 {
			greatest := l.chain.gains[l.gains()[len(l.gains())-1]]
			return math.Abs((x-mean)*greatest*l.chain.perVolt) / step
		}
	}
	return l
}

// Next is the setting for the next job after one that was made with a setting and shows m. now is the one that the next
// job would have, which is another where jobs are handed over ahead: it stays where it is near enough, so that all who
// are under way come to one setting.
func (l *Law) Next(made, now Setting, m Measure) Setting {
	if l.cfg.Exposed {
		return l.exposed(made, now, m)
	}
	return l.trimmed(made, now, m)
}

// gains are the indices that may be set, the least gain first.
func (l *Law) gains() []int {
	var out []int
	for i := l.cfg.Low.Gain; i <= l.cfg.High.Gain; i++ {
		at := len(out)
		for at > 0 && math.Abs(l.chain.gains[i]) < math.Abs(l.chain.gains[out[at-1]]) {
			at--
		}
		out = append(out[:at], append([]int{i}, out[at:]...)...)
	}
	return out
}

// signal is what a pixel has fallen by where a code is.
func (l *Law) signal(share float64, s Setting) float64 { return l.reset - l.chain.pixel(share, s) }

// saturation is the signal at which a pixel, the amplifier or the converter gives no more.
func (l *Law) saturation(s Setting) float64 {
	p := l.cfg.Class.Spec.GetLinear()
	full := p.GetFullWellElectrons() * p.GetVoltsPerElectron()
	return min(full, l.signal(l.chain.passed(l.chain.share(l.reset-full, s)), s))
}

// exposed sets the exposure, and the least gain with which the longest is enough.
func (l *Law) exposed(made, now Setting, m Measure) Setting {
	seen, wanted := l.signal(m.Level, made), l.signal(l.cfg.Level, made)
	seconds := made.Exposure.Seconds()
	much, little := seen >= saturated*l.saturation(made), seen < wanted/leap
	if !much && !little {
		return l.chosen(now, l.light.follow(seen/seconds))
	}
	light, looked := wanted/leap/seconds, 1.0
	if much { // nobody knows how much: of flicker rather little more
		light, looked = 2*seen/seconds, leap/2
	}
	if mean, ok := l.light.bound(light); ok {
		return l.chosen(now, mean)
	}
	return l.chosen(now, looked*light)
}

// chosen is the setting for an amount of light, in volts of signal per second.
func (l *Law) chosen(now Setting, light float64) Setting {
	out, exposure := now, math.Inf(1)
	for _, gain := range l.gains() {
		needed := l.signal(l.cfg.Level, Setting{Gain: gain, Offset: now.Offset}) / light
		if needed < exposure {
			out.Gain, exposure = gain, needed
		}
		most := l.cfg.High.Exposure.Seconds()
		if math.Abs(l.chain.gains[gain]) < math.Abs(l.chain.gains[now.Gain]) {
			most *= roomy
		}
		if needed <= most {
			break
		}
	}
	if out.Gain == now.Gain && math.Abs(math.Log(exposure/now.Exposure.Seconds())) <= deadband {
		return now
	}
	out.Exposure = l.onStep(exposure)
	return out
}

// onStep is an exposure within the bounds and on a step.
func (l *Law) onStep(seconds float64) time.Duration {
	low, high := l.cfg.Low.Exposure, l.cfg.High.Exposure
	switch {
	case seconds <= low.Seconds():
		return low
	case seconds >= high.Seconds():
		return high
	}
	n := max(l.cfg.Step, 1)
	return min(max((time.Duration(seconds*1e9)+n-1)/n*n, low), high)
}

// trimmed sets gain and offset.
func (l *Law) trimmed(made, now Setting, m Measure) Setting {
	c := &l.chain
	half := (c.high - c.low) / 2 // what lies beyond an end is looked for so far from it
	low, level, high := m.Low, m.Level, m.High
	if low <= c.low+edge {
		low -= half
	}
	if high >= c.high-edge {
		high += half
	}
	var volts float64
	switch at := c.pixel(level, made); {
	case level <= c.low+edge:
		l.light.leave()
		volts, level = c.pixel(level-half, made), level-half
	case level >= c.high-edge:
		l.light.leave()
		volts, level = c.pixel(level+half, made), level+half
	default:
		volts = l.light.follow(at)
	}
	below, above := min(low-level, 0)/c.gains[made.Gain], max(high-level, 0)/c.gains[made.Gain]
	return l.greatest(now, volts, below, above)
}

// greatest is the setting of the greatest gain with which the level is reached and pixels about a voltage lie within
// the range; where there is none, the one that comes nearest to the level, of the least gain. below and above are how
// far they lie from the voltage, as shares behind a gain of 1.
func (l *Law) greatest(now Setting, volts, below, above float64) Setting {
	c, gains := &l.chain, l.gains()
	var best Setting
	nearest := math.Inf(1)
	for i := len(gains) - 1; i >= 0; i-- {
		g := c.gains[gains[i]]
		out := Setting{Exposure: now.Exposure, Gain: gains[i], Offset: l.offset(volts, gains[i])}
		if gains[i] == now.Gain && math.Abs(c.share(volts, now)-l.cfg.Level) <= deadband {
			out.Offset = now.Offset
		}
		room := margin
		if math.Abs(g) > math.Abs(c.gains[now.Gain]) {
			room += wider
		}
		at := c.share(volts, out)
		ends := [2]float64{at + below*g, at + above*g}
		off := math.Abs(at - l.cfg.Level)
		if off <= deadband && min(ends[0], ends[1]) >= c.low+room && max(ends[0], ends[1]) <= c.high-room {
			return out
		}
		if off <= max(nearest, deadband) {
			best, nearest = out, off
		}
	}
	return best
}

// offset is the one that brings a voltage nearest to the level.
func (l *Law) offset(volts float64, gain int) int {
	low, high := l.cfg.Low.Offset, l.cfg.High.Offset
	perStep := l.chain.offsetStep * l.chain.perVolt
	if perStep == 0 || low == high {
		return low
	}
	off := math.Round((l.cfg.Level - l.chain.share(volts, Setting{Gain: gain})) / perStep)
	return int(min(max(off, float64(low)), float64(high)))
}
