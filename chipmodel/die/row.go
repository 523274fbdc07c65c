package die

import (
	"math"
	"time"

	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// reading is a row of pixels that are read one after another: n of them from a column on and step apart, each an
// interval after the one before, the first at a bus time.
type reading struct {
	row, column, step, n int
	at                   bustime.Time
	interval             time.Duration
}

// response is what pixels make of the light that they show: y = a + b ln(c + x), and what a pixel's own noise is
// multiplied by; quieter is by column, nil for 1.
type response struct {
	a, b, c []float64
	noise   float64
	quieter []float64
}

// rowWork is what the pixels of a row are worked out in. It is kept.
type rowWork struct {
	lux, mean, glanced, seconds, shown, kept, dark, draws []float64
	when                                                  []bustime.Time
}

func newRowWork(columns int) *rowWork {
	line := func() []float64 { return make([]float64, columns) }
	return &rowWork{line(), line(), line(), line(), line(), line(), line(), line(), make([]bustime.Time, columns)}
}

// asRow reports whether a row of logarithmic pixels can be worked out as one: where pixels lag, under steady light.
// Under a lamp they are worked out one by one.
func (p *pixels) asRow(light *Light) bool { return p.lag != nil && light.lag().Lamp().Steady() }

// logRow is logVolts for the pixels of a row that was looked at, all together; see asRow. What they draw of the noise
// is the same, the volts may differ in their last bits.
func (p *pixels) logRow(dst []float64, r *reading, by *response, light *Light) {
	w := p.work
	p.followRow(r, by.c, light)
	first := r.row*p.columns + r.column
	shown, kept := w.shown[:r.n], w.kept[:r.n]
	analog.LnAll(shown)
	draws := p.drawRow(kept)
	for i := range dst[:r.n] {
		pixel := first + i*r.step
		unit := kept[i] * p.lag.noise[pixel]
		if draws != nil {
			unit += draws[i]
		}
		p.lag.noise[pixel] = unit
		noise := by.noise
		if by.quieter != nil {
			noise *= by.quieter[r.column+i*r.step]
		}
		dst[i] = by.a[pixel] + by.b[pixel]*shown[i] + noise*unit
	}
}

// drawRow draws what is new in the own noise of pixels, of unit variance in all, beside the part that they keep of the
// old one; nil for pixels without noise.
func (p *pixels) drawRow(kept []float64) []float64 {
	if p.noise <= 0 {
		return nil
	}
	draws := p.work.draws[:len(kept)]
	all := true
	for _, k := range kept {
		all = all && k < 1
	}
	if all {
		p.rng.Normals(draws)
	}
	for i, k := range kept {
		switch {
		case k >= 1:
			draws[i] = 0
		case !all:
			draws[i] = math.Sqrt(1-k*k) * p.rng.Normal()
		case k > 0:
			draws[i] *= math.Sqrt(1 - k*k)
		}
	}
	return draws
}

// followRow is follow for a row: it works out what each pixel shows, and which part of what it was it keeps, and
// remembers that.
func (p *pixels) followRow(r *reading, dark []float64, light *Light) {
	l, w := p.lag, p.work
	first := r.row*p.columns + r.column
	work := analog.LaggingRow{Shown: w.shown[:r.n], Kept: w.kept[:r.n], Dark: w.dark[:r.n], K: l.luxSeconds}
	lux := w.lux[:r.n]
	lagging := false
	at, column, pixel := r.at, r.column, first
	for i := range lux {
		x := p.lux[column]
		if p.later != nil {
			x = p.luxAt(column, i, r.n)
		}
		lux[i], work.Dark[i] = x, dark[pixel]
		w.mean[i], w.when[i] = l.mean[pixel], l.at[pixel]
		work.Shown[i], work.Kept[i] = l.shown[pixel], 1
		if work.Shown[i] == 0 || w.when[i] <= l.past.settled {
			work.Shown[i], work.Kept[i], w.when[i] = x+dark[pixel], 0, at
		} else {
			lagging = true
		}
		l.mean[pixel], l.at[pixel] = x, at
		at, column, pixel = at.Add(r.interval), column+r.step, pixel+r.step
	}
	if lagging {
		p.retraceRow(r, &work, light)
	}
	for i, shown := range work.Shown {
		l.shown[first+i*r.step] = shown
	}
}

// retraceRow is retrace for a row under steady light: look by look, all its pixels. Those that are up to date at the
// time of a look pass it over.
func (p *pixels) retraceRow(r *reading, work *analog.LaggingRow, light *Light) {
	l, w := p.lag, p.work
	mean, when, seconds := w.mean[:r.n], w.when[:r.n], w.seconds[:r.n]
	stays := light.Every == 0 // another light than at the last look holds since then
	// to follows the light to what it is at the time of a look, or with none to when each pixel is read.
	to := func(lux []float64, at bustime.Time, interval time.Duration) {
		for i := range lux {
			then := at.Add(time.Duration(i) * interval)
			seconds[i] = 0
			if then > when[i] {
				seconds[i] = float64(then.Sub(when[i])) * 1e-9
				when[i] = then
				if stays {
					mean[i] = lux[i]
				}
			}
		}
		work.FollowSteady(mean, lux, seconds)
		for i, s := range seconds {
			if s > 0 {
				mean[i] = lux[i]
			}
		}
	}
	glanced := w.glanced[:r.n] // the light of a look on the pixels that are read
	for k := l.past.n - 1; k >= 0; k-- {
		g := &l.past.looks[k]
		for i := range glanced {
			glanced[i] = g.lux[r.column+i*r.step]
		}
		switch {
		case g.jump:
			for i := range mean {
				if g.at >= when[i] {
					mean[i] = glanced[i]
				}
			}
		case g.rest:
			for i := range mean {
				if g.at > when[i] {
					work.Shown[i], work.Kept[i] = glanced[i]+work.Dark[i], 0
					mean[i], when[i] = glanced[i], g.at
				}
			}
		default:
			to(glanced, g.at, 0)
		}
	}
	to(w.lux[:r.n], r.at, r.interval)
}
