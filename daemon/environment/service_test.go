package environment

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/failure"
)

// On a bus that is not virtual every method refuses.
func TestNeedsAVirtualBus(t *testing.T) {
	s := New(Config{})
	_, get := s.GetScene(context.Background(), &facetdv1.GetSceneRequest{})
	_, set := s.SetScene(context.Background(), &facetdv1.SetSceneRequest{Scene: "uniform:1"})
	for _, err := range []error{get, set} {
		var p *failure.Precondition
		if !errors.As(err, &p) || p.Kind != failure.NotVirtual {
			t.Errorf("%v, want a failed precondition", err)
		}
	}
}

// recordingBus keeps what was set last.
type recordingBus struct {
	light     scene.Scene
	offset    float64
	scheduled []virtual.Change
}

func (b *recordingBus) SetScene(s scene.Scene) { b.light = s }

func (b *recordingBus) Schedule(c virtual.Change) error {
	b.scheduled = append(b.scheduled, c)
	return nil
}

func (b *recordingBus) SetTemperatureOffset(kelvin float64) error {
	b.offset = kelvin
	return nil
}

// What is said to be active is what the bus has, also after a caller left whose change
// was made all the same: the goroutine that owns the bus had taken it up already.
func TestCallerLeavesWhileChanging(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		simulated := &recordingBus{}
		leave := make(chan struct{})
		s := New(Config{
			Bus: simulated, Scene: "uniform:1", Now: func() bus.Time { return 7 },
			Do: func(ctx context.Context, f func() error) error {
				done := make(chan error, 1)
				go func() { // the bus
					<-leave
					done <- f()
				}()
				select {
				case err := <-done:
					return err
				case <-ctx.Done():
					return ctx.Err()
				}
			},
		})
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		offset := 15.0
		if _, err := s.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: "uniform:9",
			TemperatureOffsetK: &offset}); !errors.Is(err, context.Canceled) {
			t.Fatalf("%v, want the caller's own end", err)
		}
		close(leave)
		synctest.Wait()
		if simulated.offset != offset || simulated.light == nil {
			t.Fatal("the bus did not make the change")
		}
		got, err := s.GetScene(t.Context(), &facetdv1.GetSceneRequest{})
		if err != nil || got.GetEnvironment().GetScene() != "uniform:9" ||
			got.GetEnvironment().GetTemperatureOffsetK() != offset {
			t.Errorf("active: %v, %v; the bus has uniform:9 and %g K more", got, err, offset)
		}
		if k, known := s.TemperatureOffset(); k != offset || !known {
			t.Errorf("warmer by %g K, known %v", k, known)
		}
		at, err := s.SetScene(t.Context(), &facetdv1.SetSceneRequest{Scene: "uniform:3"})
		if err != nil || at.GetEffectiveBusNs() != 7 || at.GetEnvironment().GetScene() != "uniform:3" {
			t.Errorf("%v, %v", at, err)
		}
	})
}

// Changes may be told before their time, but not any number of them; one of the same time takes the place of another.
func TestChangesToCome(t *testing.T) {
	now := bus.Time(7)
	s := New(Config{Bus: &recordingBus{}, Scene: "uniform:1", Now: func() bus.Time { return now },
		Do: func(_ context.Context, f func() error) error { return f() }})
	set := func(at int64, lux string) error {
		_, err := s.SetScene(t.Context(), &facetdv1.SetSceneRequest{Scene: "uniform:" + lux, AtBusNs: &at})
		return err
	}
	for i := range int64(maxToCome - 1) {
		if err := set(1000+i, "2"); err != nil {
			t.Fatal(err)
		}
	}
	for _, lux := range []string{"2", "3", "4", "5"} {
		if err := set(now.NS(), lux); err != nil {
			t.Fatal(err)
		}
	}
	var many *failure.Exhausted
	if last, more := set(999, "6"), set(998, "7"); last != nil || !errors.As(more, &many) {
		t.Errorf("the last: %v, one more: %v", last, more)
	}
	for _, c := range []struct {
		at   bus.Time
		want string
	}{{7, "uniform:5"}, {999, "uniform:6"}, {1000, "uniform:2"}} {
		if now = c.at; s.at(now).GetScene() != c.want {
			t.Errorf("at %v: %v, want %s", c.at, s.at(now), c.want)
		}
	}
	for range 2 {
		if err := set(2000, "8"); err != nil {
			t.Errorf("when one has been: %v", err)
		}
	}
}
