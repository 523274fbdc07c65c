package main

import (
	"context"
	"fmt"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/types/known/durationpb"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

func (a *app) recordCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "record",
		Short: "Record what the array does, in the open MCAP container",
		Long: `record starts, stops, lists, copies and deletes recordings in the daemon's folder
(facetd --data DIR).
A recording holds frame sets, timetables, status and events with their schemas, so that
generic tools read it. It never slows the bus: what the disk is too slow for is lost,
counted, and marked in the file. After a crash 'facetd recover' closes what is left.`,
		Example: `  facetctl record start --name test-drive --tasks wall,bow --part-bytes 500000000
  facetctl record stop test-drive
  facetctl record list
  facetctl record download test-drive`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(a.recordStartCommand(), a.recordStopCommand(), a.recordListCommand(), a.recordDownloadCommand(),
		a.recordDeleteCommand())
	return cmd
}

func (a *app) recordStartCommand() *cobra.Command {
	var name string
	var tasks []string
	var images, motion bool
	var partBytes, maxBytes uint64
	var partDuration, maxDuration time.Duration
	cmd := &cobra.Command{
		Use:   "start",
		Short: "Begin a recording",
		Example: `  facetctl record start
  facetctl record start --name bend --tasks wall --images --max-duration 10m`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			o := &facetdv1.RecordingOptions{Tasks: tasks, Images: images, Motion: motion, PartBytes: partBytes,
				MaxBytes: maxBytes}
			if partDuration != 0 {
				o.PartDuration = durationpb.New(partDuration)
			}
			if maxDuration != 0 {
				o.MaxDuration = durationpb.New(maxDuration)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.record.StartRecording(ctx, &facetdv1.StartRecordingRequest{Name: name, Options: o})
				if err != nil {
					return err
				}
				return showRecording(cmd, r.GetRecording())
			})
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&name, "name", "", "name of the recording (default the time in UTC)")
	fl.StringSliceVar(&tasks, "tasks", nil, "tasks whose frame sets are recorded (default all, and captures)")
	fl.BoolVar(&images, "images", false, "write each frame as a raw image too, for common viewers")
	fl.BoolVar(&motion, "motion", false, "write what the frame sets tell of motion too")
	fl.Uint64Var(&partBytes, "part-bytes", 0, "begin a new file at this many bytes (default 2 GiB)")
	fl.DurationVar(&partDuration, "part-duration", 0, "begin a new file after this much bus time (default no limit)")
	fl.Uint64Var(&maxBytes, "max-bytes", 0, "end at this many bytes (default no limit)")
	fl.DurationVar(&maxDuration, "max-duration", 0, "end after this much bus time (default no limit)")
	return cmd
}

func (a *app) recordStopCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "stop NAME",
		Short:   "End a recording and close its file",
		Example: "  facetctl record stop bend",
		Args:    cli.Args("NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.record.StopRecording(ctx, &facetdv1.StopRecordingRequest{Name: args[0]})
				if err != nil {
					return err
				}
				return showRecording(cmd, r.GetRecording())
			})
		},
	}
}

func (a *app) recordListCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the recordings in the daemon's folder",
		Example: `  facetctl record list
  facetctl record list --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				all := &facetdv1.ListRecordingsResponse{}
				for token := ""; ; {
					r, err := c.record.ListRecordings(ctx, &facetdv1.ListRecordingsRequest{PageToken: token})
					if err != nil {
						return err
					}
					all.Recordings = append(all.Recordings, r.GetRecordings()...)
					if token = r.GetNextPageToken(); token == "" {
						break
					}
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), all)
				}
				return recordingTable(all.GetRecordings()).Write(cmd.OutOrStdout())
			})
		},
	}
}

func showRecording(cmd *cobra.Command, r *facetdv1.Recording) error {
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), r)
	}
	return recordingTable([]*facetdv1.Recording{r}).Write(cmd.OutOrStdout())
}

func recordingTable(list []*facetdv1.Recording) *cli.Table {
	t := cli.NewTable("RECORDING", "STATE", "BEGAN (UTC)", ">FRAME SETS", ">LOST", ">BYTES", ">FILES", "WHY IT ENDED")
	for _, r := range list {
		began := "-"
		if r.GetStartTime() != nil {
			began = r.GetStartTime().AsTime().UTC().Format("2006-01-02 15:04:05")
		}
		t.Row(r.GetName(), cli.Label(r.GetState(), "RECORDING_STATE_"), began, fmt.Sprint(r.GetFrameSets()),
			fmt.Sprint(r.GetLostFrameSets()),
			fmt.Sprint(r.GetBytes()), fmt.Sprint(len(r.GetParts())), r.GetReason())
	}
	return t
}
