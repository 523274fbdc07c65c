// Package probe serves the probe of the select lines, and the faults of a virtual bus on which it can be tried out. The
// probe's reasoning is in diagnosis; here its programs run in the idle gaps of the timetable.
package probe

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/bustime"
	"facetd.example/daemon/events"
	"facetd.example/daemon/exclusive"
	"facetd.example/daemon/probe/diagnosis"
	"facetd.example/scheduler/program"
)

// Runner is what a probe needs of the dispatcher.
type Runner interface {
	// Program runs operations on all chips in a gap in which no job is open.
	Program(ctx context.Context, ops []bus.Op) ([]bus.Capture, error)
	Registers() program.Registers
	Resync()
	Do(ctx context.Context, f func() error) error
}

// Faulty is a bus into which faults can be put. Its methods are called on the
// goroutine that owns the bus.
type Faulty interface {
	SetFaults([]*facetdv1.Fault) error
	Faults() []*facetdv1.Fault
	Contended() uint64
}

// Config holds the dependencies of the services.
type Config struct {
	Array  *chipmodel.Array
	Runner Runner
	// Faulty is nil unless the bus is virtual.
	Faulty Faulty
	// Now is the bus time.
	Now func() bus.Time
	// Refused, where set, is the error of every call: there is no array.
	Refused error
	// Events is where probes and injected faults are reported; nil discards them.
	Events events.Sink
	// Claim takes the array for a measurement that would disturb others; nil means that
	// only probes disturb each other.
	Claim func(by string) (release func(), err error)
}

// Service probes the select lines, and puts faults into a virtual bus. Its methods may be
// called from any goroutine.
type Service struct {
	facetdv1.UnimplementedProbeServiceServer
	facetdv1.UnimplementedFaultServiceServer
	cfg Config

	mu       sync.Mutex
	stats    Stats
	planners map[diagnosis.Options]*diagnosis.Planner
}

// New returns the service.
func New(cfg Config) *Service {
	if cfg.Claim == nil {
		cfg.Claim = new(exclusive.Array).Claim
	}
	return &Service{cfg: cfg, planners: map[diagnosis.Options]*diagnosis.Planner{},
		stats: Stats{Probes: map[facetdv1.ProbeVerdict]uint64{}}}
}

// Register registers both services.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	facetdv1.RegisterProbeServiceServer(r, s)
	facetdv1.RegisterFaultServiceServer(r, s)
}

// ProbeSelects probes. The result is sent after the array is given back, since its reader may measure again at once.
func (s *Service) ProbeSelects(r *facetdv1.ProbeSelectsRequest,
	stream grpc.ServerStreamingServer[facetdv1.ProbeSelectsResponse]) error {
	if s.cfg.Refused != nil {
		return s.cfg.Refused
	}
	result, err := s.alone(r, stream)
	if err != nil {
		return err
	}
	return stream.Send(&facetdv1.ProbeSelectsResponse{Event: &facetdv1.ProbeSelectsResponse_Result{Result: result}})
}

// alone probes while it has the array to itself.
func (s *Service) alone(r *facetdv1.ProbeSelectsRequest,
	stream grpc.ServerStreamingServer[facetdv1.ProbeSelectsResponse]) (*facetdv1.ProbeResult, error) {
	// Two probes would wait for each other's gaps, and planners belong to one goroutine.
	release, err := s.cfg.Claim("a probe of the select lines")
	if err != nil {
		return nil, err
	}
	defer release()
	planner, err := s.planner(diagnosis.Options{Thorough: r.GetThorough()})
	if err != nil {
		return nil, err
	}
	return s.probe(stream.Context(), planner, int(r.GetMaxReadouts()), func(p *facetdv1.ProbeProgress) error {
		return stream.Send(&facetdv1.ProbeSelectsResponse{Event: &facetdv1.ProbeSelectsResponse_Progress{Progress: p}})
	})
}

// Probe runs one probe as a step of something larger, which has claimed the array. Errors are the
// dispatcher's.
func (s *Service) Probe(ctx context.Context, opts diagnosis.Options,
	progress func(*facetdv1.ProbeProgress) error) (*facetdv1.ProbeResult, error) {
	planner, err := s.planner(opts)
	if err != nil {
		return nil, err
	}
	return s.probe(ctx, planner, 0, progress)
}

func (s *Service) probe(ctx context.Context, planner *diagnosis.Planner, most int,
	progress func(*facetdv1.ProbeProgress) error) (*facetdv1.ProbeResult, error) {
	cfg := s.cfg
	run := &probing{cfg: cfg, planner: planner, programs: diagnosis.NewPrograms(planner.Model, chipmodel.LaneDischarge),
		most:  most,
		lanes: make([]laneSum, len(cfg.Array.Lanes)), prepared: bustime.Never}
	// The probe leaves registers in any state; the timetable must find the one it assumes.
	defer cfg.Runner.Resync()
	result, m, err := run.all(ctx, progress)
	if err != nil {
		return nil, err
	}
	s.note(result, m)
	return m, nil
}

// planner returns the planner for some options; it remembers what it chose before.
func (s *Service) planner(opts diagnosis.Options) (*diagnosis.Planner, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if p := s.planners[opts]; p != nil {
		return p, nil
	}
	p, err := diagnosis.New(s.cfg.Array, opts)
	if err != nil {
		return nil, err
	}
	s.planners[opts] = p
	return p, nil
}

// probing is one run of the probe.
type probing struct {
	cfg      Config
	planner  *diagnosis.Planner
	programs *diagnosis.Programs
	most     int
	prepared bus.Time // the last preparation; bustime.Never before the first
	lanes    []laneSum
}

// laneSum gathers what was measured of an idle lane.
type laneSum struct {
	n            int
	mean, spread float64
}

// all makes experiments until nothing more can be learned or the readouts are used up.
func (p *probing) all(ctx context.Context, progress func(*facetdv1.ProbeProgress) error) (*diagnosis.Result,
	*facetdv1.ProbeResult, error) {
	state := p.planner.Start()
	for p.most == 0 || state.Readouts() < p.most {
		e, done := p.planner.Next(state)
		if done {
			break
		}
		seen, err := p.experiment(ctx, e)
		if err != nil {
			return nil, nil, err
		}
		before := state.Readouts()
		state = p.planner.Update(state, e, seen)
		for i, levels := range seen {
			if err := progress(p.progress(e, i, levels, before+i+1, state.Remaining())); err != nil {
				return nil, nil, err
			}
		}
	}
	result := p.planner.Explain(state)
	msg := result.Message()
	for i, lane := range p.lanes {
		msg.Lanes = append(msg.Lanes, &facetdv1.ProbedLane{Lane: p.cfg.Array.Lanes[i].Name, IdleCode: lane.mean,
			IdleSpreadCodes: lane.spread})
	}
	return &result, msg, nil
}

// experiment runs one experiment, after preparing the chips where that is due.
func (p *probing) experiment(ctx context.Context, e diagnosis.Experiment) ([]diagnosis.Observation, error) {
	if now := p.cfg.Now(); p.prepared == bustime.Never || now.Sub(p.prepared) > diagnosis.PrepareEvery {
		var enabled []int
		for c, regs := range p.cfg.Runner.Registers() {
			if regs[chipmodel.OutputEnable] != 0 {
				enabled = append(enabled, c)
			}
		}
		if _, err := p.cfg.Runner.Program(ctx, p.programs.Prepare(enabled)); err != nil {
			return nil, notBroken(err)
		}
		p.prepared = p.cfg.Now()
	}
	captures, err := p.cfg.Runner.Program(ctx, p.programs.Compile(e))
	if err = notBroken(err); err != nil {
		return nil, err
	}
	seen, idle, err := p.programs.Read(e, captures)
	if err != nil {
		return nil, err
	}
	for i, lane := range idle {
		sum := &p.lanes[i]
		sum.n++
		sum.mean += (lane.Mean - sum.mean) / float64(sum.n)
		sum.spread = max(sum.spread, lane.Spread)
	}
	return seen, nil
}

// notBroken turns a rule violation into an error that says so. It is never expected: the inspector judges by the wiring
// as described, and by that a probe's programs break no rule, whatever the faults.
func notBroken(err error) error {
	var broken *rules.ViolationError
	if errors.As(err, &broken) {
		return fmt.Errorf("the probe was stopped: %s", broken)
	}
	return err
}

func (p *probing) progress(e diagnosis.Experiment, readout int, levels diagnosis.Observation, readouts,
	remaining int) *facetdv1.ProbeProgress {
	a := p.cfg.Array
	msg := &facetdv1.ProbeProgress{
		Readouts: uint32(readouts), Remaining: uint32(remaining),
		Enable: program.SelectWord(a, e.Enable), Readout: program.SelectWord(a, e.Readouts[readout]),
	}
	for _, l := range levels {
		msg.Levels = append(msg.Levels, l.Message())
	}
	return msg
}
