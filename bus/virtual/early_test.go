package virtual

import (
	"context"
	"fmt"
	"hash/fnv"
	"math/rand/v2"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/peertest"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/die"
	"facetd.example/chipmodel/groundtruth"
	"facetd.example/chipmodel/scene"
)

// TestEarlyIsAsLate: a bus that simulates readouts before their time has come gives, to the bit, what one gives that
// does so afterwards, and is as it is afterwards, and so does one that puts pixels off until somebody looks at them, at
// once, later and in any order: under random stops, faults, temperatures, scenes, waits that end
// early and programs that are recalled, by seed.
func TestEarlyIsAsLate(t *testing.T) {
	first := peertest.Seed(t) >> 1
	undone := map[string]int{}
	for i := range peertest.Cases(40, 2000) {
		seed := first + uint64(i)
		var late, early, put []string
		synctest.Test(t, func(t *testing.T) { late = playEarly(t, seed, true, nil, nil) })
		synctest.Test(t, func(t *testing.T) { early = playEarly(t, seed, false, undone, nil) })
		synctest.Test(t, func(t *testing.T) {
			put = playEarly(t, seed, i%2 == 0, undone, rand.New(rand.NewPCG(seed, 2)))
		})
		for k := range max(len(late), len(put)) {
			if k >= len(late) || k >= len(put) || late[k] != put[k] {
				t.Fatalf("seed %d, step %d:\n   late %s\nput off %s", seed, k, at(late, k), at(put, k))
			}
		}
		for k := range max(len(late), len(early)) {
			if k >= len(late) || k >= len(early) || late[k] != early[k] {
				t.Fatalf("seed %d, step %d:\n late %s\nearly %s", seed, k, at(late, k), at(early, k))
			}
		}
	}
	t.Logf("from seed %d: %v", first, undone)
	for _, what := range []string{"scene", "temperature", "faults", "release", "kept", "put off"} {
		if undone[what] == 0 {
			t.Errorf("from seed %d: no readout that was simulated early met: %s", first, what)
		}
	}
}

func at(lines []string, i int) string {
	if i < len(lines) {
		return lines[i]
	}
	return "ended"
}

// earlyArray is the test array with one of two kinds of pixels.
func earlyArray(t *testing.T, linear bool) *chipmodel.Array {
	msg := Message()
	for _, c := range msg.GetClasses() {
		if linear {
			c.Pixel = &facetdv1.ChipClass_Linear{Linear: &facetdv1.LinearPixel{
				Exposure: durationpb.New(50 * time.Microsecond), ElectronsPerLuxS: 2_000_000, DarkElectronsPerS: 1000,
				FullWellElectrons: 40_000, VoltsPerElectron: 4e-5, ResetVolts: 2.2, ReadNoiseElectrons: 12,
			}}
		}
	}
	a, m := chipmodel.New(msg)
	if len(m) > 0 {
		t.Fatal(m)
	}
	return a
}

// player drives a bus by a seed, and writes down what it did.
type player struct {
	b      *Bus
	r      *rand.Rand
	undone map[string]int // nil: nobody counts
	jobs   uint64
	said   []string
	run    []*bus.Program
	off    *rand.Rand // pixels are put off, and this says when they are looked at
	read   []reading
}

// reading is what was read, and the line that is to tell of it.
type reading struct {
	line     int
	captures []bus.Capture
}

func playEarly(t *testing.T, seed uint64, late bool, undone map[string]int, off *rand.Rand) []string {
	t.Helper()
	r := rand.New(rand.NewPCG(seed, 1))
	a := earlyArray(t, r.IntN(3) == 0)
	cfg := Config{Array: a, Scene: randomScene(t, r), Pace: realtime, Seed: seed,
		Defects: []Defect{{Chip: "c0", Defect: die.Defect{Row: 1, Column: 2, NoiseVolts: 0.05}}}}
	cfg.Limits.Queue = 1 + r.IntN(3)
	if r.IntN(3) == 0 {
		cfg.GroundTruth = &groundtruth.Set{Lanes: map[int]groundtruth.Lane{0: {FirstVolts: 0.1,
			Rest: 30 * time.Microsecond}},
			Chips: map[int]groundtruth.Chip{C0: {Slip: 1, SlipAt: 4}}}
	}
	b, err := New(cfg)
	if err != nil {
		t.Fatal(err)
	}
	b.late = late
	p := &player{b: b, r: r, undone: undone, off: off}
	p.run = append(p.run, &bus.Program{Ops: readMemories(a)}, &bus.Program{Ops: readOne(a, C0, G|X0)},
		&bus.Program{Ops: readOne(a, T0, G|X1)}, &bus.Program{Ops: readOne(a, S0, H|X0)},
		&bus.Program{Ops: readOne(a, H0, H|X1)})
	if err := b.Prepare(t.Context(), p.run); err != nil {
		t.Fatal(err)
	}
	for range 40 {
		p.step(t)
	}
	// What every chip and lane has become.
	p.say("faults %v", b.SetFaults(nil))
	for len(b.queue) > 0 {
		p.next(t.Context())
	}
	for range p.run {
		p.submit(int(p.jobs) % len(p.run))
		p.next(t.Context())
	}
	total, last := b.Contentions()
	p.say("contentions %d %v violations %v", total, last, b.Inspector().Violations())
	if err := b.Close(); err != nil {
		t.Error(err)
	}
	for len(p.read) > 0 {
		p.look()
	}
	return p.said
}

func (p *player) say(format string, args ...any) {
	p.said = append(p.said, fmt.Sprintf(format, args...))
}

// met counts what became of a readout that was simulated early.
func (p *player) met(what string) {
	if p.undone != nil && p.b.early.is {
		p.undone[what]++
	}
}

func (p *player) step(t *testing.T) {
	b, r := p.b, p.r
	switch r.IntN(12) {
	case 0:
		p.met("scene")
		b.SetScene(randomScene(t, r))
	case 1:
		p.met("temperature")
		p.say("temperature %v", b.SetTemperatureOffset(float64(r.IntN(60)-20)))
	case 2:
		p.met("faults")
		set := []*facetdv1.Fault{{Kind: stuckActive, Line: "x0"}, {Kind: laneSaturated, Lane: "a"},
			{Kind: dead, Chip: "h0"}, {Kind: swapped, Line: "f", OtherLine: "g"}}[r.IntN(4):]
		p.say("faults %v", b.SetFaults(set[:r.IntN(len(set)+1)]))
	case 3:
		p.met("release")
		stop, err := b.Release(t.Context())
		p.say("release %+v %v", stop, err)
	case 4:
		p.say("cancel %v", b.Cancel(b.Now().Add(time.Duration(r.IntN(100_000)))))
	case 5, 6, 7:
		p.submit(r.IntN(len(p.run)))
	default:
		// Odd, so that no wait ends when another does.
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(r.IntN(2000))*50+7)
		p.next(ctx)
		cancel()
		p.met("kept")
	}
}

func (p *player) submit(program int) {
	start := p.b.Now()
	for i := range p.b.queue { // not before the end of the one before it
		f := &p.b.queue[i]
		start = max(start, f.start.Add(bus.CostOf(p.b.array, f.ops).Total()))
	}
	start = (start + 99) / 100 * 100
	s := segment("early", p.jobs, p.run[program].Ops...)
	s.Program, s.Later = p.run[program], p.off != nil && p.off.IntN(5) > 0
	p.jobs++
	p.say("submit %d at %d: %v", program, start, p.b.Submit(start, s))
}

func (p *player) next(ctx context.Context) {
	res, err := p.b.Next(ctx)
	p.say("next %v: %d to %d, %d ran, %v, busy %v, %d captures", err, res.Start, res.End, res.Ran, res.Err, res.Busy,
		len(res.Captures))
	p.read = append(p.read, reading{len(p.said) - 1, res.Captures})
	if p.off == nil || p.off.IntN(3) == 0 {
		p.look()
	}
}

// look looks at something that was read, and tells of it.
func (p *player) look() {
	k := 0
	if p.off != nil {
		k = p.off.IntN(len(p.read))
	}
	sum := fnv.New64a()
	for _, c := range p.read[k].captures {
		if c.Later != nil {
			c.Codes = make([]uint16, c.Window.Pixels())
			c.Low, c.High = c.Later.Read(c.Codes)
			c.Later = nil
			if p.undone != nil {
				p.undone["put off"]++
			}
		}
		fmt.Fprintf(sum, "%+v", c)
	}
	p.said[p.read[k].line] += fmt.Sprintf(" %x", sum.Sum64())
	p.read = slices.Delete(p.read, k, k+1)
}

func randomScene(t *testing.T, r *rand.Rand) scene.Scene {
	t.Helper()
	s, err := scene.Grating(scene.GratingOptions{MeanLux: []float64{1, 10, 100, 1000}[r.IntN(4)], Contrast: 0.8,
		CyclesPerPixel: 0.2,
		DriftHz:        []float64{0, 300, 5000}[r.IntN(3)]})
	if err == nil && r.IntN(10) == 0 { // which takes milliseconds
		s, err = scene.Flicker(s, 100, 0.5)
	}
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestEarlyReadoutIsReady: when the time of a readout comes it was simulated before, and a stop in the middle of it
// leaves no trace of it, in captures or dies.
func TestEarlyReadoutIsReady(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, realtime, 5)
		s := segment("early", 0, readOne(b.array, H0, H|X1)...)
		ready := []*bus.Program{s.Program}
		if err := b.Prepare(t.Context(), ready); err != nil {
			t.Fatal(err)
		}
		if err := b.Submit(1000, s); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Microsecond)
		defer cancel()
		if _, err := b.Next(ctx); err != context.DeadlineExceeded || !b.early.is ||
			len(b.queue[0].res.Captures) != 1 || !slices.ContainsFunc(b.queue[0].res.Captures[0].Codes,
			func(code uint16) bool { return code != 0 }) {
			t.Fatalf("%v, simulated %v, %v", err, b.early.is, b.queue[0].res.Captures)
		}
		if _, err := b.Release(t.Context()); err != nil || b.early.is || len(b.queue[0].res.Captures) != 0 {
			t.Errorf("after a stop: %v, simulated %v, %v", err, b.early.is, b.queue[0].res.Captures)
		}
		if res, err := b.Next(t.Context()); err != nil || res.Err != bus.ErrReleased || len(res.Captures) != 0 ||
			res.Ran != 2 {
			t.Errorf("%+v, %v", res, err)
		}
	})
}
