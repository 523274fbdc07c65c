// Package environment serves the light and the temperature of a virtual array, where
// on a real one somebody would cover the chips, hold up a white card or warm them.
package environment

import (
	"context"
	"errors"
	"io"
	"math"
	"strings"
	"sync"
	"sync/atomic"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/failure"
)

// Bus is a simulated bus. Its methods are called on the goroutine that owns it.
type Bus interface {
	SetScene(scene.Scene)
	SetTemperatureOffset(kelvin float64) error
}

// Config holds what the service depends on.
type Config struct {
	// Bus is nil unless the bus is virtual.
	Bus Bus
	// Scene is the light at the start, as scene.Parse reads it.
	Scene string
	// Do runs a function on the goroutine that owns the bus, between two segments.
	Do func(ctx context.Context, f func() error) error
	// Now is the bus time.
	Now func() bus.Time
}

// Service is the service. Its methods may be called from any goroutine.
type Service struct {
	facetdv1.UnimplementedSceneServiceServer
	cfg Config

	mu  sync.Mutex // never held while somebody waits: the bus takes it too
	now facetdv1.Environment

	offset atomic.Uint64 // bits of now.WarmerK
}

// New makes the service.
func New(cfg Config) *Service {
	return &Service{cfg: cfg, now: facetdv1.Environment{Scene: cfg.Scene}}
}

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) { facetdv1.RegisterSceneServiceServer(r, s) }

var errNotVirtual = &failure.Precondition{
	Kind: failure.NotVirtual, Subject: "bus",
	Message: "light and temperature can be set on a virtual bus only; on a real one cover or light the chips",
}

// GetScene returns what is active.
func (s *Service) GetScene(context.Context, *facetdv1.GetSceneRequest) (*facetdv1.GetSceneResponse, error) {
	if s.cfg.Bus == nil {
		return nil, errNotVirtual
	}
	return &facetdv1.GetSceneResponse{Environment: s.current()}, nil
}

// TemperatureOffset is by how many kelvin every die is warmer than its class says; known is false
// where nobody knows, on a bus that is not virtual.
func (s *Service) TemperatureOffset() (kelvin float64, known bool) {
	return math.Float64frombits(s.offset.Load()), s.cfg.Bus != nil
}

// NotUniform is the light that is active where it is known not to be uniform, and empty where it is uniform or where,
// as on a bus that is not virtual, nobody knows.
func (s *Service) NotUniform() string {
	if s.cfg.Bus == nil {
		return ""
	}
	if light := s.current().GetScene(); !scene.IsUniform(light) {
		return light
	}
	return ""
}

func (s *Service) current() *facetdv1.Environment {
	s.mu.Lock()
	defer s.mu.Unlock()
	return &facetdv1.Environment{Scene: s.now.Scene, TemperatureOffsetK: s.now.TemperatureOffsetK}
}

// SetScene replaces light and temperature between two segments, both or neither.
func (s *Service) SetScene(ctx context.Context, r *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error) {
	if s.cfg.Bus == nil {
		return nil, errNotVirtual
	}
	var light scene.Scene
	if r.GetScene() != "" {
		var err error
		if light, err = scene.Parse(r.GetScene(), refuse); err != nil {
			var m invalid.Errors
			m.Add("scene", strings.TrimPrefix(err.Error(), "scene: "),
				"for instance uniform:200 for 200 lux everywhere, or demo")
			return nil, m
		}
	}
	at, err := s.set(ctx, r.GetScene(), light, r.TemperatureOffsetK)
	if err != nil {
		return nil, err
	}
	return &facetdv1.SetSceneResponse{Environment: s.current(), EffectiveBusNs: at}, nil
}

// Replace sets a light that was read elsewhere, such as from the daemon's own
// configuration, with its description. It is called on the goroutine that owns a virtual
// bus.
func (s *Service) Replace(described string, light scene.Scene) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cfg.Bus.SetScene(light)
	s.now.Scene = described
}

// set changes what is given and returns from when on. A light of nil is kept. A caller
// that leaves may leave a change behind that is still made: what is active is noted
// where it is made, so that it is never another than the bus's.
func (s *Service) set(ctx context.Context, described string, light scene.Scene, offset *float64) (atNS int64,
	err error) {
	made := make(chan bus.Time, 1)
	err = s.cfg.Do(ctx, func() error {
		s.mu.Lock()
		defer s.mu.Unlock()
		if offset != nil {
			if err := s.cfg.Bus.SetTemperatureOffset(*offset); err != nil {
				return err
			}
			s.now.TemperatureOffsetK = *offset
			s.offset.Store(math.Float64bits(*offset))
		}
		if light != nil {
			s.cfg.Bus.SetScene(light)
			s.now.Scene = described
		}
		made <- s.cfg.Now()
		return nil
	})
	if err != nil {
		return 0, err
	}
	return (<-made).NS(), nil
}

// refuse keeps clients from having the daemon open files.
func refuse(string) (io.ReadCloser, error) {
	return nil, errors.New("pictures are not taken from clients; name them in the daemon's configuration")
}
