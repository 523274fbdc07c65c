package server

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
	"facetd.example/daemon/record"
)

// recordEndLimit is how long recordings may take to write what still waits and to sync it: milliseconds as a rule, and
// much more where others keep the disk or the processor busy. The lines are inactive by then.
const recordEndLimit = 2 * time.Second

// keeping is what the daemon keeps of what happens: the journal of events, and
// recordings where it has a folder for them.
type keeping struct {
	journal    *events.Journal
	busEvents  *events.Observer
	recordings *record.Manager // nil without a folder
	// recording is recordings once it is there: the journal tells it of every event.
	recording atomic.Pointer[record.Manager]
}

// keep opens the journal and the folder of recordings: DATA/events and
// DATA/recordings, or the memory alone and none.
func (s *Server) keep() error {
	k := &s.keeping
	var err error
	id := s.cfg.Instance
	var clock func() time.Time
	if s.cfg.fixed() {
		id = cmp.Or(id, s.instance())
		clock = func() time.Time { host, _ := s.hostTime(s.bus.Now()); return host }
	}
	cfg := events.Config{Modes: s.cfg.DataModes(), ID: id, Clock: clock, Events: func(e *facetdv1.Event) {
		if m := k.recording.Load(); m != nil {
			m.Event(e)
		}
	}}
	if s.cfg.Data != "" {
		cfg.Dir = filepath.Join(s.cfg.Data, "events")
	}
	if k.journal, err = events.Open(cfg); err != nil {
		return fmt.Errorf("journal of events: %w", err)
	}
	k.busEvents = events.NewObserver(k.journal, s.hostTime)
	if err := s.calibrate(); err != nil {
		return errors.Join(err, k.journal.Close("the daemon did not start"))
	}
	s.watchHealth()
	if s.cfg.Data == "" {
		return nil
	}
	k.recordings, err = record.NewManager(record.Config{
		Dir: filepath.Join(s.cfg.Data, "recordings"), Modes: s.cfg.DataModes(), Array: s.array,
		// The log's times stay in order where UTC is set; those in the frame sets follow it.
		HostTime: s.bus.HostTime, Now: s.bus.Now,
		Status: func() *facetdv1.Status { return s.api.Status() },
		Events: k.journal.Sink(),
		Labels: s.labels(), Maps: s.calibration.Active,
		Correct: s.calibration.Begin,
		Motion:  func() func(*facetdv1.FrameSet) *facetdv1.MotionEstimate { return s.motion.Tracker().Take },
		Keep:    record.Keeping{For: s.cfg.Recordings.KeepFor, Bytes: s.cfg.Recordings.KeepBytes},
		Logger:  s.log.Named("record"), Disk: s.cfg.Disk,
	})
	if err != nil {
		return errors.Join(fmt.Errorf("recordings: %w", err), k.journal.Close("the daemon did not start"))
	}
	k.recording.Store(k.recordings)
	return nil
}

// labels say in every recording where it comes from.
func (s *Server) labels() map[string]string {
	if s.player != nil {
		return map[string]string{"version": s.cfg.Version, "replay_of": strings.Join(s.player.Replay().GetFiles(), ",")}
	}
	if s.bridges() {
		return map[string]string{"version": s.cfg.Version, "device": s.cfg.Bus, "grain": s.grain.String()}
	}
	return map[string]string{"version": s.cfg.Version, "seed": strconv.FormatUint(s.cfg.Seed, 10), "pace": s.cfg.Pace,
		"grain": s.cfg.Grain.String()}
}

// observers are those that keep what happens on the bus.
func (k *keeping) observers() []dispatch.Observer {
	if k.recordings == nil {
		return []dispatch.Observer{k.busEvents}
	}
	return []dispatch.Observer{k.recordings, k.busEvents}
}

// run records that the daemon is up, closes recordings that a crash left open, and watches for a
// bus that is given up, until ctx ends.
func (k *keeping) run(ctx context.Context, text string, snapshot func() dispatch.Snapshot) {
	k.journal.Append(events.Info(facetdv1.EventKind_EVENT_KIND_DAEMON_STARTED, text))
	k.journal.TellUnreadable()
	go k.busEvents.Watch(ctx, snapshot)
	if k.recordings != nil {
		go func() {
			_ = k.recordings.Recover(ctx) // each outcome is an event
			k.recordings.Keep(ctx)
		}()
	}
}

// close ends recordings and the journal, once the bus has stopped.
func (k *keeping) close(reason string) error {
	k.busEvents.Flush()
	var err error
	if k.recordings != nil {
		ctx, cancel := context.WithTimeout(context.Background(), recordEndLimit)
		defer cancel()
		err = k.recordings.Close(ctx)
	}
	k.journal.Append(events.Info(facetdv1.EventKind_EVENT_KIND_DAEMON_STOPPED, reason))
	return errors.Join(err, k.journal.Close(reason))
}
