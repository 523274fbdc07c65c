package server

import (
	"context"
	"net"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus"
	"facetd.example/daemon/config"
	"facetd.example/daemon/record"
	"facetd.example/daemon/stream"
	"facetd.example/daemon/supervise"
)

// Setup is what the daemon runs: its configuration, and what the program that runs it adds.
type Setup struct {
	config.Config

	// GroundTruth is a file that says how a virtual array really is, where it is to differ from its
	// description; empty is as described. It is for trying out the bring-up.
	GroundTruth string
	// Starting, where set, ends while New still waits for a device: it then gives up at once.
	Starting context.Context
	// Version of the daemon.
	Version string
	// Instance names this run of the daemon; empty means that it is drawn at random.
	Instance string
	// ReadFile reads the files named above; nil means from the file system.
	ReadFile func(name string) ([]byte, error)
	// Logger takes the place of what Log describes.
	Logger *zap.Logger
	// JobEnded, where set, is given the frame set of every job and on-demand job. It is
	// called on the goroutine that owns the bus and must not block; nobody changes
	// the frame set afterwards.
	JobEnded func(*facetdv1.FrameSet)
	// Pacer, where set, is asked before the first and after every job whether the bus may
	// go on, and holds it until it may: for tests on a virtual bus in free pace, whose time
	// stands still meanwhile. at is how long after its start the bus is; ctx ends with the daemon.
	Pacer func(ctx context.Context, hub *stream.Hub, at time.Duration)
	// Fixed says that times of the host are a function of bus time and names of the seed, as in lockstep they always
	// are: equal runs then have equal messages. It is for a virtual bus in free pace.
	Fixed bool
	// Supervisor, where set, is notified of how the daemon is doing.
	Supervisor *supervise.Manager
	// Listener, where set, is served beside those of Listen, as one of this machine.
	Listener net.Listener

	// Disk, where set, puts something around every file of a recording that is begun: for tests of a disk that fails.
	Disk func(record.File) record.File

	// wrapBus puts something around the bus, in tests of what happens when it fails.
	wrapBus func(bus.BusCloser) bus.BusCloser
	// utc is what UTC shows at a time that was just read, in nanoseconds since 1970, in tests that set it.
	utc func(now time.Time) int64
}

// Validate finds everything wrong with the configuration itself; files are read by New.
func (c *Setup) Validate() invalid.Errors {
	c.Served = c.Listener != nil
	return c.Config.Validate()
}

// fixed says that what is answered has nothing to do with the host.
func (c *Setup) fixed() bool {
	return c.Bus == config.Virtual && (c.Fixed || c.Pace == config.Lockstep)
}

func (c *Setup) pace() facetdv1.Pace {
	switch c.Pace {
	case config.Free:
		return facetdv1.Pace_PACE_FREE
	case config.Lockstep:
		return facetdv1.Pace_PACE_LOCKSTEP
	}
	return facetdv1.Pace_PACE_REALTIME
}

// logger makes the logger that Log describes.
func (c *Setup) logger() (*zap.Logger, zap.AtomicLevel, error) {
	level, err := zap.ParseAtomicLevel(c.Log.Level)
	if c.Logger != nil || err != nil {
		return c.Logger, level, err
	}
	z := zap.NewProductionConfig()
	z.Level = level
	z.Encoding = c.Log.Format
	z.Sampling, z.DisableCaller, z.DisableStacktrace = nil, true, true
	z.EncoderConfig.EncodeTime = zapcore.ISO8601TimeEncoder
	z.EncoderConfig.EncodeDuration = zapcore.StringDurationEncoder
	log, err := z.Build()
	return log, level, err
}
