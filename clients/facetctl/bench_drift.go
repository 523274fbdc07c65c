package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/go/facet"
)

func (a *app) benchDriftCommand() *cobra.Command {
	var chips []string
	var count int
	var svg string
	cmd := &cobra.Command{
		Use:   "drift TASK",
		Short: "Measure what motion is told of a scene that does not move",
		Long: `drift takes estimates of motion while nothing moves: neither the body nor what it sees, under light
with texture. What is told then is noise, or a drift that is always there: of a fixed pattern that
the correction map lacks it is drawn towards 0, of light that flickers or fades it may go anywhere.
For each chip it tells the mean shift a pair, its scatter, and the drift in pixels a second with its
standard deviation. --svg draws the sum of all shifts over time.`,
		Example: `  facetctl bench drift wall
  facetctl bench drift wall --count 500 --svg drift.svg
  facetctl bench drift bow --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if count < bench.FewestPairs {
				return cli.Usagef("--count %d: give 8 or more", count)
			}
			var rests []*bench.Rest
			err := a.follow(cmd, func(ctx context.Context, c *client) error {
				var err error
				rests, err = drifts(ctx, c, facet.MotionOptions{Tasks: args, Chips: chips}, count)
				return err
			})
			if err != nil {
				return err
			}
			if err := drawDrifts(cmd, svg, "Motion told of a still scene by "+args[0], rests); err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"task": args[0], "chips": rests})
			}
			return showDrifts(cmd, rests)
		},
	}
	cmd.Flags().StringSliceVar(&chips, "chips", nil, "chips to look at (default all of the task)")
	cmd.Flags().IntVar(&count, "count", 200, "how many estimates to take")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw the sums into")
	return cmd
}

// drifts gathers what the first view of each chip tells.
func drifts(ctx context.Context, c *client, o facet.MotionOptions, count int) ([]*bench.Rest, error) {
	if err := knownTask(ctx, c, o.Tasks[0]); err != nil {
		return nil, err
	}
	var out []*bench.Rest
	n := 0
	for e, err := range c.daemon.Motion(ctx, o) {
		if err != nil {
			if len(out) > 0 && errors.Is(ctx.Err(), context.Canceled) {
				break // interrupted: what came is what there is
			}
			return nil, err
		}
		seen := map[string]bool{}
		for _, m := range e.GetChips() {
			if seen[m.GetChip()] {
				continue
			}
			seen[m.GetChip()] = true
			i := slices.IndexFunc(out, func(r *bench.Rest) bool { return r.Chip == m.GetChip() })
			if i < 0 {
				i = len(out)
				out = append(out, &bench.Rest{Chip: m.GetChip()})
			}
			switch m.GetReason() {
			case facetdv1.MotionReason_MOTION_REASON_UNSPECIFIED:
				out[i].Add(m.GetShiftXPx(), m.GetShiftYPx(), float64(m.GetIntervalNs())*1e-9)
			case facetdv1.MotionReason_MOTION_REASON_GAP:
			default:
				out[i].Refused++
			}
		}
		if n++; n == count {
			break
		}
	}
	for _, r := range out {
		r.Finish()
	}
	return out, nil
}

func drawDrifts(cmd *cobra.Command, name, title string, rests []*bench.Rest) error {
	panels := []bench.Panel{{Title: "sum of shifts to higher columns, pixels"}, {Title: "to higher rows, pixels"}}
	for _, r := range rests {
		x, y := r.Sums()
		panels[0].Curves, panels[1].Curves = append(panels[0].Curves, x), append(panels[1].Curves, y)
	}
	for i := range panels { // names of more would run into each other
		panels[i].Curves = panels[i].Curves[:min(6, len(panels[i].Curves))]
	}
	if len(rests) > 6 {
		title += " (the first six chips)"
	}
	var drawing bytes.Buffer
	if err := bench.DrawPanels(&drawing, "drift", title, panels); err != nil {
		return err
	}
	return writeDrawing(cmd, name, drawing.Bytes())
}

func showDrifts(cmd *cobra.Command, rests []*bench.Rest) error {
	t := cli.NewTable("CHIP", ">PAIRS", ">REFUSED", ">SHIFT PX", ">SCATTER PX", ">DRIFT PX/S", ">SD PX/S", "VERDICT")
	for _, r := range rests {
		verdict := "rests"
		switch {
		case r.Pairs < bench.FewestPairs:
			verdict = "tells too little: 'facetctl motion watch' says why"
		case r.Drifts():
			verdict = "drifts: update its offsets, or is something moving?"
		}
		t.Row(r.Chip, fmt.Sprint(r.Pairs), fmt.Sprint(r.Refused), fmt.Sprintf("%+.4f %+.4f", r.ShiftX, r.ShiftY),
			fmt.Sprintf("%.4f", math.Hypot(r.SdX, r.SdY)/math.Sqrt2), fmt.Sprintf("%+.4f %+.4f", r.DriftX, r.DriftY),
			fmt.Sprintf("%.4f", r.DriftSd), verdict)
	}
	return t.Write(cmd.OutOrStdout())
}
