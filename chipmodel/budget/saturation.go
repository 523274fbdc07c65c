package budget

import (
	"fmt"
	"math"
	"strings"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/die"
)

// Limit is where the light that a chip can tell apart ends on one side.
type Limit struct {
	Lux float64 `json:"lux"`
	// Decades from the light of the budget to there; negative when it is beyond.
	Decades float64 `json:"decades"`
	// By is what ends it: "full well", "amplifier" or "converter".
	By string `json:"by"`
}

// Saturation is the range of light in which nothing clips, of a nominal chip; fixed pattern and offsets shift it. A
// side without a limit is nil: the dark term may come before the dim end.
type Saturation struct {
	Dim    *Limit `json:"dim,omitempty"`
	Bright *Limit `json:"bright,omitempty"`
	// By is what clips at the light of the budget; empty within the range. Where it clips, a change of the light
	// changes nothing, and noise that is small is no merit.
	By string `json:"by,omitempty"`
}

// saturation takes what converter and amplifier pass back to the pixel, and there to the light.
func (k *reckoning) saturation(response die.Response) Saturation {
	conv := k.lane.Spec.GetConverter()
	type end struct {
		volts float64
		by    string
	}
	low, high := end{conv.GetLowVolts(), "converter"}, end{conv.GetHighVolts(), "converter"}
	if amp := k.class.Spec.GetAmplifier(); amp != nil {
		if amp.GetLowVolts() > low.volts {
			low = end{amp.GetLowVolts(), "amplifier"}
		}
		if amp.GetHighVolts() < high.volts {
			high = end{amp.GetHighVolts(), "amplifier"}
		}
		mid := amp.GetMidVolts()
		low.volts, high.volts = mid+(low.volts-mid)/k.gain, mid+(high.volts-mid)/k.gain
		if k.gain < 0 {
			low, high = high, low
		}
	}
	dim, bright := low, high
	if response.Slope(k.Lux) < 0 {
		dim, bright = high, low
	}
	var s Saturation
	if lux, ok := response.Lux(dim.volts); ok && lux > 0 {
		s.Dim = k.limit(lux, dim.by, k.Lux/lux)
	}
	if lux, ok := response.Lux(bright.volts); ok {
		s.Bright = k.limit(lux, bright.by, lux/k.Lux)
	}
	if full, ok := k.fullWell(); ok && (s.Bright == nil || full < s.Bright.Lux) {
		s.Bright = k.limit(full, "full well", full/k.Lux)
	}
	for _, l := range []*Limit{s.Dim, s.Bright} {
		if l != nil && l.Decades < 0 {
			s.By = l.By
		}
	}
	return s
}

// limit is a limit at a light, which is by a factor away. No light at all is a million times less than the dimmest.
func (k *reckoning) limit(lux float64, by string, factor float64) *Limit {
	return &Limit{Lux: lux, By: by, Decades: math.Log10(max(factor, 1e-24))}
}

// fullWell is the light that fills a linear pixel.
func (k *reckoning) fullWell() (lux float64, ok bool) {
	p := k.class.Spec.GetLinear()
	if p == nil {
		return 0, false
	}
	seconds := p.GetExposure().AsDuration().Seconds()
	dark := p.GetDarkElectronsPerS() * seconds * analog.Doubling(k.kelvin, p.GetDarkDoublingK())
	return max(p.GetFullWellElectrons()-dark, 0) / (p.GetElectronsPerLuxS() * seconds), true
}

// warning comes before the figures of a light that clips.
func (s Saturation) warning() string {
	if s.By == "" {
		return ""
	}
	return fmt.Sprintf("SATURATED: the %s clips. The code does not follow the light; little noise is no merit here.\n",
		s.By)
}

// ends tells the range to people.
func (s Saturation) ends() string {
	var out strings.Builder
	side := func(name string, l *Limit) {
		switch {
		case l == nil:
			fmt.Fprintf(&out, "%s end: nothing clips\n", name)
		case l.Decades < 0:
			fmt.Fprintf(&out, "%s end: %.3g lux (%s), passed by %.2g decades\n", name, l.Lux, l.By, -l.Decades)
		default:
			fmt.Fprintf(&out, "%s end: %.3g lux (%s), %.2g decades from here\n", name, l.Lux, l.By, l.Decades)
		}
	}
	side("bright", s.Bright)
	side("dim", s.Dim)
	if s.Dim != nil || s.Bright != nil {
		out.WriteString("of a nominal pixel: fixed pattern, calibrated or not, moves where each one clips\n")
	}
	return out.String()
}
