package main

import (
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/draw"
	"facetd.example/scheduler/program"
)

func planCommand() *cobra.Command {
	var out figures
	var segments, operations bool
	var grain time.Duration
	cmd := &cobra.Command{
		Use:   "plan ARRAY TASKS",
		Short: "Plan tasks on an array: what each will see, or why they do not fit",
		Long: `plan works out the timetable of a file of tasks on an array, without a daemon. It
shows for each task the planned rate, response times, slack, skew, hold and droop, and
how busy the bus is by phase. Tasks that do not fit are refused with numbers and with
what would fit, and exit status 1. Under --output json it prints the schema's Plan as
protobuf JSON. --svg draws the timetable, --csv writes what each task will see.
--operations adds every operation with its times, so that the plan can be checked
without facetd; it needs --output json.
ARRAY and TASKS are each ` + fileForm + `.`,
		Example: `  facetd plan array.yaml tasks.yaml
  facetd plan demo demo --svg timetable.svg
  facetd plan demo demo --grain 25ns
  facetd plan demo tasks.yaml --output json
  facetd plan demo demo --operations --output json`,
		Args: cli.Args("ARRAY", "TASKS"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if args[0] == "-" && args[1] == "-" {
				return cli.Usagef("only one of the two files can be standard input")
			}
			if err := out.check(cmd); err != nil {
				return err
			}
			if operations && !cli.WantsJSON(cmd) {
				return cli.Usagef("--operations needs --output json")
			}
			plan, message, err := planFiles(cmd, args[0], args[1], grain)
			if err != nil {
				return err
			}
			if operations && plan != nil {
				message.Operations = plan.Operations()
			}
			if cli.WantsJSON(cmd) {
				err = cli.WriteJSON(cmd.OutOrStdout(), message)
			} else if !out.printed() || plan == nil {
				err = cli.WritePlan(cmd.OutOrStdout(), message, segments)
			}
			switch {
			case err != nil:
				return err
			case plan == nil:
				return cli.ErrReported
			}
			return out.write(cmd, func(w io.Writer) error { return draw.Timetable(w, plan) }, message.GetPredictions())
		},
	}
	out.register(cmd, "draw the timetable", "what each task will see")
	cmd.Flags().DurationVar(&grain, "grain", 1, grainHelp)
	cmd.Flags().BoolVar(&operations, "operations", false, "add every operation with its times (--output json)")
	cmd.Flags().BoolVar(&segments, "segments", false, "list every segment of the timetable too")
	return cmd
}

// planFiles plans a file of tasks on an array file. The plan is nil when the tasks
// do not fit; the message then holds the refusal.
func planFiles(cmd *cobra.Command, arrayName, tasksName string, grain time.Duration) (*scheduler.Plan, *facetdv1.Plan,
	error) {
	var tasks []*program.Task
	a, specs, err := readBoth(cmd.InOrStdin(), arrayName, tasksName, grain,
		func(a *chipmodel.Array, specs []*facetdv1.Task) (m invalid.Errors) {
			tasks, m = program.NewTasks(a, specs)
			return m
		})
	if err != nil {
		return nil, nil, err
	}
	plan, err := scheduler.Build(a, tasks, scheduler.Options{})
	var refusal *scheduler.RefusalError
	switch {
	case errors.As(err, &refusal):
		return nil, &facetdv1.Plan{Array: a.Name, Tasks: specs, Refusal: refusal.Refusal,
			Utilization: refusal.Refusal.GetUtilization()}, nil
	case err != nil:
		return nil, nil, err
	}
	return plan, plan.Message, nil
}

// writeFile writes a file whole or not at all, and says so; - is standard output.
func writeFile(cmd *cobra.Command, name string, data []byte) error {
	if name == "-" {
		_, err := cmd.OutOrStdout().Write(data)
		return err
	}
	if err := fileio.Write(name, data); err != nil {
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "wrote %s\n", name)
	return nil
}
