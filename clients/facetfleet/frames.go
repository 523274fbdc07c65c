package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	fleetv1 "facetd.example/api/facetfleet/v1"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetfleet/internal/fleet"
	"facetd.example/clients/facetfleet/internal/hub"
	"facetd.example/clients/facetfleet/internal/subject"
)

var errEnough = errors.New("as many as were asked for")

func (a *app) framesCommand() *cobra.Command {
	var o fleet.LeaseOptions
	var out string
	var most int
	cmd := &cobra.Command{
		Use:   "frames",
		Short: "Show or save frame sets of a robot, under a lease",
		Long: `frames asks a robot for frame sets for as long as it runs, and prints a line for each. A robot sends none
unless somebody has a lease, within a budget of bytes a second that its tasks share: of each task the newest
waits, and those that are replaced are counted as skipped. With --out every frame is saved as a picture with
16 bits per pixel (PGM). Under --output json every frame set is a line with its pixels.`,
		Example: `  facetfleet frames --robot crawler-7 --task wall --count 3
  facetfleet frames --robot crawler-7 --bytes-per-second 200000 --out pictures`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			if o.Robot == "" {
				return cli.Usagef("--robot: name the robot")
			}
			if most < 0 {
				return cli.Usagef("--count %d: give 0 or more", most)
			}
			if out != "" {
				if err := os.MkdirAll(out, 0o777); err != nil {
					return cli.Usagef("--out: %s", fileio.Plain(err))
				}
			}
			return a.stream(cmd, func(ctx context.Context, c *hub.Conn) error {
				n := 0
				err := fleet.Frames(ctx, c, o, func(f *fleetv1.RobotFrames) error {
					if err := takeFrames(cmd, f, out); err != nil {
						return err
					}
					if n++; n == most {
						return errEnough
					}
					return nil
				})
				if errors.Is(err, errEnough) {
					return nil
				}
				return err
			})
		},
	}
	f := cmd.Flags()
	f.StringVar(&o.Robot, "robot", "", "the robot")
	f.StringSliceVar(&o.Tasks, "task", nil, "only these tasks")
	f.IntVar(&most, "count", 0, "end after so many frame sets; 0 goes on until interrupted")
	f.Uint64Var(&o.BytesPerSecond, "bytes-per-second", 0,
		"what all tasks may take together; 0 means what the bridge allows")
	f.StringVar(&out, "out", "", "folder for pictures")
	return cmd
}

func takeFrames(cmd *cobra.Command, f *fleetv1.RobotFrames, out string) error {
	if out != "" {
		for _, frame := range f.GetSet().GetFrames() {
			if err := fileio.Write(filepath.Join(out, pictureName(f, frame)), pgm(frame)); err != nil {
				return fileio.Plain(err)
			}
		}
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(), f)
	}
	var chips []string
	bytes := 0
	for _, frame := range f.GetSet().GetFrames() {
		chips, bytes = append(chips, frame.GetChip()), bytes+len(frame.GetData())
	}
	line := fmt.Sprintf("%s  %s  job %d  %s, %d bytes of pixels, %s since the bridge had it", f.GetRobot(),
		f.GetSet().GetTask(), f.GetSet().GetJob(), cli.Short(strings.Join(chips, " "), 40), bytes,
		cli.Age(max(0, time.Since(f.GetReceivedTime().AsTime()))))
	if f.GetSkipped() > 0 {
		line += fmt.Sprintf(", %d skipped before it", f.GetSkipped())
	}
	if f.GetSet().GetFailure() != "" {
		line += ", failed: " + f.GetSet().GetFailure()
	}
	_, err := fmt.Fprintln(cmd.OutOrStdout(), printable(line))
	return err
}

// pictureName is the name of the file of a frame.
func pictureName(f *fleetv1.RobotFrames, frame *facetdv1.Frame) string {
	second := ""
	if frame.GetSecondOfPair() { // the first has the same chip and view; what is escaped has no plus
		second = "+second"
	}
	return fmt.Sprintf("%s-%s-%06d-%s-%s%s.pgm", subject.Escape(f.GetRobot()), subject.Escape(f.GetSet().GetTask()),
		f.GetSet().GetJob(), subject.Escape(frame.GetChip()), subject.Escape(frame.GetView()), second)
}

// pgm is a frame as a portable grey map (netpbm's P5) with its codes as they are: most significant byte first.
func pgm(f *facetdv1.Frame) []byte {
	picture := fmt.Appendf(nil, "P5\n%d %d\n65535\n", f.GetColumns(), f.GetRows())
	for i := 0; i+1 < len(f.GetData()); i += 2 {
		picture = append(picture, f.GetData()[i+1], f.GetData()[i])
	}
	return picture
}
