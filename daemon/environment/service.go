// Package environment serves the light and the temperature of a virtual array, where
// on a real one somebody would cover the chips, hold up a white card or warm them.
package environment

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"sync"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/bus/virtual"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/chipmodel/scene"
	"facetd.example/daemon/failure"
)

// Bus is a simulated bus.
type Bus interface {
	// SetScene and SetTemperatureOffset act at once, on the goroutine that owns the bus.
	SetScene(scene.Scene)
	SetTemperatureOffset(kelvin float64) error
	// Schedule acts at a bus time, which does not pass meanwhile.
	Schedule(virtual.Change) error
}

// maxToCome is how many changes may be told before their time, of the light and of the temperature each: more are
// refused.
const maxToCome = 256

// Config holds what the service depends on.
type Config struct {
	// Bus is nil unless the bus is virtual.
	Bus Bus
	// Scene is the light at the start, and Light the same as scene.Parse reads it.
	Scene string
	Light scene.Scene
	// Array is whose chips look at it; nil for none.
	Array *chipmodel.Array
	// Do runs a function on the goroutine that owns the bus, between two segments.
	Do func(ctx context.Context, f func() error) error
	// Act, where set, takes its place where bus time is held, as in lockstep: it runs a function with the bus time that
	// has been allowed, which nothing that was simulated has passed, and which does not move meanwhile.
	Act func(ctx context.Context, f func(now bus.Time) error) error
	// Now is the bus time.
	Now func() bus.Time
}

// Service is the service. Its methods may be called from any goroutine.
type Service struct {
	facetdv1.UnimplementedSceneServiceServer
	cfg Config

	mu sync.Mutex // never held while somebody waits: the bus takes it too
	// What is active from when on, by rising times: the first is active now.
	lights  timeline[light]
	offsets timeline[float64]
}

// light is a scene with its description.
type light struct {
	described string
	scene     scene.Scene
}

// New makes the service.
func New(cfg Config) *Service {
	return &Service{cfg: cfg, lights: timeline[light]{{bustime.Never, light{cfg.Scene, cfg.Light}}},
		offsets: timeline[float64]{{bustime.Never, 0}}}
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
	return &facetdv1.GetSceneResponse{Environment: s.at(s.cfg.Now())}, nil
}

// TemperatureOffset is by how many kelvin every die is warmer than its class says; known is false
// where nobody knows, on a bus that is not virtual.
func (s *Service) TemperatureOffset() (kelvin float64, known bool) {
	if s.cfg.Bus == nil {
		return 0, false
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.offsets.at(s.cfg.Now()), true
}

// NotUniform is the light that is active where it is known not to be uniform, and empty where it is uniform or where,
// as on a bus that is not virtual, nobody knows.
func (s *Service) NotUniform() string {
	if s.cfg.Bus == nil {
		return ""
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if light := s.lights.at(s.cfg.Now()).described; !scene.IsUniform(light) {
		return light
	}
	return ""
}

// at is what is active at a bus time.
func (s *Service) at(at bus.Time) *facetdv1.Environment {
	s.mu.Lock()
	defer s.mu.Unlock()
	is := s.lights.at(at)
	out := &facetdv1.Environment{Scene: is.described, TemperatureOffsetK: s.offsets.at(at)}
	if m, moves := scene.MotionOf(is.scene, at); moves {
		out.Pose, out.Velocity = poseOf(m.At(at)), velocityOf(m)
		out.Truth = s.truth(is.scene, at)
	}
	return out
}

// SetScene replaces light and temperature, both or neither.
func (s *Service) SetScene(ctx context.Context, r *facetdv1.SetSceneRequest) (*facetdv1.SetSceneResponse, error) {
	if s.cfg.Bus == nil {
		return nil, errNotVirtual
	}
	next := light{described: r.GetScene()}
	if r.GetScene() != "" {
		var err error
		if next.scene, err = scene.Parse(r.GetScene(), refuse); err != nil {
			var m invalid.Errors
			m.Add("scene", strings.TrimPrefix(err.Error(), "scene: "),
				"for instance uniform:200 for 200 lux everywhere, or demo")
			return nil, m
		}
	}
	at, err := s.act(ctx, r.AtBusNs, func(at bus.Time, now bool) error {
		return s.set(at, now, next, r.TemperatureOffsetK)
	})
	if err != nil {
		return nil, err
	}
	return &facetdv1.SetSceneResponse{Environment: s.at(at), EffectiveBusNs: at.NS()}, nil
}

// Replace sets a light that was read elsewhere, such as from the daemon's own
// configuration, with its description. It is called on the goroutine that owns a virtual
// bus.
func (s *Service) Replace(described string, replacing scene.Scene) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.cfg.Bus.SetScene(replacing)
	s.lights.set(s.cfg.Now(), light{described, replacing}, s.cfg.Now())
}

// act makes a change at a bus time, or now, and returns when that is. A caller that leaves may leave a change behind
// that is still made: what is active is noted where it is made, so that it is never another than the bus's. Errors:
// *failure.OutOfRange for a bus time that has passed, *failure.Exhausted for one change too many that is to come.
func (s *Service) act(ctx context.Context, wanted *int64, f func(at bus.Time, now bool) error) (bus.Time, error) {
	made := make(chan bus.Time, 1)
	change := func(now bus.Time) error {
		at := now
		if wanted != nil {
			at = bus.Time(*wanted)
		}
		if at < now {
			return &failure.OutOfRange{Message: fmt.Sprintf("bus time %d has passed: it is %d", at.NS(), now.NS())}
		}
		s.mu.Lock()
		defer s.mu.Unlock()
		if at > now && max(s.lights.toCome(now), s.offsets.toCome(now)) >= maxToCome {
			return &failure.Exhausted{Message: fmt.Sprintf("%d changes are to come, the most that are kept: make this "+
				"one when some of them have been", maxToCome)}
		}
		if err := f(at, wanted == nil && s.cfg.Act == nil); err != nil {
			return err
		}
		made <- at
		return nil
	}
	var err error
	if s.cfg.Act != nil {
		err = s.cfg.Act(ctx, change)
	} else {
		err = s.cfg.Do(ctx, func() error { return change(s.cfg.Now()) })
	}
	if err != nil {
		return 0, err
	}
	return <-made, nil
}

// set changes what is given; a light without a scene is kept. now says that this is the goroutine that owns the bus,
// and that the change acts at once. The caller holds mu.
func (s *Service) set(at bus.Time, now bool, next light, offset *float64) error {
	if now {
		if offset != nil {
			if err := s.cfg.Bus.SetTemperatureOffset(*offset); err != nil {
				return err
			}
		}
		if next.scene != nil {
			s.cfg.Bus.SetScene(next.scene)
		}
	} else if err := s.cfg.Bus.Schedule(virtual.Change{At: at, Scene: next.scene,
		TemperatureOffset: offset}); err != nil {
		return err
	}
	if offset != nil {
		s.offsets.set(at, *offset, s.cfg.Now())
	}
	if next.scene != nil {
		s.lights.set(at, next, s.cfg.Now())
	}
	return nil
}

// refuse keeps clients from having the daemon open files.
func refuse(string) (io.ReadCloser, error) {
	return nil, errors.New("pictures are not taken from clients; name them in the daemon's configuration")
}
