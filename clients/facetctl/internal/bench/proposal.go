package bench

import "math"

// Proposal is what a flicker does to a task, and rates near its own that do better.
type Proposal struct {
	Task   string  `json:"task"`
	RateHz float64 `json:"rate_hz"`
	// BeatHz is at which frequency its frames show the flicker; 0 is always at the same phase.
	BeatHz float64 `json:"beat_hz"`
	// StillHz is the nearest rate at which every frame sees it at the same phase, and PairHz the nearest one at which
	// two frames that follow each other cancel it.
	StillHz float64 `json:"still_hz"`
	PairHz  float64 `json:"pair_hz"`
}

// Propose finds what to do with a task of a rate; ok is false where no flicker was found.
func (f *Flicker) Propose(task string, rate float64) (p Proposal, ok bool) {
	if !f.Found || !(rate > 0) {
		return p, false
	}
	ratio := f.LightHz / rate
	p = Proposal{Task: task, RateHz: rate, BeatHz: math.Abs(f.LightHz - rate*math.Round(ratio))}
	// Of rates LightHz/k those on either side of the task's; of 2 LightHz/k those of an odd k.
	p.StillHz = nearestRate(rate, f.LightHz/max(1, math.Floor(ratio)), f.LightHz/max(1, math.Ceil(ratio)))
	below := 2*math.Floor(ratio-0.5) + 1
	p.PairHz = nearestRate(rate, 2*f.LightHz/max(1, below), 2*f.LightHz/max(1, below+2))
	return p, true
}

func nearestRate(rate, a, b float64) float64 {
	if math.Abs(a-rate) <= math.Abs(b-rate) {
		return a
	}
	return b
}
