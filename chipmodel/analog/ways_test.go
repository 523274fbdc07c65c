package analog

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
)

// TestBlocksOfEveryPattern: settled shares of every column pattern with rows in pairs, which have a quick way where
// columns are in pairs too, beside means of blocks by the definition of a pattern.
func TestBlocksOfEveryPattern(t *testing.T) {
	const rows, columns = 5, 17
	rng := rand.New(rand.NewPCG(3, 3))
	for _, rowPattern := range []uint8{0x55, 0xaa} {
		for pattern := range 256 {
			p := &Plane{Rows: rows, Columns: columns, Volts: make([]float64, rows*columns)}
			sums, counts, block := map[[2]int]float64{}, map[[2]int]float64{}, make([][2]int, rows*columns)
			row := 0
			for r := range rows {
				if r > 0 && rowPattern>>((r-1)%8)&1 == 0 {
					row++
				}
				column := 0
				for c := range columns {
					if c > 0 && pattern>>((c-1)%8)&1 == 0 {
						column++
					}
					i := r*columns + c
					p.Volts[i], block[i] = rng.Float64(), [2]int{row, column}
					sums[block[i]] += p.Volts[i]
					counts[block[i]]++
				}
			}
			(&Sharer{}).Share(p, uint8(pattern), rowPattern, -1)
			for i, v := range p.Volts {
				if want := sums[block[i]] / counts[block[i]]; math.Abs(v-want) > 1e-12 {
					t.Fatalf("columns %02x, rows %02x, row %d, column %d: %v, want %v", pattern, rowPattern, i/columns,
						i%columns, v, want)
				}
			}
		}
	}
}

// TestInjectionHoweverItOpens: what opening leaves on the cells of a block is the same whether they have settled or
// not, are alike or not, with noise or without: it moves the mean, weighted by capacitance, by just that.
func TestInjectionHoweverItOpens(t *testing.T) {
	const rows, columns, by = 4, 6, 0.01
	for _, pattern := range []uint8{0x55, 0x77} {
		for _, seconds := range []float64{-1, 1e-9} {
			for _, kelvin := range []float64{0, 300} {
				for _, spread := range []float64{0, 0.2} {
					s := &Sharer{SwitchOhms: 10e3, CellFarads: 100e-15, Kelvin: kelvin, InjectionVolts: by,
						Noise: NewNoise(1, 1)}
					p := &Plane{Rows: rows, Columns: columns, Volts: make([]float64, rows*columns)}
					weight := func(i int) float64 { return 100e-15 * (1 + spread*float64(i%3-1)) }
					if spread > 0 {
						p.Farads = make([]float64, rows*columns)
						for i := range p.Farads {
							p.Farads[i] = weight(i)
						}
					}
					var before, after, total float64
					for i := range p.Volts {
						p.Volts[i] = 1 + float64(i%5)/10
						before += weight(i) * p.Volts[i]
						total += weight(i)
					}
					s.Share(p, pattern, pattern, seconds)
					for i, v := range p.Volts {
						after += weight(i) * v
					}
					// Both patterns leave no cell alone: there are pairs, and blocks of four and two.
					if got := (after - before) / total; math.Abs(got-by) > 1e-9 {
						t.Errorf("pattern %02x, %g s, %g K, spread %g: the mean moved by %v V, want %v", pattern,
							seconds,
							kelvin, spread, got, by)
					}
				}
			}
		}
	}
}

// TestConverterEnds: the first and the last code begin where offset and gain put them, whatever bow and spread there
// is; in the middle codes begin late by the bow.
func TestConverterEnds(t *testing.T) {
	begin := func(c *Converter, code uint16) float64 { // in steps, by halving
		low, high := 0.0, 1.0
		for range 60 {
			middle := (low + high) / 2
			codes := []uint16{0}
			if c.Convert(codes, []float64{middle}, 0, 0); codes[0] >= code {
				high = middle
			} else {
				low = middle
			}
		}
		return high * 256
	}
	for seed := range uint64(6) {
		c := NewConverter(ConverterSpec{Bits: 8, HighVolts: 1, StepSpread: 0.2, BowSteps: 3}, NewNoise(seed, 1))
		if got := begin(c, 255); math.Abs(got-255) > 1e-9 {
			t.Errorf("seed %d: the last code begins at %v steps", seed, got)
		}
	}
	c := NewConverter(ConverterSpec{Bits: 8, HighVolts: 1, BowSteps: 3}, NewNoise(1, 1))
	for code, late := range map[uint16]float64{255: 0, 51: 3 * 4 * 0.2 * 0.8, 204: 3 * 4 * 0.2 * 0.8} {
		if got := begin(c, code); math.Abs(got-float64(code)-late) > 1e-9 {
			t.Errorf("code %d begins %v steps late, want %v", code, got-float64(code), late)
		}
	}
}

// TestMeanOfALamp beside the sum of its factors over the time; of no time it is the factor itself.
func TestMeanOfALamp(t *testing.T) {
	for _, hz := range []float64{100, 120} {
		l := Lamp{Hz: hz, Depth: 0.3}
		for _, seconds := range []float64{0, 1e-4, 3e-3, 0.01, 0.0234} {
			for _, phase := range []float64{0, 0.2, 0.7, 3.4} {
				want := l.Factor(phase)
				if seconds > 0 {
					const n = 20_000
					want = 0
					for i := range n {
						want += l.Factor(phase-hz*seconds*(float64(i)+0.5)/n) / n
					}
				}
				if got := l.Mean(phase, seconds); math.Abs(got-want) > 1e-7 {
					t.Errorf("%g Hz, %g s to phase %g: %v, want %v", hz, seconds, phase, got, want)
				}
			}
		}
		if got := (Lamp{Hz: hz}).Mean(0.3, 1e-3); got != 1 {
			t.Errorf("steady light has a mean of %v", got)
		}
	}
}

// TestWhatASharingLeaves beside what a sharer leaves of everything that cells can hold, each full or empty.
func TestWhatASharingLeaves(t *testing.T) {
	for _, sides := range [][2]int{{1, 2}, {1, 5}, {1, 8}, {4, 1}, {2, 2}, {2, 4}, {3, 3}} {
		rows, columns := sides[0], sides[1]
		long := max(rows, columns)
		at := 6 * ChainTau(long)
		worst := 0.0
		for cells := range 1 << (rows * columns) {
			p := &Plane{Rows: rows, Columns: columns, Volts: make([]float64, rows*columns)}
			mean := 0.0
			for i := range p.Volts {
				p.Volts[i] = float64(cells >> i & 1)
				mean += p.Volts[i] / float64(len(p.Volts))
			}
			(&Sharer{SwitchOhms: 1, CellFarads: 1}).Share(p, 0x7f, 0x7f, at)
			for _, v := range p.Volts {
				worst = max(worst, math.Abs(v-mean))
			}
		}
		name := fmt.Sprintf("%d x %d", rows, columns)
		near(t, name, ShareLeft(rows, columns, at), worst, 0.01)
	}
	if got := ShareLeft(1, 1, 0); got != 0 {
		t.Errorf("a cell alone leaves %v", got)
	}
}

// TestFollowSteadyAcrossTheRatio: where the quick way ends the other goes on; on both sides they are one.
func TestFollowSteadyAcrossTheRatio(t *testing.T) {
	var lag LogLag
	for _, ratio := range []float64{0.5, 0.7, 0.95, 1.05, 1.3, 1.45, 2} {
		for _, lags := range []float64{0.5, 2, 8, 30} {
			const from, dark, k = 10.0, 0.1, 0.02
			// 2 (x1 - x0) / (x1 + x0) is ratio times the limit.
			d := ratio * gapRatio
			to := (from+dark)*(2+d)/(2-d) - dark
			seconds := lags * k / from
			row := LaggingRow{Shown: []float64{7}, Kept: []float64{1}, Dark: []float64{dark}, K: k}
			row.FollowSteady([]float64{from}, []float64{to}, []float64{seconds})
			want, kept := lag.Follow(7, from, to, dark, k, Gap{Seconds: seconds})
			if math.Abs(row.Shown[0]/want-1) > 1e-13 || math.Abs(row.Kept[0]-kept) > 1e-13 {
				t.Errorf("%g of the ratio, %g time constants: %v and %v, want %v and %v", ratio, lags, row.Shown[0],
					row.Kept[0], want, kept)
			}
		}
	}
}

// TestWhatLiesUnderTheCurve: of a place between two layers as large a part is taken as lies under the bell curve there.
func TestWhatLiesUnderTheCurve(t *testing.T) {
	const n = 20_000
	rng := NewNoise(4, 4)
	bell := func(x float64) float64 { return math.Exp(-x * x / 2) }
	for _, i := range []uint64{1, 30, 120, 200, 250} {
		edge := layers[i].edge
		next := layers[i].inside * edge
		for _, at := range []float64{0.1, 0.5, 0.9} {
			z := (next + at*(edge-next)) / edge
			x := z * edge
			want := (bell(x) - bell(edge)) / (bell(next) - bell(edge))
			taken := 0.0
			for range n {
				if rng.outside(i, z) == x {
					taken++
				}
			}
			if got := taken / n; math.Abs(got-want) > 5*math.Sqrt(want*(1-want)/n)+1e-3 {
				t.Errorf("layer %d, %g of the way to its edge: %.3f are taken, want %.3f", i, at, got, want)
			}
		}
	}
}
