package api

import (
	"context"
	"slices"
	"time"

	"google.golang.org/grpc/health/grpc_health_v1"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/failure"
)

type servingStatus = grpc_health_v1.HealthCheckResponse_ServingStatus

// healthService is the standard health service. The empty name and every service's
// full name are SERVING exactly while the timetable runs. Each answer is worked out
// when asked, so that it is never stale.
type healthService struct {
	grpc_health_v1.UnimplementedHealthServer
	s *Server
}

func (h *healthService) Check(_ context.Context,
	r *grpc_health_v1.HealthCheckRequest) (*grpc_health_v1.HealthCheckResponse, error) {
	st := h.of(r.GetService())
	if st == grpc_health_v1.HealthCheckResponse_SERVICE_UNKNOWN {
		return nil, &failure.NotFound{What: "service", Name: r.GetService(), Hint: known(h.s.names)}
	}
	return &grpc_health_v1.HealthCheckResponse{Status: st}, nil
}

func (h *healthService) List(context.Context, *grpc_health_v1.HealthListRequest) (*grpc_health_v1.HealthListResponse,
	error) {
	all := map[string]*grpc_health_v1.HealthCheckResponse{"": {Status: h.of("")}}
	for _, name := range h.s.names {
		all[name] = &grpc_health_v1.HealthCheckResponse{Status: h.of(name)}
	}
	return &grpc_health_v1.HealthListResponse{Statuses: all}, nil
}

// Watch sends the status now and after every change. Only the newest status counts:
// a slow reader misses those between. At the end it sends NOT_SERVING and ends.
func (h *healthService) Watch(r *grpc_health_v1.HealthCheckRequest, out grpc_health_v1.Health_WatchServer) error {
	tick := time.NewTicker(healthPollPeriod)
	defer tick.Stop()
	sent := servingStatus(-1)
	for {
		drained := h.s.isDrained()
		if now := h.of(r.GetService()); now != sent {
			if err := out.Send(&grpc_health_v1.HealthCheckResponse{Status: now}); err != nil {
				return err
			}
			sent = now
		}
		if drained {
			return &failure.Unavailable{Reason: h.s.reason}
		}
		select {
		case <-tick.C:
		case <-h.s.drained:
		case <-out.Context().Done():
			return out.Context().Err()
		}
	}
}

func (h *healthService) of(service string) servingStatus {
	if service != "" && !slices.Contains(h.s.names, service) {
		return grpc_health_v1.HealthCheckResponse_SERVICE_UNKNOWN
	}
	snap := h.s.cfg.Dispatch.Snapshot()
	if h.s.state(&snap) == facetdv1.State_STATE_RUNNING {
		return grpc_health_v1.HealthCheckResponse_SERVING
	}
	return grpc_health_v1.HealthCheckResponse_NOT_SERVING
}
