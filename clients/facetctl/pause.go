package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) tasksPauseCommand() *cobra.Command {
	return a.pausing(true, &cobra.Command{
		Use:   "pause NAME...",
		Short: "Pause tasks, which keep their places in the timetable",
		Long: `pause leaves out the jobs of tasks that are released from now on. Nothing is planned
anew: no other task notices, and 'facetctl tasks resume' goes on at the releases where the task
would have been. Jobs go on being counted where they were. A sporadic task cannot be triggered
while it is paused. With a folder for data a pause outlives the daemon.`,
		Example: `  facetctl tasks pause wall
  facetctl tasks pause wall bed`,
	})
}

func (a *app) tasksResumeCommand() *cobra.Command {
	return a.pausing(false, &cobra.Command{
		Use:   "resume NAME...",
		Short: "Resume paused tasks at their places in the timetable",
		Long: `resume ends the pause of tasks: they go on with their releases from now on, on the grid of
before. To resume the array after a safe stop is 'facetctl resume'.`,
		Example: `  facetctl tasks resume wall`,
	})
}

// pausing makes a command that pauses tasks, or resumes them.
func (a *app) pausing(pause bool, cmd *cobra.Command) *cobra.Command {
	cmd.Args = func(cmd *cobra.Command, names []string) error {
		if len(names) == 0 {
			return cli.Usagef("'%s' needs NAME", cmd.CommandPath())
		}
		return nil
	}
	cmd.RunE = func(cmd *cobra.Command, names []string) error {
		changes := &facetdv1.TaskChanges{}
		for _, name := range names {
			changes.Update = append(changes.Update, &facetdv1.TaskUpdate{
				Task:       &facetdv1.Task{Name: name, Paused: pause},
				UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"paused"}}})
		}
		return a.call(cmd, func(ctx context.Context, c *client) error {
			r, err := c.tasks.ApplyTasks(ctx, &facetdv1.ApplyTasksRequest{Changes: changes})
			if err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSONLine(cmd.OutOrStdout(), r)
			}
			verb := "resumed"
			if pause {
				verb = "paused"
			}
			for _, name := range names {
				if _, err := fmt.Fprintf(cmd.OutOrStdout(), "%s %s at bus time %s\n", verb, name,
					cli.NS(r.GetEffectiveBusNs())); err != nil {
					return err
				}
			}
			return nil
		})
	}
	return cmd
}
