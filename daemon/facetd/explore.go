package main

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/scheduler"
	"facetd.example/scheduler/draw"
	"facetd.example/scheduler/program"
)

func exploreCommand() *cobra.Command {
	var name, sweep string
	var out figures
	var alone, all bool
	var grain time.Duration
	cmd := &cobra.Command{
		Use:   "explore ARRAY TASKS",
		Short: "Show what rate, resolution, skew and hold a task could have on an array",
		Long: `explore tries square blocks (from the task's own on), parts of the window and batches
of loading for one task, and looks for the highest rate of each: proved, or a rate that
fits (marked >=), up to which length of table under --output json. It lists the ways that no
other beats in rate, cells per pixel, cells seen, skew and hold (the Pareto front), or all
with --all. The task's own rate and limits do not limit the search; ways outside its
limits are marked. The other tasks of the file keep their rates, and the task has what they
leave; --alone explores it as if it had the bus for itself.
With --sweep the array is changed in place of the task's resolution: its number of lanes, the
bits of its converters, the capacitance of its lanes, or the time between the rows of the
task's class; of each value the highest rate is shown, with noise and error.
ARRAY and TASKS are ` + fileForm + `.`,
		Example: `  facetd explore demo demo --task wall
  facetd explore demo demo --task wall --sweep lanes=1,2,4
  facetd explore array.yaml tasks.yaml --task wall --alone --svg wall.svg --output json`,
		Args: cli.Args("ARRAY", "TASKS"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := cmp.Or(out.check(cmd), oneStdin(args...)); err != nil {
				return err
			}
			a, tasks, err := readBoth(cmd.InOrStdin(), args[0], args[1], grain, nil)
			if err != nil {
				return err
			}
			task, others, err := choose(tasks, name)
			if err != nil {
				return err
			}
			opt := scheduler.ExploreOptions{Beside: others}
			if alone {
				opt.Beside = nil
			}
			if sweep != "" {
				return runSweep(cmd, &sweptTask{a, grain, task, opt}, sweep, &out)
			}
			x, err := scheduler.Explore(a, task, opt)
			if err == nil && len(x.Points) == 0 {
				err = nothingFits(a, task, opt.Beside)
			}
			if err != nil {
				return err
			}
			if err := out.write(cmd, func(w io.Writer) error { return draw.Exploration(w, x) }, x.Points); err != nil {
				return err
			}
			switch {
			case cli.WantsJSON(cmd):
				return cli.WriteJSON(cmd.OutOrStdout(), x)
			case out.printed():
				return nil
			}
			return writeExploration(cmd.OutOrStdout(), x, all)
		},
	}
	cmd.Flags().StringVar(&name, "task", "", "task to explore (default the only one)")
	cmd.Flags().StringVar(&sweep, "sweep", "", "give the array other properties: "+sweepForm)
	cmd.Flags().BoolVar(&alone, "alone", false, "as if the other tasks of the file were not there")
	cmd.Flags().DurationVar(&grain, "grain", 1, grainHelp)
	cmd.Flags().BoolVar(&all, "all", false, "list the ways that others beat as well")
	out.register(cmd, "draw rate against resolution", "all ways, those that others beat too,")
	return cmd
}

// nothingFits is why a task has no way of running at all: the others may be at fault.
func nothingFits(a *chipmodel.Array, task *facetdv1.Task, others []*facetdv1.Task) error {
	if len(others) == 0 {
		return fmt.Errorf("%s cannot be run in any way that was tried", task.GetName())
	}
	tasks, m := program.NewTasks(a, others)
	if len(m) > 0 {
		return m
	}
	_, err := scheduler.Build(a, tasks, scheduler.Options{})
	var refusal *scheduler.RefusalError
	if errors.As(err, &refusal) {
		return fmt.Errorf("the other tasks do not fit even without %s: %w (--alone explores it as if they were not "+
			"there)", task.GetName(), err)
	}
	return fmt.Errorf("%s fits beside the other tasks in no way that was tried (--alone explores it as if they were "+
		"not there)", task.GetName())
}

// choose finds a task by name; without a name there must be one alone.
func choose(tasks []*facetdv1.Task, name string) (*facetdv1.Task, []*facetdv1.Task, error) {
	var names []string
	for _, t := range tasks {
		names = append(names, t.GetName())
	}
	i := slices.Index(names, name)
	switch {
	case name == "" && len(tasks) == 1:
		i = 0
	case name == "":
		return nil, nil, cli.Usagef("the file has several tasks; choose one: --task %s", strings.Join(names, "|"))
	case i < 0:
		return nil, nil, fmt.Errorf("no task is called %q; the file has: %s", name, strings.Join(names, ", "))
	}
	return tasks[i], slices.Delete(slices.Clone(tasks), i, i+1), nil
}

func writeExploration(w io.Writer, x *scheduler.Exploration, all bool) error {
	t := cli.NewTable(">RATE Hz", ">BIN", ">WINDOW", ">FRAME", ">BATCHES", ">JOB", ">SKEW", ">HOLD", "")
	left := 0
	for _, p := range x.Points {
		if !p.Pareto && !all {
			left++
			continue
		}
		note := ""
		switch {
		case !p.Pareto:
			note = "beaten"
		case !p.WithinLimits:
			note = "outside the task's limits"
		}
		rate := cli.Significant(p.RateHz)
		if !p.ProvedHighest {
			rate = ">= " + rate
		}
		t.Row(rate, fmt.Sprintf("%dx%d", p.BinRows, p.BinColumns),
			fmt.Sprintf("%.0f %%", 100*p.WindowPart), fmt.Sprintf("%dx%d", p.Rows, p.Columns),
			fmt.Sprint(p.Batches), cli.NS(p.JobNS), cli.NS(p.SkewNS), cli.NS(p.WorstHoldNS), note)
	}
	if err := t.Write(w); err != nil {
		return err
	}
	if left > 0 {
		fmt.Fprintf(w, "\n%s that others beat left out; --all lists them\n", cli.Count(left, "way"))
	}
	return nil
}
