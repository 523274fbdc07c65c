// Package calibration makes, keeps and applies the masks that take fixed patterns out of
// frames. The mathematics is in package correction; here are an operator's sessions, the
// folder of masks, and the correction of frame sets on their way to those who asked for it.
//
// A mask belongs to one chip of one array, read with the settings of one view: whatever
// changes the codes beside the light. For each of these at most one mask is in force, in
// a file of its own; a newer one takes the file's place in one step, so that a crash leaves
// the old or the new one. Frames as converted are never changed: corrected ones are copies.
//
// Nothing here runs on the goroutine that owns the bus but a look-up of what a task's views
// are. What waits, and what happens when it is full: sessions do not wait, those beyond
// MaxSessions are refused; captures wait for gaps in the dispatcher's queue, one at a time
// of each session.
package calibration

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
)

const (
	// MaxSessions is how many sessions may be open.
	MaxSessions = 4
	// SessionLimit is how long a session stays open when nothing is done with it.
	SessionLimit = 30 * time.Minute
	// DefaultMaxAge is the age at which a mask counts as stale: common practice, no
	// source. An array that warms up, is knocked or ages needs it sooner.
	DefaultMaxAge = 30 * 24 * time.Hour
	// MaxFrames is the most frames of one level, DefaultFrames the number where none is
	// given.
	MaxFrames     = 4096
	DefaultFrames = 16
	// maxSamples bounds the pixels times levels of all sessions: each takes 34 bytes, so
	// that together they stay near half a gigabyte.
	maxSamples = 16 << 20
	maxNote    = 500
	// otherKelvin is the difference in temperature from which on a frame says that its
	// mask was made at another: common practice, no source.
	otherKelvin = 5
)

// Config is what the service stands on.
type Config struct {
	Array *chipmodel.Array
	// Dir is the folder of masks, which is made when it is not there; empty keeps them in
	// memory alone.
	Dir string
	// MaxAge is the age at which a mask is stale; 0 means DefaultMaxAge.
	MaxAge time.Duration
	// Capture reads chips once.
	Capture func(context.Context, *facetdv1.CaptureFramesRequest) (dispatch.Done, error)
	// Tasks returns the running tasks.
	Tasks func() []*facetdv1.RunningTask
	// Kelvin is the temperature of a chip's die where it is known, else 0.
	Kelvin func(chip int) float64
	// Note takes events for the journal; it must not block.
	Note func(*facetdv1.Event)
	// Clock is the time of day; nil means the host's.
	Clock func() time.Time
	// Share takes the array together with others that only read it; nil means that nobody
	// else measures.
	Share func(by string) (release func(), err error)
	// Status maps errors to gRPC statuses.
	Status func(error) error
}

// Service is the calibration service, and the corrector of frames. Its methods may be
// called from any goroutine; those of dispatch.Observer are for the one that owns the bus.
type Service struct {
	facetdv1.UnimplementedCalibrationServiceServer
	cfg   Config
	store *store

	// force holds the masks in force; it is replaced, never changed.
	force atomic.Pointer[map[key]*inForce]
	// views holds what the views of the timetable's tasks do; it is replaced, never changed.
	views atomic.Pointer[taskViews]

	counts counts
	// rezeroing lets one call at a time bring masks up to date.
	rezeroing chan struct{}

	mu       sync.Mutex // of what follows, and of every change of force and the store
	sessions map[string]*session
	refused  []*facetdv1.RefusedMask
}

// New opens the folder of masks and puts those of this array into force. What cannot be
// used is listed with the reason, and told to the journal; only a folder that cannot be
// read or made is an error.
func New(cfg Config) (*Service, error) {
	if cfg.MaxAge == 0 {
		cfg.MaxAge = DefaultMaxAge
	}
	if cfg.MaxAge < 0 {
		return nil, fmt.Errorf("masks cannot be stale at an age of %v", cfg.MaxAge)
	}
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.Kelvin == nil {
		cfg.Kelvin = func(int) float64 { return 0 }
	}
	s := &Service{cfg: cfg, sessions: map[string]*session{}, rezeroing: make(chan struct{}, 1)}
	s.force.Store(&map[key]*inForce{})
	s.views.Store(&taskViews{})
	if cfg.Dir == "" {
		return s, nil
	}
	var err error
	if s.store, err = openStore(cfg.Dir, cfg.Array); err != nil {
		return nil, fmt.Errorf("masks: %w", err)
	}
	return s, s.load()
}

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	facetdv1.RegisterCalibrationServiceServer(r, s)
}
