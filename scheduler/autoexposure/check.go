package autoexposure

import (
	"fmt"
	"math"

	"facetd.example/api/invalid"
)

// leastAveraging is over how many jobs flicker is averaged at least: with the two or three phases in which some rates
// see it, the mean of fewer depends on which come in.
const leastAveraging = 8

// Averaging is over how many jobs of a rate a time is averaged.
func Averaging(seconds, rateHz float64) int {
	return int(min(max(math.Ceil(seconds*rateHz), leastAveraging), 1e6))
}

// Check reports what is wrong with a configuration: a level that no setting gives, or a gain with which what no light
// gives is beyond the range, so that nothing can be told of dim light. Paths are those of the schema's message.
func Check(cfg Config) (m invalid.Errors) {
	l := New(cfg)
	if !cfg.Exposed {
		if room := margin + edge; cfg.Level <= l.chain.low+room || cfg.Level >= l.chain.high-room {
			m.Add("level", fmt.Sprintf("%g is not within what amplifier and converter pass", cfg.Level),
				fmt.Sprintf("use %.2f to %.2f", l.chain.low+2*room, l.chain.high-2*room))
		}
		return m
	}
	for _, gain := range l.gains() {
		for _, offset := range []int{cfg.Low.Offset, cfg.High.Offset} {
			s := Setting{Gain: gain, Offset: offset}
			dark := l.chain.share(l.reset, s)
			bright := l.chain.share(l.reset-l.saturation(s), s)
			least, most := min(dark, bright), max(dark, bright)
			fifth := (most - least) / 5 // what is nearer to dark is noise, and nearer to saturation too soon there
			switch {
			case dark < l.chain.low || dark > l.chain.high:
				m.Add("", fmt.Sprintf("with gain %d and offset %d pixels without light (reset_volts of the class) "+
					"are beyond what amplifier and converter pass", gain, offset), "narrow the bounds of gain_index "+
					"and offset in movable, or change the trim")
				return m
			case cfg.Level < least+fifth/4 || cfg.Level > most-fifth/4:
				m.Add("level", fmt.Sprintf("with gain %d and offset %d pixels have codes from %.2f without light to "+
					"%.2f where they saturate: %g is not well within", gain, offset, dark, bright, cfg.Level),
					fmt.Sprintf("use %.2f to %.2f", least+fifth, most-fifth))
				return m
			}
		}
	}
	return m
}
