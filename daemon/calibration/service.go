// Package calibration makes, keeps and applies the correction maps that take fixed patterns out of
// frames. The mathematics is in package correction; here are an operator's sessions, the
// folder of correction maps, and the correction of frame sets on their way to those who asked for it.
//
// A correction map belongs to one chip of one array, read with the settings of one view: whatever
// changes the codes beside the light. For each of these at most one correction map is active, in
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
	"facetd.example/api/fileio"
	"facetd.example/chipmodel"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/events"
)

const (
	// MaxSessions is how many sessions may be open.
	MaxSessions = 4
	// SessionLimit is how long a session stays open when nothing is done with it.
	SessionLimit = 30 * time.Minute
	// DefaultMaxAge is the age at which a correction map counts as stale: common practice, no
	// source. An array that warms up, is knocked or ages needs it sooner.
	DefaultMaxAge = 30 * 24 * time.Hour
	// MaxFrames is the most frames of one level, DefaultFrames the number where none is
	// given.
	MaxFrames     = 4096
	DefaultFrames = 16
	// maxSamples limits the pixels times levels of all sessions: each takes 34 bytes, so
	// that together they stay near half a gigabyte.
	maxSamples = 16 << 20
	maxNote    = 500
)

// Config holds what the service depends on.
type Config struct {
	Array *chipmodel.Array
	// Dir is the folder of correction maps, which is made when it is not there; empty keeps them in
	// memory alone.
	Dir string
	// Modes of its files and of the folder.
	Modes fileio.Modes
	// MaxAge is the age at which a correction map is stale; 0 means DefaultMaxAge.
	MaxAge time.Duration
	// Capture reads chips once.
	Capture func(context.Context, *facetdv1.CaptureFramesRequest) (dispatch.Done, error)
	// Tasks returns the running tasks.
	Tasks func() []*facetdv1.RunningTask
	// Kelvin is the temperature of a chip's die where it is known, else 0.
	Kelvin func(chip int) float64
	// NotUniform is the light where it is known not to be uniform, else empty; nil means that nobody ever knows.
	NotUniform func() string
	// Events takes events for the journal.
	Events events.Sink
	// Changed is told of every correction map that becomes active, with its numbers, or no longer is, without; it must
	// not wait. Nil tells nobody.
	Changed func(*facetdv1.CorrectionMap)
	// Disk, where set, puts something around every file that is written: for tests of a disk that is full.
	Disk func(fileio.File) fileio.File
	// Clock is the time of day; nil means the host's.
	Clock func() time.Time
	// ClaimShared takes the array together with others that only read it; nil means that nobody
	// else measures.
	ClaimShared func(by string) (release func(), err error)
}

// maxPast is how many correction maps that are no longer active are kept in memory, for those who have frames that
// they corrected.
const maxPast = 64

// Maps are the active correction maps, their folder, and the corrector of frames. Their
// methods may be called from any goroutine; those of dispatch.Observer are for the one that
// owns the bus.
type Maps struct {
	cfg   Config
	store *store

	// active holds the active correction maps; it is replaced, never changed.
	active atomic.Pointer[map[key]*activeMap]
	// views holds what the views of the timetable's tasks do; it is replaced, never changed.
	views atomic.Pointer[taskViews]

	counts counts

	mu      sync.Mutex // of what follows, and of every change of active and the store
	refused []*facetdv1.RefusedCorrectionMap
	// past are correction maps that were active, the last maxPast, the oldest first.
	past []*activeMap
}

// Service is the calibration service: an operator's sessions, which make maps. Its methods
// may be called from any goroutine.
type Service struct {
	facetdv1.UnimplementedCalibrationServiceServer
	*Maps

	// updating lets one call at a time bring correction maps up to date.
	updating chan struct{}

	mu       sync.Mutex // of the sessions
	sessions map[string]*session
}

// New opens the folder of correction maps and activates those of this array. What cannot be
// used is listed with the reason, and told to the journal; only a folder that cannot be
// read or made is an error.
func New(cfg Config) (*Service, error) {
	if cfg.MaxAge == 0 {
		cfg.MaxAge = DefaultMaxAge
	}
	if cfg.MaxAge < 0 {
		return nil, fmt.Errorf("correction maps cannot be stale at an age of %v", cfg.MaxAge)
	}
	if cfg.Clock == nil {
		cfg.Clock = time.Now
	}
	if cfg.NotUniform == nil {
		cfg.NotUniform = func() string { return "" }
	}
	if cfg.Kelvin == nil {
		cfg.Kelvin = func(int) float64 { return 0 }
	}
	s := &Service{Maps: &Maps{cfg: cfg}, sessions: map[string]*session{}, updating: make(chan struct{}, 1)}
	s.active.Store(&map[key]*activeMap{})
	s.views.Store(&taskViews{})
	if cfg.Dir == "" {
		return s, nil
	}
	var err error
	if s.store, err = openStore(cfg.Dir, cfg.Modes, cfg.Array); err != nil {
		return nil, fmt.Errorf("correction maps: %w", err)
	}
	s.store.disk = cfg.Disk
	return s, s.load()
}

// Register registers the service.
func (s *Service) Register(r grpc.ServiceRegistrar) {
	facetdv1.RegisterCalibrationServiceServer(r, s)
}
