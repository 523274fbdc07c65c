package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

func (a *app) motionCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "motion",
		Short: "Show how the robot turns and moves, by what its chips see",
		Example: `  facetctl motion watch
  facetctl motion plot wall --svg motion.svg`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(a.motionWatchCommand(), a.motionPlotCommand())
	return cmd
}

func (a *app) motionWatchCommand() *cobra.Command {
	var count int
	var o facet.MotionOptions
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Show estimates of motion as they come",
		Long: `watch prints a line for each newest estimate: how the body turns, in radians a second about
its axes (ahead, left, up), where it heads, which chip will touch what it sees first, and
why chips tell nothing. Frames must be corrected: see 'facetctl calibrate'. Under
--output json every estimate is a line of its own, with all that each chip tells.`,
		Example: `  facetctl motion watch
  facetctl motion watch --task wall --count 10 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if count < 0 {
				return cli.Usagef("--count: %d is not possible; use 0 (no end) or more", count)
			}
			return a.follow(cmd, func(ctx context.Context, c *client) error {
				return watchMotion(ctx, cmd, c, o, count)
			})
		},
	}
	cmd.Flags().StringSliceVar(&o.Tasks, "task", nil, "only estimates of these tasks")
	cmd.Flags().StringSliceVar(&o.Chips, "chip", nil, "only by these chips")
	cmd.Flags().IntVar(&count, "count", 0, "end after this many estimates; 0 goes on until interrupted")
	return cmd
}

func watchMotion(ctx context.Context, cmd *cobra.Command, c *client, o facet.MotionOptions, count int) error {
	shown := 0
	for e, err := range c.daemon.Motion(ctx, o) {
		if err != nil {
			return err
		}
		if cli.WantsJSON(cmd) {
			err = cli.WriteJSONLine(cmd.OutOrStdout(), e)
		} else {
			_, err = fmt.Fprintln(cmd.OutOrStdout(), motionLine(e))
		}
		if err != nil {
			return err
		}
		if shown++; shown == count {
			return nil
		}
	}
	return nil
}

// motionLine is an estimate in one line.
func motionLine(e *facetdv1.MotionEstimate) string {
	parts := []string{fmt.Sprintf("%s %d", e.GetTask(), e.GetJob())}
	b := e.GetBody()
	if b.GetTold() {
		parts = append(parts, "turns "+components(b.GetRateRadPerS(), "%+.3f")+" rad/s")
		switch {
		case b.GetRotationOnly():
			parts = append(parts, "only the turn is told")
		default:
			parts = append(parts, "heads "+components(b.GetHeading(), "%+.2f"))
		}
		if chip, after, ok := facet.FirstContact(b); ok {
			parts = append(parts, fmt.Sprintf("%s touches in %.1f s", chip, after.Seconds()))
		}
	} else {
		parts = append(parts, "nothing told")
	}
	if why := refusedChips(e); why != "" {
		parts = append(parts, why)
	}
	return strings.Join(parts, ", ")
}

func components(v []float64, format string) string {
	out := make([]string, len(v))
	for i, x := range v {
		out[i] = fmt.Sprintf(format, x)
	}
	return strings.Join(out, " ")
}

// refusedChips counts the chips that tell nothing, by reason, in the order of the frames.
func refusedChips(e *facetdv1.MotionEstimate) string {
	count := map[facetdv1.MotionReason]int{}
	var order []facetdv1.MotionReason
	for _, c := range e.GetChips() {
		if r := c.GetReason(); r != facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED {
			if count[r]++; count[r] == 1 {
				order = append(order, r)
			}
		}
	}
	var out []string
	for _, r := range order {
		out = append(out, fmt.Sprintf("%d of %s %s", count[r], cli.Count(len(e.GetChips()), "chip"),
			cli.Label(r, "MOTION_REASON_")))
	}
	return strings.Join(out, ", ")
}
