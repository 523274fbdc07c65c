package main

import (
	"context"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) replayCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "replay",
		Short: "Control a daemon that plays a recording",
		Long: `replay controls a daemon that was started with --bus replay:FILE: it shows where the
replay is, and pauses, resumes, steps and seeks. Every one of these prints where the
replay is then.`,
		Example: `  facetctl replay status
  facetctl replay step --count 10
  facetctl replay seek --from-start 12.5s`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(
		a.replayVerb("status", "Show where the replay is", func(ctx context.Context, c *client) (replayed, error) {
			return c.replay.GetReplay(ctx, &facetdv1.GetReplayRequest{})
		}),
		a.replayVerb("pause", "Stop before the next frame set", func(ctx context.Context, c *client) (replayed, error) {
			return c.replay.PauseReplay(ctx, &facetdv1.PauseReplayRequest{})
		}),
		a.replayResumeCommand(), a.replayStepCommand(), a.replaySeekCommand(),
	)
	return cmd
}

// replayed is what every call answers.
type replayed interface{ GetReplay() *facetdv1.Replay }

type replayCall func(ctx context.Context, c *client) (replayed, error)

// replayVerb is a command that takes nothing.
func (a *app) replayVerb(name, short string, call replayCall) *cobra.Command {
	return &cobra.Command{
		Use: name, Short: short, Example: "  facetctl replay " + name, Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error { return a.replayDo(cmd, call) },
	}
}

// replayDo makes a call and shows the replay that it answers.
func (a *app) replayDo(cmd *cobra.Command, call replayCall) error {
	return a.call(cmd, func(ctx context.Context, c *client) error {
		r, err := call(ctx, c)
		if err != nil {
			return err
		}
		if cli.WantsJSON(cmd) {
			return cli.WriteJSON(cmd.OutOrStdout(), r.GetReplay())
		}
		return writeReplay(cmd.OutOrStdout(), r.GetReplay())
	})
}

func (a *app) replayResumeCommand() *cobra.Command {
	var speed float64
	cmd := &cobra.Command{
		Use:   "resume",
		Short: "Play on, at the pace before or another",
		Example: `  facetctl replay resume
  facetctl replay resume --speed 4
  facetctl replay resume --speed 0`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			r := &facetdv1.ResumeReplayRequest{}
			if cmd.Flags().Changed("speed") {
				r.Speed = &speed
			}
			return a.replayDo(cmd, func(ctx context.Context, c *client) (replayed,
				error) {
				return c.replay.ResumeReplay(ctx, r)
			})
		},
	}
	cmd.Flags().Float64Var(&speed, "speed", 1,
		"how many times as fast as it happened, up to 1000; 0 as fast as possible (default the pace before)")
	cmd.Flags().Lookup("speed").DefValue = "" // the help says what it is
	return cmd
}

func (a *app) replayStepCommand() *cobra.Command {
	var count uint32
	cmd := &cobra.Command{
		Use:   "step",
		Short: "Play some frame sets and pause",
		Example: `  facetctl replay step
  facetctl replay step --count 10`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if count == 0 {
				return cli.Usagef("--count 0: give 1 or more")
			}
			return a.replayDo(cmd, func(ctx context.Context, c *client) (replayed, error) {
				return c.replay.StepReplay(ctx, &facetdv1.StepReplayRequest{FrameSets: count})
			})
		},
	}
	cmd.Flags().Uint32VarP(&count, "count", "n", 1, "how many frame sets")
	return cmd
}

func (a *app) replaySeekCommand() *cobra.Command {
	var fromStart bool
	cmd := &cobra.Command{
		Use:   "seek TIME",
		Short: "Jump to a bus time of the recording",
		Long: `seek jumps to a bus time as it was recorded, written as 12.5s, 250ms or 1m30s. With
--from-start the time counts from the first thing recorded. A time before the first or
after the last is taken as that. A replay that is paused stays paused.`,
		Example: `  facetctl replay seek 1m30s
  facetctl replay seek --from-start 0s`,
		Args: cli.Args("TIME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			at, err := time.ParseDuration(args[0])
			if err != nil {
				return cli.Usagef("%q is not a time; write 12.5s, 250ms or 1m30s", args[0])
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				busNS := at.Nanoseconds()
				if fromStart {
					now, err := c.replay.GetReplay(ctx, &facetdv1.GetReplayRequest{})
					if err != nil {
						return err
					}
					busNS += now.GetReplay().GetFirstBusNs()
				}
				r, err := c.replay.SeekReplay(ctx, &facetdv1.SeekReplayRequest{BusNs: busNS})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r.GetReplay())
				}
				fmt.Fprintln(cmd.OutOrStdout(), landed(busNS, r.GetReplay()))
				return writeReplay(cmd.OutOrStdout(), r.GetReplay())
			})
		},
	}
	cmd.Flags().BoolVar(&fromStart, "from-start", false, "count from the first thing recorded")
	return cmd
}

// landed says where a seek came to, beside what was asked for.
func landed(asked int64, r *facetdv1.Replay) string {
	at := r.GetRecordedBusNs()
	line := fmt.Sprintf("landed at %.6f s of the recording, %.6f s from its start", float64(at)/1e9,
		float64(at-r.GetFirstBusNs())/1e9)
	switch {
	case asked < r.GetFirstBusNs():
		line += fmt.Sprintf(": %.6f s is before the first thing recorded", float64(asked)/1e9)
	case asked > r.GetLastBusNs():
		line += fmt.Sprintf(": %.6f s is after the last thing recorded", float64(asked)/1e9)
	}
	return line
}

func writeReplay(w io.Writer, r *facetdv1.Replay) error {
	state := "playing"
	switch {
	case r.GetEnded():
		state = "at its end"
	case r.GetPaused():
		state = "paused"
	}
	speed := strconv.FormatFloat(r.GetSpeed(), 'g', -1, 64) + " times its own pace"
	switch r.GetSpeed() {
	case 0:
		speed = "as fast as possible"
	case 1:
		speed = "at its own pace"
	}
	if r.GetLoop() {
		speed += ", again and again"
	}
	fmt.Fprintf(w, "replay    %s, %s\n", state, speed)
	fmt.Fprintf(w, "bus time  %.6f s\n", float64(r.GetBusNs())/1e9)
	fmt.Fprintf(w, "recorded  %.6f s to %.6f s\n", float64(r.GetFirstBusNs())/1e9, float64(r.GetLastBusNs())/1e9)
	_, err := fmt.Fprintf(w, "files     %s\n", strings.Join(r.GetFiles(), ", "))
	return err
}
