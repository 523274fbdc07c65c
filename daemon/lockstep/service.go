package lockstep

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/events"
	"facetd.example/daemon/failure"
)

const (
	maxParticipants = 64
	maxNameBytes    = 100
	// lastUntil is as far as bus time may be let on: 100 years. Times after it can still be reckoned with.
	lastUntil = bus.Time(100 * 365 * 24 * time.Hour)
)

// Config holds what the service depends on.
type Config struct {
	// Expected are the names of participants without whom bus time does not move.
	Expected []string
	// StalledAfter is how long bus time waits for a participant before it is named, above 0; RemovedAfter how long
	// before it is left out, 0 for never. Both are by the clock of the host.
	StalledAfter, RemovedAfter time.Duration
	Logger                     *zap.Logger
	// Events is told what an operator should know.
	Events events.Sink
}

// Driver is what the service needs of the daemon once the bus is driven.
type Driver struct {
	// Now is the bus time.
	Now func() bus.Time
	// Tasks is how far each task has come.
	Tasks func() []*facetdv1.TaskPulse
	// Waiting counts calls that take bus time and wait for it.
	Waiting func() int
	// Delivered returns once what has finished was sent on every stream that was granted it.
	Delivered func(ctx context.Context) error
	// Identity is which daemon this is.
	Identity func() *facetdv1.Identity
	// Fault is why the bus is not driven any more, nil while it is.
	Fault func() error
}

// Service is the service, and what holds the bus. A nil one is that of a bus that is not in lockstep.
type Service struct {
	cfg    Config
	gate   *gate
	driver Driver
	// toldMissing says that it was told that bus time waits for somebody to join.
	toldMissing bool
}

// New makes the service. Drive it before anything is called.
func New(cfg Config) *Service { return &Service{cfg: cfg, gate: newGate(cfg.Expected)} }

// Drive says what the service needs of the daemon.
func (s *Service) Drive(d Driver) { s.driver = d }

// Await implements virtual.Leash.
func (s *Service) Await(ctx context.Context, at bus.Time, reach func(bus.Time)) error {
	return s.gate.Await(ctx, at, reach)
}

// Act calls f with the bus time that has been allowed, which does not move meanwhile.
func (s *Service) Act(_ context.Context, f func(now bus.Time) error) error {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	return f(s.gate.now())
}

// Message says how far bus time may go, and for whom it waits.
func (s *Service) Message() *facetdv1.Lockstep {
	m := s.gate.message()
	m.BusNs, m.WaitingCalls = s.driver.Now().NS(), uint32(s.driver.Waiting())
	return m
}

// Stats are counts for metrics.
type Stats struct{ Participants, Stalled, Missing int }

// Stats returns counts for metrics.
func (s *Service) Stats() Stats {
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	st := Stats{Participants: len(s.gate.members), Missing: len(s.gate.missing)}
	for _, m := range s.gate.members {
		if m.stalled {
			st.Stalled++
		}
	}
	return st
}

// server answers calls; s is nil at any other pace.
type server struct {
	facetdv1.UnimplementedLockstepServiceServer
	s *Service
}

// Register registers the service; that of a nil one refuses everything.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	facetdv1.RegisterLockstepServiceServer(r, &server{s: s})
}

var errNotLockstep = &failure.Precondition{Kind: failure.NotLockstep, Subject: "bus",
	Message: "bus time does not wait for anybody: run a virtual bus with --pace lockstep"}

// JoinLockstep implements the service.
func (v *server) JoinLockstep(_ context.Context, r *facetdv1.JoinLockstepRequest) (*facetdv1.JoinLockstepResponse,
	error) {
	if v.s == nil {
		return nil, errNotLockstep
	}
	name := r.GetParticipant()
	if name == "" || len(name) > maxNameBytes || !utf8.ValidString(name) ||
		strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsGraphic(r) }) {
		return nil, invalid.Errors{{Path: "participant", Message: "it is empty, too long, or cannot be printed",
			Hint: fmt.Sprintf("give 1 to %d bytes", maxNameBytes)}}
	}
	limit, err := v.s.gate.join(name)
	if err != nil {
		return nil, err
	}
	v.s.cfg.Logger.Info("a participant joined", zap.String("participant", name))
	return &facetdv1.JoinLockstepResponse{BusNs: v.s.driver.Now().NS(), LimitBusNs: limit.NS(),
		Identity: v.s.driver.Identity()}, nil
}

func (g *gate) join(name string) (bus.Time, error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	switch {
	case g.ended != nil:
		return 0, g.ended
	case g.members[name] == nil && len(g.members) >= maxParticipants:
		return 0, &failure.Exhausted{Message: fmt.Sprintf("%d participants are the most", maxParticipants)}
	}
	g.members[name] = &member{until: g.now(), joined: time.Now()}
	waited := len(g.missing) > 0
	g.missing = slices.DeleteFunc(g.missing, func(m string) bool { return m == name })
	if waited && len(g.missing) == 0 {
		g.since = time.Now() // until now it was for those that had not joined
	}
	g.change()
	return g.now(), nil
}

// AdvanceTime implements the service.
func (v *server) AdvanceTime(ctx context.Context, r *facetdv1.AdvanceTimeRequest) (*facetdv1.AdvanceTimeResponse,
	error) {
	if v.s == nil {
		return nil, errNotLockstep
	}
	if err := checkUntil(r.GetUntilBusNs()); err != nil {
		return nil, err
	}
	if err := v.s.fault(); err != nil {
		return nil, err
	}
	back, err := v.s.gate.allow(r.GetParticipant(), bus.Time(r.GetUntilBusNs()))
	if err != nil {
		return nil, err
	}
	if back {
		v.s.tell(facetdv1.Severity_SEVERITY_INFO, r.GetParticipant(), "lets bus time on again")
	}
	if err := v.s.gate.reached(ctx, bus.Time(r.GetUntilBusNs())); err != nil {
		return nil, err
	}
	if err := v.s.driver.Delivered(ctx); err != nil {
		return nil, err
	}
	return &facetdv1.AdvanceTimeResponse{BusNs: v.s.driver.Now().NS(), Tasks: v.s.driver.Tasks()}, nil
}

// checkUntil refuses times that no bus has, or comes to.
func checkUntil(ns int64) error {
	switch at := bus.Time(ns); {
	case at < 0:
		return invalid.Errors{{Path: "until_bus_ns", Message: fmt.Sprintf("%d is before the start of the bus", ns),
			Hint: "give nanoseconds since then"}}
	case at > lastUntil:
		return invalid.Errors{{Path: "until_bus_ns",
			Message: fmt.Sprintf("%d is more than 100 years after the start of the bus", ns),
			Hint:    "give nanoseconds since then; a bus without tasks goes there at once, and never back"}}
	}
	return nil
}

// fault is why the bus is not driven any more.
func (s *Service) fault() error {
	if cause := s.driver.Fault(); cause != nil {
		s.gate.end(&failure.Unavailable{Reason: cause.Error()})
	}
	s.gate.mu.Lock()
	defer s.gate.mu.Unlock()
	return s.gate.ended
}

// allow lets bus time go as far as until for a participant, and reports whether it had stalled.
func (g *gate) allow(name string, until bus.Time) (stalled bool, err error) {
	g.mu.Lock()
	defer g.mu.Unlock()
	m := g.members[name]
	if m == nil {
		return false, notJoined(name)
	}
	if until > m.until {
		m.until = until
		stalled, m.stalled = m.stalled, false
	}
	g.raise()
	g.change()
	return stalled, nil
}

// reached waits until all up to a bus time has been executed.
func (g *gate) reached(ctx context.Context, until bus.Time) error {
	for {
		g.mu.Lock()
		there, ended, changed := g.held && g.now() >= until, g.ended, g.changed
		g.mu.Unlock()
		switch {
		case there:
			return nil
		case ended != nil:
			return ended
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func notJoined(name string) error {
	return &failure.NotFound{What: "participant", Name: name,
		Hint: "JoinLockstep comes first, also after a restart of " +
			"the daemon"}
}

// LeaveLockstep implements the service.
func (v *server) LeaveLockstep(_ context.Context, r *facetdv1.LeaveLockstepRequest) (*facetdv1.LeaveLockstepResponse,
	error) {
	if v.s == nil {
		return nil, errNotLockstep
	}
	if !v.s.gate.leave(r.GetParticipant()) {
		return nil, notJoined(r.GetParticipant())
	}
	v.s.cfg.Logger.Info("a participant left", zap.String("participant", r.GetParticipant()))
	return &facetdv1.LeaveLockstepResponse{}, nil
}

// leave takes a participant out, and reports whether it was one.
func (g *gate) leave(name string) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.members[name] == nil {
		return false
	}
	delete(g.members, name)
	g.raise()
	g.change()
	return true
}

// GetLockstep implements the service.
func (v *server) GetLockstep(context.Context, *facetdv1.GetLockstepRequest) (*facetdv1.GetLockstepResponse, error) {
	if v.s == nil {
		return nil, errNotLockstep
	}
	return &facetdv1.GetLockstepResponse{Lockstep: v.s.Message()}, nil
}
