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

// rowWork is what the pixels of a row are worked out in, by their place in the row. What lies side by side in the chip
// is worked out where it is; the rest is copied to here. It is kept.
type rowWork struct {
	lux, mean, glanced, seconds, shown, kept, dark, draws []float64
	when                                                  []bustime.Time
}

func newRowWork(columns int) *rowWork {
	line := func() []float64 { return make([]float64, columns) }
	return &rowWork{line(), line(), line(), line(), line(), line(), line(), line(), make([]bustime.Time, columns)}
}

// follower is what the pixels of a row remember of when they were last read, the light on them now, and the part of
// what they were that they keep.
type follower struct {
	analog.LaggingRow
	lux, mean []float64
	when      []bustime.Time
}

// follower gathers it.
func (p *pixels) follower(r *reading, dark []float64) follower {
	l, w, n := p.lag, p.work, r.n
	first := r.row*p.columns + r.column
	f := follower{LaggingRow: analog.LaggingRow{Kept: w.kept[:n], K: l.luxSeconds}}
	if f.lux = w.lux[:n]; r.step == 1 && p.later == nil {
		f.lux = p.lux[r.column:][:n]
	} else {
		for i := range f.lux {
			f.lux[i] = p.luxAt(r.column+i*r.step, i, n)
		}
	}
	if r.step == 1 {
		f.Shown, f.Dark, f.mean, f.when = l.shown[first:][:n], dark[first:][:n], l.mean[first:][:n], l.at[first:][:n]
		return f
	}
	f.Shown, f.Dark, f.mean, f.when = w.shown[:n], w.dark[:n], w.mean[:n], w.when[:n]
	for i := range n {
		pixel := first + i*r.step
		f.Shown[i], f.Dark[i], f.mean[i], f.when[i] = l.shown[pixel], dark[pixel], l.mean[pixel], l.at[pixel]
	}
	return f
}

// remember puts back what pixels remember now.
func (p *pixels) remember(r *reading, f *follower) {
	l := p.lag
	first := r.row*p.columns + r.column
	if r.step != 1 {
		for i, shown := range f.Shown {
			l.shown[first+i*r.step] = shown
		}
	}
	at := r.at
	for i, lux := range f.lux {
		pixel := first + i*r.step
		l.mean[pixel], l.at[pixel] = lux, at
		at = at.Add(r.interval)
	}
}

// asRow reports whether a row of logarithmic pixels can be worked out as one: where pixels lag, under steady light.
// Under a lamp they are worked out one by one.
func (p *pixels) asRow(light *Light) bool { return p.lag != nil && light.lag().Lamp().Steady() }

// logRow is logVolts for the pixels of a row that was looked at, all together; see asRow. What they draw of the noise
// is the same, the volts may differ in their last bits.
func (p *pixels) logRow(dst []float64, r *reading, by *response, light *Light) {
	f := p.lagRow(r, by.c, light)
	first := r.row*p.columns + r.column
	dst = dst[:r.n]
	copy(dst, f.Shown)
	analog.LnAll(dst)
	for i, ln := range dst {
		pixel := first + i*r.step
		noise := by.noise
		if by.quieter != nil {
			noise *= by.quieter[r.column+i*r.step]
		}
		dst[i] = by.a[pixel] + by.b[pixel]*ln + noise*p.lag.noise[pixel]
	}
}

// lagRow is what logRow changes of what the pixels remember.
func (p *pixels) lagRow(r *reading, dark []float64, light *Light) follower {
	f := p.follower(r, dark)
	p.followRow(r, &f, light)
	p.remember(r, &f)
	draws := p.drawRow(f.Kept)
	first := r.row*p.columns + r.column
	for i, kept := range f.Kept {
		pixel := first + i*r.step
		var unit float64
		if kept != 0 { // what was before may not be known
			unit = kept * p.lag.noise[pixel]
		}
		if draws != nil {
			unit += draws[i]
		}
		p.lag.noise[pixel] = unit
	}
	return f
}

// remind has the pixels of a row remember what they do after a look at them.
func (p *pixels) remind(r *reading, dark []float64, light *Light) {
	p.look(r.row, r.column, r.step, r.n, r.at, r.interval, light)
	if p.asRow(light) {
		p.lagRow(r, dark, light)
		return
	}
	for i := range r.n {
		c := r.column + i*r.step
		pixel := r.row*p.columns + c
		p.follow(pixel, c, p.luxAt(c, i, r.n), dark[pixel], r.at.Add(time.Duration(i)*r.interval), light)
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

// followRow is follow for a row: it works out what each pixel shows, and which part of what it was it keeps.
func (p *pixels) followRow(r *reading, f *follower, light *Light) {
	lagging, at := false, r.at
	for i, shown := range f.Shown {
		f.Kept[i] = 1
		if shown == 0 || f.when[i] <= p.lag.past.settled {
			f.Shown[i], f.Kept[i], f.when[i] = f.lux[i]+f.Dark[i], 0, at
		} else {
			lagging = true
		}
		at = at.Add(r.interval)
	}
	if !lagging {
		return
	}
	past, glanced := &p.lag.past, p.work.glanced[:r.n] // the light of a look on the pixels that are read
	for k := past.n - 1; k >= 0; k-- {
		g := &past.looks[k]
		for i := range glanced {
			glanced[i] = g.lux[r.column+i*r.step]
		}
		switch {
		case g.jump:
			f.jump(glanced, g.at)
		case g.rest:
			f.rest(glanced, g.at)
		default:
			f.to(glanced, p.work.seconds, g.at, 0, light.Every == 0)
		}
	}
	f.to(f.lux, p.work.seconds, r.at, r.interval, light.Every == 0)
}

// These are retrace for a row under steady light, look by look. Pixels that are up to date at the time of a look pass
// it over.

// jump lets the light become another at once.
func (f *follower) jump(lux []float64, at bustime.Time) {
	for i, when := range f.when {
		if at >= when {
			f.mean[i] = lux[i]
		}
	}
}

// rest lets pixels settle.
func (f *follower) rest(lux []float64, at bustime.Time) {
	for i, when := range f.when {
		if at > when {
			f.Shown[i], f.Kept[i] = lux[i]+f.Dark[i], 0
			f.mean[i], f.when[i] = lux[i], at
		}
	}
}

// to follows the light to what it is at a time, of each pixel an interval later. Where light stays, another than at the
// last look holds since then.
func (f *follower) to(lux, seconds []float64, at bustime.Time, interval time.Duration, stays bool) {
	seconds = seconds[:len(lux)]
	for i, when := range f.when {
		seconds[i] = 0
		if at > when {
			seconds[i] = float64(at.Sub(when)) * 1e-9
			f.when[i] = at
			if stays {
				f.mean[i] = lux[i]
			}
		}
		at = at.Add(interval)
	}
	f.FollowSteady(f.mean, lux, seconds)
	for i, s := range seconds {
		if s > 0 {
			f.mean[i] = lux[i]
		}
	}
}
