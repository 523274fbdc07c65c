package main

import (
	"context"
	"fmt"
	"slices"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/framedigest"
	"facetd.example/api/invalid"
)

func (a *app) framesCommand() *cobra.Command {
	return cli.Group("frames", "Watch, save and sum up frames", `  facetctl frames watch
  facetctl frames save --task wall --out pictures --count 10 --sheet
  facetctl frames digest --task wall --count 100`,
		a.framesWatchCommand(), a.framesSaveCommand(), a.framesDigestCommand())
}

// inFlight is how many frame sets of a queue may be on their way.
const inFlight = 8

// receive hands the frame sets of a stream to f until f says that it is done, or
// the stream ends; the stream's end is an error, io.EOF where it was in order. Of a
// queue some are always on their way, else each is asked for when f is done with the one before.
func receive(ctx context.Context, c *client, start *facetdv1.FollowStart,
	f func(*facetdv1.FrameSetDelivery) (done bool, err error)) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	stream, err := c.frames.FollowFrameSets(ctx)
	if err != nil {
		return err
	}
	if start.FrameSets = 1; start.GetOverflow() == facetdv1.Overflow_OVERFLOW_QUEUE {
		start.FrameSets = inFlight
	}
	// An error of sending is told by receiving.
	_ = stream.Send(&facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Start{Start: start}})
	one := &facetdv1.FollowFrameSetsRequest{Request: &facetdv1.FollowFrameSetsRequest_Grant{
		Grant: &facetdv1.FollowGrant{FrameSets: 1}}}
	for {
		r, err := stream.Recv()
		if err != nil {
			return err
		}
		if r.GetDelivery() == nil {
			continue
		}
		if done, err := f(r.GetDelivery()); done || err != nil {
			return err
		}
		_ = stream.Send(one)
	}
}

// knownTask fails when no task of that name runs: a stream of it would wait for
// ever.
func knownTask(ctx context.Context, c *client, name string) error {
	r, err := allTasks(ctx, c)
	if err != nil {
		return err
	}
	var names []string
	for _, t := range r.GetTasks() {
		names = append(names, t.GetTask().GetName())
	}
	if !slices.Contains(names, name) {
		return fmt.Errorf("no task called %q is running (%s)", name, invalid.Closest(name, names, "tasks"))
	}
	return nil
}

func (a *app) framesDigestCommand() *cobra.Command {
	var tasks []string
	var count uint64
	var firstJob int64
	var each bool
	cmd := &cobra.Command{
		Use:   "digest",
		Short: "Sum up the codes and bus times of frame sets, to compare runs",
		Long: `digest computes a SHA-256 over the bus times and codes of frame sets as they arrive.
Two runs of a virtual bus with one seed and the same tasks give the same digest of
the same jobs: choose them with one --task and --first-job, as a stream begins at
whatever job comes next.`,
		Example: `  facetctl frames digest --task wall --first-job 100 --count 50
  facetctl frames digest --each`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if count == 0 {
				return cli.Usagef("--count 0: give at least 1")
			}
			if firstJob >= 0 && len(tasks) != 1 {
				return cli.Usagef("--first-job goes with exactly one --task")
			}
			return a.stream(cmd, func(ctx context.Context, c *client) error {
				for _, t := range tasks {
					if err := knownTask(ctx, c, t); err != nil {
						return err
					}
				}
				d := &digester{cmd: cmd, sum: framedigest.New(), count: count, firstJob: firstJob, each: each}
				return d.run(ctx, c, tasks)
			})
		},
	}
	cmd.Flags().StringSliceVar(&tasks, "task", nil, "tasks to sum up (default all)")
	cmd.Flags().Uint64Var(&count, "count", 100, "number of frame sets")
	cmd.Flags().Int64Var(&firstJob, "first-job", -1,
		"skip the frame sets before this job; fail when it is past already")
	cmd.Flags().BoolVar(&each, "each", false, "print the running digest after every frame set")
	return cmd
}

// digester sums up a stream.
type digester struct {
	cmd      *cobra.Command
	sum      *framedigest.Digest
	count    uint64
	firstJob int64
	each     bool
	from, to int64 // bus time of the first release and the last finish
}

// digestLine is the result as JSON.
type digestLine struct {
	SHA256    string `json:"sha256"`
	FrameSets uint64 `json:"frame_sets"`
	FromBusNS int64  `json:"from_bus_ns"`
	ToBusNS   int64  `json:"to_bus_ns"`
}

func (d *digester) run(ctx context.Context, c *client, tasks []string) error {
	req := &facetdv1.FollowStart{Selection: &facetdv1.FrameSelection{Tasks: tasks},
		Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, QueueLength: 1024}
	err := receive(ctx, c, req, d.add)
	switch {
	case d.sum.Sets() == d.count:
		return d.print()
	case ended(ctx, err) != nil:
		return err
	}
	return fmt.Errorf("the stream ended after %d of %d frame sets; their digest is %s", d.sum.Sets(), d.count,
		d.sum.Sum())
}

func (d *digester) add(r *facetdv1.FrameSetDelivery) (bool, error) {
	fs := r.GetFrameSet()
	if r.GetDropped() > 0 && d.sum.Sets() > 0 {
		return false, fmt.Errorf("%s lost because we read too slowly; a digest would mean nothing",
			cli.Count(int(r.GetDropped()), "frame set"))
	}
	if d.firstJob >= 0 && d.sum.Sets() == 0 {
		switch job := int64(fs.GetJob()); {
		case job < d.firstJob:
			return false, nil
		case job > d.firstJob:
			return false, fmt.Errorf("job %d is past: the stream is at job %d", d.firstJob, job)
		}
	}
	if d.sum.Sets() == 0 {
		d.from = fs.GetReleaseBusNs()
	}
	d.to = fs.GetFinishBusNs()
	d.sum.Add(fs)
	done := d.sum.Sets() == d.count
	if d.each && !done {
		return false, d.print()
	}
	return done, nil
}

func (d *digester) print() error {
	line := digestLine{d.sum.Sum(), d.sum.Sets(), d.from, d.to}
	if cli.WantsJSON(d.cmd) {
		return cli.WriteJSONLine(d.cmd.OutOrStdout(), line)
	}
	_, err := fmt.Fprintf(d.cmd.OutOrStdout(), "%s  %s, bus time %s to %s\n", line.SHA256,
		cli.Count(int(line.FrameSets), "frame set"),
		cli.NS(line.FromBusNS), cli.NS(line.ToBusNS))
	return err
}
