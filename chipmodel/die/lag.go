package die

import (
	"math"
	"time"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// lag is what logarithmic pixels remember of when they were last read: the light that each showed, the mean light on
// it, when that was, and its own noise, of unit variance.
type lag struct {
	shown, mean, noise []float64
	at                 []bustime.Time
	luxSeconds         float64 // time constant times light
	past               past
}

// past is the mean light on one row at some times before it is read, newest first. Its buffers are kept.
type past struct {
	n     int
	looks []glance
	// Pixels that were last read by then are settled in the light of now.
	settled bustime.Time
}

// glance is a look at the mean light on a row.
type glance struct {
	at   bustime.Time
	lux  []float64
	jump bool // the light became so at this time at once
	// rest: what was before is forgotten, pixels are settled.
	rest bool
}

// At most maxLooks looks are taken, and none further back than lags time constants of the slowest pixel of the row:
// a four hundredth of what it lagged then is left. Where the light takes longer than that to move by an eighth
// of a pixel, pixels lag by less than a fiftieth of one and count as settled without a look.
const (
	maxLooks = 64
	lags     = 6
	settled  = 0.24
)

// add looks at the mean light of a row.
func (p *past) add(light *Light, row, columns int, at bustime.Time) *glance {
	if p.n == len(p.looks) {
		p.looks = append(p.looks, glance{lux: make([]float64, columns)})
	}
	g := &p.looks[p.n]
	p.n++
	g.at, g.jump, g.rest = at, false, false
	light.Row(g.lux, row, at)
	return g
}

// recall looks back at the mean light of a row until its pixels were last read, or it no longer matters.
func (p *pixels) recall(row, column, step, n int, now bustime.Time, light *Light) {
	past := &p.lag.past
	past.n, past.settled = 0, bustime.Never
	if light.Every == 0 && len(light.Jumps) == 0 {
		return
	}
	oldest := now
	for i, last := row*p.columns+column, row*p.columns+column+(n-1)*step; i <= last; i += step {
		if p.lag.shown[i] != 0 { // or not known
			oldest = min(oldest, p.lag.at[i])
		}
	}
	left := float64(lags)
	lux := p.lux
	for at, upTo := now, now; at > oldest; {
		rate := p.dimmest(lux, row, column, step, n) / p.lag.luxSeconds * 1e-9
		back, forgotten := at.Sub(oldest), false
		if light.Every > 0 {
			back = min(back, light.Every)
		}
		if reach := left / rate; reach <= float64(back) {
			back, forgotten = time.Duration(reach), true
		}
		jump := light.last(at.Add(-back), upTo)
		switch {
		case jump != nil:
			past.add(light, row, p.columns, *jump).jump = true
			back, forgotten = at.Sub(*jump), false
			at, upTo = *jump, *jump-1
			if at > oldest {
				lux = past.add(light, row, p.columns, at-1).lux
			}
		case forgotten && at == now && float64(back) < settled*float64(light.Every):
			past.settled = at.Add(-back)
			return
		case at.Add(-back) <= oldest:
			return
		default:
			at = at.Add(-back)
			upTo = at
			g := past.add(light, row, p.columns, at)
			lux, g.rest = g.lux, forgotten || past.n >= maxLooks
			if g.rest {
				return
			}
		}
		left -= float64(back) * rate
	}
}

// dimmest is the least light on the pixels of a row that are read, with the dark term in it.
func (p *pixels) dimmest(lux []float64, row, column, step, n int) float64 {
	least := math.Inf(1)
	dark := p.c[row*p.columns:][:p.columns]
	for c, last := column, column+(n-1)*step; c <= last; c += step {
		if x := lux[c] + dark[c]; x < least { // min would look for what is not a number
			least = x
		}
	}
	return least
}

// follow is the light that pixel i shows at a bus time under a mean light, and its own noise in units of its standard
// deviation, which is kept as the light shown is. A pixel that was never read has been under its light for ever.
func (p *pixels) follow(i, column int, lux, dark float64, at bustime.Time, light *Light) (shown, noise float64) {
	l, lags := p.lag, light.lag()
	lamp, phase := light.lamp(at)
	kept := 1.0
	switch when := l.at[i]; {
	case l.shown[i] == 0 || when <= l.past.settled:
		shown, kept = lags.Settled(lux, dark, l.luxSeconds, phase), 0
	case l.past.n == 0 && lamp.Steady() && at > when:
		mean := l.mean[i]
		if light.Every == 0 {
			mean = lux // another light than at the last look holds since then
		}
		shown, kept = lags.Follow(l.shown[i], mean, lux, dark, l.luxSeconds,
			analog.Gap{Seconds: float64(at.Sub(when)) * 1e-9})
	default:
		shown, kept = l.retrace(i, column, lux, dark, at, light)
	}
	if kept != 0 { // what was before may not be known
		noise = kept * l.noise[i]
	}
	if !(kept >= 1) && p.noise > 0 { // where what was before is not known, neither is what is kept
		noise += math.Sqrt(1-kept*kept) * p.rng.Normal()
	}
	l.shown[i], l.mean[i], l.at[i], l.noise[i] = shown, lux, at, noise
	return shown, noise
}

// retrace is what pixel i shows, and keeps, after all that was looked at since it was read.
func (l *lag) retrace(i, column int, lux, dark float64, at bustime.Time, light *Light) (shown, kept float64) {
	lags := light.lag()
	mean, when := l.mean[i], l.at[i]
	_, phase := light.lamp(when)
	shown, kept = l.shown[i], 1
	to := func(lux float64, at bustime.Time) {
		if at <= when {
			return
		}
		if light.Every == 0 {
			mean = lux
		}
		_, then := light.lamp(at)
		gap := analog.Gap{Seconds: float64(at.Sub(when)) * 1e-9, From: phase, To: then}
		var left float64
		shown, left = lags.Follow(shown, mean, lux, dark, l.luxSeconds, gap)
		kept *= left
		mean, when, phase = lux, at, then
	}
	for k := l.past.n - 1; k >= 0; k-- {
		switch g := &l.past.looks[k]; {
		case g.at < when:
		case g.jump:
			mean = g.lux[column]
		case g.rest && g.at > when:
			_, phase = light.lamp(g.at)
			shown, kept = lags.Settled(g.lux[column], dark, l.luxSeconds, phase), 0
			mean, when = g.lux[column], g.at
		default:
			to(g.lux[column], g.at)
		}
	}
	to(lux, at)
	return shown, kept
}
