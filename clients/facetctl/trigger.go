package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) tasksTriggerCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "trigger NAME",
		Short: "Release a job of a sporadic task, now",
		Long: `trigger releases a job of a task that has a least interval in place of a rate, and says when
it runs; it does not wait for that: the frames come in the streams. A trigger within the least
interval of the last one is refused, with the time from which on the next is taken.`,
		Example: `  facetctl tasks add --name flash --target bow --least-interval 200ms --deadline 80ms
  facetctl tasks trigger flash`,
		Args: cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.tasks.TriggerTask(ctx, &facetdv1.TriggerTaskRequest{Task: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				_, err = fmt.Fprintf(cmd.OutOrStdout(), "triggered job %d of %s at bus time %s: it runs from %s to %s "+
					"after that\n", r.GetJob(), args[0], cli.NS(r.GetReleaseBusNs()),
					cli.NS(r.GetStartBusNs()-r.GetReleaseBusNs()), cli.NS(r.GetEndBusNs()-r.GetReleaseBusNs()))
				return err
			})
		},
	}
}
