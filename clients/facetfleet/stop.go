package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
)

func (a *app) stopCommand() *cobra.Command {
	var robot, reason string
	cmd := &cobra.Command{
		Use:   "stop",
		Short: "Stop the array of a robot until somebody resumes it",
		Long: `stop makes every select line of a robot's array inactive, latched until resume. It is a stop by software
over a network, and no emergency stop.`,
		Example: `  facetfleet stop --robot crawler-7 --reason "somebody is at the head"`,
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.order(cmd, robot, &fleetv1.Command{What: &fleetv1.Command_Stop{
				Stop: &facetdv1.StopArrayRequest{Reason: reason}}}, "stopped")
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "the robot")
	cmd.Flags().StringVar(&reason, "reason", "", "why, in a line")
	return cmd
}

func (a *app) resumeCommand() *cobra.Command {
	var robot string
	var revision uint64
	cmd := &cobra.Command{
		Use:     "resume",
		Short:   "End the stop of a robot's array",
		Example: `  facetfleet resume --robot crawler-7`,
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.order(cmd, robot, &fleetv1.Command{What: &fleetv1.Command_Resume{
				Resume: &facetdv1.ResumeArrayRequest{Revision: revision}}}, "resumed")
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "the robot")
	cmd.Flags().Uint64Var(&revision, "revision", 0, "only the stop with this revision; 0 means whichever there is")
	return cmd
}

// order sends one command that takes an operator and says that it was done.
func (a *app) order(cmd *cobra.Command, robot string, m *fleetv1.Command, done string) error {
	if robot == "" {
		return cli.Usagef("--robot: name the robot")
	}
	return a.with(cmd, func(ctx context.Context, c *hub.Conn) error {
		answer, err := fleet.Order(ctx, c, robot, m)
		if err != nil {
			return err
		}
		if cli.WantsJSON(cmd) {
			return cli.WriteJSONLine(cmd.OutOrStdout(), answer)
		}
		_, err = fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", robot, done)
		return err
	})
}
