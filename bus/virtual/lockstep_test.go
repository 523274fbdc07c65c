package virtual

import (
	"context"
	"errors"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"facetd.example/api/peertest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	. "facetd.example/bus/bustest"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
)

// grants lets bus time on by random steps, and tells what is reached in between.
type grants struct {
	random  *rand.Rand
	allowed bus.Time
	until   bus.Time // where it ends; 0 never
	held    func(at bus.Time)
}

var errHeld = errors.New("held")

func (g *grants) Await(ctx context.Context, at bus.Time, reach func(bus.Time)) error {
	for at > g.allowed {
		reach(g.allowed)
		if g.held != nil {
			g.held(g.allowed)
		}
		if g.until > 0 && g.allowed >= g.until {
			return errHeld
		}
		g.allowed = g.allowed.Add(time.Duration(1 + g.random.IntN(50_000)))
		if g.until > 0 {
			g.allowed = min(g.allowed, g.until)
		}
	}
	return ctx.Err()
}

func heldBus(t *testing.T, s scene.Scene, g *grants) *Bus {
	t.Helper()
	b, err := New(Config{Array: MustArray(), Scene: s, Pace: facetdv1.Pace_PACE_LOCKSTEP, Leash: g, Seed: 11,
		Epoch: time.Unix(1, 0)})
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// However bus time is let on, captures are those of free pace; bus time never passes what was allowed, and times of the
// host are certain.
func TestLockstepIsFreePaceHeld(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	light, err := scene.Grating(scene.GratingOptions{MeanLux: 100, Contrast: 0.8, CyclesPerPixel: 0.2, DriftHz: 300})
	if err != nil {
		t.Fatal(err)
	}
	g := &grants{random: rand.New(rand.NewPCG(seed, 1))}
	b := heldBus(t, light, g)
	times := 0
	g.held = func(at bus.Time) {
		times++
		if b.Now() != at {
			t.Fatalf("held at %v, bus time is %v", at, b.Now())
		}
		if host, off := b.HostTime(at); off != 0 || host.Sub(time.Unix(1, 0)) != at.Elapsed() {
			t.Fatalf("host time %v +- %v", host, off)
		}
	}
	if got := course(t, b); !slices.EqualFunc(course(t, testBus(t, free, 11)), got, equalResults) || times < 20 {
		t.Errorf("captures in lockstep are others, or it was held only %d times", times)
	}
}

// A change that is scheduled while bus time is held acts at exactly its time, as one that was known from the start.
func TestScheduledChangesAreExact(t *testing.T) {
	seed := peertest.Seed(t)
	t.Logf("seed %d", seed)
	random := rand.New(rand.NewPCG(seed, 2))
	before, after := scene.Uniform(50), scene.Uniform(3000)
	for range 10 {
		at := bus.Time(20_000 + random.IntN(200_000))
		known, err := scene.Step(before, after, at)
		if err != nil {
			t.Fatal(err)
		}
		want := course(t, heldBus(t, known, &grants{random: random}))
		g := &grants{random: random}
		b := heldBus(t, before, g)
		told := false
		g.held = func(now bus.Time) {
			// It is told before what is allowed next may pass its time.
			if !told && now.Add(50_000) >= at {
				told = true
				if err := b.Schedule(Change{At: max(at, now), Scene: after}); err != nil {
					t.Fatal(err)
				}
			}
		}
		if got := course(t, b); !told || !slices.EqualFunc(want, got, equalResults) {
			t.Fatalf("a change at %v, told: %v, is not that of a step", at, told)
		}
	}
}

// A segment that is held goes on where it was, and a release ends it there.
func TestHeldInTheMiddle(t *testing.T) {
	g := &grants{random: rand.New(rand.NewPCG(1, 1)), until: 30_000}
	b := heldBus(t, scene.Uniform(50), g)
	res, err := Run(t.Context(), b, 1000, segment("mems", 1, readMemories(b.array)...))
	if !errors.Is(err, errHeld) || b.Now() != 30_000 {
		t.Fatalf("%+v, %v at %v", res, err, b.Now())
	}
	stop, err := b.Release(t.Context())
	if err != nil || !stop.Confirmed || stop.Inactive != 30_000 {
		t.Errorf("released %+v, %v", stop, err)
	}
	kelvin := 900.0
	if err := b.Schedule(Change{At: 40_000, TemperatureOffset: &kelvin}); err == nil {
		t.Error("dies that melt were taken")
	}
}

// What is to come takes nothing from what is there: not many changes in a row, nor one at the last time that there is.
func TestTheLightLastsUntilItsChange(t *testing.T) {
	want := course(t, heldBus(t, scene.Uniform(50), &grants{random: rand.New(rand.NewPCG(1, 1))}))
	for name, times := range map[string][]bus.Time{"many": make([]bus.Time, 3*keptScenes), "last": {bustime.Forever}} {
		b := heldBus(t, scene.Uniform(50), &grants{random: rand.New(rand.NewPCG(1, 1))})
		for i, at := range times {
			if err := b.Schedule(Change{At: max(at, 1e12+bus.Time(i)), Scene: scene.Uniform(3000)}); err != nil {
				t.Fatal(err)
			}
		}
		if got := course(t, b); !slices.EqualFunc(want, got, equalResults) {
			t.Errorf("%s: the light has changed before its time", name)
		}
	}
}

// However often light and temperature of one time are set, the last counts, and no more is kept.
func TestOneChangeOfATime(t *testing.T) {
	b := heldBus(t, scene.Uniform(50), &grants{random: rand.New(rand.NewPCG(1, 1))})
	warm, after := 5.0, scene.Uniform(3000)
	for range 1000 {
		if err := errors.Join(b.Schedule(Change{At: 7, Scene: scene.Uniform(1), TemperatureOffset: &warm}),
			b.Schedule(Change{At: 8, Scene: after}), b.Schedule(Change{At: 7, Scene: after})); err != nil {
			t.Fatal(err)
		}
	}
	kept := b.lights.pending
	if len(kept) != 2 || kept[0].Scene != after || kept[0].TemperatureOffset != &warm || kept[1].At != 8 {
		t.Errorf("kept %+v", kept)
	}
}
