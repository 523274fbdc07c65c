package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) planCommand() *cobra.Command {
	return cli.Group("plan", "Show the active plan, or try out a change", `  facetctl plan show
  facetctl plan preview --add task.yaml --remove comb`,
		a.planShowCommand(), a.planPreviewCommand())
}

const (
	segmentsHelp   = "list every segment of the timetable too"
	operationsHelp = "add every operation with its times (--output json)"
	operationsNeed = "--operations needs --output json"
)

func (a *app) planShowCommand() *cobra.Command {
	var segments, operations bool
	cmd := &cobra.Command{
		Use:   "show",
		Short: "Show the active plan: predictions and utilization",
		Example: `  facetctl plan show
  facetctl plan show --segments
  facetctl plan show --output json
  facetctl plan show --operations --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if operations && !cli.WantsJSON(cmd) {
				return cli.Usagef(operationsNeed)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.plan.GetPlan(ctx, &facetdv1.GetPlanRequest{Operations: operations})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				if r.GetPlan().GetTimetable() == nil {
					_, err := fmt.Fprintln(cmd.OutOrStdout(), "no tasks are planned: the bus is idle")
					return err
				}
				fmt.Fprintf(cmd.OutOrStdout(), "Active since bus time %s.\n", cli.NS(r.GetEpochBusNs()))
				return cli.WritePlan(cmd.OutOrStdout(), r.GetPlan(), segments)
			})
		},
	}
	cmd.Flags().BoolVar(&segments, "segments", false, segmentsHelp)
	cmd.Flags().BoolVar(&operations, "operations", false, operationsHelp)
	return cmd
}

func (a *app) planPreviewCommand() *cobra.Command {
	var add, remove []string
	var segments, operations bool
	cmd := &cobra.Command{
		Use:   "preview",
		Short: "Plan a change of tasks without applying it",
		Long: `preview plans the running tasks with those of the files added (one with the name of
a running task replaces it) and the named ones removed. Nothing changes. The exit
status is 1 when the tasks would not fit.`,
		Example: `  facetctl plan preview --add faster.yaml
  facetctl plan preview --remove comb --remove bed --add faster.yaml`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if len(add)+len(remove) == 0 {
				return cli.Usagef("give --add FILE or --remove NAME, or both; 'facetctl plan show' shows the active " +
					"plan")
			}
			if operations && !cli.WantsJSON(cmd) {
				return cli.Usagef(operationsNeed)
			}
			tasks, err := readAllTasks(cmd.InOrStdin(), add)
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				changes, _, err := changesTo(ctx, c, tasks, remove, false)
				if err != nil {
					return err
				}
				r, err := c.plan.PreviewPlan(ctx,
					&facetdv1.PreviewPlanRequest{Changes: changes, Operations: operations})
				if err != nil {
					return err
				}
				return writePreview(cmd, r.GetPlan(), segments)
			})
		},
	}
	cmd.Flags().StringArrayVar(&add, "add", nil,
		"a YAML or JSON file of a task or tasks to add (- is standard input); may be repeated")
	cmd.Flags().StringArrayVar(&remove, "remove", nil, "a running task to leave out; may be repeated")
	cmd.Flags().BoolVar(&segments, "segments", false, segmentsHelp)
	cmd.Flags().BoolVar(&operations, "operations", false, operationsHelp)
	return cmd
}
