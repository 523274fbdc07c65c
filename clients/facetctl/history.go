package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// historyNames are short names of what histories are of, and their units.
var historyNames = map[facetdv1.HistoryQuantity][2]string{
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_ACHIEVED_RATE:    {"rate", "Hz"},
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_SLACK:            {"slack", "ns"},
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_SKEW:             {"skew", "ns"},
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_JOBS_MISSED:      {"missed", "jobs"},
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_UTILIZATION:      {"used", "fraction"},
	facetdv1.HistoryQuantity_HISTORY_QUANTITY_TIME_UNCERTAINTY: {"clock off", "ns"},
}

func (a *app) historyCommand() *cobra.Command {
	var span time.Duration
	var steps uint32
	cmd := &cobra.Command{
		Use:   "history [TASK...]",
		Short: "Show rates, slack, skew and use of the bus as they were, as far back as was kept",
		Long: `history shows what the daemon kept in memory: the last hour second by second, six hours in steps of
10 s and 24 hours in steps of a minute. It begins with the daemon. Without --steps it sums the span up
in one line of each quantity; with it there is a line for each step in which something was measured.`,
		Example: `  facetctl history
  facetctl history wall --span 10m --steps 60
  facetctl history --span 1h --steps 3600 wall --output csv > wall.csv`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, tasks []string) error {
			each := cmd.Flags().Changed("steps")
			if each && steps == 0 {
				return cli.Usagef("--steps 0: give 1 or more")
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				for _, name := range tasks {
					if err := knownTask(ctx, c, name); err != nil {
						return err
					}
				}
				r, err := c.history.GetHistory(ctx,
					&facetdv1.GetHistoryRequest{Span: durationpb.New(span), Steps: steps,
						Tasks: tasks})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				return writeHistory(cmd.OutOrStdout(), r, each)
			})
		},
	}
	cmd.Flags().DurationVar(&span, "span", time.Hour, "how far back, 1s to 24h")
	cmd.Flags().Uint32Var(&steps, "steps", 0, "show so many steps instead of one line each")
	return cmd
}

// writeHistory writes a line for each history, or for each step of it.
func writeHistory(w io.Writer, r *facetdv1.GetHistoryResponse, each bool) error {
	if n := r.GetNotKept(); n > 0 {
		fmt.Fprintf(w, "%s not kept: there were too many histories at once\n", cli.Count(int(n), "value"))
	}
	begin, step := r.GetBeginTime().AsTime(), r.GetStep().AsDuration()
	at := func(i int) string {
		return begin.Add(time.Duration(i) * step).UTC().Format(time.RFC3339)
	}
	t := cli.NewTable("of", "quantity", "unit", "from", "least", "mean", "greatest")
	for _, s := range r.GetSeries() {
		of := s.GetTask()
		if s.GetPhase() != 0 {
			of = cli.Label(s.GetPhase(), "PHASE_")
		}
		row := func(i int, leasts, means, mosts []float32) {
			name := historyNames[s.GetQuantity()]
			t.Row(cmp.Or(of, "-"), name[0], name[1], at(i), plainNumber(slices.Min(leasts)), plainNumber(mean(means)),
				plainNumber(slices.Max(mosts)))
		}
		var leasts, means, mosts []float32
		for _, run := range s.GetRuns() {
			for i := range run.GetMeans() {
				if each {
					row(int(run.GetFirst())+i, run.GetLeasts()[i:i+1], run.GetMeans()[i:i+1], run.GetMosts()[i:i+1])
				}
			}
			leasts, means = append(leasts, run.GetLeasts()...), append(means, run.GetMeans()...)
			mosts = append(mosts, run.GetMosts()...)
		}
		if !each && len(means) > 0 {
			row(int(s.GetRuns()[0].GetFirst()), leasts, means, mosts)
		}
	}
	return t.Write(w)
}

// plainNumber has four digits, or all before the point.
func plainNumber(v float32) string {
	if math.Abs(float64(v)) >= 1000 {
		return strconv.FormatFloat(float64(v), 'f', 0, 32)
	}
	return strconv.FormatFloat(float64(v), 'g', 4, 32)
}

// mean is that of steps that are equally long.
func mean(v []float32) float32 {
	var sum float64
	for _, x := range v {
		sum += float64(x)
	}
	return float32(sum / float64(len(v)))
}
