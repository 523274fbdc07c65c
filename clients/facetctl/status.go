package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) statusCommand() *cobra.Command {
	var watch bool
	var interval time.Duration
	cmd := &cobra.Command{
		Use:   "status",
		Short: "Show how the daemon, its bus and its tasks are doing",
		Long: `status shows the daemon's state, the bus and its utilization by phase, and for each
task the rate asked for, planned and achieved, the jobs on time, late and failed,
the response times and the skew. With --watch it goes on until interrupted; under
--output json that is one object a line.`,
		Example: `  facetctl status
  facetctl status --watch --interval 500ms
  facetctl status --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if watch {
				if interval < 50*time.Millisecond || interval > time.Hour {
					return cli.Usagef("--interval %s: give 50ms to 1h", interval)
				}
				return a.watchStatus(cmd, interval)
			}
			if cmd.Flags().Changed("interval") {
				return cli.Usagef("--interval goes with --watch")
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.status.GetStatus(ctx, &facetdv1.GetStatusRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r.GetStatus())
				}
				health, err := healthOf(ctx, c)
				if err != nil {
					return err
				}
				return writeStatus(cmd.OutOrStdout(), r.GetStatus(), health)
			})
		},
	}
	cmd.Flags().BoolVarP(&watch, "watch", "w", false, "go on showing it until interrupted")
	cmd.Flags().DurationVar(&interval, "interval", time.Second, "time between two requests under --watch")
	return cmd
}

func (a *app) watchStatus(cmd *cobra.Command, interval time.Duration) error {
	return a.follow(cmd, func(ctx context.Context, c *client) error {
		stream, err := c.status.WatchStatus(ctx,
			&facetdv1.WatchStatusRequest{Interval: durationpb.New(interval)})
		if err != nil {
			return err
		}
		for first := true; ; first = false {
			r, err := stream.Recv()
			if err != nil {
				return ended(ctx, err)
			}
			if cli.WantsJSON(cmd) {
				if err := cli.WriteJSONLine(cmd.OutOrStdout(), r.GetStatus()); err != nil {
					return err
				}
				continue
			}
			health, err := healthOf(ctx, c)
			if err != nil {
				return ended(ctx, err)
			}
			a.repaint(cmd.OutOrStdout(), first)
			if err := writeStatus(cmd.OutOrStdout(), r.GetStatus(), health); err != nil {
				return err
			}
		}
	})
}

// ended says how a stream ended: well when the daemon closed it in order or the
// user interrupted it.
func ended(ctx context.Context, err error) error {
	if errors.Is(err, io.EOF) || ctx.Err() == context.Canceled {
		return nil
	}
	return err
}

// healthOf is the health of the array; nil of a daemon that has no such service.
func healthOf(ctx context.Context, c *client) (*facetdv1.Health, error) {
	r, err := c.health.GetHealth(ctx, &facetdv1.GetHealthRequest{})
	if status.Code(err) == codes.Unimplemented {
		return nil, nil
	}
	return r.GetHealth(), err
}

func writeStatus(w io.Writer, s *facetdv1.Status, health *facetdv1.Health) error {
	state := cli.Label(s.GetState(), "STATE_")
	if s.GetFault() != "" {
		state += ": " + s.GetFault()
	}
	fmt.Fprintf(w, "state     %s\n", state)
	if stop := s.GetSafeStop(); stop != nil {
		if err := writeStop(w, stop); err != nil {
			return err
		}
		fmt.Fprintln(w, "          when it is safe for all of them, resume it with 'facetctl resume'")
	}
	fmt.Fprintf(w, "array     %s\n", s.GetArray())
	if health != nil {
		fmt.Fprintf(w, "health    %s\n", healthLine(health))
	}
	bus := s.GetBus() + " bus"
	if s.GetPace() != facetdv1.Pace_PACE_UNSPECIFIED {
		bus += fmt.Sprintf(", pace %s, seed %d", cli.Label(s.GetPace(), "PACE_"), s.GetSeed())
	}
	fmt.Fprintf(w, "bus       %s\n", bus)
	fmt.Fprintf(w, "bus time  %.3f s, host time within %s\n", float64(s.GetBusNs())/1e9,
		cli.NS(s.GetTimeUncertaintyNs()))
	for _, p := range s.GetLockstep().GetParticipants() {
		if p.GetHolds() {
			fmt.Fprintf(w, "waits     for %s, since %s\n", p.GetName(), cli.NS(p.GetHeldNs()))
		}
	}
	if s.GetStartTime() != nil {
		fmt.Fprintf(w, "daemon    version %s, up since %s\n", s.GetVersion(),
			s.GetStartTime().AsTime().Format("2006-01-02 15:04:05 UTC"))
	}
	fmt.Fprintf(w, "busy      planned %s, measured %s\n", cli.Percent(s.GetPlannedUtilization()),
		cli.Percent(s.GetMeasuredUtilization()))
	if line := cli.PhaseLine(s.GetPhases()); line != "" {
		fmt.Fprintf(w, "phases    %s\n", line)
	}
	fmt.Fprintf(w, "streams   %d open, %s dropped\n", s.GetStreams(),
		cli.Count(int(s.GetDroppedFrameSets()), "frame set"))
	fmt.Fprintf(w, "bus rules violated %s\n", cli.Count(int(s.GetRuleViolations()), "time"))
	for _, v := range s.GetLastViolations() {
		fmt.Fprintf(w, "          rule %d at %.6f s: %s%s\n", v.GetRule(), float64(v.GetBusNs())/1e9, v.GetMessage(),
			inBrackets(v.GetChips()))
	}
	fmt.Fprintln(w)
	return writeTasks(w, s.GetTasks())
}

func inBrackets(names []string) string {
	if len(names) == 0 {
		return ""
	}
	return " [" + strings.Join(names, ", ") + "]"
}

// achieved is the rate of a task as it is, or that it has none.
func achieved(s *facetdv1.TaskStatus) string {
	if s.GetPaused() {
		return "paused"
	}
	return cli.Significant(s.GetAchievedRateHz())
}

func writeTasks(w io.Writer, tasks []*facetdv1.RunningTask) error {
	if len(tasks) == 0 {
		_, err := fmt.Fprintln(w, "no tasks are running")
		return err
	}
	t := cli.NewTable("TASK", "TARGET", ">ASKED Hz", ">PLANNED Hz", ">ACHIEVED Hz", ">ON TIME", ">LATE", ">FAILED",
		">RESPONSE", ">WORST", ">SKEW")
	for _, r := range tasks {
		s := r.GetStatus()
		t.Row(r.GetTask().GetName(), cli.Short(cli.Target(r.GetTask().GetTarget()), 24),
			cli.Significant(s.GetRequestedRateHz()), cli.Significant(s.GetPlannedRateHz()),
			achieved(s),
			fmt.Sprint(s.GetJobsOnTime()), fmt.Sprint(s.GetJobsLate()), fmt.Sprint(s.GetJobsFailed()),
			cli.NS(s.GetLastResponseNs()), cli.NS(s.GetWorstResponseNs()), cli.NS(s.GetLastSkewNs()))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, r := range tasks {
		if r.GetStatus().GetPaused() {
			fmt.Fprintf(w, "%s is paused: it keeps its place in the timetable, and has no jobs\n",
				r.GetTask().GetName())
		}
		if s := r.GetStatus(); r.GetTask().GetLeastInterval() != nil {
			fmt.Fprintf(w, "%s is sporadic: triggered %s, %d refused; a job ends %s after its trigger at the latest\n",
				r.GetTask().GetName(), cli.Count(int(s.GetTriggers()), "time"), s.GetTriggersRefused(),
				cli.NS(s.GetPromisedResponseNs()))
		}
		if f := r.GetStatus().GetLastFailure(); f != "" {
			fmt.Fprintf(w, "last failure of %s: %s\n", r.GetTask().GetName(), f)
		}
	}
	return nil
}
