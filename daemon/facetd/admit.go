package main

import (
	"errors"
	"fmt"
	"io"
	"math/big"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/scheduler/timetable"
)

func admitCommand() *cobra.Command {
	var policy, tick string
	var assign, integer, table bool
	cmd := &cobra.Command{
		Use:   "admit FILE",
		Short: "Decide whether abstract periodic tasks fit on one bus without preemption",
		Long: `admit decides a set of tasks given by cost, period and deadline alone:

  {"tasks": [{"name": "a", "cost_ns": 1, "period_ns": 4, "deadline_ns": 4}]}

YAML or JSON, times in whole nanoseconds, all tasks released together at 0, a missing
deadline meaning one period. With --policy edf it looks for a timetable of one
hyperperiod: by earliest deadline first, then by exact search with inserted idle time;
it says "unknown" past its cap. Of tasks that do not fit it reports the least factor on
all periods and deadlines that fits, and for each task the shortest period that fits
beside the others: proved to be the shortest down to its own, or how far was searched,
or which task is in the way of all. With --policy fixed it computes the response times under fixed
priorities, highest first in the file; --assign looks for an order that fits.
The exit status is 1 unless the tasks fit. FILE may be - for standard input.`,
		Example: `  facetd admit tasks.json
  facetd admit tasks.json --table --output json
  facetd admit tasks.json --policy fixed --assign`,
		Args: cli.Args("FILE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			opt, err := fixedOptions(tick, integer)
			switch {
			case err != nil:
				return err
			case policy != "edf" && policy != "fixed":
				return cli.Usagef("--policy %q: use edf or fixed", policy)
			case policy == "edf" && (assign || integer || tick != ""):
				return cli.Usagef("--assign, --tick and --integer-time go with --policy fixed")
			case policy == "fixed" && table:
				return cli.Usagef("--table goes with --policy edf")
			}
			tasks, err := readSet(cmd, args[0])
			if err != nil {
				return err
			}
			if policy == "fixed" {
				return admitFixed(cmd, tasks, opt, assign)
			}
			return admitEDF(cmd, tasks, table)
		},
	}
	cmd.Flags().StringVar(&policy, "policy", "edf", "edf or fixed")
	cmd.Flags().BoolVar(&assign, "assign", false, "look for priorities under which all tasks fit (Audsley)")
	cmd.Flags().StringVar(&tick, "tick", "", "granularity of arrivals under fixed priorities, such as 8us or "+
		"nanoseconds (default 1ns)")
	cmd.Flags().BoolVar(&integer, "integer-time", false, "releases fall on ticks, so that blocking is one tick shorter")
	cmd.Flags().BoolVar(&table, "table", false, "print the timetable for people too")
	return cmd
}

// readSet reads a file of abstract tasks.
func readSet(cmd *cobra.Command, name string) ([]timetable.Task, error) {
	s, err := open(cmd.InOrStdin(), name, nil, "")
	if err != nil {
		return nil, err
	}
	tasks, m := timetable.ParseSet(s.name, s.data)
	if len(m) > 0 {
		return nil, &invalidError{s.name, m}
	}
	return tasks, nil
}

// fixedOptions reads --tick: a duration, or nanoseconds.
func fixedOptions(tick string, integer bool) (timetable.FixedOptions, error) {
	opt := timetable.FixedOptions{IntegerTime: integer}
	if tick == "" {
		return opt, nil
	}
	ns, err := strconv.ParseInt(tick, 10, 64)
	if err != nil {
		var d time.Duration
		d, err = time.ParseDuration(tick)
		ns = d.Nanoseconds()
	}
	if err != nil || ns <= 0 {
		return opt, cli.Usagef("--tick %q: give a time above zero, such as 8us", tick)
	}
	opt.Tick = ns
	return opt, nil
}

func admitEDF(cmd *cobra.Command, tasks []timetable.Task, table bool) error {
	opt := timetable.Options{Ticks: cli.NS}
	r, err := timetable.PlanPeriodic(tasks, opt)
	if err != nil {
		return err
	}
	var stretch *big.Rat
	if factor, verdict, err := timetable.MinStretch(tasks, opt); err == nil && verdict == timetable.Feasible {
		stretch = factor
	}
	var rates []timetable.TaskRate
	if r.Verdict != timetable.Feasible {
		if rates, err = timetable.Rates(tasks, opt); err != nil {
			return err
		}
	}
	report := timetable.NewReport(tasks, r, stretch, rates)
	if cli.WantsJSON(cmd) {
		err = cli.WriteJSON(cmd.OutOrStdout(), report)
	} else {
		err = writeReport(cmd.OutOrStdout(), &report, table)
	}
	if err == nil && r.Verdict != timetable.Feasible {
		return cli.ErrReported
	}
	return err
}

func writeReport(w io.Writer, r *timetable.Report, table bool) error {
	fmt.Fprintf(w, "verdict       %s\n", r.Verdict)
	fmt.Fprintf(w, "decided by    %s\n", r.Method)
	fmt.Fprintf(w, "utilization   %s\n", cli.Percent(r.Utilization))
	if r.MinStretch != "" {
		fmt.Fprintf(w, "least factor  %s\n", r.MinStretch)
	}
	if r.Witness != "" {
		fmt.Fprintf(w, "because       %s\n", r.Witness)
	}
	for i := range r.Rates {
		fmt.Fprintf(w, "rate          %s\n", rateLine(&r.Rates[i]))
	}
	if !table || len(r.Table) == 0 {
		return nil
	}
	t := cli.NewTable("TASK", ">JOB", ">START ns", ">END ns")
	for _, line := range r.Table {
		t.Row(line.Task, fmt.Sprint(line.Job), fmt.Sprint(line.Start), fmt.Sprint(line.End))
	}
	fmt.Fprintln(w)
	return t.Write(w)
}

// rateLine says what is known of the rate of one task beside the others.
func rateLine(r *timetable.ReportRate) string {
	searched := "no table searched whole"
	if r.SearchedTableNS > 0 {
		searched = "searched in tables of up to " + cli.NS(r.SearchedTableNS)
	}
	switch {
	case r.NoneFits:
		return fmt.Sprintf("%s: no period fits, %s is in the way: %s", r.Task, r.InTheWay, r.Witness)
	case r.PeriodNS == 0:
		return fmt.Sprintf("%s: no period was found; %s", r.Task, searched)
	case r.Highest:
		return fmt.Sprintf("%s: fits with a period of %s, proved the shortest; %s", r.Task, cli.NS(r.PeriodNS),
			searched)
	}
	return fmt.Sprintf("%s: fits with a period of %s; shorter ones were not ruled out; %s", r.Task, cli.NS(r.PeriodNS),
		searched)
}

func admitFixed(cmd *cobra.Command, tasks []timetable.Task, opt timetable.FixedOptions, assign bool) error {
	order := make([]int, len(tasks))
	for i := range order {
		order[i] = i
	}
	if assign {
		found, ok, err := timetable.Assign(tasks, opt)
		switch {
		case err != nil:
			return err
		case !ok:
			return errors.New("no order of priorities lets every task meet its deadline")
		}
		order = found
	}
	responses, err := timetable.FixedPriority(tasks, order, opt)
	if err != nil {
		return err
	}
	report := timetable.NewFixedReport(responses)
	if cli.WantsJSON(cmd) {
		err = cli.WriteJSON(cmd.OutOrStdout(), report)
	} else {
		err = writeResponses(cmd.OutOrStdout(), report.Responses)
	}
	for _, r := range responses {
		if err == nil && !r.Schedulable {
			return cli.ErrReported
		}
	}
	return err
}

func writeResponses(w io.Writer, responses []timetable.Response) error {
	t := cli.NewTable("PRIORITY", "TASK", ">BLOCKING", ">BUSY PERIOD", ">INSTANCES", ">RESPONSE", "FITS")
	for i, r := range responses {
		response, busy, fits := "-", "-", "no"
		if len(r.Instance) > 0 {
			response, busy = cli.NS(r.Response), cli.NS(r.Busy)
		}
		if r.Schedulable {
			fits = "yes"
		}
		t.Row(fmt.Sprint(i+1), r.Task, cli.NS(r.Blocking), busy, fmt.Sprint(len(r.Instance)), response, fits)
	}
	return t.Write(w)
}
