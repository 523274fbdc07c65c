package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) eventsCommand() *cobra.Command {
	var follow bool
	var count uint32
	var severity, task string
	cmd := &cobra.Command{
		Use:   "events",
		Short: "Show what an operator should know: tasks, misses, faults, rule violations, recordings",
		Long: `events lists the newest events of the daemon's journal, oldest first. With --follow it
goes on with events as they happen, until interrupted, and reports what it lost if slow.
Under --output json every event is a line of its own.`,
		Example: `  facetctl events
  facetctl events --severity warning --count 20
  facetctl events --follow --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			filter, err := eventFilter(severity, task)
			if err != nil {
				return err
			}
			last, journal := uint64(0), ""
			err = a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.events.ListEvents(ctx, &facetdv1.ListEventsRequest{PageSize: count, Filter: filter})
				if err != nil {
					return err
				}
				last, journal = r.GetLastSequence(), r.GetJournalId()
				for _, e := range r.GetEvents() {
					if err := writeEvent(cmd, e); err != nil {
						return err
					}
				}
				return nil
			})
			if !follow || err != nil && cmd.Context().Err() == nil {
				return err
			}
			return a.follow(cmd, func(ctx context.Context, c *client) error {
				return followEvents(ctx, cmd, c, &facetdv1.StreamEventsRequest{AfterSequence: &last,
					JournalId: journal, Filter: filter})
			})
		},
	}
	cmd.Flags().BoolVar(&follow, "follow", false, "go on with events as they happen")
	cmd.Flags().Uint32Var(&count, "count", 100, "how many past events to show, up to 1000")
	cmd.Flags().StringVar(&severity, "severity", "info", "least severity: info, warning or error")
	cmd.Flags().StringVar(&task, "task", "", "only events of this task")
	return cmd
}

func eventFilter(severity, task string) (*facetdv1.EventFilter, error) {
	s, known := facetdv1.Severity_value["SEVERITY_"+strings.ToUpper(severity)]
	if !known || s == 0 {
		return nil, cli.Usagef("--severity %q: use info, warning or error", severity)
	}
	return &facetdv1.EventFilter{MinSeverity: facetdv1.Severity(s), Task: task}, nil
}

func followEvents(ctx context.Context, cmd *cobra.Command, c *client,
	request *facetdv1.StreamEventsRequest) error {
	stream, err := c.events.StreamEvents(ctx, request)
	if err != nil {
		return err
	}
	for {
		r, err := stream.Recv()
		if err != nil {
			return err
		}
		if n := r.GetMissed(); n > 0 {
			fmt.Fprintf(cmd.ErrOrStderr(), "%s no longer in the daemon's memory, whatever the filter; "+
				"'facetctl events' shows what is on its disk\n", cli.Count(int(n), "event"))
		}
		if n := r.GetDropped(); n > 0 {
			fmt.Fprintf(cmd.ErrOrStderr(), "%s lost, this reader was too slow\n", cli.Count(int(n), "event"))
		}
		if err := writeEvent(cmd, r.GetEvent()); err != nil {
			return err
		}
	}
}

func writeEvent(cmd *cobra.Command, e *facetdv1.Event) error {
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(), e)
	}
	_, err := io.WriteString(cmd.OutOrStdout(), eventLine(e)+"\n")
	return err
}

func eventLine(e *facetdv1.Event) string {
	line := fmt.Sprintf("%s  %-7s  %s", e.GetTime().AsTime().UTC().Format("2006-01-02 15:04:05.000Z"),
		cli.Label(e.GetSeverity(), "SEVERITY_"), e.GetText())
	if e.GetTask() != "" && !strings.Contains(e.GetText(), e.GetTask()) {
		line += " [" + e.GetTask() + "]"
	}
	return line
}
