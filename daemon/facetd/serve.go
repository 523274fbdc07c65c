package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/bus/bridge/link"
	"facetd.example/bus/virtual"
	"facetd.example/daemon/calibration"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
	"facetd.example/daemon/supervise"
	"facetd.example/scheduler"
)

const serveHelp = `The daemon runs an array with tasks on the virtual bus: by default the built-in demo.
Flags go before the configuration file's fields. --scene is a description such as
uniform:200, demo:high=800 or grating:mean=100,contrast=0.5, or the name of an
equirectangular PNG or JPEG. --bus replay:FILE plays a recording in place of a bus: it
brings its array and tasks along, and what acts on an array is refused. With
--bus bridge:ADDRESS a device drives the array; 'facetd chips' simulates one for the
firmware that runs as a process.
With --run-for it ends at that bus time and sums up what was achieved, with a SHA-256
over the bus times and codes of all frame sets; without, it ends on SIGINT or SIGTERM.
On SIGHUP it reads the file of --config and the files named there again: log level,
scene, tasks and access change while it runs, all of them or none; a file that changes
anything else is refused, and so is an array file that describes another array. Without
--config SIGHUP ends it. What it prints goes to standard output (under --output json only
the summary), its log to standard error.`

// serveFlags are the flags of the daemon. An empty or zero one that was not given
// leaves the configuration as it is.
type serveFlags struct {
	config, array, tasks, scene, pace string
	seed                              uint64
	listen, socket, http, name        string
	logFormat, logLevel, data         string
	runFor, maxLag, grain             time.Duration
	groundTruth                       string
	bus                               string
	replaySpeed                       float64
	replayLoop, replayStepped         bool
	takeOver                          bool
	untested                          string
	maxAge                            time.Duration
	defects                           []string
}

func serveCommand() *cobra.Command {
	f := &serveFlags{}
	cmd := &cobra.Command{
		Use:   "serve",
		Short: "Run the daemon (also without a command)",
		Long:  serveHelp,
		Example: `  facetd serve
  facetd serve --array array.yaml --tasks tasks.yaml --scene uniform:200
  facetd serve --pace free --run-for 10s --seed 7 --output json
  facetd serve --bus replay:bend-001.mcap,bend-002.mcap --replay-loop`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	f.register(cmd)
	return cmd
}

func (f *serveFlags) register(cmd *cobra.Command) {
	d, fl := config.Default(), cmd.Flags()
	fl.StringVar(&f.config, "config", "", "YAML file of the configuration")
	fl.StringVar(&f.bus, "bus", d.Bus, "virtual; bridge:ADDRESS: the device at "+link.Form+"; "+
		"or replay:FILE[,FILE...]: the files of one recording in order")
	fl.BoolVar(&f.takeOver, "take-over", false, "take the device even where another daemon uses it")
	fl.StringVar(&f.untested, "untested-device", "",
		"name of the board, to have it drive the array although it has not passed its self-test")
	fl.StringVar(&f.name, "name", d.Name, "name of this daemon among others (default the array's)")
	fl.Float64Var(&f.replaySpeed, "replay-speed", d.Replay.Speed,
		"how many times as fast as it happened a recording is played; 0 as fast as possible")
	fl.BoolVar(&f.replayLoop, "replay-loop", false, "start a recording over at its end")
	fl.BoolVar(&f.replayStepped, "replay-stepped", false, "wait before the first frame set for 'facetctl replay'")
	fl.StringVar(&f.array, "array", d.Array, "array file, or demo")
	fl.StringVar(&f.tasks, "tasks", "", "file of tasks, demo, or none (default demo's with the demo array, else none)")
	fl.StringVar(&f.scene, "scene", d.Scene, "light around the array: a description, or a picture's name")
	fl.StringVar(&f.pace, "pace", d.Pace, "pace of bus time: realtime, free, or lockstep, as programs allow")
	fl.Uint64Var(&f.seed, "seed", d.Seed, "seed of everything random")
	fl.DurationVar(&f.grain, "grain", d.Grain, grainHelp)
	fl.StringVar(&f.listen, "listen", d.Listen.GRPC,
		"HOST:PORT of the gRPC API; port 0 takes a free one, empty none; other than loopback requires access control "+
			"(--config)")
	fl.StringVar(&f.socket, "socket", d.Listen.Unix, "path of a Unix socket of the gRPC API (default none)")
	fl.StringVar(&f.http, "http", d.Listen.HTTP,
		"HOST:PORT of the page, the API over HTTP, metrics and health; empty means none; other than loopback requires "+
			"access control (--config)")
	fl.StringVar(&f.data, "data", d.Data, "folder for recordings, the journal of events, correction maps, runs of "+
		"bring-up, tasks made over the API and a safe stop (default none: no recordings, the others in memory)")
	fl.StringArrayVar(&f.defects, "defect", nil, "a defective pixel of the virtual bus, as often as there are: "+
		virtual.DefectForm)
	fl.DurationVar(&f.maxAge, "calibration-max-age", calibration.DefaultMaxAge,
		"age at which a correction map counts as stale (30 days is common practice, no source)")
	fl.DurationVar(&f.maxLag, "max-lag", d.MaxLag,
		"how far the host may be behind the timetable in real time; jobs that come later are refused (0s: none are)")
	fl.StringVar(&f.logFormat, "log-format", d.Log.Format, "json or console")
	fl.StringVar(&f.logLevel, "log-level", d.Log.Level, "debug, info, warn or error")
	fl.StringVar(&f.groundTruth, "ground-truth", "",
		"file of how the virtual array really is, where it is to differ from the array file, to try 'facetctl "+
			"bringup' (default as the array file says)")
	fl.DurationVar(&f.runFor, "run-for", 0, "end at this bus time and sum up the run (default go on)")
}

// settings is the configuration file with the flags given over it.
func (f *serveFlags) settings(cmd *cobra.Command) (config.Config, error) {
	c := config.Default()
	if f.config != "" {
		s, err := open(cmd.InOrStdin(), f.config, nil, "built-in configuration")
		if err != nil {
			return c, err
		}
		var m invalid.Errors
		if c, m = config.Parse(s.name, s.data); len(m) > 0 {
			return c, &invalidError{s.name, m}
		}
	}
	given := cmd.Flags().Changed
	for name, set := range map[string]func(){
		"bus":             func() { c.Bus = f.bus },
		"take-over":       func() { c.TakeOver = f.takeOver },
		"untested-device": func() { c.UntestedDevice = f.untested },
		"replay-speed":    func() { c.Replay.Speed = f.replaySpeed },
		"replay-loop":     func() { c.Replay.Loop = f.replayLoop },
		"replay-stepped":  func() { c.Replay.Stepped = f.replayStepped },

		"name":                func() { c.Name = f.name },
		"array":               func() { c.Array = f.array },
		"tasks":               func() { c.Tasks = f.tasks },
		"scene":               func() { c.Scene = sceneOf(f.scene) },
		"pace":                func() { c.Pace = f.pace },
		"seed":                func() { c.Seed = f.seed },
		"grain":               func() { c.Grain = f.grain },
		"listen":              func() { c.Listen.GRPC = f.listen },
		"socket":              func() { c.Listen.Unix = strings.TrimPrefix(f.socket, "unix:") },
		"http":                func() { c.Listen.HTTP = f.http },
		"data":                func() { c.Data = f.data },
		"defect":              func() { c.Defects = f.defects },
		"calibration-max-age": func() { c.Calibration.MaxAge = f.maxAge },
		"log-format":          func() { c.Log.Format = f.logFormat },
		"log-level":           func() { c.Log.Level = f.logLevel },
		"max-lag":             func() { c.MaxLag = f.maxLag },
		"run-for":             func() { c.StopAt = f.runFor },
	} {
		if given(name) {
			set()
		}
	}
	if given("run-for") && f.runFor <= 0 {
		return c, cli.Usagef("--run-for %s: give a time above zero", f.runFor)
	}
	if err := fitBus(&c, given); err != nil {
		return c, err
	}
	// The file was in order by itself, so what is wrong now came with the flags.
	if m := c.Validate(); len(m) > 0 {
		return c, cli.Usagef("%s", m.Error())
	}
	return c, nil
}

// fitBus refuses flags that are ignored on the kind of bus. In a file they may
// stand: one file can then serve both.
func fitBus(c *config.Config, given func(string) bool) error {
	names, why := []string{"replay-speed", "replay-loop", "replay-stepped"},
		"no recording is played; give --bus replay:FILE"
	if _, bridged := c.Device(); bridged {
		names = append(names, "scene", "pace", "seed", "grain", "defect", "ground-truth")
		why = "the array is a real one, or 'facetd chips' simulates it"
	}
	if strings.HasPrefix(c.Bus, config.ReplayOf) {
		names, why = []string{"array", "tasks", "scene", "pace", "seed", "grain", "run-for", "ground-truth"},
			"a recording brings its own, and is played to its end"
	}
	for _, name := range names {
		if given(name) {
			return cli.Usagef("--%s is not possible with --bus %s: %s", name, c.Bus, why)
		}
	}
	return nil
}

// sceneOf lets the name of a picture stand for the panorama of it.
func sceneOf(s string) string {
	if ext := strings.ToLower(filepath.Ext(s)); !strings.Contains(s, ":") &&
		slices.Contains([]string{".png", ".jpg", ".jpeg"}, ext) {
		return "panorama:" + s
	}
	return s
}

func (f *serveFlags) run(cmd *cobra.Command) error {
	// From the first moment on a SIGHUP is kept, so that one that comes while the daemon
	// starts does not end it.
	hups := make(chan os.Signal, 1) // several that come together are one
	signal.Notify(hups, syscall.SIGHUP)
	defer signal.Stop(hups)
	c, err := f.settings(cmd)
	if err != nil {
		return err
	}
	setup := server.Setup{Config: c, Version: cli.ThisBuild(version).Version, GroundTruth: f.groundTruth,
		Starting:   cmd.Context(),
		Supervisor: supervise.FromEnvironment(zap.NewNop())}
	rec := newRecorder()
	if c.StopAt > 0 {
		setup.JobEnded = rec.add
	}
	s, err := server.New(setup)
	if err != nil && cmd.Context().Err() != nil {
		return nil // it was asked to end while it waited for a device
	}
	if err != nil {
		return startError(err)
	}
	out := cmd.OutOrStdout()
	if cli.WantsJSON(cmd) {
		out = cmd.ErrOrStderr()
	}
	banner(out, &setup, s)
	ctx, cancel := context.WithCancel(cmd.Context())
	defer cancel()
	cmd.SetContext(ctx)
	go f.onSIGHUP(ctx, cmd, s, hups, cancel)
	return serve(cmd, s, rec, c.StopAt)
}

// onSIGHUP reads the configuration again at every SIGHUP, with the flags over it as at
// the start. Without a file that can be read again a SIGHUP ends the daemon in order:
// it comes from a terminal that was closed.
func (f *serveFlags) onSIGHUP(ctx context.Context, cmd *cobra.Command, s *server.Server, hups <-chan os.Signal,
	end func()) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-hups:
		}
		if f.config == "" || f.config == "-" {
			end()
			return
		}
		_ = s.Reload(ctx, func() (config.Config, error) { return f.settings(cmd) }) // it logs what became of it
	}
}

// runner is what serve needs of a server.
type runner interface {
	Run(ctx context.Context) error
	Status() *facetdv1.Status
}

// serve runs a server to its end, and prints the summary where it was to stop at a
// bus time.
func serve(cmd *cobra.Command, s runner, rec *recorder, stopAt time.Duration) error {
	start, from := time.Now(), s.Status().GetBusNs() // a device has begun before
	runErr := s.Run(cmd.Context())
	if stopAt == 0 {
		return runErr
	}
	status := s.Status()
	end := status.GetBusNs()
	if runErr == nil && cmd.Context().Err() == nil && from == 0 { // the time of a device goes on by itself
		end = max(end, stopAt.Nanoseconds())
	}
	sum := rec.summary(status, end-from, time.Since(start))
	if runErr != nil && sum.Fault == "" {
		sum.Fault = runErr.Error()
	}
	var err error
	if cli.WantsJSON(cmd) {
		err = cli.WriteJSON(cmd.OutOrStdout(), sum)
	} else {
		fmt.Fprintln(cmd.OutOrStdout())
		err = sum.write(cmd.OutOrStdout())
	}
	if runErr != nil {
		fmt.Fprintf(cmd.ErrOrStderr(), "facetd: %s\n", runErr)
		return cli.ErrReported
	}
	return err
}

// banner says what runs, and where it can be reached.
func banner(w io.Writer, c *server.Setup, s *server.Server) {
	a, at := s.Array(), s.Addresses()
	chips := cli.Count(len(a.Chips), "chip")
	if files, is := strings.CutPrefix(c.Bus, config.ReplayOf); is {
		fmt.Fprintf(w, "facetd %s replays %s: %s, from %s\n", c.Version, a.Name, chips,
			strings.ReplaceAll(files, ",", ", "))
	} else {
		fmt.Fprintf(w, "facetd %s runs %s: %s, pace %s, seed %d\n", c.Version, a.Name, chips, c.Pace, c.Seed)
	}
	if at.GRPC != "" {
		fmt.Fprintf(w, "gRPC     %s%s\n", at.GRPC, overTLS(at.GRPCOverTLS))
	}
	if at.Unix != "" {
		fmt.Fprintf(w, "gRPC     unix:%s\n", at.Unix)
	}
	if at.HTTP != "" {
		scheme := "http"
		if at.HTTPOverTLS {
			scheme = "https"
		}
		fmt.Fprintf(w, "page     %s://%s/\n", scheme, at.HTTP)
		fmt.Fprintf(w, "metrics  %s://%s/metrics\n", scheme, at.HTTP)
	}
	if stop := s.Stopped(); stop != nil {
		fmt.Fprintf(w, "STOPPED  the array is %s; when it is safe, resume it with 'facetctl resume'\n", stop.Text())
	}
}

func overTLS(is bool) string {
	if is {
		return " (TLS)"
	}
	return ""
}

// startError turns what keeps a server from starting into an error for people.
func startError(err error) error {
	var wrong invalid.Errors
	var refusal *scheduler.RefusalError
	switch {
	case errors.As(err, &wrong):
		return &invalidError{"what the daemon is to run", wrong}
	case errors.As(err, &refusal):
		return &refusedError{refusal.Refusal}
	}
	return err
}

// refusedError is the error of tasks that do not fit.
type refusedError struct{ refusal *facetdv1.Refusal }

func (e *refusedError) Error() string {
	return strings.Join(append([]string{"the tasks do not fit on the bus"}, cli.RefusalLines(e.refusal)...), "\n")
}

// ErrorJSON is the error as --output json prints it.
func (e *refusedError) ErrorJSON() any {
	raw, _ := cli.Raw(e.refusal) // a message that was just made can be encoded
	return struct {
		Error   string          `json:"error"`
		Refusal json.RawMessage `json:"refusal"`
	}{e.refusal.GetMessage(), raw}
}
