package die

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/chiptest"
)

// randomLight is light that moves, stays or jumps, under a lamp or without, from bright to so dim that pixels remember
// it for seconds. looks counts how often a row is looked at.
func randomLight(r *rand.Rand, looks *int) *Light {
	lux, depth, hz := math.Pow(10, 3*r.Float64()-1), 0.95*r.Float64(), math.Pow(10, 2*r.Float64()-1)
	if r.IntN(4) == 0 {
		lux, depth = 0, 0
	}
	moves := r.IntN(3) > 0
	light := &Light{}
	if moves {
		light.Every = time.Duration(1e9 / (20 * hz))
	}
	for at := bustime.Time(0); r.IntN(3) == 0; {
		at = at.Add(time.Duration(r.Int64N(2e9)) + 1)
		light.Jumps = append(light.Jumps, at)
	}
	light.Row = func(dst []float64, row int, at bustime.Time) {
		*looks++
		jumped, turn := 1.0, 0.0
		for _, jump := range light.Jumps {
			if at >= jump {
				jumped = 3 - jumped
			}
		}
		if moves {
			turn = hz * float64(at) * 1e-9
		}
		for c := range dst {
			dst[c] = lux * jumped * (1 + depth*math.Sin(2*math.Pi*(turn+float64(c+3*row)/17)))
		}
	}
	if r.IntN(4) == 0 {
		light.Lag = lagUnder(analog.Lamp{Hz: 100, Depth: 0.5})
	}
	return light
}

// pair is a die that does everything at once and one that does it later, each with a lane.
type pair struct {
	r           *rand.Rand
	class       *chipmodel.Class
	once        *Die
	later       *Deferred
	lanes       [2]*Lane
	light       *Light
	now         bustime.Time
	looks       int // at the light
	want        [][]uint16
	conversions []*LaterConversion
	readouts    []Readout
}

func newPair(t *testing.T, r *rand.Rand) *pair {
	n := r.IntN(chiptest.Combinations)
	class := classOf(t, func(c *facetdv1.ChipClass) {
		name := c.GetName()
		proto.Reset(c)
		spec := chiptest.Class(n)
		spec.Lattice.Rows, spec.Lattice.Columns = []uint32{8, 8, 8, 19}[r.IntN(4)], uint32(8+r.IntN(2))
		if l := spec.GetLogarithmic(); l != nil {
			l.OffsetDriftVoltsPerK, l.DarkDoublingK = -1e-3, 8
		}
		if m := spec.GetMemory(); m != nil {
			m.CellSpread, m.InjectionVolts = 0.02*float64(r.IntN(2)), 1e-3*float64(r.IntN(2))
			m.SwitchResistanceOhms = 2e4 * float64(r.IntN(2))
		}
		spec.Name = name
		proto.Merge(c, spec)
	}).Chips[0].Class
	seed := r.Uint64()
	p := &pair{r: r, class: class}
	p.once = newDie(class, time.Microsecond, analog.NewNoise(seed, 1))
	p.later = Defer(newDie(class, time.Microsecond, analog.NewNoise(seed, 1)), r.IntN(3), 3)
	for i := range p.lanes {
		p.lanes[i] = NewLane(crawler(t), 0, seed)
	}
	p.light = randomLight(r, &p.looks)
	return p
}

// readout is a random one, more often of all pixels.
func (p *pair) readout() Readout {
	rows, columns := p.class.Rows, p.class.Columns
	w := chipmodel.Window{Rows: rows, Columns: columns, RowStep: 1, ColumnStep: 1}
	if p.r.IntN(8) == 0 {
		w = chipmodel.Window{Row: p.r.IntN(rows - 4), Column: 2, Rows: 1 + p.r.IntN(3), Columns: 1 + p.r.IntN(3),
			RowStep: 1 + p.r.IntN(2), ColumnStep: 1 + p.r.IntN(2)}
	} else if p.r.IntN(4) == 0 { // all of some rows
		w.Row = p.r.IntN(rows)
		w.Rows = 1 + p.r.IntN(rows-w.Row)
	}
	interval := time.Duration(2000 * (1 + p.r.IntN(3)))
	return Readout{w, p.now, time.Duration(w.Columns)*interval + 500, interval}
}

func (p *pair) residual() float64 { return []float64{0, 1e-4, 0.3, 0.97}[p.r.IntN(4)] }

// atOnce reads at once, on one of the two.
func (p *pair) atOnce(die interface {
	Row([]float64, int, int, int, bustime.Time, time.Duration, *Light)
}, lane *Lane, r Readout, residual float64) (codes []uint16) {
	for row := range r.Window.Rows {
		volts, into := make([]float64, r.Window.Columns), make([]uint16, r.Window.Columns)
		die.Row(volts, r.Window.Row+row*r.Window.RowStep, r.Window.Column, r.Window.ColumnStep,
			r.At.Add(time.Duration(row)*r.RowInterval), r.PixelInterval, p.light)
		lane.Convert(into, volts, residual)
		codes = append(codes, into...)
	}
	return codes
}

func look(c *LaterConversion, r Readout) []uint16 {
	codes := make([]uint16, r.Window.Pixels())
	c.Convert(codes, r.Window.Columns)
	return codes
}

// step does something at random to both.
func (p *pair) step() error {
	p.now = p.now.Add(time.Duration(2e6 + p.r.Int64N(4e7)))
	switch p.r.IntN(12) {
	case 0:
		p.light = randomLight(p.r, &p.looks)
	case 1:
		k := 280 + 60*p.r.Float64()
		p.once.SetKelvin(k)
		p.later.SetKelvin(k)
	case 2, 3:
		register := facetdv1.Register(p.r.IntN(chipmodel.NumRegisters))
		v := []uint16{0x55, 0xaa, 0, 0x11, 100, 0xff}[p.r.IntN(6)]
		p.once.Write(register, v)
		p.later.Write(register, v)
	case 4: // somebody wants a readout at once, and more may be taken back before
		taken := p.r.IntN(2) == 0
		if taken {
			p.later.Remember()
			p.lanes[1].Remember()
			p.atOnce(p.later, p.lanes[1], p.readout(), 0.1)
			p.later.Undo()
			p.lanes[1].Undo()
		}
		r, residual := p.readout(), p.residual()
		if got, want := p.atOnce(p.later, p.lanes[1], r, residual),
			p.atOnce(p.once, p.lanes[0], r, residual); !slices.Equal(got, want) {
			return fmt.Errorf("read at once: %v, want %v", got, want)
		}
	case 5:
		hold := time.Duration(p.r.IntN(4000))
		p.once.Strobe(chipmodel.Share, p.now, hold, p.light)
		p.later.Strobe(chipmodel.Share, p.now, hold, p.light)
	default:
		return p.frame()
	}
	return nil
}

// lookLater has the one note a readout that it can.
func (p *pair) lookLater(r Readout) Look {
	look, ok := p.later.Later(r, p.light)
	if !ok {
		panic("a readout after a load cannot be noted")
	}
	return look
}

// frame has both read a frame, one of them later.
func (p *pair) frame() error {
	p.once.Strobe(chipmodel.Load, p.now, 0, p.light)
	p.later.Strobe(chipmodel.Load, p.now, 0, p.light)
	p.now = p.now.Add(1e6)
	for p.r.IntN(3) == 0 { // rows are mixed, in blocks that may begin before a window and end after it
		pattern := uint16(p.r.IntN(256))
		p.once.Write(chipmodel.RowPattern, pattern)
		p.later.Write(chipmodel.RowPattern, pattern)
		hold := time.Duration(p.r.IntN(4000))
		p.once.Strobe(chipmodel.Share, p.now, hold, p.light)
		p.later.Strobe(chipmodel.Share, p.now, hold, p.light)
		p.now = p.now.Add(1e5)
	}
	if p.r.IntN(5) == 0 {
		p.later.Remember()
		p.lanes[1].Remember()
		r := p.readout()
		taken := p.lanes[1].Later(p.lookLater(r), r.Window.Pixels(), 0.2)
		if p.r.IntN(2) == 0 {
			look(taken, r) // what it showed is nothing to go by once it is taken back
		}
		p.later.Undo()
		p.lanes[1].Undo()
	}
	r, residual := p.readout(), p.residual()
	want := p.atOnce(p.once, p.lanes[0], r, residual)
	p.later.Remember()
	p.lanes[1].Remember()
	c := p.lanes[1].Later(p.lookLater(r), r.Window.Pixels(), residual)
	p.later.Forget()
	p.want, p.conversions, p.readouts = append(p.want, want), append(p.conversions, c), append(p.readouts, r)
	if p.r.IntN(3) == 0 {
		return p.seen(len(p.want) - 1)
	}
	if p.r.IntN(3) == 0 {
		return p.seen(p.r.IntN(len(p.want)))
	}
	return nil
}

func (p *pair) seen(i int) error {
	if got := look(p.conversions[i], p.readouts[i]); !slices.Equal(got, p.want[i]) {
		return fmt.Errorf("readout %d of %d: %v, want %v", i, len(p.want), got, p.want[i])
	}
	return nil
}

// TestLaterIsAtOnce: what is noted and looked at later, in any order, by several or never, shows to the bit what it
// would have shown at once, and so does whatever comes after it: under random light, temperatures, registers, shares
// and readouts, of every combination of parts that can be deferred.
func TestLaterIsAtOnce(t *testing.T) {
	first := peertest.Seed(t) >> 1
	deferred := 0
	for i := range peertest.Cases(60, 3000) {
		seed := first + uint64(i)
		if i == 0 { // rows that were followed again, farther back than those after them, drew noise of others
			seed = 3066246339944833452
		}
		p := newPair(t, rand.New(rand.NewPCG(seed, 2)))
		if p.later == nil {
			if p.once.px.linear == nil {
				t.Fatalf("seed %d: logarithmic pixels are not deferred", seed)
			}
			continue
		}
		deferred++
		if p.r.IntN(2) == 0 {
			p.later.length = epochEvents * (1 + p.r.IntN(20))
		}
		for step := range 40 + p.r.IntN(160) {
			if err := p.step(); err != nil {
				t.Fatalf("seed %d, chip %s, step %d: %v", seed, p.class.Parts(), step, err)
			}
		}
		order := p.r.Perm(len(p.want))
		for _, k := range order[:min(len(order), 10)] {
			if err := p.seen(k); err != nil {
				t.Fatalf("seed %d, chip %s, at the end: %v", seed, p.class.Parts(), err)
			}
		}
	}
	if deferred < 10 {
		t.Errorf("only %d dies were deferred", deferred)
	}
}

// TestUnknownPastDraws: a pixel whose past is not known draws as much of the noise as one whose past is, also under a
// lamp and light that moves or becomes another, where it is not known either which part of it is kept. Those after it
// in the row would else be given draws of others.
func TestUnknownPastDraws(t *testing.T) {
	class := classOf(t, func(c *facetdv1.ChipClass) {
		c.Pixel = &facetdv1.ChipClass_Logarithmic{Logarithmic: &facetdv1.LogarithmicPixel{OffsetVolts: 1,
			VoltsPerDecade: 0.1, DarkLux: 0.01, NodeCapacitanceFf: 50, PhotocurrentFaPerLux: 100}}
	}).Chips[0].Class
	row := make([]float64, class.Columns)
	for _, lamp := range []analog.Lamp{{}, {Hz: 100, Depth: 0.5}} {
		for _, every := range []time.Duration{0, time.Millisecond} {
			light := &Light{Every: every, Lag: lagUnder(lamp), Row: func(dst []float64, _ int, at bustime.Time) {
				for c := range dst {
					dst[c] = 0.01 * (1 + float64(c)) * (1 + float64(at)*1e-9)
				}
			}}
			known := newDie(class, time.Microsecond, analog.NewNoise(7, 1))
			unknown := newDie(class, time.Microsecond, analog.NewNoise(7, 1))
			for _, d := range []*Die{known, unknown} {
				d.Row(row, 0, 0, 1, 0, time.Microsecond, light)
			}
			if known.px.lag == nil || known.px.noise == 0 {
				t.Fatal("pixels without lag or noise show nothing")
			}
			unknown.px.lag.pass(1, bustime.Time(time.Microsecond))
			for _, d := range []*Die{known, unknown} {
				d.Row(row, 0, 0, 1, bustime.Time(5e6), time.Microsecond, light)
			}
			if unknown.px.lag.known(0, len(row)) {
				t.Errorf("lamp %v, every %v: a pixel has forgotten what it was within 5 ms", lamp, every)
			}
			if *known.px.rng != *unknown.px.rng {
				t.Errorf("lamp %v, every %v: a pixel whose past is not known draws another part of the noise", lamp,
					every)
			}
		}
	}
}
