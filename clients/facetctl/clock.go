package main

import (
	"context"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/go/facet"
)

// maxTrips limits how often the clock command asks.
const maxTrips = 1000

func (a *app) clockCommand() *cobra.Command {
	trips := 10
	cmd := &cobra.Command{
		Use:   "clock",
		Short: "Show the clocks of bus and host, and how far this machine's are from them",
		Long: `clock asks the daemon some times for its clocks. Bus time, the monotonic clock of its
host and UTC there belong to one instant. The last lines compare with this machine: by
how much UTC differs between the two, and how surely this machine can say when something
happened on the bus, whatever UTC says. Frames that seem old, or come from the future, on
another machine than the daemon's are explained by the first, and an age by the second is
right all the same.`,
		Example: `  facetctl clock
  facetctl clock --trips 100 --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if trips < facet.FirstTrips || trips > maxTrips {
				return cli.Usagef("--trips: %d is not possible; use %d to %d", trips, facet.FirstTrips, maxTrips)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				found, err := compareClocks(ctx, c, trips)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), found)
				}
				found.write(cmd.OutOrStdout())
				return nil
			})
		},
	}
	cmd.Flags().IntVar(&trips, "trips", trips, fmt.Sprintf("how often to ask, %d to %d; the quickest answers say most",
		facet.FirstTrips, maxTrips))
	return cmd
}

// clocks is what the clock command finds.
type clocks struct {
	BusNS       int64     `json:"bus_ns"`
	MonotonicNS int64     `json:"monotonic_ns"`
	UTC         time.Time `json:"utc_time"`
	Epoch       uint32    `json:"utc_epoch"`
	// UTCAheadNS is how far the UTC of the daemon's host is ahead of this machine's.
	UTCAheadNS int64 `json:"utc_ahead_ns"`
	// UncertaintyNS is how surely the two machines' clocks are known against each other.
	UncertaintyNS int64 `json:"uncertainty_ns"`
	Trips         int   `json:"trips"`
}

func compareClocks(ctx context.Context, c *client, trips int) (*clocks, error) {
	clock, err := c.daemon.Clock(ctx)
	if err != nil {
		return nil, err
	}
	for range trips - facet.FirstTrips { // it has asked so often already
		if err := clock.Ask(ctx); err != nil {
			return nil, err
		}
	}
	last, _ := clock.Last()
	at, off := clock.Time(last.GetMonotonicNs())
	return newClocks(last, at, off, trips), nil
}

func newClocks(last *facetdv1.Clock, at time.Time, off time.Duration, trips int) *clocks {
	utc := last.GetUtcTime().AsTime()
	return &clocks{BusNS: last.GetBusNs(), MonotonicNS: last.GetMonotonicNs(), UTC: utc, Epoch: last.GetUtcEpoch(),
		UTCAheadNS: int64(utc.Sub(at.Round(0))), UncertaintyNS: int64(off) + last.GetUtcUncertaintyNs(), Trips: trips}
}

func (k *clocks) write(w io.Writer) {
	ahead, word := k.UTCAheadNS, "ahead of"
	if ahead < 0 {
		ahead, word = -ahead, "behind"
	}
	fmt.Fprintf(w, "bus time         %s\n", cli.NS(k.BusNS))
	fmt.Fprintf(w, "monotonic clock  %s since the host was booted\n", cli.NS(k.MonotonicNS))
	fmt.Fprintf(w, "UTC              %s, epoch %d: 1 and how often it was set or the host slept\n",
		k.UTC.Format("2006-01-02T15:04:05.000000Z"), k.Epoch)
	fmt.Fprintf(w, "between machines UTC there is %s %s this machine's, +- %s, by %s\n", cli.NS(ahead), word,
		cli.NS(k.UncertaintyNS), cli.Count(k.Trips, "question"))
}
