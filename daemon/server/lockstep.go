package server

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"strconv"
	"strings"

	"go.uber.org/zap"

	"facetd.example/api/clocksync"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/rules"
	"facetd.example/daemon/api"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/lockstep"
)

// openLockstep makes what holds bus time, where the configuration asks for it.
func (s *Server) openLockstep() {
	if s.cfg.pace() != facetdv1.Pace_PACE_LOCKSTEP {
		return
	}
	l := s.cfg.Lockstep
	s.lockstep = lockstep.New(lockstep.Config{Expected: l.Participants, StalledAfter: l.StalledAfter,
		RemovedAfter: l.RemovedAfter, Logger: s.log.Named("lockstep"),
		Events: func(e *facetdv1.Event) { s.keeping.journal.Sink().Send(e) }})
}

// driveLockstep says what it needs to know of the daemon.
func (s *Server) driveLockstep(d *dispatch.Dispatcher) {
	if s.lockstep == nil {
		return
	}
	s.lockstep.Drive(lockstep.Driver{
		Now:       s.bus.Now,
		Waiting:   d.Waiting,
		Tasks:     func() []*facetdv1.TaskPulse { return api.Pulses(d.Snapshot().Tasks) },
		Delivered: s.handOn,
		Identity:  func() *facetdv1.Identity { return s.api.Identity() },
		Fault: func() error {
			if snap := d.Snapshot(); snap.State == facetdv1.State_STATE_FAULT {
				return errors.New("the bus was given up: " + snap.Fault)
			}
			return nil
		},
	})
}

// lockstepMessage is how far bus time may go, nil at any other pace.
func (s *Server) lockstepMessage() *facetdv1.Lockstep {
	if s.lockstep == nil {
		return nil
	}
	return s.lockstep.Message()
}

// fixedInstant is what the clocks show where they have nothing to do with those of the host.
func (s *Server) fixedInstant(at bus.Time) clocksync.Instant {
	host, off := s.bus.HostTime(at)
	return clocksync.Instant{UTC: host.UTC(), Epoch: 1, Monotonic: lockstep.MonotonicOrigin + at.NS(),
		Uncertainty: off, UTCUncertainty: off}
}

// instance names this run of the daemon: another after every start, but where equal runs are to be equal.
func (s *Server) instance() string {
	sum := sha256.Sum256([]byte("instance " + s.array.Digest + " " + strconv.FormatUint(s.cfg.Seed, 10)))
	return strings.ToUpper(hex.EncodeToString(sum[:13])) // as long as a random one
}

// delivering holds the bus after every job until streams have what they asked for, so that what is dropped does not
// depend on how fast the host is.
type delivering struct{ s *Server }

func (d delivering) SegmentRun(string, *bus.Result, dispatch.WordCount) {}
func (d delivering) Violated(rules.Violation)                           {}
func (d delivering) PlanChanged(*facetdv1.Plan, bus.Time, bus.Time)     {}
func (d delivering) JobEnded(*facetdv1.FrameSet) {
	_ = d.s.handOn(*d.s.running.Load()) // it is going down
}

// JobEndedLater is JobEnded, which needs no pixels.
func (d delivering) JobEndedLater(fs *facetdv1.FrameSet, _ func()) { d.JobEnded(fs) }

// handOn returns once streams have been sent what they asked for. Those that do not read are named after
// Lockstep.StalledAfter, and not waited for. Errors: ctx's, and then all are waited for as before.
func (s *Server) handOn(ctx context.Context) error {
	wait, cancel := context.WithTimeout(ctx, s.cfg.Lockstep.StalledAfter)
	defer cancel()
	switch {
	case s.hub.Delivered(wait) == nil:
		return nil
	case ctx.Err() != nil:
		return ctx.Err()
	}
	for _, name := range s.hub.Pass() {
		text := "lockstep: the stream of " + name + " has asked for frame sets and has not read them for " +
			s.cfg.Lockstep.StalledAfter.String() + "; bus time goes on without it"
		s.log.Warn(text, zap.String("stream", name))
		e := events.Info(facetdv1.EventKind_EVENT_KIND_LOCKSTEP, text)
		e.Severity = facetdv1.Severity_SEVERITY_WARNING
		e.Fields = events.Fields{"stream": events.Text(name)}
		s.keeping.journal.Sink().Send(e)
	}
	return nil
}
