package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// stopCaution is what a stop by software is not.
const stopCaution = `It is a stop by software, through a network, an operating system and a driver: it is
no emergency stop and leaves the supplies on. Where somebody could be hurt or a chip
destroyed, use what was built for that, and follow the data sheets and local codes.`

func (a *app) stopCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "stop [REASON...]",
		Short: "Stop the array until it is resumed: every select line inactive",
		Long: `stop breaks off what runs on the bus, makes every select line inactive and pauses the
timetable. Open jobs, waiting captures, frame streams and measurements fail with who
stopped the array and why. The stop is latched: it stays until 'facetctl resume', also
after a restart of a daemon that has a data folder. Stopping a stopped array adds the
reason. The exit status is 1 where the bus has not confirmed that the lines are
inactive: take them for active then; the array is stopped all the same.

` + stopCaution,
		Example: `  facetctl stop
  facetctl stop a cable at ring 3 is loose`,
		Args: cobra.ArbitraryArgs, // in a hurry nobody thinks of quotes
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.stop.StopArray(ctx, &facetdv1.StopArrayRequest{Reason: strings.Join(args, " ")})
				if err != nil {
					return err
				}
				stop := r.GetSafeStop()
				if cli.WantsJSON(cmd) {
					err = cli.WriteJSON(cmd.OutOrStdout(), stop)
				} else {
					err = writeStop(cmd.OutOrStdout(), stop)
				}
				if err == nil && stop.GetLines().GetState() != facetdv1.LineState_LINE_STATE_CONFIRMED {
					return cli.ErrReported
				}
				return err
			})
		},
	}
}

func (a *app) resumeCommand() *cobra.Command {
	var yes bool
	cmd := &cobra.Command{
		Use:   "resume",
		Short: "Resume a stopped array",
		Long: `resume shows who has stopped the array and why, asks whether it is safe to go on,
initializes the registers of every chip and begins the timetable anew. With --yes it
does not ask. It does nothing where somebody asks for a stop meanwhile.

Before you answer: is everybody who stopped the array done, and are the supplies up in
the order of the data sheets?`,
		Example: `  facetctl resume
  facetctl resume --yes`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			var stop *facetdv1.SafeStop
			err := a.call(cmd, func(ctx context.Context, c *client) error {
				st, err := c.status.GetStatus(ctx, &facetdv1.GetStatusRequest{})
				stop = st.GetStatus().GetSafeStop()
				return err
			})
			if err == nil && stop != nil && !yes {
				err = askToResume(cmd, stop)
			}
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context,
				c *client) error {
				return resume(ctx, cmd, c, stop.GetRevision())
			})
		},
	}
	cmd.Flags().BoolVarP(&yes, "yes", "y", false, "do not ask")
	return cmd
}

// askToResume shows a stop, and whoever runs the command says whether it is over.
func askToResume(cmd *cobra.Command, stop *facetdv1.SafeStop) error {
	if err := writeStop(cmd.ErrOrStderr(), stop); err != nil {
		return err
	}
	fmt.Fprint(cmd.ErrOrStderr(), "Is it safe to drive the array again? [y/N] ")
	answer, err := readLine(cmd.Context(), bufio.NewReader(cmd.InOrStdin()))
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	if s := strings.ToLower(strings.TrimSpace(answer)); s != "y" && s != "yes" {
		return errors.New("not resumed: the array stays stopped")
	}
	return nil
}

func resume(ctx context.Context, cmd *cobra.Command, c *client, revision uint64) error {
	r, err := c.stop.ResumeArray(ctx, &facetdv1.ResumeArrayRequest{Revision: revision})
	if err != nil {
		return err
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), r)
	}
	fmt.Fprintf(cmd.OutOrStdout(), "resumed: the timetable runs from bus time %.3f s on\n",
		float64(r.GetEffectiveBusNs())/1e9)
	if r.GetSafeStop().GetStored() {
		fmt.Fprintf(cmd.OutOrStdout(), "the file of the stop could not be removed, and would stop the daemon when "+
			"it is "+
			"started again: %s\n", r.GetSafeStop().GetNotStoredReason())
	}
	return nil
}

// writeStop says who stopped the array, and what came of it.
func writeStop(w io.Writer, s *facetdv1.SafeStop) error {
	for i, r := range s.GetReasons() {
		label, reason := "stopped", "without a reason"
		if i > 0 {
			label = "and"
		}
		if r.GetReason() != "" {
			reason = r.GetReason()
		}
		fmt.Fprintf(w, "%-9s by %s at %s: %s\n", label, r.GetBy(),
			r.GetTime().AsTime().Format("2006-01-02 15:04:05 UTC"),
			reason)
	}
	if more := s.GetRequests() - uint64(len(s.GetReasons())); more > 0 {
		fmt.Fprintf(w, "          and %s more between the last two\n", cli.Count(int(more), "request"))
	}
	lines := "nobody has confirmed that they are inactive: take them for active"
	switch l := s.GetLines(); {
	case l.GetState() == facetdv1.LineState_LINE_STATE_CONFIRMED:
		lines = fmt.Sprintf("all inactive since bus time %.3f s, as the bus has confirmed",
			float64(l.GetInactiveBusNs())/1e9)
	case l.GetReason() != "":
		lines = "not confirmed inactive, take them for active: " + l.GetReason()
	}
	fmt.Fprintf(w, "lines     %s\n", lines)
	fmt.Fprintf(w, "failed    %s, %s\n", cli.Count(int(s.GetJobsFailed()), "open job"),
		cli.Count(int(s.GetOnDemandFailed()), "on-demand job"))
	stored := "the stop outlives the daemon"
	if !s.GetStored() {
		stored = "the stop does not outlive the daemon: " + s.GetNotStoredReason()
	}
	_, err := fmt.Fprintf(w, "restart   %s\n", stored)
	return err
}
