package virtual

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/scene"
)

func testBus(t testing.TB, pace facetdv1.Pace, seed uint64) *Bus {
	t.Helper()
	s, err := scene.Grating(scene.GratingOptions{MeanLux: 100, Contrast: 0.8, CyclesPerPixel: 0.2, DriftHz: 300})
	if err != nil {
		t.Fatal(err)
	}
	b, err := New(Config{Array: MustArray(), Scene: s, Pace: pace, Seed: seed})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

const (
	free     = facetdv1.Pace_PACE_FREE
	realtime = facetdv1.Pace_PACE_REALTIME
)

func segment(task string, number uint64, ops ...bus.Op) *bus.Segment {
	return &bus.Segment{Job: &bus.Job{Task: task, Number: number, Deadline: bus.Time(time.Hour), Segments: 1},
		Program: &bus.Program{Ops: ops}}
}

// readMemories loads all memory chips, shares pairs of columns, and reads the two of
// different lanes in parallel.
func readMemories(a *chipmodel.Array) []bus.Op {
	return []bus.Op{
		Select(F | X0 | X1 | X2),
		Strobe(1, chipmodel.Load, 0, M0, M1, M2),
		Write(2, chipmodel.ColumnPattern, 0x55, M0, M1, M2),
		Strobe(3, chipmodel.Share, 3*time.Microsecond, M0, M1, M2),
		Select(F | X0 | X1),
		Write(4, chipmodel.OutputEnable, 1, M0, M1),
		ScanAll(a, []int{M0, M1}, []int{0, 1}, bus.Claim{Shares: []bus.Patterns{{Columns: 0x55}}}),
		Write(5, chipmodel.OutputEnable, 0, M0, M1),
	}
}

func readOne(a *chipmodel.Array, chip int, word chipmodel.LineSet) []bus.Op {
	ops := []bus.Op{Select(word), Write(1, chipmodel.OutputEnable, 1, chip)}
	if a.Chips[chip].Class.Counts() {
		ops = append(ops, Strobe(2, chipmodel.Reset, 0, chip))
	}
	return append(ops, Scan(a, chip, 0, bus.Claim{}), Write(3, chipmodel.OutputEnable, 0, chip))
}

// By hand: select 100 + 200, load 500 + 4 x 2000, write 1000, share 500 + 3000,
// select 300, write 1000; the scan waits for the slower lane b: 1200 to the first
// sample, 300 + 700 + 1500 a pixel, 5 x 2500 + 200 + 2500 a row, 1500 for the last
// conversion: 1200 + 3 x 15200 + 5 x 2500 + 1500 = 60800; write 1000.
func TestRunTakesTheExactTimes(t *testing.T) {
	b := testBus(t, free, 1)
	const start, scanAt, scan = 12345, 300 + 8500 + 1000 + 3500 + 300 + 1000, 60800
	res, err := Run(t.Context(), b, start, segment("mems", 0, readMemories(b.array)...))
	if err != nil {
		t.Fatal(err)
	}
	if res.Start != start || res.End != start+scanAt+scan+1000 || b.Now() != res.End {
		t.Errorf("ran from %d to %d, now %d", res.Start, res.End, b.Now())
	}
	want := bus.Phases{
		facetdv1.Phase_PHASE_SELECT: 600, facetdv1.Phase_PHASE_WRITE: 3000,
		facetdv1.Phase_PHASE_LOAD: 8500, facetdv1.Phase_PHASE_SHARE: 3500,
		// Stepping and settling: 1200 + 4 x 5 x 1000 + 3 x 1200; the rest converts.
		facetdv1.Phase_PHASE_SETTLE: 24800, facetdv1.Phase_PHASE_CONVERT: 24 * 1500,
	}
	if res.Busy != want {
		t.Errorf("busy %v, want %v", res.Busy, want)
	}
	if res.Busy.Total() != res.End.Sub(res.Start) {
		t.Errorf("busy for %v of %d ns", res.Busy.Total(), res.End-res.Start)
	}
	if len(res.Captures) != 2 {
		t.Fatalf("%d captures", len(res.Captures))
	}
	for i, c := range res.Captures {
		const light, first = start + 300, start + scanAt + 1200
		const last bus.Time = first + 3*15200 + 5*2500
		if c.Chip != i || c.Frame != i || len(c.Codes) != 24 || cap(c.Codes) != 24 ||
			c.FirstSample != first || c.PixelInterval != 2500 || c.RowInterval != 15200 ||
			c.LastSample() != last || c.Converted != last.Add(1500) || c.Light != light || c.Hold != last.Sub(light) {
			t.Errorf("capture %d: %+v", i, c)
		}
	}
}

// Chips without memory sample the light when they convert, and hold nothing. The
// chip T0 on lane b: 10 kOhm x (12 + 3) pF = 150 ns, 13 ln 2 of it = 1351.6 ns,
// rounded up; the first pixel after one step of 250 ns.
func TestLightOfChipsWithoutMemory(t *testing.T) {
	b := testBus(t, free, 1)
	res, err := Run(t.Context(), b, 0, segment("trim", 0, readOne(b.array, T0, G|X1)...))
	if err != nil {
		t.Fatal(err)
	}
	c := res.Captures[0]
	const scan = 300 + 1000 + 2000
	if c.FirstSample != scan+250+1352 || c.Light != c.FirstSample || c.Hold != 0 || c.PixelInterval != 250+1352+1500 {
		t.Errorf("%+v", c)
	}
}

func TestFreePaceMovesTimeOnDemand(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, free, 1)
		if err := b.WaitUntil(t.Context(), bus.Time(time.Hour)); err != nil || b.Now() != bus.Time(time.Hour) {
			t.Errorf("now %d, error %v", b.Now(), err)
		}
		if err := b.WaitUntil(t.Context(), 5); err != nil || b.Now() != bus.Time(time.Hour) {
			t.Errorf("time ran backwards to %d, error %v", b.Now(), err)
		}
		host, off := b.HostTime(bus.Time(time.Hour))
		if off != time.Hour || time.Until(host) != time.Hour {
			t.Errorf("host time %v off by %v", host, off)
		}
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		if err := b.WaitUntil(ctx, bus.Time(2*time.Hour)); !errors.Is(err, context.Canceled) ||
			b.Now() != bus.Time(time.Hour) {
			t.Errorf("waited after the end: now %d, error %v", b.Now(), err)
		}
	})
}

func TestRealtimeFollowsTheWallClock(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, realtime, 1)
		began := time.Now()
		if err := b.WaitUntil(t.Context(), 700_000); err != nil || time.Since(began) != 700_000 {
			t.Errorf("waited %v, error %v", time.Since(began), err)
		}
		// Planned 300 us ahead: Next waits for its start.
		watched := make(chan []int64)
		go func() {
			var during []int64
			for range 5 {
				during = append(during, b.Now().NS())
				b.HostTime(bus.Time(during[0]))
				time.Sleep(80 * time.Microsecond)
			}
			watched <- during
		}()
		res, err := Run(t.Context(), b, 1_000_000, segment("mems", 0, readMemories(b.array)...))
		if err != nil || time.Since(began) != time.Duration(res.End) || b.Now() != res.End {
			t.Errorf("returned after %v at bus time %d, the segment ended at %d, error %v", time.Since(began), b.Now(),
				res.End, err)
		}
		host, off := b.HostTime(res.End)
		if off != 0 || !host.Equal(time.Now()) {
			t.Errorf("host time %v off by %v", host, off)
		}
		during := <-watched
		if !slices.IsSorted(during) || during[0] != 700_000 || during[4] != 1_020_000 {
			t.Errorf("bus time during the segment: %v", during)
		}
	})
}

// A host that is late changes neither captures nor bus times; it shows in the
// uncertainty, and fades.
func TestLateHost(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, realtime, 7)
		time.Sleep(time.Second)
		res, err := Run(t.Context(), b, 1000, segment("mems", 0, readMemories(b.array)...))
		if err != nil || res.Start != 1000 {
			t.Fatalf("%+v, %v", res, err)
		}
		onTime := testBus(t, free, 7)
		want, err := Run(t.Context(), onTime, 1000, segment("mems", 0, readMemories(b.array)...))
		if err != nil || !equalResults(res, want) {
			t.Errorf("late %+v, on time %+v, %v", res, want, err)
		}
		_, off := b.HostTime(0)
		if late := time.Second - time.Duration(res.Start); off != late { // what was sampled first was the latest
			t.Errorf("uncertainty %v, the host was %v late", off, late)
		}
		at := b.Now()
		for n := range uint64(40) {
			next, err := Run(t.Context(), b, at+10_000, segment("hex", n, readOne(b.array, H0, H|X1)...))
			if err != nil {
				t.Fatal(err)
			}
			at = next.End
		}
		if _, now := b.HostTime(0); now > off/100 {
			t.Errorf("uncertainty is still %v after a second on time", now)
		}
	})
}

// TestALateHostSeesTheNewScene: what is handed over after a change of the scene sees it, however far its host is
// behind.
func TestALateHostSeesTheNewScene(t *testing.T) {
	mean := func(res bus.Result, err error) (sum float64) {
		t.Helper()
		if err != nil || len(res.Captures) == 0 {
			t.Fatalf("%+v, %v", res, err)
		}
		n := 0
		for i := range res.Captures {
			for _, code := range res.Captures[i].Codes {
				sum += float64(code)
				n++
			}
		}
		return sum / float64(n)
	}
	synctest.Test(t, func(t *testing.T) {
		late, free := testBus(t, realtime, 7), testBus(t, free, 7)
		read := func(b *Bus, at bus.Time) float64 {
			t.Helper()
			return mean(Run(t.Context(), b, at, segment("mems", uint64(at), readMemories(b.array)...)))
		}
		time.Sleep(time.Second) // and the host of one is as far behind
		before := read(late, 1000)
		for _, b := range []*Bus{late, free} {
			b.SetScene(scene.Uniform(1e5)) // which pixels follow at once
		}
		next := late.reached.Now().Add(1000)
		got, want := read(late, next), read(free, next)
		if math.Abs(got-want) > 0.01*math.Abs(want-before) {
			t.Errorf("mean code %g, in the new light %g, before %g", got, want, before)
		}
	})
}

func equalResults(x, y bus.Result) bool {
	return x.Start == y.Start && x.End == y.End && x.Busy == y.Busy &&
		slices.EqualFunc(x.Captures, y.Captures, func(a, b bus.Capture) bool {
			same := slices.Equal(a.Codes, b.Codes)
			a.Codes, b.Codes = nil, nil
			return same && a.Chip == b.Chip && a.FirstSample == b.FirstSample && a.Hold == b.Hold &&
				a.Light == b.Light && a.Low == b.Low && a.High == b.High && a.Window == b.Window
		})
}

// course runs jobs of all kinds with gaps and returns everything that came back.
func course(t *testing.T, b *Bus) []bus.Result {
	var out []bus.Result
	at := int64(0)
	for n := range uint64(6) {
		for _, s := range []*bus.Segment{
			segment("mems", n, readMemories(b.array)...), segment("hex", n, readOne(b.array, H0, H|X1)...),
			segment("count", n, readOne(b.array, C0, G|X0)...), segment("trim", n, readOne(b.array, T0, G|X1)...),
			segment("switch", n, readOne(b.array, S0, H|X0)...),
		} {
			at += int64(n) * 10_000
			if err := b.WaitUntil(t.Context(), bus.Time(at)); err != nil {
				t.Fatal(err)
			}
			res, err := Run(t.Context(), b, bus.Time(at), s)
			if err != nil {
				t.Fatal(err)
			}
			out = append(out, res)
			at = res.End.NS()
		}
	}
	return out
}

func TestEqualSeedsGiveEqualCaptures(t *testing.T) {
	a := course(t, testBus(t, free, 11))
	if again := course(t, testBus(t, free, 11)); !slices.EqualFunc(a, again, equalResults) {
		t.Error("two runs of one seed differ")
	}
	if other := course(t, testBus(t, free, 12)); slices.EqualFunc(a, other, equalResults) {
		t.Error("another seed gives the same captures")
	}
	synctest.Test(t, func(t *testing.T) {
		if paced := course(t, testBus(t, realtime, 11)); !slices.EqualFunc(a, paced, equalResults) {
			t.Error("realtime and free pace differ")
		}
	})
}

func TestViolationReleasesTheLines(t *testing.T) {
	b := testBus(t, free, 1)
	good := readMemories(b.array)
	bad := append(slices.Clone(good), Select(F|X0|X2), Write(9, chipmodel.OutputEnable, 1, M0, M2), good[6])
	res, err := Run(t.Context(), b, 0, segment("mems", 0, bad...))
	var broken *rules.ViolationError
	if !errors.As(err, &broken) || broken.Violations[0].Rule != rules.RuleOneDriver ||
		!slices.Equal(broken.Violations[0].Chips, []string{"m0", "m2"}) {
		t.Fatalf("error %v", err)
	}
	if len(res.Captures) != 2 || len(res.Captures[0].Codes) != 24 {
		t.Errorf("captures before the violation: %+v", res.Captures)
	}
	if end := bus.CostOf(b.array, bad[:10]).Total(); res.End != bus.Time(end) || res.Busy.Total() != end ||
		b.word != 0 {
		t.Errorf("ended at %d after %v with word %x, want %v", res.End, res.Busy.Total(), b.word, end)
	}
	if b.Inspector().Take() != nil {
		t.Error("the violations were handed out twice")
	}
	b.Inspector().JobEnded(&bus.Job{Task: "mems"}, bus.Outcome{Kind: bus.Failed, Cause: err.Error()})
	// Both outputs are still enabled; disabling them one by one is clean.
	if _, err := Run(t.Context(), b, res.End, segment("fixed", 0,
		Select(F|X0), Write(1, chipmodel.OutputEnable, 0, M0), Select(F|X2),
		Write(2, chipmodel.OutputEnable, 0, M2))); err != nil {
		t.Error(err)
	}
	if _, err := Run(t.Context(), b, b.Now(), segment("mems", 1, good...)); err != nil {
		t.Error(err)
	}
	// Before the end of the segment before.
	early := b.Now() - 1
	res, err = Run(t.Context(), b, early, segment("mems", 2, good...))
	if !errors.As(err, &broken) || broken.Violations[0].Rule != rules.RuleOrder || res.Captures != nil {
		t.Errorf("an overlapping segment: %+v, %v", res, err)
	}
}

func TestIncompleteCommandIsCaughtAtTheEnd(t *testing.T) {
	b := testBus(t, free, 1)
	res, err := Run(t.Context(), b, 0, segment("x", 0, Select(F|X0), Strobe(1, chipmodel.Load, 0, M0, M1)))
	var broken *rules.ViolationError
	if !errors.As(err, &broken) || broken.Violations[0].Rule != rules.RuleStrobeOnce || res.End != 8800 {
		t.Errorf("%+v, %v", res, err)
	}
}

func TestEndOfContext(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, realtime, 1)
		// 40 us into the segment the scan runs, from 14.6 us on.
		ctx, cancel := context.WithTimeout(t.Context(), 40*time.Microsecond)
		defer cancel()
		res, err := Run(ctx, b, 0, segment("mems", 0, readMemories(b.array)...))
		if !errors.Is(err, context.DeadlineExceeded) || res.End != 40_000 || b.Now() != 40_000 || b.word != 0 ||
			len(res.Captures) != 0 {
			t.Errorf("%+v, now %d, word %x, error %v", res, b.Now(), b.word, err)
		}
		if res.Busy.Total() != 40_000 {
			t.Errorf("busy for %v", res.Busy.Total())
		}
		if v := b.Inspector().Violations(); v != nil {
			t.Error(v)
		}
		// Before its start nothing happens at all.
		again, err := Run(ctx, b, 50_000, segment("mems", 0, readMemories(b.array)...))
		if !errors.Is(err, context.DeadlineExceeded) || again.End != 0 {
			t.Errorf("%+v, %v", again, err)
		}
	})
	// In free pace a segment is given up between two operations.
	b := testBus(t, free, 1)
	ops := readMemories(b.array)
	ctx := &endsAfter{Context: t.Context(), calls: 5}
	res, err := Run(ctx, b, 0, segment("mems", 0, ops...))
	if !errors.Is(err, context.Canceled) || b.word != 0 || b.Inspector().Total() != 0 {
		t.Errorf("%v, word %x, %v", err, b.word, b.Inspector().Violations())
	}
	n := 0
	for n < len(ops) && bus.Time(bus.CostOf(b.array, ops[:n]).Total()) < res.End {
		n++
	}
	if n == 0 || n == len(ops) || bus.Time(bus.CostOf(b.array, ops[:n]).Total()) != res.End {
		t.Errorf("ended at %d, which is not between two operations", res.End)
	}
}

// endsAfter is a context that ends after it was asked a number of times.
type endsAfter struct {
	context.Context
	calls int
}

func (e *endsAfter) Err() error {
	if e.calls--; e.calls < 0 {
		return context.Canceled
	}
	return nil
}

// TestBehindTheLimit: a segment that is handed over late is run at its planned time up to the limit and refused beyond
// it, whole and with what is known of it; how late the host came up does not count until it has caught up.
func TestBehindTheLimit(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const limit = 100 * time.Millisecond
		b, err := New(Config{Array: MustArray(), Scene: scene.Uniform(1), Pace: realtime, MaxLag: limit})
		if err != nil {
			t.Fatal(err)
		}
		number := uint64(0)
		hand := func(late time.Duration) bus.Result {
			t.Helper()
			start := b.Now().Add(-late)
			s := segment("hex", number, readOne(b.array, H0, H|X1)...)
			res, err := Run(t.Context(), b, start, s)
			outcome := bus.Outcome{Kind: bus.OnTime}
			if err != nil {
				outcome = bus.Outcome{Kind: bus.Failed, Cause: err.Error()}
			}
			b.Inspector().JobEnded(s.Job, outcome)
			number++
			if res.Start != start {
				t.Errorf("a segment planned for %d began at %d", start, res.Start)
			}
			return res
		}
		ran := func(late time.Duration, res bus.Result) {
			t.Helper()
			if res.Err != nil || res.Ran != 4 || len(res.Captures) != 1 || res.Slack < 0 || res.Slack > limit {
				t.Errorf("handed over %v late: %+v", late, res)
			}
		}
		time.Sleep(10 * time.Second)
		ran(3*time.Second, hand(3*time.Second)) // it was still coming up
		time.Sleep(5 * time.Second)
		ran(0, hand(0)) // it has caught up
		time.Sleep(5 * time.Second)
		ran(limit, hand(limit))
		time.Sleep(5 * time.Second)
		res := hand(limit + time.Microsecond)
		var refused *bus.RefusedError
		if !errors.As(res.Err, &refused) || !res.Refused() || refused.Cause != bus.HostStall ||
			refused.Late != time.Microsecond || refused.Planned != res.Start || refused.Device != b.Now() ||
			res.Ran != 0 || res.Captures != nil || res.End != res.Start || res.Slack != -time.Microsecond {
			t.Errorf("handed over beyond the limit: %+v", res)
		}
		time.Sleep(5 * time.Second)
		ran(0, hand(0))
		if v := b.Inspector().Violations(); v != nil {
			t.Error(v)
		}
	})
}

func TestReleaseAndClose(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := testBus(t, realtime, 1)
		if _, err := Run(t.Context(), b, 0, segment("x", 0, Select(F|X0))); err != nil {
			t.Fatal(err)
		}
		time.Sleep(time.Millisecond)
		stop, err := b.Release(t.Context())
		if want := (bus.Stop{Received: 1_000_300, Inactive: 1_000_300, Confirmed: true}); stop != want || err != nil ||
			b.word != 0 || b.Now() != stop.Inactive {
			t.Errorf("released %+v with word %x, %v", stop, b.word, err)
		}
		if err := b.Close(); err != nil {
			t.Error(err)
		}
		if _, err := Run(t.Context(), b, b.Now(), segment("x", 1, Select(F))); !errors.Is(err, bus.ErrClosed) {
			t.Errorf("Run after Close: %v", err)
		}
		if !errors.Is(b.WaitUntil(t.Context(), 0), bus.ErrClosed) || !errors.Is(b.Close(), bus.ErrClosed) {
			t.Error("the bus lives on after Close")
		}
	})
}

func TestNewRefuses(t *testing.T) {
	wiring, m := chipmodel.New(&facetdv1.Array{SelectLines: []string{"x"},
		Chips: []*facetdv1.Chip{{Name: "a", Selects: []string{"x"}}}})
	if len(m) > 0 {
		t.Fatal(m)
	}
	for says, cfg := range map[string]Config{
		"classes and lanes": {Array: wiring, Scene: scene.Uniform(1)},
		"a scene":           {Array: MustArray()},
		"no pace 9":         {Array: MustArray(), Scene: scene.Uniform(1), Pace: 9},
	} {
		if b, err := New(cfg); b != nil || err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%v, want an error about %q", err, says)
		}
	}
}

// Whatever is run, nothing panics, every error is typed, and bus time never runs
// backwards.
func TestRandomPrograms(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	r := rand.New(rand.NewPCG(seed, 1))
	b := testBus(t, free, seed)
	ran, broke := 0, 0
	for n := range uint64(3000) {
		ops := make([]bus.Op, r.IntN(8))
		for i := range ops {
			ops[i] = randomOp(r, b.array)
		}
		before := b.Now()
		res, err := Run(t.Context(), b, before.Add(time.Duration(r.IntN(3)))-1, segment("random", n, ops...))
		var broken *rules.ViolationError
		switch {
		case err == nil:
			ran++
		case errors.As(err, &broken):
			broke++
		case !strings.Contains(err.Error(), "cannot run"):
			t.Fatalf("%v", err)
		}
		if b.Now() < before || res.Busy.Total() != res.End.Sub(res.Start) {
			t.Fatalf("now %d after %d; %+v", b.Now(), before, res)
		}
	}
	if ran < 100 || broke < 100 {
		t.Errorf("%d programs ran and %d violated a rule: the programs are too much alike", ran, broke)
	}
}

func randomOp(r *rand.Rand, a *chipmodel.Array) bus.Op {
	word := chipmodel.LineSet(r.Uint64N(1 << 6))
	target := a.Reach(word)
	switch r.IntN(8) {
	case 0, 1:
		return Select(word)
	case 2:
		return Write(1+r.IntN(3), facetdv1.Register(1+r.IntN(chipmodel.NumRegisters-1)), uint16(r.IntN(3)), target...)
	case 3:
		return Write(1+r.IntN(30), chipmodel.OutputEnable, 1, target...)
	case 4, 5:
		return Strobe(1+r.IntN(30), facetdv1.Strobe(r.IntN(6)), time.Duration(r.IntN(5000)), target...)
	case 6:
		return bus.Op{Kind: bus.OpWait, Hold: time.Duration(r.IntN(100)), Phase: facetdv1.Phase_PHASE_SETTLE}
	}
	chip := r.IntN(len(a.Chips))
	op := Scan(a, chip, r.IntN(3), bus.Claim{})
	if r.IntN(2) == 0 {
		op.Scan.Window = chipmodel.Window{Row: r.IntN(4), Column: r.IntN(4), Rows: 1 + r.IntN(4),
			Columns: 1 + r.IntN(3), RowStep: 1 + r.IntN(3), ColumnStep: 1 + r.IntN(3)}
	}
	if r.IntN(4) == 0 {
		op.Scan.Chips, op.Scan.Frames = append(op.Scan.Chips, (chip+1)%len(a.Chips)), []int{0, 1}
	}
	return op
}
