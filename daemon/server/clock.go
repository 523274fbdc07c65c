package server

import (
	"context"
	"fmt"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/daemon/events"
	"facetd.example/daemon/hostclock"
	"facetd.example/daemon/record/replay"
)

// instant is what the clocks of the host show at a bus time.
func (s *Server) instant(at bus.Time) clocksync.Instant {
	if s.cfg.fixed() && s.clock != nil {
		return s.fixedInstant(at)
	}
	host, off := s.bus.HostTime(at)
	if s.clock == nil { // a replay: recorded times have no relation to the clocks of this host
		return clocksync.Instant{UTC: host, UTCUncertainty: off}
	}
	return s.clock.Instant(host, off)
}

// hostTime is UTC at a bus time, which follows settings of UTC.
func (s *Server) hostTime(at bus.Time) (time.Time, time.Duration) {
	host := s.instant(at)
	return host.UTC, host.UTCUncertainty
}

// clocks reads the clocks of bus and host.
func (s *Server) clocks() (*facetdv1.Clock, error) {
	if s.clock == nil {
		return nil, &replay.RefusedError{What: "relating bus time to the host's clocks"}
	}
	at := s.bus.Now()
	now := s.clock.Instant(time.Now(), 0)
	if s.cfg.fixed() {
		now = s.instant(at)
	}
	// Bus time may be a moment ahead of the host, or behind it; the host's clock must be what it is while it is asked.
	bus := s.instant(at)
	apart := time.Duration(bus.Monotonic - now.Monotonic).Abs()
	return &facetdv1.Clock{
		BusNs: at.NS(), MonotonicNs: now.Monotonic, UncertaintyNs: int64(apart + bus.Uncertainty),
		UtcTime: timestamppb.New(now.UTC), UtcUncertaintyNs: int64(apart + bus.UTCUncertainty), UtcEpoch: now.Epoch,
	}, nil
}

// follow keeps an eye on UTC until ctx ends.
func (s *Server) follow(ctx context.Context) {
	tick := time.NewTicker(hostclock.Period)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		if step := s.clock.Look(); step != 0 {
			s.log.Warn("UTC was set, or the host slept", zap.Duration("by", step))
			s.keeping.journal.Sink().Send(clockSet(step))
		}
	}
}

// clockSet tells that UTC was set.
func clockSet(step time.Duration) *facetdv1.Event {
	e := events.Info(facetdv1.EventKind_EVENT_KIND_CLOCK_SET, fmt.Sprintf("UTC went %v another way than the "+
		"monotonic clock of this host: it was set, or the host slept; times of frames follow it, and their monotonic "+
		"times are as before", step))
	e.Severity = facetdv1.Severity_SEVERITY_WARNING
	e.Fields = events.Fields{"step_ns": events.Integer(step.Nanoseconds())}
	return e
}
