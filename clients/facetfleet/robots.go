package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
)

func (a *app) robotsCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "robots",
		Short: "Show all robots, the worst first, with the age of what is shown",
		Long: `robots lists every robot that the hub knows by its health, the worst first. AGE is how long ago the hub
took the status; a robot of which nothing was heard for 15 s is silent, and the rest of its line is as it was.`,
		Example: `  facetfleet robots
  facetfleet robots --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.ask(cmd, func(ctx context.Context, c *hub.Conn) error {
				all, err := fleet.Robots(ctx, c)
				if err != nil {
					return err
				}
				return writeRobots(cmd, all, time.Now())
			})
		},
	}
}

// robotJSON is a robot under --output json.
type robotJSON struct {
	Name       string          `json:"name"`
	Condition  string          `json:"condition"`
	AgeSeconds float64         `json:"age_seconds"`
	Stored     time.Time       `json:"stored_time"`
	Status     json.RawMessage `json:"status"`
}

func newRobotJSON(r *fleet.Robot, now time.Time) (*robotJSON, error) {
	raw, err := cli.Raw(r.Robot)
	return &robotJSON{r.GetName(), r.Word(now), r.Age(now).Seconds(), r.Stored.UTC(), raw}, err
}

func writeRobots(cmd *cobra.Command, all []*fleet.Robot, now time.Time) error {
	if cli.WantsJSON(cmd) {
		list := make([]*robotJSON, len(all))
		for i, r := range all {
			var err error
			if list[i], err = newRobotJSON(r, now); err != nil {
				return err
			}
		}
		return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"robots": list})
	}
	return writeRobotTable(cmd.OutOrStdout(), all, now)
}

func writeRobotTable(w io.Writer, all []*fleet.Robot, now time.Time) error {
	t := cli.NewTable("ROBOT", "CONDITION", ">AGE", "STATE", ">ALARMS", ">LATE", ">FAILED", ">RULES", ">BUS", ">BEHIND",
		"WHAT")
	for _, r := range all {
		t.Row(printable(r.GetName()), r.Word(now), cli.Age(r.Age(now)), cli.Label(r.GetState(), "STATE_"),
			count(uint64(r.GetAlarms())),
			count(r.GetJobsLate()), count(r.GetJobsFailed()), count(r.GetRuleViolations()),
			cli.Percent(r.GetUtilization()), count(r.Behind()), cli.Short(printable(r.What()), 60))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, tally(all, now))
	return err
}

func count(n uint64) string { return strconv.FormatUint(n, 10) }

// tally counts the robots by how they are.
func tally(all []*fleet.Robot, now time.Time) string {
	by := map[string]int{}
	for _, r := range all {
		by[r.Word(now)]++
	}
	text := cli.Count(len(all), "robot")
	for _, word := range []string{"fault", "bad", "silent", "no daemon", "degraded", "stopped", "not judged", "good"} {
		if by[word] > 0 {
			text += fmt.Sprintf(", %d %s", by[word], word)
		}
	}
	return text
}

func (a *app) watchCommand() *cobra.Command {
	var robot string
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Show statuses as they come, and robots that fall silent",
		Long: `watch prints a line for each robot, and another whenever its condition, its state or its alarms change,
also when it falls silent. Under --output json every status is a line of its own. It goes on until interrupted.`,
		Example: `  facetfleet watch
  facetfleet watch --robot crawler-7 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.stream(cmd, func(ctx context.Context, c *hub.Conn) error {
				return watchRobots(ctx, cmd, c, robot)
			})
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "only this robot")
	return cmd
}

func (a *app) forgetCommand() *cobra.Command {
	var robot string
	cmd := &cobra.Command{
		Use:   "forget",
		Short: "Make the hub forget a robot that is gone for good",
		Long: `forget takes a silent robot from the list of robots, with what was desired of it. Its events stay until
they are discarded as all are, and so does the index of its recordings. It takes the key of an operator; the robot's
own key goes with the description of the fleet (hub-config).`,
		Example: `  facetfleet forget --robot crawler-3`,
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if robot == "" {
				return cli.Usagef("--robot: name the robot")
			}
			return a.ask(cmd, func(ctx context.Context, c *hub.Conn) error {
				if err := fleet.Forget(ctx, c, robot, time.Now()); err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"forgotten": robot})
				}
				_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: forgotten\n", robot)
				return err
			})
		},
	}
	cmd.Flags().StringVar(&robot, "robot", "", "the robot")
	return cmd
}

func watchRobots(ctx context.Context, cmd *cobra.Command, c *hub.Conn, only string) error {
	updates, failed := make(chan *fleet.Robot), make(chan error, 1)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	go func() {
		failed <- fleet.Watch(ctx, c, func(r *fleet.Robot) error {
			if r == nil || only != "" && r.GetName() != only {
				return nil
			}
			select {
			case updates <- r:
				return nil
			case <-ctx.Done():
				return ctx.Err()
			}
		})
	}()
	robots, said := map[string]*fleet.Robot{}, map[string]string{}
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	for {
		var look []*fleet.Robot
		select {
		case err := <-failed:
			return err
		case r := <-updates:
			robots[r.GetName()] = r
			look = []*fleet.Robot{r}
			if r.Forgotten {
				delete(robots, r.GetName())
				delete(said, r.GetName())
				look = nil
			}
		case <-tick.C:
			for _, r := range robots {
				if r.Silent(time.Now()) {
					look = append(look, r)
				}
			}
		}
		for _, r := range look {
			if err := writeWatched(cmd, r, said); err != nil {
				cancel()
				<-failed
				return err
			}
		}
	}
}

// writeWatched prints a robot where something about it has changed that people want to know.
func writeWatched(cmd *cobra.Command, r *fleet.Robot, said map[string]string) error {
	now := time.Now()
	line := fmt.Sprintf("%s  %-10s  %s, %s", r.GetName(), r.Word(now), cli.Label(r.GetState(), "STATE_"),
		cli.Count(int(r.GetAlarms()), "alarm"))
	key := line
	if cli.WantsJSON(cmd) && !r.Silent(now) {
		key = strconv.FormatUint(r.GetCount(), 10) + r.GetBridge().GetInstanceId()
	}
	if said[r.GetName()] == key {
		return nil
	}
	said[r.GetName()] = key
	if cli.WantsJSON(cmd) {
		j, err := newRobotJSON(r, now)
		if err != nil {
			return err
		}
		return cli.WriteJSONLine(cmd.OutOrStdout(), j)
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s  %s  %s  (%s old)\n", now.UTC().Format("15:04:05"), printable(line),
		cli.Short(printable(r.What()), 60), cli.Age(r.Age(now)))
	return err
}
