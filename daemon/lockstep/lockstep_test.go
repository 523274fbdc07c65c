package lockstep

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/failure"
)

// bench is a service with a bus that only lets time pass, in steps of a length.
type bench struct {
	*Service
	server
	clock  bustime.Clock
	mu     sync.Mutex
	events []string // their texts, see said
	fault  atomic.Pointer[error]
	end    context.CancelFunc
	ended  sync.WaitGroup
}

func newBench(t *testing.T, cfg Config, step time.Duration) *bench {
	b := &bench{}
	cfg.Logger = zap.NewNop()
	cfg.Events = func(e *facetdv1.Event) {
		b.mu.Lock()
		defer b.mu.Unlock()
		b.events = append(b.events, e.GetText())
	}
	b.Service = New(cfg)
	b.s = b.Service
	b.Drive(Driver{Now: b.clock.Now, Waiting: func() int { return 0 },
		Tasks:     func() []*facetdv1.TaskPulse { return nil },
		Delivered: func(context.Context) error { return nil },
		Identity:  func() *facetdv1.Identity { return nil },
		Fault: func() error {
			if cause := b.fault.Load(); cause != nil {
				return *cause
			}
			return nil
		},
	})
	ctx, cancel := context.WithCancel(t.Context())
	b.end = cancel
	b.ended.Go(func() {
		for at := bus.Time(0); ; {
			at = at.Add(step)
			if b.Await(ctx, at, b.clock.Reach) != nil {
				return
			}
			b.clock.Reach(at)
		}
	})
	b.ended.Go(func() { b.Watch(ctx) })
	return b
}

// said are the texts of the events so far.
func (b *bench) said() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	return slices.Clone(b.events)
}

func (b *bench) stop() {
	b.end()
	b.ended.Wait()
}

func (b *bench) join(t *testing.T, name string) {
	t.Helper()
	if _, err := b.JoinLockstep(t.Context(), &facetdv1.JoinLockstepRequest{Participant: name}); err != nil {
		t.Fatal(err)
	}
}

func (b *bench) advance(ctx context.Context, name string, until bus.Time) error {
	_, err := b.AdvanceTime(ctx, &facetdv1.AdvanceTimeRequest{Participant: name, UntilBusNs: until.NS()})
	return err
}

// However participants take turns, bus time is at each return what was waited for, and never beyond what the slowest
// allowed.
func TestTheSlowestRules(t *testing.T) {
	const seed = 20261130
	t.Logf("seed %d", seed)
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{StalledAfter: time.Hour}, 7*time.Microsecond)
		defer b.stop()
		var mu sync.Mutex
		allowed := map[string]bus.Time{}
		for i := range 5 {
			name := fmt.Sprint("p", i)
			b.join(t, name)
			allowed[name] = 0
		}
		var all sync.WaitGroup
		for i := range 5 {
			all.Go(func() {
				name, random := fmt.Sprint("p", i), rand.New(rand.NewPCG(seed, uint64(i)))
				for range 200 {
					time.Sleep(time.Duration(random.IntN(1000)))
					mu.Lock()
					allowed[name] = allowed[name].Add(time.Duration(random.IntN(30_000)))
					until := allowed[name]
					mu.Unlock()
					if err := b.advance(t.Context(), name, until); err != nil {
						t.Error(err)
					}
					mu.Lock()
					least := bustime.Forever
					for _, u := range allowed {
						least = min(least, u)
					}
					if now := b.clock.Now(); now < until || now > least {
						t.Errorf("%s waited for %v: bus time %v, the slowest allows %v", name, until, now, least)
					}
					mu.Unlock()
				}
				if !b.gate.leave(name) {
					t.Error("it was not there")
				}
				mu.Lock()
				delete(allowed, name)
				mu.Unlock()
			})
		}
		all.Wait()
	})
}

// A participant that stalls is named once each time, then left out where that was asked for; one that is missing is
// named too, and nobody advances meanwhile.
func TestWhoStallsIsNamed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{Expected: []string{"b", "a", "b"}, StalledAfter: time.Second,
			RemovedAfter: 10 * time.Second}, time.Millisecond)
		defer b.stop()
		b.join(t, "a")
		cut, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		if err := b.advance(cut, "a", 1e7); !errors.Is(err, context.DeadlineExceeded) || b.clock.Now() != 0 {
			t.Errorf("without b: %v, at %v", err, b.clock.Now())
		}
		if events := b.said(); len(events) != 1 || !strings.Contains(events[0], "b has not joined") {
			t.Errorf("events %q", events)
		}
		b.join(t, "b")
		if err := b.advance(t.Context(), "b", 5e6); err != nil || b.clock.Now() != 5e6 {
			t.Fatalf("%v, at %v", err, b.clock.Now())
		}
		time.Sleep(3 * time.Second)
		m := b.Message()
		if p := m.GetParticipants()[1]; !p.GetHolds() || !p.GetStalled() || p.GetHeldNs() < 2e9 ||
			m.GetLimitBusNs() != 5e6 {
			t.Errorf("%v", m)
		}
		if p := m.GetParticipants()[0]; p.GetHolds() || p.GetStalled() {
			t.Errorf("who waits holds: %v", p)
		}
		if err := b.advance(t.Context(), "b", 6e6); err != nil {
			t.Fatal(err)
		}
		time.Sleep(11 * time.Second)
		if st := b.Stats(); st.Participants != 1 || b.clock.Now() != 1e7 {
			t.Errorf("%+v at %v", st, b.clock.Now())
		}
		for i, want := range []string{"b has not joined", "b has let bus time wait", "b lets bus time on again",
			"b has let bus time wait", "b was removed"} {
			if events := b.said(); i >= len(events) || !strings.Contains(events[i], want) {
				t.Fatalf("events %q, want %q", events, want)
			}
		}
		var gone *failure.NotFound
		if err := b.advance(t.Context(), "b", 2e7); !errors.As(err, &gone) {
			t.Errorf("after it was removed: %v", err)
		}
	})
}

// Who comes back takes back what it alone had allowed. Who waits is told when the bus is given up.
func TestComingBackAndGivingUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{StalledAfter: time.Hour}, time.Millisecond)
		defer b.stop()
		b.join(t, "a")
		b.join(t, "b")
		waits := make(chan error, 1)
		go func() { waits <- b.advance(t.Context(), "a", 9e6) }()
		synctest.Wait()
		b.join(t, "a")
		if err := b.advance(t.Context(), "b", 0); err != nil {
			t.Fatal(err)
		}
		if m := b.Message().GetParticipants()[0]; m.GetUntilBusNs() != 0 {
			t.Errorf("after it came back: %v", m)
		}
		onFire := errors.New("the lines are on fire")
		b.fault.Store(&onFire)
		var given *failure.Unavailable
		if err := <-waits; !errors.As(err, &given) || !strings.Contains(err.Error(), "on fire") {
			t.Errorf("who waited: %v", err)
		}
		if err := b.advance(t.Context(), "b", 0); !errors.As(err, &given) {
			t.Errorf("who comes after: %v", err)
		}
	})
}

// A bus on which nothing is to be done goes to any time at once: one from which none can be reckoned on is refused.
func TestTimesThatNoBusHas(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{StalledAfter: time.Hour}, 50*365*24*time.Hour)
		defer b.stop()
		b.join(t, "a")
		for _, until := range []bus.Time{bustime.Forever, lastUntil + 1, -1, bustime.Never} {
			var wrong invalid.Errors
			if err := b.advance(t.Context(), "a", until); !errors.As(err, &wrong) || wrong[0].Path != "until_bus_ns" {
				t.Errorf("%v: %v", until, err)
			}
		}
		if now := b.clock.Now(); now != 0 {
			t.Errorf("bus time %v", now)
		}
		if err := b.advance(t.Context(), "a", lastUntil); err != nil || b.clock.Now() != lastUntil {
			t.Errorf("%v at %v", err, b.clock.Now())
		}
	})
}

// One that joins again and again, as it crashes each time, does not keep another that stalls from being named.
func TestWhoComesAgainHidesNobody(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{StalledAfter: time.Second}, time.Millisecond)
		defer b.stop()
		b.join(t, "a")
		for range 6 {
			b.join(t, "b")
			time.Sleep(500 * time.Millisecond)
		}
		if events := b.said(); len(events) != 1 || !strings.Contains(events[0], "a has let bus time wait") {
			t.Errorf("events %q", events)
		}
		for _, p := range b.Message().GetParticipants() {
			if want := map[string]int64{"a": 3e9, "b": 5e8}[p.GetName()]; p.GetHeldNs() != want {
				t.Errorf("%s is told to have let bus time wait for %d ns, want %d", p.GetName(), p.GetHeldNs(), want)
			}
		}
	})
}

// Who was there does not count as stalled for as long as another was missing.
func TestWhoWaitsForTheMissingHasNotStalled(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := newBench(t, Config{Expected: []string{"a", "b"}, StalledAfter: time.Second}, time.Millisecond)
		defer b.stop()
		b.join(t, "a")
		time.Sleep(3 * time.Second)
		b.join(t, "b")
		time.Sleep(500 * time.Millisecond)
		if events := b.said(); len(events) != 1 || !strings.Contains(events[0], "b has not joined") {
			t.Errorf("events %q", events)
		}
		time.Sleep(time.Second)
		if events := b.said(); len(events) != 3 {
			t.Errorf("later: events %q", events)
		}
	})
}
