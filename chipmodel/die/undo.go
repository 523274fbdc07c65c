package die

import (
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// undo notes what readouts change of pixels: the lag of those that are read, row by row, before they are, and where in
// its course the noise was. Its buffers are kept.
type undo struct {
	noting bool
	rng    analog.Noise
	rows   []span
	// Of all pixels of rows, one after another.
	shown, mean, noise []float64
	at                 []bustime.Time
}

// span is a run of pixels in the lattice's order.
type span struct{ first, n int }

func (u *undo) begin(p *pixels) {
	u.noting = true
	u.rows = u.rows[:0]
	u.shown, u.mean, u.noise, u.at = u.shown[:0], u.mean[:0], u.noise[:0], u.at[:0]
	if p.rng != nil {
		u.rng = *p.rng
	}
}

// note notes the lag of pixels of which one in every step is about to be read.
func (u *undo) note(l *lag, first, step, n int) {
	if !u.noting {
		return
	}
	s := span{first, (n-1)*step + 1}
	u.rows = append(u.rows, s)
	u.shown = append(u.shown, l.shown[s.first:s.first+s.n]...)
	u.mean = append(u.mean, l.mean[s.first:s.first+s.n]...)
	u.noise = append(u.noise, l.noise[s.first:s.first+s.n]...)
	u.at = append(u.at, l.at[s.first:s.first+s.n]...)
}

// takeBack undoes what was noted, the last first: a pixel may have been read more than once.
func (u *undo) takeBack(p *pixels) {
	u.noting = false
	if p.rng != nil {
		*p.rng = u.rng
	}
	end := len(u.shown)
	for i := len(u.rows) - 1; i >= 0; i-- {
		s := u.rows[i]
		from := end - s.n
		copy(p.lag.shown[s.first:], u.shown[from:end])
		copy(p.lag.mean[s.first:], u.mean[from:end])
		copy(p.lag.noise[s.first:], u.noise[from:end])
		copy(p.lag.at[s.first:], u.at[from:end])
		end = from
	}
}
