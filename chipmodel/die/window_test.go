package die

import (
	"math"
	"slices"
	"testing"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
)

// TestWindowsOfARow: a part of a row, and every second or third pixel of it, is what the whole row has there.
func TestWindowsOfARow(t *testing.T) {
	a := crawler(t)
	for _, name := range []string{"wall-00", "bed-1", "bow-left", "bow-comb"} {
		for defective, of := range map[string][]Defect{"good": nil,
			"defective": {{Row: 0, Column: 0, Stuck: true, Volts: 1.7},
				{Row: 1, Column: 0, Stuck: true, Volts: 1.8}, {Row: 1, Column: 5, Stuck: true, Volts: 1.9}}} {
			d := newIdeal(a, a.Chip(name))
			if err := d.SetDefects(of); err != nil {
				t.Fatal(err)
			}
			d.Strobe(chipmodel.Load, 0, 0, ramp)
			whole := make([]float64, d.px.columns)
			d.Row(whole, 1, 0, 1, 1e6, 0, ramp)
			if of != nil && (whole[0] != 1.8 || whole[5] != 1.9) {
				t.Errorf("%s: columns 0 and 5 show %v and %v V", name, whole[0], whole[5])
			}
			for _, w := range []struct{ column, step, n int }{{3, 1, 4}, {1, 2, 5}, {5, 3, 3}, {0, 4, 2}} {
				part := make([]float64, w.n)
				d.Row(part, 1, w.column, w.step, 1e6, 0, ramp)
				for i, v := range part {
					if want := whole[w.column+i*w.step]; math.Abs(v-want) > 1e-12 {
						t.Errorf("%s, %s, pixel %d of %+v: %v V, want %v", name, defective, i, w, v, want)
					}
				}
			}
		}
	}
}

// wide is an ideal chip whose rows are read pixel by pixel.
func wide(t *testing.T) *Die {
	return newIdeal(classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: 2, Columns: 40, PitchXUm: 10}
		bare(c)
		c.Counter = &facetdv1.Counter{Reset_: dur(1000)}
	}), 0)
}

// TestRowsInChangingLight: where the light jumps while a row is read, pixels read before show what was and the others
// what is since; where it moves evenly, each shows that of its own time.
func TestRowsInChangingLight(t *testing.T) {
	const interval = 50 * time.Microsecond
	for _, jump := range []bustime.Time{1, 100_000, 100_001, 777_777, 1_450_000} {
		light := &Light{Jumps: []bustime.Time{jump}, Row: func(dst []float64, _ int, at bustime.Time) {
			for i := range dst {
				if dst[i] = 20; at >= jump {
					dst[i] = 50 + float64(i)
				}
			}
		}}
		d := wide(t)
		v := make([]float64, 20)
		d.Row(v, 0, 1, 2, 0, interval, light)
		for i, got := range v {
			want := 20.0
			if bustime.Time(0).Add(time.Duration(i)*interval) >= jump {
				want = 50 + float64(1+2*i)
			}
			if lux := math.Pow(10, (got-1)/0.06) - 0.01; math.Abs(lux-want) > 1e-9*want {
				t.Errorf("jump at %d ns, pixel %d: %v lux, want %v", jump, i, lux, want)
			}
		}
	}
	moving := &Light{Every: time.Millisecond, Row: func(dst []float64, _ int, at bustime.Time) {
		for i := range dst {
			dst[i] = 20 + float64(at)/1e4 + float64(i)
		}
	}}
	d := wide(t)
	v := make([]float64, 20)
	d.Row(v, 0, 1, 2, 0, interval, moving)
	for i, got := range v {
		want := 20 + 5*float64(i) + float64(1+2*i)
		if lux := math.Pow(10, (got-1)/0.06) - 0.01; math.Abs(lux-want) > 1e-9*want {
			t.Errorf("moving light, pixel %d: %v lux, want %v", i, lux, want)
		}
	}
}

// TestCellsThatDiffer: cells have capacitances that differ by the spread of their class: each droops by its own, and
// what they share is weighed by the same.
func TestCellsThatDiffer(t *testing.T) {
	const rows, columns, spread, leak, cell = 30, 40, 0.1, 3.0, 200.0
	d := New(classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: rows, Columns: columns, PitchXUm: 10}
		bare(c)
		c.TemperatureK = 300
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(1000), CellCapacitanceFf: cell, SwitchResistanceOhms: 1,
			ShareSettle: dur(1000), LeakFa: leak, CellSpread: spread}
	}), 0, 5)
	d.Strobe(chipmodel.Load, 0, 0, ramp)
	read := func(at bustime.Time) (all []float64) {
		for r := range rows {
			v := make([]float64, columns)
			d.Row(v, r, 0, 1, at, 0, ramp)
			all = append(all, v...)
		}
		return all
	}
	early, late := read(1e8), read(11e8)
	farads, sum, squares := make([]float64, len(early)), 0.0, 0.0
	for i := range farads { // in fF: fA over volts lost in a second
		farads[i] = leak / (early[i] - late[i])
		sum += farads[i]
		squares += farads[i] * farads[i]
	}
	n := float64(len(farads))
	mean := sum / n
	if sd := math.Sqrt(squares/n-mean*mean) / cell; math.Abs(mean/cell-1) > 0.02 || math.Abs(sd/spread-1) > 0.1 {
		t.Errorf("cells of %.1f fF on average with a spread of %.3f, want %g and %g", mean, sd, cell, spread)
	}
	d.Write(chipmodel.ColumnPattern, 0x55) // pairs
	d.Strobe(chipmodel.Share, 11e8, time.Millisecond, ramp)
	shared := read(11e8 + 1e6)
	noise := analog.KTCVolts(300, cell*1e-15)
	for i := 0; i < len(shared); i += 2 {
		want := (farads[i]*late[i] + farads[i+1]*late[i+1]) / (farads[i] + farads[i+1])
		got := (farads[i]*shared[i] + farads[i+1]*shared[i+1]) / (farads[i] + farads[i+1])
		if math.Abs(got-want) > 1e-4*math.Abs(late[i]-late[i+1])+1e-4 {
			t.Errorf("cells %d and %d share to %v V, want %v", i, i+1, got, want)
		}
		if math.Abs(shared[i]-shared[i+1]) > 12*noise {
			t.Errorf("cells %d and %d have %v and %v V", i, i+1, shared[i], shared[i+1])
		}
	}
}

// TestReadoutsTakenBack: readouts between Remember and Undo leave no trace, whatever was read and how often; between
// Remember and Forget they leave what they do anyway.
func TestReadoutsTakenBack(t *testing.T) {
	a := crawler(t)
	for _, name := range []string{"bed-1", "bow-left", "bow-comb"} {
		for _, back := range []bool{true, false} {
			noted, twin := New(a, a.Chip(name), 9), New(a, a.Chip(name), 9)
			read := func(d *Die, at bustime.Time) (all []float64) {
				for _, w := range []struct{ row, column, step, n int }{{1, 2, 1, 6}, {0, 1, 3, 3}, {2, 0, 1, 8},
					{1, 4, 2, 2},
					{1, 0, 1, 9}} {
					v := make([]float64, w.n)
					d.Row(v, w.row, w.column, w.step, at, 1000, ramp)
					all = append(all, v...)
					at += 50_000
				}
				return all
			}
			read(noted, 1e6)
			read(twin, 1e6)
			noted.Remember()
			read(noted, 3e6)
			read(noted, 5e6)
			if back {
				noted.Undo()
			} else {
				noted.Forget()
				read(twin, 3e6)
				read(twin, 5e6)
			}
			if got, want := read(noted, 7e6), read(twin, 7e6); !slices.Equal(got, want) {
				t.Errorf("%s, taken back %v: %v V, want %v", name, back, got, want)
			}
		}
	}
}

// TestPresetNoise: what is put into the cells gets the noise of their capacitance, and the shift of the supply.
func TestPresetNoise(t *testing.T) {
	a := crawler(t)
	c := &a.Chips[a.Chip("wall-00")]
	d := New(a, c.Index, 3)
	n := c.Class.Rows * c.Class.Columns
	if err := d.Preset(slices.Repeat([]float64{1.5}, n), 0); err != nil {
		t.Fatal(err)
	}
	var sum, squares float64
	for _, v := range d.storage.(*memory).plane.Volts {
		sum += v
		squares += v * v
	}
	mean := sum / float64(n)
	want := analog.KTCVolts(c.Class.Spec.GetTemperatureK(), c.Class.Spec.GetMemory().GetCellCapacitanceFf()*1e-15)
	got := math.Sqrt(squares/float64(n) - mean*mean)
	if math.Abs(got/want-1) > 0.15 || math.Abs(mean-1.5) > want {
		t.Errorf("%d cells: mean %v V, noise %v V, want 1.5 and %v", n, mean, got, want)
	}
}

// TestReadTwiceAtOnce: no time passes between two reads at one time, whatever the light does: a pixel shows the same.
func TestReadTwiceAtOnce(t *testing.T) {
	moving := func(dst []float64, _ int, at bustime.Time) {
		for i := range dst {
			dst[i] = 2 + math.Sin(float64(at)*1e-7)
		}
	}
	for name, light := range map[string]*Light{
		"still": flat(2), "lamp": {Row: flat(2).Row, Lag: lagUnder(analog.Lamp{Hz: 100, Depth: 0.3})},
		"moving":            {Row: moving, Every: time.Millisecond},
		"moving, with lamp": {Row: moving, Every: time.Millisecond, Lag: lagUnder(analog.Lamp{Hz: 100, Depth: 0.3})},
	} {
		d := lagging(t, 2, true)
		var before, first, again [2]float64
		d.Row(before[:], 0, 0, 1, 0, 0, light)
		d.Row(first[:1], 0, 0, 1, 5e6, 0, light)
		d.Row(again[:], 0, 0, 1, 5e6, 0, light) // the second pixel lags since before, the first by nothing
		if again[0] != first[0] || math.IsNaN(again[1]) || again[1] == before[1] {
			t.Errorf("%s: %v, then %v, then %v", name, before, first, again)
		}
	}
}

// TestPixelsReadAlreadyInARow: rows of which some pixels were read at that very time are what their pixels are one by
// one, and draw the same noise.
func TestPixelsReadAlreadyInARow(t *testing.T) {
	a := crawler(t)
	rows, ones := New(a, a.Chip("bow-comb"), 4), New(a, a.Chip("bow-comb"), 4)
	for k := range 20 {
		at := bustime.Time(1+k) * 3e6
		for _, r := range []reading{{row: 1, column: 1, step: 3, n: 4, at: at}, {row: 1, step: 1, n: 12, at: at}} {
			got, want := make([]float64, r.n), make([]float64, r.n)
			rows.Row(got, r.row, r.column, r.step, r.at, 0, flat(1))
			ones.oneByOne(want, &r, flat(1))
			for i := range got {
				if !(math.Abs(got[i]-want[i]) < 1e-9*rows.px.noise) {
					t.Fatalf("read %d, pixel %d of %+v: %v V, want %v", k, i, r, got[i], want[i])
				}
			}
		}
	}
}

// TestOneByOneInAnotherLight: pixels that are worked out one by one follow a light that replaced another since that
// was last looked at, by the exact curve of a step.
func TestOneByOneInAnotherLight(t *testing.T) {
	d := lagging(t, 2, false)
	if err := d.SetDefects([]Defect{{Row: 1, Column: 1, Stuck: true, Volts: 1}}); err != nil { // not as a row
		t.Fatal(err)
	}
	shownLux(d, 0, flat(20))
	want := logStep(20, 2, 3e-3, lagK)
	if got := shownLux(d, 3e6, flat(2)); math.Abs(got/want-1) > 1e-6 {
		t.Errorf("%g lux 3 ms after a step, want %g", got, want)
	}
}

// TestLooksReachBackForEveryPixel: where pixels far apart in a row were last read at different times, the light since
// the older of them counts, as it does for that pixel alone.
func TestLooksReachBackForEveryPixel(t *testing.T) {
	light := &Light{Every: 2 * time.Millisecond, Row: func(dst []float64, _ int, at bustime.Time) {
		for i := range dst {
			dst[i] = 0.3 * math.Exp(2*math.Sin(2*math.Pi*9*float64(at)*1e-9))
		}
	}}
	alone, together := lagging(t, 8, false), lagging(t, 8, false)
	var v, w [3]float64
	for _, d := range []*Die{alone, together} {
		d.Row(v[:], 0, 0, 3, 0, 0, light)
		d.Row(v[:2], 0, 0, 3, 200e6, 0, light) // the third not
	}
	together.Row(v[:], 0, 0, 3, 210e6, 0, light)
	alone.Row(w[:1], 0, 6, 1, 210e6, 0, light)
	if math.Abs(v[2]-w[0]) > 1e-6 {
		t.Errorf("read with others: %v V, alone %v", v[2], w[0])
	}
}

// TestRowsLoadInTurn: a memory takes over its rows one after the other: where the light jumps meanwhile, those before
// have the light that was.
func TestRowsLoadInTurn(t *testing.T) {
	const rows, rowTime = 8, 50_000
	a := classOf(t, func(c *facetdv1.ChipClass) {
		c.Lattice = &facetdv1.Lattice{Rows: rows, Columns: 6, PitchXUm: 10}
		bare(c)
		c.Memory = &facetdv1.AnalogMemory{LoadRow: dur(rowTime), CellCapacitanceFf: 100, SwitchResistanceOhms: 1,
			ShareSettle: dur(1000)}
	})
	for _, jump := range []bustime.Time{1, 120_000, 290_000} {
		light := &Light{Jumps: []bustime.Time{jump}, Row: func(dst []float64, _ int, at bustime.Time) {
			for i := range dst {
				if dst[i] = 20; at >= jump {
					dst[i] = 70
				}
			}
		}}
		d := newIdeal(a, 0)
		d.Strobe(chipmodel.Load, 0, 0, light)
		begin := bustime.Time(0).Add(a.Timing.Strobe)
		for r := range rows {
			want := 20.0
			if begin.Add(time.Duration(r)*rowTime) >= jump {
				want = 70
			}
			var v [6]float64
			d.Row(v[:], r, 0, 1, 1e6, 0, light)
			for c, got := range v {
				if lux := math.Pow(10, (got-1)/0.06) - 0.01; math.Abs(lux-want) > 1e-9*want {
					t.Errorf("jump at %d ns, row %d, column %d: %v lux, want %v", jump, r, c, lux, want)
				}
			}
		}
	}
}
