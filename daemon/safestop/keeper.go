// Package safestop serves safe stops of the array, and keeps one that is latched beyond the end of the process.
//
// The dispatcher has the latch and releases the lines. Here a stop is stored as a file, DATA/stop/stop.json, written
// whole and durably before it is answered and removed once the array was resumed; frame streams end with it; events
// tell who asked, what became of the lines, and who resumed. A daemon that starts beside such a file starts stopped,
// also where the file cannot be understood. Where the disk refuses, the stop stands in memory, says that it is not
// stored, and is tried again every few seconds.
package safestop

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/timestamppb"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
)

// retryPeriod is how often a file is written again that the disk refused.
const retryPeriod = 5 * time.Second

// noFolder is why nothing is stored without a folder.
const noFolder = "the daemon has no folder for data (--data): started again, it would run the timetable"

// Bus is what can be stopped: the dispatcher.
type Bus interface {
	SafeStop(ctx context.Context, r dispatch.StopReason) dispatch.SafeStop
	Stopped() *dispatch.SafeStop
	Resume(ctx context.Context, revision uint64) (bus.Time, dispatch.SafeStop, error)
}

// Streams are the frame streams.
type Streams interface {
	// Suspend ends those that are open with an error, and refuses new ones with it.
	Suspend(why error)
	Restore()
}

// Config is what a keeper needs.
type Config struct {
	// Path of the file; empty stores nothing. Its folder is the keeper's own, and is made where it is not there.
	Path    string
	Modes   fileio.Modes
	Streams Streams
	Events  events.Sink
	Logger  *zap.Logger

	// For tests of a disk that refuses.
	store func(path string, data []byte, modes fileio.Modes) error
}

// Keeper stops and resumes a bus, and keeps the stop. Its methods may be called from any goroutine.
type Keeper struct {
	cfg   Config
	bus   Bus                // set by Drive
	start *dispatch.SafeStop // from before the start

	syncing sync.Mutex // held while disk and streams are brought to what the bus has
	written []byte     // that the disk holds

	mu    sync.Mutex // held for moments: the goroutine that owns the bus takes it
	why   string     // the stop is not stored; empty where it is
	stops uint64
}

// Stats is what happened since the daemon started.
type Stats struct {
	Stops uint64 // requests, each with other words
	// Of the stop that is latched: the lines are not confirmed inactive, and the disk does not hold it.
	Unconfirmed, Unstored bool
}

// Open reads the file. Errors are the system's.
func Open(cfg Config) (*Keeper, error) {
	if cfg.store == nil {
		cfg.store = store
	}
	if cfg.Logger == nil {
		cfg.Logger = zap.NewNop()
	}
	k := &Keeper{cfg: cfg}
	if cfg.Path == "" {
		k.why = noFolder
		return k, nil
	}
	if err := cfg.Modes.MkdirAll(filepath.Dir(cfg.Path)); err != nil {
		return nil, fmt.Errorf("safe stop: %w", err)
	}
	left, err := filepath.Glob(filepath.Join(filepath.Dir(cfg.Path), fileio.TempPrefix+"*"))
	for _, path := range left { // half-written in a crash
		err = errors.Join(err, os.Remove(path))
	}
	if err != nil {
		return nil, fmt.Errorf("safe stop: %w", err)
	}
	if k.start, k.written, err = read(cfg.Path); err != nil {
		return nil, fmt.Errorf("safe stop: %w", err)
	}
	return k, nil
}

// AtStart is the stop that was latched before the daemon started, nil where there is none. The dispatcher must be
// configured with it.
func (k *Keeper) AtStart() *dispatch.SafeStop { return k.start }

// Drive makes a bus the one that is stopped. Its configuration must name AtStart and Halted.
func (k *Keeper) Drive(b Bus) {
	k.bus = b
	if k.start == nil {
		return
	}
	text := "the array is " + k.start.Text() + ": nothing is driven until it is resumed with 'facetctl resume'"
	k.cfg.Logger.Warn(text)
	k.tell(facetdv1.Severity_SEVERITY_WARNING, facetdv1.EventKind_EVENT_KIND_SAFE_STOP, text, k.start)
	k.sync()
}

// Halted is called once the lines were released for a stop, on the goroutine that owns the bus.
func (k *Keeper) Halted() {
	s := k.bus.Stopped()
	if s == nil {
		return
	}
	if s.Lines.State != facetdv1.LineState_LINE_STATE_CONFIRMED {
		k.tell(facetdv1.Severity_SEVERITY_ERROR, facetdv1.EventKind_EVENT_KIND_SAFE_STOP, "safe stop: the bus has not "+
			"confirmed that the lines are inactive, take them for active: "+s.Lines.Why, s)
		return
	}
	k.tell(facetdv1.Severity_SEVERITY_INFO, facetdv1.EventKind_EVENT_KIND_SAFE_STOP,
		"safe stop: every line is inactive, as the bus has confirmed", s)
}

// Stop stops the array for somebody. Errors: invalid.Errors for the reason; then nothing was done.
func (k *Keeper) Stop(ctx context.Context, by, reason string) (*facetdv1.SafeStop, error) {
	if wrong := checkReason(reason); wrong != "" {
		return nil, invalid.Errors{{Path: "reason", Message: "the reason " + wrong,
			Hint: fmt.Sprintf("one line of at most %d characters, or none", MaxReason)}}
	}
	r := dispatch.StopReason{By: clean(by), Reason: reason, At: time.Now()}
	// What was begun is carried through when the caller goes away.
	s := k.bus.SafeStop(context.WithoutCancel(ctx), r)
	if slices.ContainsFunc(s.Reasons, func(is dispatch.StopReason) bool { return is.At.Equal(r.At) }) {
		k.mu.Lock()
		k.stops++
		k.mu.Unlock()
		k.tell(facetdv1.Severity_SEVERITY_ERROR, facetdv1.EventKind_EVENT_KIND_SAFE_STOP, "safe stop asked for "+
			r.String(), &s)
		if s.Lines.State == facetdv1.LineState_LINE_STATE_UNSPECIFIED {
			k.tell(facetdv1.Severity_SEVERITY_ERROR, facetdv1.EventKind_EVENT_KIND_SAFE_STOP, fmt.Sprintf("safe stop: "+
				"whoever drives the bus has not answered within %v; take the lines for active",
				dispatch.ConfirmLimit), &s)
		}
	}
	k.sync()
	return k.message(&s), nil
}

// Resume resumes the array. Errors are the dispatcher's.
func (k *Keeper) Resume(ctx context.Context, by string, revision uint64) (bus.Time, *facetdv1.SafeStop, error) {
	at, s, err := k.bus.Resume(ctx, revision)
	if err != nil {
		return 0, nil, err
	}
	k.sync()
	e := events.Info(facetdv1.EventKind_EVENT_KIND_RESUMED, "resumed by "+clean(by)+"; it was "+s.Text())
	e.BusNs = new(at.NS())
	k.cfg.Logger.Info(e.GetText())
	k.cfg.Events.Send(e)
	over := k.message(&s)
	over.Stored = k.cfg.Path != "" && over.GetNotStoredReason() != "" // its file, which could not be removed
	return at, over, nil
}

// Keep tries again what the disk refused, until ctx ends.
func (k *Keeper) Keep(ctx context.Context) {
	tick := time.NewTicker(retryPeriod)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			k.sync()
		}
	}
}

// sync brings streams and disk to what the bus has: calls that overlap end with what was last asked for.
func (k *Keeper) sync() {
	k.syncing.Lock()
	defer k.syncing.Unlock()
	s := k.bus.Stopped()
	if s != nil {
		k.cfg.Streams.Suspend(&dispatch.SafeStopError{Stop: *s})
	} else {
		k.cfg.Streams.Restore()
	}
	if k.cfg.Path == "" {
		return
	}
	data, err := encode(s)
	if err == nil && (!bytes.Equal(data, k.written) || k.there() != (data != nil)) {
		if err = k.cfg.store(k.cfg.Path, data, k.cfg.Modes); err == nil {
			k.written = data
		}
	}
	k.stored(s, err)
}

// there reports whether there is a file.
func (k *Keeper) there() bool {
	_, err := os.Stat(k.cfg.Path)
	return !errors.Is(err, fs.ErrNotExist)
}

// stored tells when the disk begins or ceases to refuse.
func (k *Keeper) stored(s *dispatch.SafeStop, err error) {
	why, what := "", "the safe stop is not stored, and would be gone after a restart: "
	if s == nil {
		what = "the file of the safe stop that is over cannot be removed; started again, the daemon would be stopped: "
	}
	if err != nil {
		why = fileio.Plain(err).Error()
	}
	k.mu.Lock()
	before := k.why
	k.why = why
	k.mu.Unlock()
	switch {
	case before == "" && why != "":
		k.tell(facetdv1.Severity_SEVERITY_ERROR, facetdv1.EventKind_EVENT_KIND_SAFE_STOP, what+why, s)
	case before != "" && why == "":
		k.tell(facetdv1.Severity_SEVERITY_INFO, facetdv1.EventKind_EVENT_KIND_SAFE_STOP,
			"the disk holds again whether there is a safe stop", s)
	}
}

// Stopped is the stop that is latched, nil where there is none.
func (k *Keeper) Stopped() *dispatch.SafeStop {
	if k.bus == nil {
		return k.start
	}
	return k.bus.Stopped()
}

// Stats returns the counts until now.
func (k *Keeper) Stats() Stats {
	s := k.bus.Stopped()
	k.mu.Lock()
	defer k.mu.Unlock()
	return Stats{
		Stops:       k.stops,
		Unconfirmed: s != nil && s.Lines.State != facetdv1.LineState_LINE_STATE_CONFIRMED,
		Unstored:    s != nil && k.why != "",
	}
}

// Message is the stop that is latched as clients see it, nil where there is none.
func (k *Keeper) Message() *facetdv1.SafeStop {
	s := k.bus.Stopped()
	if s == nil {
		return nil
	}
	return k.message(s)
}

func (k *Keeper) message(s *dispatch.SafeStop) *facetdv1.SafeStop {
	k.mu.Lock()
	why := k.why
	k.mu.Unlock()
	out := &facetdv1.SafeStop{
		Requests: s.Requests, Revision: s.Revision, JobsFailed: s.JobsFailed, OnDemandFailed: s.OnDemandFailed,
		Lines:  &facetdv1.LineRelease{State: s.Lines.State, Reason: s.Lines.Why},
		Stored: why == "", NotStoredReason: why,
	}
	if s.Lines.State == facetdv1.LineState_LINE_STATE_CONFIRMED {
		out.Lines.InactiveBusNs = new(s.Lines.At.NS())
	}
	for _, r := range s.Reasons {
		told := &facetdv1.StopReason{By: r.By, Reason: r.Reason, Time: timestamppb.New(r.At)}
		if r.BusTime > 0 {
			told.BusNs = new(r.BusTime.NS())
		}
		out.Reasons = append(out.Reasons, told)
	}
	return out
}

// tell sends an event about a stop, which may be over.
func (k *Keeper) tell(severity facetdv1.Severity, kind facetdv1.EventKind, text string, s *dispatch.SafeStop) {
	e := events.Info(kind, text)
	e.Severity = severity
	if s != nil {
		last := s.Reasons[len(s.Reasons)-1]
		e.BusNs = new(last.BusTime.NS())
		e.Fields = events.Fields{
			"by": events.Text(last.By), "reason": events.Text(last.Reason), "revision": events.Integer(s.Revision),
			"jobs_failed": events.Integer(s.JobsFailed), "on_demand_failed": events.Integer(s.OnDemandFailed),
		}
		if s.Lines.State == facetdv1.LineState_LINE_STATE_CONFIRMED {
			e.BusNs = new(s.Lines.At.NS())
		}
	}
	k.cfg.Events.Send(e)
}
