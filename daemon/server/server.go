// Package server is the daemon's process: it reads what is to run, binds its
// listeners, runs the dispatcher, gRPC and HTTP, and takes them down in reverse. It
// can be run within a test, on port 0.
package server

import (
	"cmp"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"net"
	"net/http"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"google.golang.org/grpc"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/bus"
	"facetd.example/bus/bridge"
	"facetd.example/bus/rules"
	"facetd.example/bus/virtual"
	"facetd.example/bus/wake"
	"facetd.example/chipmodel"
	"facetd.example/daemon/access"
	"facetd.example/daemon/api"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/config"
	"facetd.example/daemon/dispatch"
	"facetd.example/daemon/environment"
	"facetd.example/daemon/events"
	"facetd.example/daemon/exclusive"
	healthwatch "facetd.example/daemon/health/watch"
	"facetd.example/daemon/history/sampler"
	"facetd.example/daemon/hostclock"
	"facetd.example/daemon/lockstep"
	"facetd.example/daemon/metrics"
	"facetd.example/daemon/motion"
	"facetd.example/daemon/probe"
	"facetd.example/daemon/record"
	"facetd.example/daemon/record/replay"
	"facetd.example/daemon/reload"
	"facetd.example/daemon/safestop"
	"facetd.example/daemon/stream"
	"facetd.example/daemon/taskstore"
)

// Server is the daemon.
type Server struct {
	cfg   Setup
	log   *zap.Logger
	array *chipmodel.Array

	listeners *listeners
	// bus is the bus, or the recording that stands in its place; dispatcher is what
	// drives it, or that recording again.
	bus        source
	dispatcher driver
	stored     *taskstore.Keeper // the dispatcher, where there is a folder for data
	stop       *safestop.Keeper  // nil in a replay
	player     *replay.Player    // nil on a bus
	light      *environment.Service
	lockstep   *lockstep.Service // nil at any other pace
	paced      *paced            // nil without Setup.Pacer
	driven     *bridge.Bus       // of a device; nil where none drives the array
	// fromRobot is what connects the array to the rest of the robot, and setInput plays that on a virtual bus; nil
	// where there is none.
	fromRobot func() *facetdv1.GetInputsResponse
	setInput  setsInput
	clock     *hostclock.Clock // nil in a replay
	hub       *stream.Hub
	motion    *motion.Service
	// calibration has the correction maps, and corrects frames with them.
	calibration *calibration.Service
	health      *healthwatch.Service
	history     *sampler.Service
	probes      *probe.Service
	metrics     *metrics.Metrics
	api         *api.Server
	http        *http.Server
	keeping     keeping
	measuring   exclusive.Array // by one at a time
	access      *access.Gate

	// Of reloads.
	level     zap.AtomicLevel // of the log
	owner     reload.Bus      // nil in a replay
	reload    *reload.Reload
	reloading sync.Mutex // so that what is told of one is told of it alone

	running atomic.Pointer[context.Context] // of Run

	grain time.Duration // of the bus

	mu    sync.Mutex
	final *facetdv1.Status // once the bus has ended
}

// source is what the rest of the daemon needs of a bus, or of the recording in its place.
type source interface {
	Now() bus.Time
	HostTime(at bus.Time) (host time.Time, uncertainty time.Duration)
	Close() error
}

// driver is what the rest of the daemon needs of a dispatcher.
type driver interface {
	dispatch.Service
	Run(ctx context.Context) error
	Alive(ctx context.Context) error
}

// New does everything that can fail: it checks the configuration and the files it
// names, plans the tasks and binds the listeners. Nothing runs yet; call Run, or
// Close. Errors: invalid.Errors with everything wrong with the input,
// *scheduler.RefusalError when the tasks do not fit, and what the system says about
// an address.
func New(cfg Setup) (*Server, error) {
	if m := cfg.Validate(); len(m) > 0 {
		return nil, m
	}
	log, level, err := cfg.logger()
	if err != nil {
		return nil, fmt.Errorf("log: %w", err)
	}
	device, on, err := cfg.dial()
	if err != nil {
		return nil, err
	}
	in, m := on.load(log)
	if len(m) > 0 {
		(&inputs{device: device}).release()
		return nil, m
	}
	in.device = device
	gate, err := access.New(cfg.Access, access.Options{ReadFile: cfg.ReadFile, Logger: log.Named("access")})
	if err != nil {
		in.release()
		return nil, err
	}
	s := &Server{cfg: cfg, grain: on.Grain, access: gate, log: log, array: in.array, hub: stream.NewHub(),
		metrics: metrics.New(cfg.Version), level: level}
	s.cfg.Supervisor = cfg.Supervisor.Logging(log.Named("supervise"))
	if err := s.assemble(in); err != nil {
		return nil, err
	}
	s.reload = s.reloadable(in)
	if s.listeners, err = bind(cfg.Listen, gate); err != nil {
		_ = s.Close() // it has not run
		return nil, err
	}
	if cfg.Listener != nil {
		if s.listeners.given, err = gate.Listener(cfg.Listener); err != nil {
			_ = s.Close() // it has not run
			return nil, err
		}
	}
	return s, nil
}

// assemble makes the parts, from the bus up.
func (s *Server) assemble(in *inputs) error {
	probed, err := s.open(in)
	if err != nil {
		return err
	}
	probed.Events = s.keeping.journal.Sink()
	s.probes = probe.New(*probed)
	guide := s.bringup(in, probed, s.probes)
	s.motion = s.newMotion()
	s.api = api.New(api.Config{
		Array: s.array, Dispatch: s.dispatcher, Hub: s.hub,
		Logger: s.log.Named("api").WithOptions(zap.WrapCore(sampled)),
		Info:   s.info(), Clock: s.clocks, Access: s.access, Corrector: s.calibration, SafeStop: s.safeStop,
		Lockstep: s.lockstepMessage, Called: s.health.Called,
		More: func(r grpc.ServiceRegistrar) {
			s.probes.Register(r)
			s.health.Register(r)
			s.history.Register(r)
			record.NewService(s.keeping.recordings).Register(r)
			events.NewService(s.keeping.journal).Register(r)
			s.light.Register(r)
			s.lockstep.Register(r)
			replay.NewService(s.player).Register(r)
			guide.Register(r)
			safestop.NewService(s.stop, &replay.RefusedError{What: "stopping or resuming an array"}).Register(r)
			s.calibration.Register(r)
			s.deviceService().Register(r)
			s.motion.Register(r)
		},
	})
	if s.http, err = s.newHTTP(); err != nil {
		_ = s.Close() // it has not run
		return err
	}
	source := metrics.Source{
		Bus:            metrics.Bus{Array: s.array.Name, Kind: s.info().Bus, Pace: s.info().Pace},
		Snapshot:       s.dispatcher.Snapshot,
		Events:         s.keeping.journal.Stats,
		Streams:        s.hub.Stats,
		Refused:        s.access.Refused,
		CorrectionMaps: s.calibration.Stats,
		Probes:         s.probes.Stats,
		Health:         s.health.Stats,
		Bringups:       guide.Stats,
		Motion:         s.motion.Stats,
		Uncertainty: func() time.Duration {
			_, off := s.bus.HostTime(s.bus.Now())
			return off
		},
	}
	s.addOptional(&source)
	source.Device = s.deviceStatus()
	s.metrics.SetSource(source)
	s.log.Info("ready", zap.String("version", s.cfg.Version), zap.String("array", s.array.Name),
		zap.Int("chips", len(s.array.Chips)),
		zap.String("bus", s.cfg.Bus), zap.Int("tasks", len(in.tasks)), zap.String("scene", s.cfg.Scene),
		zap.String("pace", s.cfg.Pace), zap.Uint64("seed", s.cfg.Seed))
	return nil
}

// addOptional adds what not every daemon has.
func (s *Server) addOptional(source *metrics.Source) {
	if s.clock != nil {
		source.UTCSteps = s.clock.Steps
	}
	if s.keeping.recordings != nil {
		source.Recordings = s.keeping.recordings.Stats
	}
	if s.stored != nil {
		source.StoredTasks = s.stored.Stats
	}
	if s.stop != nil {
		source.SafeStop = s.stop.Stats
	}
	if s.lockstep != nil {
		source.Lockstep = s.lockstep.Stats
	}
}

// newMotion makes the service of motion estimates; which daemon this is, is known by the time it is asked.
func (s *Server) newMotion() *motion.Service {
	return motion.New(motion.Config{Array: s.array, Hub: s.hub,
		Tasks:    func() []*facetdv1.RunningTask { return s.dispatcher.Snapshot().Tasks },
		BusNs:    func() int64 { return s.bus.Now().NS() },
		Identity: func() *facetdv1.Identity { return s.api.Identity() }})
}

// open makes the bus with its dispatcher, or the player of a recording, and says
// what can be probed there.
func (s *Server) open(in *inputs) (*probe.Config, error) {
	switch {
	case in.player != nil:
		return s.playback(in)
	case in.device != nil:
		return s.bridged(in)
	}
	return s.virtualBus(in)
}

func (s *Server) virtualBus(in *inputs) (*probe.Config, error) {
	var sleeper wake.Sleeper
	if s.cfg.pace() == facetdv1.Pace_PACE_REALTIME {
		sleeper = wake.Precise()
	}
	s.openLockstep()
	if s.cfg.Pacer != nil {
		s.paced = &paced{s: s, held: make(chan struct{})}
	}
	simulate := virtual.Config{Array: s.array, Scene: in.scene, Pace: s.cfg.pace(), Seed: s.cfg.Seed,
		MaxLag: s.cfg.MaxLag, Defects: s.cfg.defects(), GroundTruth: in.groundTruth, Sleeper: sleeper}
	if s.cfg.fixed() {
		simulate.Epoch = lockstep.Epoch
	}
	if s.lockstep != nil {
		simulate.Leash = s.lockstep
	}
	simulated, err := virtual.New(simulate)
	if err != nil {
		if sleeper != nil {
			_ = sleeper.Close() // it was not used
		}
		return nil, fmt.Errorf("virtual bus: %w", err)
	}
	d, err := s.drive(in, s.wrapped(simulated), simulated.Inspector())
	if err != nil {
		return nil, err
	}
	s.driveLockstep(d)
	s.fromRobot = d.Inputs
	simulated.OnEdge(d.Edge)
	light := environment.Config{Bus: simulated, Scene: s.cfg.Scene, Light: in.scene, Array: s.array, Do: d.Do,
		Now: s.bus.Now}
	if s.lockstep != nil {
		light.Act = s.lockstep.Act
	} else if s.paced != nil {
		light.Act = s.paced.act
	}
	s.light = environment.New(light)
	s.setInput = inputSetter(simulated, light.Act)
	return &probe.Config{
		Array: s.array, Runner: d, Faulty: faultyBus{simulated}, Now: s.bus.Now, Claim: s.claim,
	}, nil
}

// wrapped is a bus with what a test puts around it.
func (s *Server) wrapped(b bus.BusCloser) bus.BusCloser {
	if s.cfg.wrapBus == nil {
		return b
	}
	return s.cfg.wrapBus(b)
}

// drive makes what runs the tasks on a bus, and keeps what happens there. Where it fails it closes the bus.
func (s *Server) drive(in *inputs, driven bus.BusCloser, inspector *rules.Inspector) (*dispatch.Dispatcher, error) {
	s.bus = driven
	var err error
	if s.clock, err = hostclock.New(s.cfg.utc); err != nil {
		_ = s.bus.Close() // it has not run
		return nil, err
	}
	if err := s.keep(); err != nil {
		_ = s.bus.Close() // it has not run
		return nil, err
	}
	if err := s.openStop(); err != nil {
		_ = s.keeping.close("the daemon did not start")
		_ = s.bus.Close() // it has not run
		return nil, err
	}
	d, err := s.dispatch(in, dispatch.Config{
		Array: s.array, Bus: driven, Inspector: inspector, Observer: s.observers(), Instant: s.instant,
		Logger: s.log.Named("bus"), Tasks: in.tasks, StopAt: s.stopAt(),
		Wanted: s.wanted, MaxLag: s.cfg.MaxLag, Behind: s.behind,
		Stopped: s.stop.AtStart(), Halted: s.stop.Halted, Held: s.lockstep != nil,
		Paused: s.taskPaused,
	})
	if err != nil {
		_ = s.keeping.close("the daemon did not start")
		_ = s.bus.Close() // it has not run
		return nil, err
	}
	s.stop.Drive(d)
	return d, nil
}

// stopAt is the bus time at which the daemon ends; 0 is never. A device has begun before.
func (s *Server) stopAt() bus.Time {
	at := bus.Time(s.cfg.StopAt)
	if at > 0 && s.bridges() {
		at = s.bus.Now().Add(s.cfg.StopAt)
	}
	return at
}

// dispatch makes the dispatcher, which runs the tasks configured and, where there is a folder
// for data, what is stored of them.
func (s *Server) dispatch(in *inputs, cfg dispatch.Config) (*dispatch.Dispatcher, error) {
	if s.cfg.Data == "" {
		d, err := dispatch.New(cfg)
		if err != nil {
			return nil, err
		}
		s.dispatcher, s.owner = d, d
		return d, nil
	}
	stored, err := taskstore.Open(taskstore.Config{
		Path: filepath.Join(s.cfg.Data, "tasks", "tasks.json"), Modes: s.cfg.DataModes(),
		Events: s.keeping.journal.Sink(), Logger: s.log.Named("tasks"),
	}, in.tasks, func(tasks []*facetdv1.Task) error { return dispatch.Fits(s.array, cfg.Bus.Limits(), tasks) })
	if err != nil {
		return nil, err
	}
	cfg.Tasks, cfg.Revision, cfg.Applied = stored.Tasks(), stored.Revision(), stored.Applied
	d, err := dispatch.New(cfg)
	if err != nil {
		return nil, err
	}
	stored.Drive(d)
	s.stored, s.dispatcher, s.owner = stored, stored, stored
	return d, nil
}

// wanted reports whether somebody is known to want the pixels of a task.
func (s *Server) wanted(task string) bool {
	return s.cfg.JobEnded != nil || s.hub.Wants(task) || s.keeping.recordings != nil && s.keeping.recordings.Wants(task)
}

// observers are all who are notified of what happens on the bus.
func (s *Server) observers() observers {
	all := append(observers{s.calibration, s.metrics, toStreams{s.hub}, s.health, s.history}, s.keeping.observers()...)
	if s.cfg.Pacer != nil {
		all = append(all, s.paced)
	}
	if s.lockstep != nil {
		all = append(all, delivering{s})
	}
	if s.cfg.JobEnded != nil {
		all = append(all, onJobEnded(s.cfg.JobEnded))
	}
	return all
}

// taskPaused notifies those of the observers whom it concerns that a task was paused or resumed, on any goroutine.
func (s *Server) taskPaused(p dispatch.Pausing) {
	s.metrics.Paused(p)
	s.health.Paused(p)
	s.hub.LookAgain()
	s.keeping.busEvents.Paused(p)
}

// info is what the daemon says about itself. The pace and the seed are a virtual
// bus's.
func (s *Server) info() api.Info {
	out := api.Info{Version: s.cfg.Version, Bus: config.Virtual, Pace: s.cfg.pace(), Seed: s.cfg.Seed,
		Started: time.Now(), Name: s.cfg.Name, Instance: cmp.Or(s.cfg.Instance, rand.Text())}
	if s.cfg.fixed() {
		out.Started, out.Instance = lockstep.Epoch, cmp.Or(s.cfg.Instance, s.instance())
	}
	if s.clock != nil && out.Pace == facetdv1.Pace_PACE_REALTIME { // in free pace times say nothing of this host's
		out.Boot = s.clock.Boot()
	}
	switch {
	case s.player != nil:
		out.Bus, out.Pace, out.Seed = "replay", facetdv1.Pace_PACE_UNSPECIFIED, 0
	case s.bridges():
		out.Bus, out.Pace, out.Seed = "bridge", facetdv1.Pace_PACE_UNSPECIFIED, 0
	}
	return out
}

// sampled keeps a flood of refused calls from filling the log: of equal lines within
// a second 20 are kept, then one of a hundred.
func sampled(c zapcore.Core) zapcore.Core {
	return zapcore.NewSamplerWithOptions(c, time.Second, 20, 100)
}

// faultyBus is a simulated bus as the fault service sees it.
type faultyBus struct{ *virtual.Bus }

// Contended is how often two chips began to drive one lane.
func (b faultyBus) Contended() uint64 {
	total, _ := b.Contentions()
	return total
}

// Addresses returns where the server listens.
func (s *Server) Addresses() Addresses { return s.listeners.addresses() }

// Array returns the array that the server runs.
func (s *Server) Array() *chipmodel.Array { return s.array }

// Now returns the bus time and the host time that stands for it.
func (s *Server) Now() (at bus.Time, host time.Time) {
	at = s.bus.Now()
	host, _ = s.hostTime(at)
	return at, host
}

// Status is the daemon now, or as it was when the bus ended.
func (s *Server) Status() *facetdv1.Status {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.final != nil {
		return s.final
	}
	return s.api.Status()
}

// Close gives up a server that is not to be run.
func (s *Server) Close() error {
	if s.listeners != nil {
		s.listeners.close()
	}
	return errors.Join(s.keeping.close("the daemon was not run"), s.bus.Close())
}

// Run runs the daemon until ctx ends or the bus time to stop at is reached, and
// takes it down within about a second. It may be called once. It returns nil after
// either, and otherwise the cause: of the bus given up, of a panic beside it (*dispatch.PanicError), or of a listener
// that broke.
func (s *Server) Run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s.running.Store(&ctx)
	storeAll := s.keepStored(ctx)
	if s.stop != nil {
		go s.stop.Keep(ctx)
	}
	if s.clock != nil {
		go s.follow(ctx)
	}
	if s.lockstep != nil {
		go s.lockstep.Watch(ctx)
	}
	go s.health.Run(ctx)
	go s.history.Run(ctx)
	s.keeping.run(ctx, "facetd "+s.cfg.Version+s.verb()+s.array.Name, s.dispatcher.Snapshot)
	ended := make(chan error, 1)
	go func() { ended <- s.runBus(ctx) }()
	broken := s.serve()
	go tellRefusals(ctx, s.access.Refused, s.keeping.journal.Sink())
	go s.superviseRun(ctx)

	reason := "the daemon was asked to stop"
	var cause error
	var busEnded bool
	select {
	case <-ctx.Done():
	case cause = <-ended:
		busEnded = true
		reason = "the daemon reached the time to stop at"
	case cause = <-broken:
		reason = "the daemon lost a listener"
	}
	if cause != nil {
		reason += ": " + cause.Error()
	}
	down := teardown{s: s, reason: reason, cancel: cancel}
	if !busEnded {
		down.ended = ended
	}
	if errors.As(cause, new(*dispatch.PanicError)) {
		return errors.Join(cause, down.runAfterPanic())
	}
	storeAll()
	return errors.Join(cause, down.run())
}

// storeLimit is how long the last tasks and parameters may take to be stored at the end.
const storeLimit = time.Second

// keepStored keeps the stored tasks until ctx ends or the function that it returns is called, which waits for the last
// of them to be stored.
func (s *Server) keepStored(ctx context.Context) (storeAll func()) {
	if s.stored == nil {
		return func() {}
	}
	ctx, cancel := context.WithCancel(ctx)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		s.stored.Keep(ctx)
	}()
	return func() {
		cancel()
		select {
		case <-ended:
		case <-time.After(storeLimit): // the disk hangs
		}
	}
}

func (s *Server) verb() string {
	if s.player != nil {
		return " replays "
	}
	return " runs "
}

// runBus keeps the status at the end of the bus.
func (s *Server) runBus(ctx context.Context) error {
	err := s.dispatcher.Run(ctx)
	s.mu.Lock()
	s.final = s.api.Status()
	s.mu.Unlock()
	return err
}

// serve serves every listener; what comes out is the failure of one.
func (s *Server) serve() <-chan error {
	broken := make(chan error, 4) // as many as there may be listeners: no one waits
	start := func(name string, l net.Listener, serve func(net.Listener) error) {
		if l == nil {
			return
		}
		s.log.Info("listening", zap.String("for", name), zap.Stringer("address", l.Addr()))
		go func() {
			if err := serve(l); err != nil && !errors.Is(err, http.ErrServerClosed) {
				broken <- fmt.Errorf("%s on %s: %w", name, l.Addr(), err)
			}
		}()
	}
	start("grpc", s.listeners.grpc, s.api.Serve)
	start("grpc", s.listeners.unix, s.api.Serve)
	start("grpc", s.listeners.given, s.api.Serve)
	start("http", s.listeners.http, s.serveHTTP)
	return broken
}
