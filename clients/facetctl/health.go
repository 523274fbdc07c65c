package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) healthCommand() *cobra.Command {
	var chips bool
	cmd := &cobra.Command{
		Use: "health", Aliases: []string{"alarms"},
		Short: "Say what is wrong with chips and array, and what to do next",
		Long: `health lists what the daemon finds wrong: by which figure and which limit, what may be
the cause, what follows, and what to do next. What has a common cause, such as a lane,
is one finding. With --chips it also shows what was measured of every chip.

The exit status is 1 when something found makes frames useless (bad) and is not
shelved, and 0 otherwise: also when it is degraded, or nothing could be judged yet.

Whoever has seen a finding acknowledges it ('facetctl health ack'); one that is expected
for a time is shelved ('facetctl health shelve'): it does not count as an alarm until
then. Both are in the journal, and end with the daemon.`,
		Example: `  facetctl health
  facetctl health --chips
  facetctl health --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.health.GetHealth(ctx, &facetdv1.GetHealthRequest{})
				if err != nil {
					return err
				}
				h := r.GetHealth()
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSON(cmd.OutOrStdout(), h)
				} else {
					err = writeHealth(cmd.OutOrStdout(), h, chips)
				}
				if err == nil && h.GetState() == facetdv1.HealthState_HEALTH_STATE_BAD {
					return cli.ErrReported
				}
				return err
			})
		},
	}
	cmd.Flags().BoolVar(&chips, "chips", false, "also show what was measured of every chip")
	cmd.AddCommand(a.acknowledgeCommand(), a.shelveCommand())
	return cmd
}

func (a *app) acknowledgeCommand() *cobra.Command {
	var by string
	cmd := &cobra.Command{
		Use:     "ack FINDING [NOTE...]",
		Short:   "Note that you have seen a finding",
		Long:    `ack notes in the journal and beside the finding that somebody has seen it. It goes with the finding.`,
		Example: `  facetctl health ack chip/wall-03/undriven --by bench new chip ordered`,
		Args:    aFinding,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.health.AcknowledgeFinding(ctx, &facetdv1.AcknowledgeFindingRequest{Id: args[0], By: by,
					Note: strings.Join(args[1:], " ")})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r.GetFinding())
				}
				fmt.Fprintf(cmd.OutOrStdout(), "acknowledged %s\n", r.GetFinding().GetId())
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "who you are")
	return cmd
}

func (a *app) shelveCommand() *cobra.Command {
	var by string
	var d time.Duration
	cmd := &cobra.Command{
		Use:   "shelve FINDING [REASON...]",
		Short: "Keep a finding from counting as an alarm for a time",
		Long: `shelve keeps a finding from counting as an alarm for a time, up to 24 hours, with the
reason; --for 0 ends that. It stays in the list, and whether it comes and goes meanwhile
does not matter.`,
		Example: `  facetctl health shelve lane/b/saturated --for 2h the bench lamp is on
  facetctl health shelve lane/b/saturated --for 0`,
		Args: aFinding,
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.health.ShelveFinding(ctx, &facetdv1.ShelveFindingRequest{Id: args[0], By: by,
					Duration: durationpb.New(d), Note: strings.Join(args[1:], " ")})
				if err != nil {
					return err
				}
				switch {
				case cli.WantsJSON(cmd):
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				case r.GetUntilTime() == nil:
					fmt.Fprintf(cmd.OutOrStdout(), "%s is not shelved any more\n", args[0])
				default:
					fmt.Fprintf(cmd.OutOrStdout(), "%s is shelved until %s\n", args[0],
						r.GetUntilTime().AsTime().Format("2006-01-02 15:04:05 UTC"))
				}
				return nil
			})
		},
	}
	cmd.Flags().StringVar(&by, "by", "", "who you are")
	cmd.Flags().DurationVar(&d, "for", time.Hour, "for how long; 0 ends the shelving")
	return cmd
}

// aFinding is the id of a finding, and perhaps words.
func aFinding(_ *cobra.Command, args []string) error {
	if len(args) == 0 {
		return cli.Usagef("name a finding: 'facetctl health' lists them")
	}
	return nil
}

const healthColumns = 80

// deviceLine says how the device that drives the array is doing.
func deviceLine(d *facetdv1.DeviceHealth) string {
	text := "device " + d.GetAddress() + " connected"
	if !d.GetConnected() {
		return "device " + d.GetAddress() + " away since " + d.GetSinceTime().AsTime().Format("15:04:05 UTC")
	}
	if d.ClockUncertaintyNs != nil {
		text += fmt.Sprintf(", clock off by at most %s", cli.NS(d.GetClockUncertaintyNs()))
	}
	if d.ClockDriftPpm != nil {
		text += fmt.Sprintf(", drift %.1f ppm", d.GetClockDriftPpm())
	}
	if d.GetRecentLinkFaults() > 0 {
		text += fmt.Sprintf(", link faults %d of %d messages", d.GetRecentLinkFaults(), d.GetRecentMessages())
	}
	return text
}

func writeHealth(w io.Writer, h *facetdv1.Health, chips bool) error {
	fmt.Fprintf(w, "%s at bus time %.3f s\n", healthLine(h), float64(h.GetBusNs())/1e9)
	if h.GetState() == facetdv1.HealthState_HEALTH_STATE_NOT_JUDGED { // no finding says why
		fmt.Fprintln(w, h.GetSummary())
	}
	if h.LastMissedBusNs != nil {
		fmt.Fprintf(w, "jobs late %d, failed %d; last run from %.3f s to %.3f s\n", h.GetJobsLate(), h.GetJobsFailed(),
			float64(h.GetMissedSinceBusNs())/1e9, float64(h.GetLastMissedBusNs())/1e9)
	}
	if d := h.GetDevice(); d != nil {
		fmt.Fprintln(w, deviceLine(d))
	}
	if h.GetInjectedFaults() > 0 {
		fmt.Fprintf(w, "%s injected into the virtual bus\n", cli.Count(int(h.GetInjectedFaults()), "fault"))
	}
	for _, f := range h.GetFindings() {
		writeFinding(w, f)
	}
	if !chips {
		return nil
	}
	fmt.Fprintln(w)
	t := cli.NewTable("chip", "state", "age", "mean", "spread", "undriven", "noise", "clipped")
	for _, c := range h.GetChips() {
		age, noise := "-", "-"
		if c.FrameAgeNs != nil {
			age = cli.NS(c.GetFrameAgeNs())
		}
		if c.NoiseCodes != nil {
			noise = cli.Significant(c.GetNoiseCodes())
		}
		t.Row(c.GetChip(), cli.Label(c.GetState(), "HEALTH_STATE_"), age, fmt.Sprintf("%.0f", c.GetMeanCodes()),
			cli.Significant(c.GetSpreadCodes()), cli.Significant(c.GetUndrivenLimitCodes()), noise,
			cli.Percent(c.GetClippedHighFraction()))
	}
	return t.Write(w)
}

// healthLine is the health in one line of up to 80 columns.
func healthLine(h *facetdv1.Health) string {
	state := cli.Label(h.GetState(), "HEALTH_STATE_")
	good := 0
	for _, c := range h.GetChips() {
		if c.GetState() == facetdv1.HealthState_HEALTH_STATE_GOOD {
			good++
		}
	}
	line := fmt.Sprintf("%s: %d of %d chips good", state, good, len(h.GetChips()))
	if n := len(h.GetFindings()); n > 0 {
		line += ", " + cli.Count(n, "finding")
	}
	if h.GetWorstChip() != "" {
		line += ", worst " + h.GetWorstChip()
	}
	return line
}

func writeFinding(w io.Writer, f *facetdv1.HealthFinding) {
	fmt.Fprintf(w, "\n%s  %s, since %.3f s (%s)\n", f.GetId(), cli.Label(f.GetState(), "HEALTH_STATE_"),
		float64(f.GetSinceBusNs())/1e9, cli.Label(f.GetBasis(), "HEALTH_BASIS_"))
	part := func(name, text string) {
		if text == "" {
			return
		}
		for i, line := range fold(text, healthColumns-11) {
			if i > 0 {
				name = ""
			}
			fmt.Fprintf(w, "  %-7s  %s\n", name, line)
		}
	}
	part("seen", f.GetText())
	part("cause", f.GetCause())
	part("so", f.GetConsequence())
	part("do", f.GetAction())
	if ack := f.GetAcknowledgement(); ack != nil {
		part("seen by", said(ack.GetBy(), ack.GetNote())+", "+ack.GetTime().AsTime().Format("2006-01-02 15:04:05 UTC"))
	}
	if s := f.GetShelving(); s != nil {
		part("shelved", "until "+s.GetUntilTime().AsTime().Format("2006-01-02 15:04:05 UTC")+" by "+
			said(s.GetBy(), s.GetNote()))
	}
}

func said(by, note string) string {
	if by == "" {
		by = "somebody"
	}
	if note == "" {
		return by
	}
	return by + ": " + note
}

// fold breaks words into lines of up to some columns.
func fold(text string, columns int) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		if line != "" && len(line)+1+len(word) > columns {
			lines, line = append(lines, line), ""
		}
		if line != "" {
			line += " "
		}
		line += word
	}
	return append(lines, line)
}
