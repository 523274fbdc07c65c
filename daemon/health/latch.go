package health

import (
	"cmp"
	"math"
)

const (
	// begins is how many samples in a row begin a finding, ends how many end it (our choice, no source).
	begins, ends = 3, 5
)

// latch holds a condition of one chip: on once enough samples in a row show it, off once enough do not.
type latch struct {
	on        bool
	bad, good int
	since     int64 // bus time of the first sample of the run that switched it on
	first     int64 // of the run of bad samples now
	last      int64 // of the last sample
	evidence
}

// evidence is what was measured, and the limit that it passed. off is the deviation of measured, below 0 for a count.
type evidence struct {
	measured, limit, off float64
}

// forgotten is after how long without a sample that tells anything a condition no longer holds, in nanoseconds, where
// no task is slower than that (our choice, no source).
const forgotten = int64(60e9)

// forget switches a condition off of which nothing is known any more.
func (l *latch) forget(at, patience int64) {
	if at-l.last > patience {
		*l = latch{last: l.last}
	}
}

// see takes another sample.
func (l *latch) see(at int64, bad bool, e evidence) {
	l.last = at
	if !bad {
		l.bad = 0
		if l.good++; l.good >= ends {
			l.on = false
		}
		return
	}
	if l.bad == 0 {
		l.first = at
	}
	l.bad++
	l.good = 0
	if !l.on && l.bad >= begins {
		l.on, l.since = true, l.first
	}
	l.evidence = e
}

// pending says that more samples would decide it, one way or the other.
func (l *latch) pending() bool { return !l.on && l.bad > 0 || l.on && l.good > 0 }

// turns says that the last sample was the first to say otherwise.
func (l *latch) turns() bool { return !l.on && l.bad == 1 || l.on && l.good == 1 }

// condition is what may be wrong with a chip by its frames.
type condition int

const (
	undriven condition = iota
	saturated
	clipped
	hot
	noisy
	drifted
	foreignPattern
	numConditions
)

// noisePairs is of how many pairs of frames the least noise counts (our choice, no source).
const noisePairs = 8

// tracker follows one chip.
type tracker struct {
	latches  [numConditions]latch
	judged   [numConditions]bool // by the last sample that could be
	expected *Expected
	last     Sample
	other    string // the chip whose pattern was seen last in place of its own
	samples  uint64
	taken    int64 // bus time of the last sample asked for
	asked    bool  // one was asked for and has not come
	pair     bool  // the frame right after the last one is wanted
	rests    bool  // the last was wanted while the monitor rests
	turns    int   // samples since the last pair
	hurry    bool  // the next frame is wanted: stuck pixels are about to show
	owed     bool  // it is wanted since another chip shows something
	// spent are samples that were taken before their turn, less one for every turn since.
	spent  int
	noise  []float64
	newest int64 // bus time of the newest complete frame
	frames bool  // there was one
	// corrected says that the newest was corrected: what is wrong with the chip does not show in it.
	corrected bool
}

const (
	// interval is how often a chip is looked at, in nanoseconds of bus time. This and what follows is our choice, no
	// source.
	interval = int64(1e9)
	// restInterval is that while the monitor rests: then there is no other look than this, and the frame right after
	// it.
	restInterval = int64(5e9)
	// mostSpent is how many samples may be taken before their turn at once; one more for every turn. It bounds what
	// light that comes and goes can cost.
	mostSpent = 32
	// pairEvery is at which of its samples the frame right after is looked at, too.
	pairEvery = 4
)

// wants reports whether a frame at a bus time is to be looked at, when chips are looked at so often.
func (t *tracker) wants(at, every int64) bool {
	if t.asked {
		return false
	}
	early := t.pair || t.hurry || t.owed || t.pending()
	return t.samples == 0 || at-t.taken >= every || early && t.spent < mostSpent
}

// on is which conditions hold.
func (t *tracker) on() (out [numConditions]bool) {
	for i := range t.latches {
		out[i] = t.latches[i].on
	}
	return out
}

// turning says that the last sample was the first to say otherwise of a condition. Noise is left out: it shows by the
// minute.
func (t *tracker) turning() bool {
	for i := range t.latches {
		if t.latches[i].turns() && condition(i) != noisy {
			return true
		}
	}
	return false
}

func (t *tracker) pending() bool {
	for i := range t.latches {
		if t.latches[i].pending() && condition(i) != noisy {
			return true
		}
	}
	return false
}

// leastHot is how many stuck pixels begin a finding: one in 500, and at least four (our choice, no source).
func leastHot(pixels int) float64 { return math.Max(4, float64(pixels)/500) }

const (
	// saturatedPart of the pixels are at the highest code where a lane is saturated, clippedPart where there is much
	// too much light (our choice, no source).
	saturatedPart, clippedPart = 0.999, 0.5
)

// take judges another sample. patience is after how long without one that tells anything a condition no longer holds.
func (t *tracker) take(s Sample, e *Expected, patience int64) {
	t.asked, t.owed, t.expected = false, false, e
	t.samples++
	t.turns++
	followed := t.pair
	t.pair = false
	if (t.turns >= pairEvery || t.rests) && !followed {
		t.pair, t.turns = true, 0
	}
	t.hurry = s.hurry
	if s.Pixels == 0 {
		return
	}
	t.last = s
	for i := range t.latches {
		t.latches[i].forget(s.At, patience)
	}
	see := func(c condition, bad bool, e evidence) {
		t.judged[c] = true
		t.latches[c].see(s.At, bad, e)
	}
	see(saturated, s.High >= saturatedPart, evidence{s.High, saturatedPart, -1})
	see(clipped, s.High >= clippedPart && s.High < saturatedPart, evidence{s.High, clippedPart, -1})
	if s.High >= saturatedPart { // whatever drives the lane to its end, it is not undriven
		see(undriven, false, evidence{})
	}
	even := false
	if t.judged[undriven] = s.Pixels >= leastPixels && e.Tells() && !e.onRail(s.Mean); t.judged[undriven] {
		even = s.Spread <= e.UndrivenLimit()
		see(undriven, even, evidence{s.Spread, e.UndrivenLimit(), s.Spread / math.Sqrt(2*float64(s.Pixels))})
	}
	if even || s.High >= clippedPart { // there is no picture to judge
		return
	}
	if s.Hot >= 0 {
		most := leastHot(s.Pixels)
		t.latches[hot].bad = max(t.latches[hot].bad, begins-1) // it was in several frames already
		see(hot, float64(s.Hot) >= most, evidence{float64(s.Hot), most, -1})
	}
	if s.pair && s.Noise < 0 && len(t.noise) > 0 {
		// A picture that moves looks at rest now and then by chance: only one that rests mostly comes to noisePairs.
		t.noise = t.noise[1:]
	}
	if s.Noise >= 0 {
		if t.noise = append(t.noise, s.Noise); len(t.noise) > noisePairs {
			t.noise = t.noise[1:]
		}
		if least := leastOf(t.noise); len(t.noise) == noisePairs {
			see(noisy, least > e.NoiseLimit(), evidence{least, e.NoiseLimit(), least / math.Sqrt(2*leastPixels)})
		}
	}
	if s.PartError > 0 && s.PartError < 0.1 {
		gone := s.Part+5*s.PartError < foreign
		t.other = cmp.Or(s.Other, t.other) // it holds as long as the condition: not every sample tells patterns
		see(foreignPattern, s.Other != "", evidence{s.OtherPart, strange, s.PartError})
		see(drifted, gone && s.Other == "", evidence{s.Part, foreign, s.PartError})
	}
}

func leastOf(v []float64) float64 {
	least := math.Inf(1)
	for _, x := range v {
		least = min(least, x)
	}
	return least
}
