package server

import (
	"context"
	"errors"
	"fmt"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus/bridge"
	"facetd.example/daemon/device"
	"facetd.example/daemon/environment"
	"facetd.example/daemon/probe"
	"facetd.example/scheduler"
)

// deviceTime is how long a device may take to answer and to be configured when the daemon starts.
const deviceTime = 10 * time.Second

// dial connects to the device that the configuration names, if it names one, and returns the configuration on its
// grain: plans are made for that.
func (c *Setup) dial() (*bridge.Device, *Setup, error) {
	on := *c
	address, bridged := c.Device()
	if !bridged {
		return nil, &on, nil
	}
	ctx, cancel := context.WithTimeout(c.starting(), deviceTime)
	defer cancel()
	d, err := bridge.Dial(ctx, address, c.TakeOver)
	if err != nil {
		return nil, nil, fmt.Errorf("device at %s: %w", address, err)
	}
	on.Grain = d.Grain()
	return d, &on, nil
}

// starting is for as long as the daemon may try to start.
func (c *Setup) starting() context.Context {
	if c.Starting == nil {
		return context.Background()
	}
	return c.Starting
}

// bridges reports whether a device drives the array.
func (s *Server) bridges() bool {
	_, bridged := s.cfg.Device()
	return bridged
}

// deviceStatus is what tells of the device; nil where none drives the array.
func (s *Server) deviceStatus() func() bridge.Status {
	if s.driven == nil {
		return nil
	}
	return s.driven.Status
}

// board is the name of the board in the array file; "" where that has none.
func (s *Server) board() string {
	if s.array.Device == nil {
		return ""
	}
	return s.array.Device.Board
}

// deviceService is about the device, if one drives the array.
func (s *Server) deviceService() *device.Service {
	cfg := device.Config{Status: s.deviceStatus()}
	if s.driven != nil {
		cfg.SelfTest, cfg.Board, cfg.Claim = s.driven.SelfTest, s.board(), s.claim
	}
	cfg.Inputs, cfg.SetInput = s.fromRobot, s.setInput
	return device.New(cfg)
}

// bridged makes the bus of a device, with its dispatcher.
func (s *Server) bridged(in *inputs) (*probe.Config, error) {
	ctx, cancel := context.WithTimeout(s.cfg.starting(), deviceTime)
	defer cancel()
	named := s.cfg.UntestedDevice
	if named != "" && named != s.board() {
		in.device.Close()
		return nil, fmt.Errorf("untested_device names board %q, and the array file has %q", named, s.board())
	}
	b, err := bridge.New(ctx, bridge.Config{Device: in.device, Array: s.array, Untested: named != ""})
	if err != nil {
		return nil, fmt.Errorf("device at %s: %w", s.cfg.Bus, err)
	}
	s.driven = b
	d, err := s.drive(in, s.wrapped(b), b.Inspector())
	if refused := (*scheduler.RefusalError)(nil); errors.As(err, &refused) &&
		refused.Refusal.GetReason() == facetdv1.RefusalReason_REFUSAL_REASON_QUEUE {
		return nil, fmt.Errorf("%w; %s", err, b.Lead())
	}
	if err != nil {
		return nil, err
	}
	s.fromRobot = d.Inputs
	b.OnEdge(d.Edge)
	s.light = environment.New(environment.Config{}) // which refuses: nobody can set the light of a real array
	return &probe.Config{Array: s.array, Runner: d, Now: s.bus.Now, Claim: s.claim}, nil
}
