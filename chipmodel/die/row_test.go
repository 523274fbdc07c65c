package die

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"facetd.example/api/peertest"

	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
)

// oneByOne gives the volts of a row's pixels one after another, as under a lamp.
func (d *Die) oneByOne(dst []float64, r *reading, light *Light) {
	px := d.px
	if m, ok := d.storage.(*switches); ok {
		if m.stale {
			m.join()
		}
		m.look(r.row, light)
		px.look(r.row, r.column, r.step, r.n, r.at, r.interval, &m.light)
		m.single(dst, r, light)
		return
	}
	px.look(r.row, r.column, r.step, r.n, r.at, r.interval, light)
	for i := range dst {
		c := r.column + i*r.step
		dst[i] = px.volts(r.row*px.columns+c, c, px.luxAt(c, i, r.n), r.at.Add(time.Duration(i)*r.interval), light)
	}
}

// TestRowsAreTheirPixels: rows of pixels that lag are, together, what they are one by one, but for rounding, which is
// below a part in 1e9 of a pixel's noise: windows of random places and steps, read at random times under light that
// moves, stays or jumps.
func TestRowsAreTheirPixels(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	rng := rand.New(rand.NewPCG(seed, 3))
	a := crawler(t)
	for _, name := range []string{"bed-1", "bow-left", "bow-comb"} {
		c := &a.Chips[a.Chip(name)]
		for range 6 {
			rows, ones := New(a, c.Index, seed), New(a, c.Index, seed)
			if c.Class.HasSwitches() && rng.IntN(2) == 0 {
				rows.Write(chipmodel.ColumnPattern, 0x55)
				ones.Write(chipmodel.ColumnPattern, 0x55)
			}
			light := wandering(rng)
			at := bustime.Time(0)
			var got, want [64]float64
			for range 200 {
				at += bustime.Time(math.Exp(10 + 9*rng.Float64()))
				r := reading{row: rng.IntN(c.Class.Rows), column: rng.IntN(4), step: 1 + rng.IntN(3), at: at,
					interval: time.Duration(rng.IntN(20_000))}
				r.n = 1 + rng.IntN((c.Class.Columns-r.column-1)/r.step+1)
				rows.Row(got[:r.n], r.row, r.column, r.step, r.at, r.interval, light)
				ones.oneByOne(want[:r.n], &r, light)
				for i := range r.n {
					if !(math.Abs(got[i]-want[i]) < 1e-9*rows.px.noise) {
						t.Fatalf("%s, pixel %d of %+v: %v V, want %v", name, i, r, got[i], want[i])
					}
				}
				at = r.at.Add(time.Duration(r.n) * r.interval)
			}
		}
	}
}

// wandering is light of random level that moves, stays or jumps.
func wandering(rng *rand.Rand) *Light {
	level, hz := math.Exp(6*rng.Float64()-1), 3*rng.Float64()
	light := &Light{Every: []time.Duration{0, 3 * time.Millisecond}[rng.IntN(2)]}
	if rng.IntN(2) == 0 {
		for at := bustime.Time(0); at < 1e10; at += 1e7 + bustime.Time(rng.Int64N(2e9)) {
			light.Jumps = append(light.Jumps, at)
		}
	}
	light.Row = func(dst []float64, row int, at bustime.Time) {
		jumped := 1.0
		for _, j := range light.Jumps {
			if j <= at {
				jumped = 1.5 - jumped/2
			}
		}
		for c := range dst {
			dst[c] = level * jumped * (1 + 0.1*float64(row%3)) * (1 + float64(c%7))
			if light.Every > 0 {
				dst[c] *= math.Exp(math.Sin(2*math.Pi*hz*float64(at)*1e-9 + float64(c)))
			}
		}
	}
	return light
}
