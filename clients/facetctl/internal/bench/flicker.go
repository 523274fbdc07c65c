package bench

import (
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"facetd.example/api/svg"
	"facetd.example/api/tokens"
)

// Sample is a code at a bus time, in seconds.
type Sample struct{ At, Code float64 }

// Flicker is what a series of samples tells of periodic light.
type Flicker struct {
	Samples int `json:"samples"`
	// RateHz is how often it was sampled; what is faster than half of that is seen at another frequency.
	RateHz float64 `json:"rate_hz"`
	// Found says whether anything periodic stands out; the rest is of the strongest then.
	Found bool `json:"found"`
	// SeenHz is its frequency as sampled, and LightHz what the light most likely has: the same, or that of lamps on
	// mains which is seen there.
	SeenHz  float64 `json:"seen_hz"`
	LightHz float64 `json:"light_hz"`
	// MainsHz is 50 or 60, nominally, where the light has twice that within 1 %; 0 where it is not from mains.
	MainsHz float64 `json:"mains_hz"`
	// Amplitude is in codes, half from lowest to highest. Fraction is the part of all variance that it explains.
	Amplitude float64 `json:"amplitude_codes"`
	Fraction  float64 `json:"fraction"`
	// StillHz are rates at which every frame sees it at the same phase. PairHz are rates at which the mean of two
	// frames that follow each other is without it.
	StillHz []float64 `json:"still_hz"`
	PairHz  []float64 `json:"pair_hz"`
	// AverageMs is the shortest exposure that averages it.
	AverageMs float64 `json:"average_ms"`

	spectrum []spectral
}

type spectral struct{ hz, amplitude float64 }

// FewestSamples is how many samples a spectrum takes at least.
const FewestSamples = 32

// chance is how likely noise alone may look like flicker.
const chance = 1e-6

// FlickerOf finds the strongest period in samples, which need not be evenly apart.
func FlickerOf(samples []Sample) (*Flicker, error) {
	n := len(samples)
	if n < FewestSamples {
		return nil, fmt.Errorf("%d samples, %d are needed", n, FewestSamples)
	}
	samples = slices.Clone(samples)
	slices.SortFunc(samples, func(a, b Sample) int {
		switch {
		case a.At < b.At:
			return -1
		case a.At > b.At:
			return 1
		}
		return 0
	})
	begin, long := samples[0].At, samples[n-1].At-samples[0].At
	gaps := make([]float64, 0, n)
	mean := 0.0
	for i := range samples {
		samples[i].At -= begin
		mean += samples[i].Code / float64(n)
		if i > 0 {
			gaps = append(gaps, samples[i].At-samples[i-1].At)
		}
	}
	slices.Sort(gaps)
	gap := gaps[len(gaps)/2]
	if !(gap > 0) {
		return nil, errors.New("samples are at the same time")
	}
	out := &Flicker{Samples: n, RateHz: 1 / gap, StillHz: []float64{}, PairHz: []float64{}}
	all := 0.0
	for i := range samples {
		samples[i].Code -= mean
		all += samples[i].Code * samples[i].Code
	}
	if all == 0 {
		return out, nil
	}
	// Four steps to the width of a peak, from two periods in the series on: what is slower is drift.
	step := 1 / (4 * long)
	best := fitted{}
	for k := 8; float64(k)*step <= out.RateHz/2; k++ {
		f := fit(samples, float64(k)*step)
		out.spectrum = append(out.spectrum, spectral{f.hz, f.amplitude})
		if f.explained > best.explained {
			best = f
		}
	}
	for k := -50; k <= 50; k++ { // between two steps
		if f := fit(samples, best.hz+step*float64(k)/50); f.hz > 0 && f.explained > best.explained {
			best = f
		}
	}
	out.Fraction = best.explained / all
	// Of noise alone the part explained at one frequency is above p with (1 - p)^((n-3)/2), and there are about n/2
	// frequencies (Scargle 1982, from memory).
	if float64(n)/2*math.Pow(1-out.Fraction, float64(n-3)/2) > chance {
		return out, nil
	}
	out.Found, out.SeenHz, out.Amplitude = true, best.hz, best.amplitude
	out.propose(2 / long)
	return out, nil
}

type fitted struct{ hz, amplitude, explained float64 }

// fit fits an offset, a sine and a cosine by least squares; explained is the sum of squares that the two take away.
func fit(samples []Sample, hz float64) fitted {
	var n, c, s, cc, ss, cs, y, yc, ys float64
	for _, p := range samples {
		sin, cos := math.Sincos(2 * math.Pi * hz * p.At)
		n, c, s = n+1, c+cos, s+sin
		cc, ss, cs = cc+cos*cos, ss+sin*sin, cs+cos*sin
		y, yc, ys = y+p.Code, yc+p.Code*cos, ys+p.Code*sin
	}
	// About their means.
	cc, ss, cs = cc-c*c/n, ss-s*s/n, cs-c*s/n
	yc, ys = yc-y*c/n, ys-y*s/n
	det := cc*ss - cs*cs
	if !(det > 1e-9*n*n) {
		return fitted{hz: hz} // sampled once or twice a period, always at the same phases
	}
	a, b := (ss*yc-cs*ys)/det, (cc*ys-cs*yc)/det
	return fitted{hz, math.Hypot(a, b), a*yc + b*ys}
}

// propose finds what the light has and what holds it still; width is how exactly the frequency is known.
func (f *Flicker) propose(width float64) {
	f.LightHz = f.SeenHz
	nearest := math.Inf(1)
	for _, mains := range []float64{50, 60} {
		for k := 0.0; k*f.RateHz <= 2*mains*1.01+f.RateHz; k++ {
			for _, hz := range []float64{k*f.RateHz + f.SeenHz, k*f.RateHz - f.SeenHz} {
				if off := math.Abs(hz/(2*mains) - 1); off < min(0.01, nearest) && off*2*mains < max(1, 2*width) {
					nearest, f.LightHz, f.MainsHz = off, hz, mains
				}
			}
		}
	}
	f.AverageMs = 1000 / f.LightHz
	for k := 1.0; k <= 8; k++ {
		f.StillHz = append(f.StillHz, f.LightHz/k)
	}
	for k := 1.0; k <= 15; k += 2 {
		f.PairHz = append(f.PairHz, 2*f.LightHz/k)
	}
}

// Draw draws the spectrum.
func (f *Flicker) Draw(w io.Writer, title string) error {
	const width, height, left, top, bottom = 720.0, 320.0, 60.0, 40.0, 50.0
	d := svg.New("flicker", title, width, height)
	d.Style(tokens.Style("text{font:12px sans-serif;fill:var(--ink)}\n.axis{stroke:var(--edge)}\n" +
		".line{fill:none;stroke:var(--series-1);stroke-width:1.3}\n.mark{stroke:var(--series-2);stroke-dasharray:4 3}"))
	d.Text("", left, 22, title)
	most := 0.0
	for _, s := range f.spectrum {
		most = max(most, s.amplitude)
	}
	if most == 0 {
		most = 1
	}
	x := func(hz float64) float64 { return left + (width-left-20)*hz/(f.RateHz/2) }
	y := func(codes float64) float64 { return height - bottom - (height-top-bottom)*codes/most }
	d.Line("axis", left, height-bottom, width-20, height-bottom)
	d.Line("axis", left, top, left, height-bottom)
	for _, hz := range svg.Ticks(0, f.RateHz/2, 8) {
		d.Text("mid", x(hz), height-bottom+18, fmt.Sprintf("%.4g", hz))
	}
	for _, codes := range svg.Ticks(0, most, 5) {
		d.Text("end", left-6, y(codes)+4, fmt.Sprintf("%.3g", codes))
	}
	d.Text("mid", (left+width)/2, height-12, "Hz, as sampled; amplitude in codes")
	path := ""
	for i, s := range f.spectrum {
		letter := "L"
		if i == 0 {
			letter = "M"
		}
		path += fmt.Sprintf("%s%.1f %.1f", letter, x(s.hz), y(s.amplitude))
	}
	d.Put(`<path class="line" d="%v"/>`+"\n", path)
	if f.Found {
		d.Line("mark", x(f.SeenHz), top, x(f.SeenHz), height-bottom)
		d.Text("mid", x(f.SeenHz), top-4, fmt.Sprintf("%.2f Hz, the light %.2f Hz", f.SeenHz, f.LightHz))
	}
	_, err := d.WriteTo(w)
	return err
}
