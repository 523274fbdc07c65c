package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
)

func (a *app) eventsCommand() *cobra.Command {
	var o fleet.EventOptions
	var severity string
	cmd := &cobra.Command{
		Use:   "events",
		Short: "Show events of all robots, and gaps in them",
		Long: `events lists the newest events that the hub has, in the order in which it stored them; of one robot
that is the order of its journal. Where events are lacking a line says how many. With --follow it goes on with events
as they come. With --reader NAME the hub remembers how far that reader has come, and goes on there the next
time: it begins with all that the hub has.`,
		Example: `  facetfleet events
  facetfleet events --robot crawler-7 --severity warning
  facetfleet events --follow --reader archive --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			least, known := facetdv1.Severity_value["SEVERITY_"+strings.ToUpper(severity)]
			if !known || least == 0 {
				return cli.Usagef("--severity %q: use info, warning or error", severity)
			}
			if o.Reader != "" {
				if cmd.Flags().Changed("count") {
					return cli.Usagef("--count and --reader: a reader goes on where it was")
				}
				o.Newest = 0
			}
			run := a.ask
			if o.Follow {
				run = a.stream
			}
			return run(cmd, func(ctx context.Context, c *hub.Conn) error {
				return fleet.Events(ctx, c, o, func(e *fleet.Event) error {
					if e.GetEvent() != nil && e.GetEvent().GetSeverity() < facetdv1.Severity(least) {
						return nil
					}
					return writeEvent(cmd, e)
				})
			})
		},
	}
	cmd.Flags().StringVar(&o.Robot, "robot", "", "only this robot")
	cmd.Flags().Uint64Var(&o.Newest, "count", 100, "how many past events to look at; 0 means all that the hub has")
	cmd.Flags().BoolVar(&o.Follow, "follow", false, "go on with events as they come")
	cmd.Flags().StringVar(&o.Reader, "reader", "", "name of a reader that the hub remembers")
	cmd.Flags().StringVar(&severity, "severity", "info",
		"least severity: info, warning or error; gaps are always shown")
	return cmd
}

// eventJSON is an event under --output json.
type eventJSON struct {
	Number uint64          `json:"hub_number"`
	Stored time.Time       `json:"stored_time"`
	Event  json.RawMessage `json:"robot_event"`
}

func writeEvent(cmd *cobra.Command, e *fleet.Event) error {
	if cli.WantsJSON(cmd) {
		raw, err := cli.Raw(e.RobotEvent)
		if err != nil {
			return err
		}
		return cli.WriteJSONLine(cmd.OutOrStdout(), eventJSON{e.Number, e.Stored.UTC(), raw})
	}
	_, err := io.WriteString(cmd.OutOrStdout(), printable(eventLine(e))+"\n")
	return err
}

// printable is a text of a robot's in one line that controls no terminal: a robot may say anything.
func printable(s string) string {
	return invalid.Visible(strings.NewReplacer("\n", " ", "\t", " ").Replace(s))
}

func eventLine(e *fleet.Event) string {
	const layout = "2006-01-02 15:04:05.000"
	if g := e.GetGap(); g != nil {
		n := cli.Count(int(g.GetEvents()), "event") + " lacking"
		if !g.GetExact() {
			n = "at least " + n
		}
		return fmt.Sprintf("%s  %s  %-7s  %s: %s", g.GetTime().AsTime().UTC().Format(layout), e.GetRobot(), "gap", n,
			g.GetReason())
	}
	v := e.GetEvent()
	line := fmt.Sprintf("%s  %s  %-7s  %s", v.GetTime().AsTime().UTC().Format(layout), e.GetRobot(),
		cli.Label(v.GetSeverity(), "SEVERITY_"), v.GetText())
	if v.GetTask() != "" && !strings.Contains(v.GetText(), v.GetTask()) {
		line += " [" + v.GetTask() + "]"
	}
	return line
}
