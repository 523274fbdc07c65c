package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

// app is what the commands share.
type app struct {
	to      cli.Connection
	timeout time.Duration
	env     func(string) string
	// terminal asks for the size of the terminal that stdout is; nil when it is
	// none.
	terminal func() (columns, lines int)
}

func newRoot(a *app) *cobra.Command {
	root := &cobra.Command{
		Use:   "facetctl",
		Short: "Talk to a facetd daemon",
		Long: `facetctl talks to a facetd daemon: status, safe stops, chips, tasks, frames, plans, commands,
select words, faults, light, calibration, recordings and events.
Exit status: 0 done, 1 failed, 2 usage error.`,
		Example: `  facetctl status --watch
  facetctl --address unix:/run/facetd/facetd.sock chips
  facetctl --address crawler:7660 --tls-ca ca.pem --token-file token status
  facetctl tasks add --name look --target wall --rate 10 --binning 2`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	a.to.Register(root.PersistentFlags(), a.env)
	root.PersistentFlags().DurationVar(&a.timeout, "timeout", 30*time.Second,
		"give up on a single answer after this long; streams have no limit")
	cli.AddOutputFlag(root)
	root.AddCommand(
		a.statusCommand(), a.healthCommand(), a.historyCommand(), a.stopCommand(), a.resumeCommand(),
		a.chipsCommand(), a.tasksCommand(), a.framesCommand(), a.captureCommand(),
		a.sendCommand(), a.planCommand(), a.reachCommand(), a.coverCommand(),
		a.probeCommand(), a.bringupCommand(), a.faultCommand(), a.sceneCommand(), a.lockstepCommand(),
		a.deviceCommand(),
		a.recordCommand(), a.replayCommand(),
		a.eventsCommand(), a.clockCommand(), a.motionCommand(),
		a.calibrateCommand(), a.benchCommand(), cli.VersionCommand("facetctl", version),
	)
	a.complete(root)
	return root
}

// client is the daemon's services over one connection.
type client struct {
	daemon  *facet.Client
	array   facetdv1.ArrayServiceClient
	status  facetdv1.StatusServiceClient
	tasks   facetdv1.TaskServiceClient
	frames  facetdv1.FrameServiceClient
	plan    facetdv1.PlanServiceClient
	command facetdv1.CommandServiceClient
	probe   facetdv1.ProbeServiceClient
	fault   facetdv1.FaultServiceClient
	record  facetdv1.RecordServiceClient
	replay  facetdv1.ReplayServiceClient
	events  facetdv1.EventServiceClient
	scene   facetdv1.SceneServiceClient
	bringup facetdv1.BringupServiceClient
	stop    facetdv1.SafeStopServiceClient
	health  facetdv1.HealthServiceClient
	history facetdv1.HistoryServiceClient

	calibration facetdv1.CalibrationServiceClient
	lockstep    facetdv1.LockstepServiceClient
	device      facetdv1.DeviceServiceClient
}

// call runs f with the daemon's services and a time limit. Errors of the daemon
// come back in readable form.
func (a *app) call(cmd *cobra.Command, f func(ctx context.Context, c *client) error) error {
	if a.timeout <= 0 {
		return cli.Usagef("--timeout %s: give a time above zero", a.timeout)
	}
	return a.stream(cmd, func(ctx context.Context, c *client) error {
		ctx, cancel := context.WithTimeout(ctx, a.timeout)
		defer cancel()
		return f(ctx, c)
	})
}

// stream is call without a time limit.
func (a *app) stream(cmd *cobra.Command, f func(ctx context.Context, c *client) error) error {
	if err := a.to.Check(); err != nil {
		return err
	}
	o, err := a.to.Options()
	if err != nil {
		return err
	}
	daemon, err := facet.Connect(a.to.Address, facet.Options{TLS: o.TLS, Token: o.Token})
	if err != nil {
		return cli.Usagef("--address: %s", err)
	}
	defer daemon.Close()
	conn := daemon.Conn()
	return a.explain(f(cmd.Context(), &client{
		daemon:   daemon,
		array:    facetdv1.NewArrayServiceClient(conn),
		status:   facetdv1.NewStatusServiceClient(conn),
		tasks:    facetdv1.NewTaskServiceClient(conn),
		frames:   facetdv1.NewFrameServiceClient(conn),
		plan:     facetdv1.NewPlanServiceClient(conn),
		command:  facetdv1.NewCommandServiceClient(conn),
		probe:    facetdv1.NewProbeServiceClient(conn),
		fault:    facetdv1.NewFaultServiceClient(conn),
		record:   facetdv1.NewRecordServiceClient(conn),
		replay:   facetdv1.NewReplayServiceClient(conn),
		events:   facetdv1.NewEventServiceClient(conn),
		lockstep: facetdv1.NewLockstepServiceClient(conn),
		device:   facetdv1.NewDeviceServiceClient(conn),
		scene:    facetdv1.NewSceneServiceClient(conn),
		bringup:  facetdv1.NewBringupServiceClient(conn),
		stop:     facetdv1.NewSafeStopServiceClient(conn),
		health:   facetdv1.NewHealthServiceClient(conn),
		history:  facetdv1.NewHistoryServiceClient(conn),

		calibration: facetdv1.NewCalibrationServiceClient(conn),
	}))
}

// follow is stream for what goes on until it is interrupted, which is a good end whenever it comes.
func (a *app) follow(cmd *cobra.Command, f func(ctx context.Context, c *client) error) error {
	err := a.stream(cmd, f)
	if errors.Is(cmd.Context().Err(), context.Canceled) {
		return nil
	}
	return err
}

// size is the space for output in characters.
func (a *app) size() (columns, lines int) {
	if a.terminal != nil {
		return a.terminal()
	}
	columns, err := strconv.Atoi(a.env("COLUMNS"))
	if err != nil || columns < 20 {
		columns = 80
	}
	return columns, 40
}

// colour reports whether pictures may use colour.
func (a *app) colour(no bool) bool {
	return !no && a.terminal != nil && a.env("NO_COLOR") == "" && a.env("TERM") != "dumb"
}

// repaint makes ready for a text that replaces the one before: on a terminal the
// cursor goes home, elsewhere an empty line stands between them.
func (a *app) repaint(w io.Writer, first bool) {
	switch {
	case a.terminal != nil && first:
		fmt.Fprint(w, "\x1b[2J\x1b[H")
	case a.terminal != nil:
		fmt.Fprint(w, "\x1b[H\x1b[J")
	case !first:
		fmt.Fprintln(w)
	}
}
