package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) lockstepCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "lockstep",
		Short: "Show for whom bus time waits, and let it go on without a participant",
		Long: `lockstep is about a virtual bus at pace lockstep, whose time goes only as far as all
programs that take part allow.`,
		Example: `  facetctl lockstep show
  facetctl lockstep remove planner`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(a.lockstepShowCommand(), a.lockstepRemoveCommand())
	return cmd
}

func (a *app) lockstepShowCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "show",
		Short:   "Show how far bus time may go, and for whom it waits",
		Example: "  facetctl lockstep show",
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.lockstep.GetLockstep(ctx, &facetdv1.GetLockstepRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				writeLockstep(cmd.OutOrStdout(), r.GetLockstep())
				return nil
			})
		},
	}
}

func (a *app) lockstepRemoveCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "remove PARTICIPANT",
		Short: "Let bus time go on without a participant, such as one that is gone",
		Example: `  facetctl lockstep show
  facetctl lockstep remove planner`,
		Args: cli.Args("PARTICIPANT"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.lockstep.LeaveLockstep(ctx, &facetdv1.LeaveLockstepRequest{Participant: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "bus time goes on without %s\n", args[0])
				return nil
			})
		},
	}
}

// writeLockstep says how far bus time may go, and for whom it waits.
func writeLockstep(w io.Writer, l *facetdv1.Lockstep) {
	fmt.Fprintf(w, "bus time %v, allowed up to %v, calls that wait for it: %d\n", time.Duration(l.GetBusNs()),
		time.Duration(l.GetLimitBusNs()), l.GetWaitingCalls())
	if len(l.GetMissing()) > 0 {
		fmt.Fprintf(w, "it waits for %s to join\n", strings.Join(l.GetMissing(), ", "))
	}
	for _, p := range l.GetParticipants() {
		fmt.Fprintf(w, "%s allows %v", p.GetName(), time.Duration(p.GetUntilBusNs()))
		if p.GetHolds() {
			fmt.Fprintf(w, ", and bus time has waited for it for %v",
				time.Duration(p.GetHeldNs()).Round(time.Millisecond))
		}
		if p.GetStalled() {
			fmt.Fprint(w, ": it has stalled")
		}
		fmt.Fprintln(w)
	}
}
