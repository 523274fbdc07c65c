package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/clients/facetfleet/internal/hub"
)

// defaultLimits suit about 50 robots: an event is some 300 bytes, a status some 700.
var defaultLimits = hub.Limits{Replicas: 1, EventBytes: 1 << 30, EventsPerRobot: 100_000, EventAge: 90 * 24 * time.Hour,
	BucketBytes: 64 << 20}

func (a *app) streamsCommand() *cobra.Command {
	l := defaultLimits
	cmd := &cobra.Command{
		Use:   "hub-streams",
		Short: "Make the streams and buckets of a fleet on the hub, or change their limits",
		Long: `hub-streams makes what the hub keeps: the stream of events and the buckets of statuses and of desired
states. It may be run again, with other limits. Limits are bytes and not a share of the disk:
events that the hub cannot keep are discarded, oldest first; a bucket that is full takes nothing new. It takes the
key of the hub's keeper.`,
		Example: `  facetfleet hub-streams
  facetfleet --hub tls://hub:4222 --hub-key keeper.key --hub-ca ca.pem hub-streams --replicas 3`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if l.Replicas != 1 && l.Replicas != 3 && l.Replicas != 5 {
				return cli.Usagef("--replicas %d: give 1, 3 or 5", l.Replicas)
			}
			if l.EventBytes <= 0 || l.EventsPerRobot <= 0 || l.EventAge < time.Minute || l.BucketBytes <= 0 {
				return cli.Usagef("every limit must be above 0, and --event-age at least 1m")
			}
			return a.ask(cmd, func(ctx context.Context, c *hub.Conn) error {
				if err := c.CreateStreams(ctx, l); err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"replicas": l.Replicas,
						"event_bytes": l.EventBytes, "bucket_bytes": l.BucketBytes})
				}
				_, err := fmt.Fprintf(cmd.OutOrStdout(),
					"the hub keeps up to %d bytes of events and %d bytes in each bucket, "+
						"%s\n", l.EventBytes, l.BucketBytes, cli.Count(l.Replicas, "time"))
				return err
			})
		},
	}
	f := cmd.Flags()
	f.IntVar(&l.Replicas, "replicas", l.Replicas, "on how many nodes everything is kept: 1, or 3 on a hub of three")
	f.Int64Var(&l.EventBytes, "event-bytes", l.EventBytes, "most bytes of all events")
	f.Int64Var(&l.EventsPerRobot, "events-per-robot", l.EventsPerRobot, "most events of one robot")
	f.DurationVar(&l.EventAge, "event-age", l.EventAge, "events older than this are discarded")
	f.Int64Var(&l.BucketBytes, "bucket-bytes", l.BucketBytes, "most bytes of each bucket")
	return cmd
}
