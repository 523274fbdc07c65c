package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/parse"
	"facetd.example/clients/facetctl/internal/picture"
)

func (a *app) captureCommand() *cobra.Command {
	var view viewFlags
	var noPicture, noColor, preview bool
	var codes codesWanted
	cmd := &cobra.Command{
		Use:   "capture TARGET",
		Short: "Read chips once, in an idle gap of the timetable, and show their frames",
		Long: `capture reads the chips of TARGET once, beside the running tasks, and shows the frames
with what is known of them. To keep them: facetctl frames save --capture TARGET.
Under --output json the codes are in "data", as base64.
--preview captures nothing, and says how long the capture may wait in the active timetable.
TARGET is ` + targetForm + `; chips of several classes are read one class
after another.`,
		Example: `  facetctl capture bow
  facetctl capture wall-00,wall-01 --binning 2 --smoothing 2
  facetctl capture wall --preview
  facetctl capture bed-0 --window 8x48+8+0 --no-picture`,
		Args: cli.Args("TARGET"),
		RunE: func(cmd *cobra.Command, args []string) error {
			views, err := view.views()
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				t, err := target(ctx, c, args[0])
				if err != nil {
					return err
				}
				if preview {
					return previewCapture(ctx, cmd, c, t, views)
				}
				r, err := c.frames.CaptureFrames(ctx,
					&facetdv1.CaptureFramesRequest{Target: t, Views: views, Codes: codes.wanted()})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				ratios, err := pitchRatios(ctx, c)
				if err != nil {
					return err
				}
				frames, err := picture.NewSet(r.GetFrameSet(), ratios)
				if err != nil {
					return err
				}
				return a.showCapture(cmd.OutOrStdout(), r, frames, !noPicture, a.colour(noColor))
			})
		},
	}
	view.register(cmd)
	codes.flags(cmd)
	cmd.Flags().BoolVar(&noPicture, "no-picture", false, "show no pictures, only what is known of the frames")
	cmd.Flags().BoolVar(&noColor, "no-color", false, "draw pictures on a ramp of characters")
	cmd.Flags().BoolVar(&preview, "preview", false, "capture nothing, and say how long it may wait")
	return cmd
}

// previewCapture says how long a capture may wait.
func previewCapture(ctx context.Context, cmd *cobra.Command, c *client, target *facetdv1.Target,
	views []*facetdv1.View) error {
	r, err := c.frames.PreviewCapture(ctx, &facetdv1.PreviewCaptureRequest{Target: target, Views: views})
	if err != nil {
		return err
	}
	w := cmd.OutOrStdout()
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(w, r)
	}
	fmt.Fprintf(w, "the capture takes %s of bus time\n", cli.NS(r.GetJobNs()))
	if r.WorstEndNs == nil {
		fmt.Fprintln(w, "it fits only where a reservation of a sporadic task is not used, and may wait for any time")
	} else {
		fmt.Fprintf(w, "it begins %s after it is asked for at the latest, its first pixel is sampled after %s, and "+
			"it has "+
			"ended after %s (%s)\n",
			cli.NS(r.GetWorstStartNs()), cli.NS(r.GetWorstFirstSampleNs()), cli.NS(r.GetWorstEndNs()),
			map[bool]string{true: "exactly", false: "where the bus's queue has room"}[r.GetExact()])
	}
	switch {
	case r.GetWaiting() == 0:
		return nil
	case r.WaitingAddsNs == nil:
		fmt.Fprintf(w, "%s already, and may do so for any time\n", waiting(r))
	default:
		fmt.Fprintf(w, "%s already, which adds at most %s\n", waiting(r), cli.NS(r.GetWaitingAddsNs()))
	}
	return nil
}

func waiting(r *facetdv1.PreviewCaptureResponse) string {
	if r.GetWaiting() == 1 {
		return "1 on-demand job waits"
	}
	return cli.Count(int(r.GetWaiting()), "on-demand job") + " wait"
}

func (a *app) showCapture(w io.Writer, r *facetdv1.CaptureFramesResponse, frames []*picture.Frame, pictures,
	colour bool) error {
	fs := r.GetFrameSet()
	fmt.Fprintf(w, "captured %s at bus time %s after waiting %s, skew %s\n\n", cli.Count(len(frames), "frame"),
		cli.NS(fs.GetStartBusNs()), cli.NS(r.GetWaitedNs()), cli.NS(fs.GetSkewNs()))
	t := cli.NewTable("CHIP", "VIEW", ">SIZE", "WINDOW", ">LIGHT AT", ">HOLD", ">LOW", ">HIGH", ">CODES", "CORRECTIONS")
	for _, f := range frames {
		rng := picture.FullRange(f)
		t.Row(f.GetChip(), f.GetView(), fmt.Sprintf("%dx%d", f.GetRows(), f.GetColumns()),
			parse.FormatWindow(f.GetWindow()),
			cli.NS(f.GetLightBusNs()-fs.GetStartBusNs()), cli.NS(f.GetHoldNs()), fmt.Sprint(f.GetClippedLow()),
			fmt.Sprint(f.GetClippedHigh()),
			fmt.Sprintf("%d..%d", rng.Low, rng.High), corrections(f.GetCorrections()))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, f := range frames {
		if note := f.GetCorrectionNote(); note != "" {
			fmt.Fprintf(w, "%s %s: %s\n", f.GetChip(), f.GetView(), note)
		}
	}
	if !pictures {
		return nil
	}
	fmt.Fprintln(w)
	for _, line := range a.gallery(frames, 0, colour) {
		fmt.Fprintln(w, line)
	}
	return nil
}

// codesWanted are the codes that the flags of a command ask for.
type codesWanted struct{ corrected, square bool }

func (c *codesWanted) flags(cmd *cobra.Command) {
	cmd.Flags().BoolVar(&c.corrected, "corrected", false,
		"frames corrected by the active correction maps ('facetctl calibrate'); one without a correction map stays "+
			"raw and says why")
	cmd.Flags().BoolVar(&c.square, "square", false,
		"corrected frames, those of hexagonal chips resampled to a square lattice")
}

func (c *codesWanted) wanted() facetdv1.Codes {
	switch {
	case c.square:
		return facetdv1.Codes_CODES_CORRECTED_SQUARE
	case c.corrected:
		return facetdv1.Codes_CODES_CORRECTED
	}
	return facetdv1.Codes_CODES_UNSPECIFIED
}

func corrections(list []facetdv1.Correction) string {
	if len(list) == 0 {
		return "raw"
	}
	s := ""
	for i, c := range list {
		if i > 0 {
			s += ", "
		}
		s += cli.Label(c, "CORRECTION_")
	}
	return s
}

// gallery draws frames beside each other within the terminal's width. With height
// above zero each takes that many lines at most.
func (a *app) gallery(frames []*picture.Frame, height int, colour bool) []string {
	columns, _ := a.size()
	if height <= 0 {
		height = 24
	}
	var blocks []picture.Block
	for _, f := range frames {
		rng := picture.AutoRange(f)
		caption := fmt.Sprintf("%s %s %d..%d", f.GetChip(), f.GetView(), rng.Low, rng.High)
		switch {
		case f.GetCorrectionMapId() != "":
			caption += " corrected"
		case f.GetCorrectionNote() != "":
			caption += " raw"
		}
		blocks = append(blocks, picture.NewBlock(f, caption, rng, min(columns, 2*height), height, colour))
	}
	return picture.Beside(blocks, columns)
}

func (a *app) sendCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "send TARGET REGISTER=VALUE|STROBE",
		Short: "Send one command to chips, in an idle gap of the timetable",
		Long: `send writes a register, or gives a strobe, to the chips of TARGET. The daemon refuses
it where it would disturb a held chip or a running task.

Registers: ` + parse.Registers() + `.
Values are decimal, or hexadecimal after 0x. A pattern may also be eight characters,
bit 0 first: 10101010 is 0x55 and joins 0-1, 2-3, ... An offset may be negative.
Strobes: ` + parse.Strobes() + `.
TARGET is ` + targetForm + `.`,
		Example: `  facetctl send bow column-pattern=10101010
  facetctl send bed reset
  facetctl send bed-0 output-enable=0`,
		Args: cli.Args("TARGET", "REGISTER=VALUE|STROBE"),
		RunE: func(cmd *cobra.Command, args []string) error {
			command := &facetdv1.Command{}
			if err := parse.Action(args[1], command); err != nil {
				return cli.Usagef("%s", err)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				var err error
				if command.Target, err = target(ctx, c, args[0]); err != nil {
					return err
				}
				r, err := c.command.SendCommand(ctx, &facetdv1.SendCommandRequest{Command: command})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "sent %s at bus time %s after waiting %s\n\n",
					parse.FormatAction(command), cli.NS(r.GetStartBusNs()), cli.NS(r.GetWaitedNs()))
				return cli.WriteWords(cmd.OutOrStdout(), r.GetWords())
			})
		},
	}
}
