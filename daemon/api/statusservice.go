package api

import (
	"cmp"
	"context"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/access"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/failure"
)

type statusService struct {
	facetdv1.UnimplementedStatusServiceServer
	s *Server
}

func (v *statusService) GetStatus(ctx context.Context, _ *facetdv1.GetStatusRequest) (*facetdv1.GetStatusResponse,
	error) {
	r := &facetdv1.GetStatusResponse{Status: v.s.Status()}
	if c, known := access.CallerOf(ctx); known {
		r.Caller = &facetdv1.Caller{Name: c.Name, Role: c.Role.String()}
	}
	return r, nil
}

func (v *statusService) GetClock(context.Context, *facetdv1.GetClockRequest) (*facetdv1.GetClockResponse, error) {
	clock, err := v.s.cfg.Clock()
	if err != nil {
		return nil, err
	}
	return &facetdv1.GetClockResponse{Clock: clock, Identity: v.s.Identity()}, nil
}

// WatchStatus has no queue: each message is made when it is sent, and a slow reader
// gets fewer.
func (v *statusService) WatchStatus(r *facetdv1.WatchStatusRequest,
	out grpc.ServerStreamingServer[facetdv1.WatchStatusResponse]) error {
	var m invalid.Errors
	interval := within(&m, "interval", r.GetInterval(), minStatusInterval, maxStatusInterval, time.Second)
	if len(m) > 0 {
		return m
	}
	tick := time.NewTicker(interval)
	defer tick.Stop()
	for {
		if err := out.Send(&facetdv1.WatchStatusResponse{Status: v.s.Status()}); err != nil {
			return err
		}
		select {
		case <-tick.C:
		case <-out.Context().Done():
			return out.Context().Err()
		case <-v.s.drained:
			return &failure.Unavailable{Reason: v.s.reason}
		}
	}
}

// Identity is which daemon this is.
func (s *Server) Identity() *facetdv1.Identity {
	return &facetdv1.Identity{Name: cmp.Or(s.cfg.Info.Name, s.cfg.Array.Name), InstanceId: s.cfg.Info.Instance,
		ArrayDigest: s.cfg.Array.Digest, GeometryDigest: s.geometry.GetDigest(), HostBootId: s.cfg.Info.Boot}
}

// Status is the daemon at this instant, as clients see it.
func (s *Server) Status() *facetdv1.Status {
	snap, streams, info := s.cfg.Dispatch.Snapshot(), s.cfg.Hub.Stats(), s.cfg.Info
	st := &facetdv1.Status{
		State: s.state(&snap), Fault: snap.Fault,
		Version: info.Version, Identity: s.Identity(), Array: s.cfg.Array.Name, Bus: info.Bus, Pace: info.Pace,
		Seed:  info.Seed,
		BusNs: snap.Now.NS(), StartTime: timestamppb.New(info.Started),
		PlannedUtilization: snap.PlannedUtil,
		Tasks:              snap.Tasks,
		RuleViolations:     snap.Violations,
		TimeUncertaintyNs:  int64(snap.Uncertainty),
		Streams:            uint32(streams.Open), DroppedFrameSets: streams.DroppedTotal(),
	}
	if s.cfg.SafeStop != nil {
		st.SafeStop = s.cfg.SafeStop()
	}
	if s.cfg.Lockstep != nil {
		st.Lockstep = s.cfg.Lockstep()
	}
	for _, v := range snap.LastBroken {
		st.LastViolations = append(st.LastViolations,
			&facetdv1.RuleViolation{Rule: facetdv1.BusRule(v.Rule), Message: v.Message, BusNs: v.At.NS(),
				Chips: v.Chips})
	}
	if snap.Measured <= 0 {
		return st
	}
	measured := float64(snap.Measured)
	st.MeasuredUtilization = float64(snap.Busy.Total()) / measured
	for phase := 1; phase < bus.NumPhases; phase++ {
		st.Phases = append(st.Phases, &facetdv1.PhaseUtilization{Phase: facetdv1.Phase(phase),
			Fraction: float64(snap.Busy[phase]) / measured})
	}
	return st
}

// state is the dispatcher's, unless the daemon is going down.
func (s *Server) state(snap *dispatch.Snapshot) facetdv1.State {
	if s.isDrained() {
		return facetdv1.State_STATE_STOPPING
	}
	return snap.State
}

func (s *Server) isDrained() bool {
	select {
	case <-s.drained:
		return true
	default:
		return false
	}
}
