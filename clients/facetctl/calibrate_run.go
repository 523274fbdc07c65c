package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

// tidyLimit is how long the daemon may take to put back what a run that broke off left.
const tidyLimit = 5 * time.Second

func (a *app) calibrateRunCommand() *cobra.Command {
	run := &calibrationRun{app: a}
	var levels []string
	cmd := &cobra.Command{
		Use:   "run [TARGET]",
		Short: "Calibrate: all levels in turn, then the correction maps",
		Long: `run opens a calibration, asks for each illumination level in turn and gathers it, and
makes the correction maps. Put the light in place and press Enter; what is typed before
Enter takes the place of the level's lux, as measured. On a virtual bus --virtual-light
sets the light itself, and puts the present one back at the end. A run that breaks off
leaves no calibration open and no correction map changed.
TARGET is ` + targetForm + `.

` + calibrateCautions,
		Example: `  facetctl calibrate run all --levels 0,1,10,100,1000
  facetctl calibrate run wall --levels 100 --method offset --frames 64
  facetctl calibrate run --task bow --levels dark,1,10,100 --virtual-light --output json`,
		Args: cli.Args("[TARGET]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := run.start.check(args); err != nil {
				return err
			}
			if len(levels) == 0 {
				return cli.Usagef("give the illumination levels: --levels 0,1,10,100")
			}
			run.levels = nil
			for _, l := range levels {
				lux, err := luxOf(l)
				if err != nil {
					return err
				}
				if slices.Contains(run.levels, lux) {
					return cli.Usagef("--levels: %s is given twice", luxText(lux))
				}
				run.levels = append(run.levels, lux)
			}
			run.cmd, run.in = cmd, bufio.NewReader(cmd.InOrStdin())
			return a.stream(cmd, func(ctx context.Context, c *client) error { return run.all(ctx, c, args) })
		},
	}
	run.start.register(cmd)
	cmd.Flags().StringSliceVar(&levels, "levels", nil, "illumination levels in lux; 0 or dark is covered chips")
	cmd.Flags().Uint32Var(&run.frames, "frames", 16, "frames to average at each level, 2 to 4096")
	cmd.Flags().BoolVar(&run.virtual, "virtual-light", false,
		"set the light of a virtual array instead of asking for it")
	return cmd
}

// calibrationRun is one whole calibration.
type calibrationRun struct {
	app     *app
	cmd     *cobra.Command
	in      *bufio.Reader
	start   startFlags
	levels  []float64
	frames  uint32
	virtual bool
	// set is what a virtual bus was set to for the level.
	set *facetdv1.Environment
}

// undisturbed finds out whether a level was gathered under the light that was set for it. A
// bring-up or another operator may have set another meanwhile, and a correction map made of both
// would be wrong without showing it.
func (r *calibrationRun) undisturbed(ctx context.Context, c *client) error {
	if !r.virtual {
		return nil
	}
	now, err := c.scene.GetScene(ctx, &facetdv1.GetSceneRequest{})
	if err != nil {
		return err
	}
	if is := now.GetEnvironment(); !proto.Equal(is, r.set) {
		return fmt.Errorf("somebody else changed the light or the temperature while this level was gathered: %s, "+
			"%+g K instead of %s, %+g K; no correction map was made: calibrate again while nobody else sets the "+
			"light, such as a bring-up",
			is.GetScene(), is.GetTemperatureOffsetK(), r.set.GetScene(), r.set.GetTemperatureOffsetK())
	}
	return nil
}

func (r *calibrationRun) all(ctx context.Context, c *client, args []string) (err error) {
	if r.virtual {
		before, err := c.scene.GetScene(ctx, &facetdv1.GetSceneRequest{})
		if err != nil {
			return err
		}
		scene := before.GetEnvironment().GetScene()
		// Clients cannot set every light: better no calibration than a lost scene.
		if _, err := c.scene.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: scene}); err != nil {
			return fmt.Errorf("the present light, %s, could not be put back afterwards: %w", scene, err)
		}
		defer func() {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyLimit)
			defer cancel()
			if _, failed := c.scene.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: scene}); failed != nil {
				fmt.Fprintf(r.cmd.ErrOrStderr(), "the light could not be put back to %s: %s\n", scene, failed)
			}
		}()
	}
	s, err := r.start.start(ctx, c, args)
	if err != nil {
		return err
	}
	finished := false
	defer func() {
		if !finished {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), tidyLimit)
			defer cancel()
			// it would expire
			_, _ = c.calibration.AbortCalibration(ctx, &facetdv1.AbortCalibrationRequest{Session: s.GetId()})
		}
	}()
	fmt.Fprintf(r.cmd.ErrOrStderr(), "calibrating %s, %s at each of %s\n", describeChips(s.GetChips()),
		cli.Count(int(r.frames), "frame"), cli.Count(len(r.levels), "level"))
	for i, lux := range r.levels {
		if lux, err = r.light(ctx, c, i, lux); err != nil {
			return err
		}
		level, err := r.app.collect(ctx, r.cmd, c, s.GetId(), lux, r.frames)
		if err != nil {
			return err
		}
		if err := r.undisturbed(ctx, c); err != nil {
			return err
		}
		fmt.Fprintf(r.cmd.ErrOrStderr(), "%s: %s\n", luxText(lux), levelSummary(level))
		writeCautions(r.cmd.ErrOrStderr(), luxText(level.GetLux()), level)
	}
	got, err := c.calibration.FinishCalibration(ctx, &facetdv1.FinishCalibrationRequest{Session: s.GetId()})
	if err != nil {
		return err
	}
	finished = true
	return showFinished(r.cmd, got)
}

func describeChips(names []string) string {
	if len(names) <= 4 {
		return strings.Join(names, ", ")
	}
	return cli.Count(len(names), "chip")
}

// levelSummary is one line about a level.
func levelSummary(l *facetdv1.CollectedLevel) string {
	low, high, noise := l.GetChips()[0].GetMeanCodes(), l.GetChips()[0].GetMeanCodes(), 0.0
	for _, c := range l.GetChips() {
		low, high, noise = min(low, c.GetMeanCodes()), max(high, c.GetMeanCodes()), max(noise, c.GetNoiseCodes())
	}
	return fmt.Sprintf("mean codes %.0f to %.0f, noise of a frame at most %.2f", low, high, noise)
}

// light brings the light to a level, or has it brought; the operator may correct the lux.
func (r *calibrationRun) light(ctx context.Context, c *client, i int, lux float64) (float64, error) {
	if r.virtual {
		got, err := c.scene.SetScene(ctx, &facetdv1.SetSceneRequest{Scene: fmt.Sprintf("uniform:%g", lux)})
		r.set = got.GetEnvironment()
		return lux, err
	}
	for {
		what := "uniform illumination of " + luxText(lux) + " at the chips"
		if lux == 0 {
			what = "the chips covered"
		}
		fmt.Fprintf(r.cmd.ErrOrStderr(), "level %d of %d: %s? Press Enter, or type the lux as measured: ", i+1,
			len(r.levels), what)
		text, err := r.line(ctx)
		if err != nil {
			return 0, err
		}
		if text = strings.TrimSpace(text); text == "" {
			return lux, nil
		}
		measured, err := luxOf(text)
		if err == nil {
			return measured, nil
		}
		fmt.Fprintln(r.cmd.ErrOrStderr(), err)
	}
}

// line reads what the operator types.
func (r *calibrationRun) line(ctx context.Context) (string, error) {
	text, err := readLine(ctx, r.in)
	if errors.Is(err, io.EOF) {
		return "", errors.New("no answer came on standard input to say that the light is in place; " +
			"on a virtual bus use --virtual-light")
	}
	return text, err
}

// readLine reads a line that an operator types. Interrupting ends the wait at once. The
// error is io.EOF at the end, after a last line without an end.
func readLine(ctx context.Context, in *bufio.Reader) (string, error) {
	type typed struct {
		text string
		err  error
	}
	got := make(chan typed, 1)
	go func() { // it may go on waiting until the process ends
		text, err := in.ReadString('\n')
		got <- typed{text, err}
	}()
	select {
	case <-ctx.Done():
		return "", ctx.Err()
	case t := <-got:
		if errors.Is(t.err, io.EOF) && t.text != "" {
			return t.text, nil
		}
		return t.text, t.err
	}
}

// showFinished shows the correction maps of a calibration.
func showFinished(cmd *cobra.Command, r *facetdv1.FinishCalibrationResponse) error {
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(cmd.OutOrStdout(), r)
	}
	w := cmd.OutOrStdout()
	if err := writeResiduals(w, r.GetCorrectionMaps()); err != nil {
		return err
	}
	writeTransfers(w, r.GetPhotonTransfers())
	writeFailures(w, r.GetFailures())
	return nil
}

func writeFailures(w io.Writer, failures []*facetdv1.CorrectionMapFailure) {
	for _, f := range failures {
		fmt.Fprintf(w, "no correction map for %s, %s: %s\n", f.GetChip(), f.GetView(), f.GetReason())
	}
}

func writeTransfers(w io.Writer, all []*facetdv1.PhotonTransfer) {
	if len(all) == 0 {
		return
	}
	fmt.Fprintln(w)
	t := cli.NewTable("CHIP", "VIEW", ">CODES/E", ">DARK NOISE", ">SATURATION", ">DSNU", ">PRNU", ">SNR MAX", ">RANGE",
		">LINEARITY ERROR")
	for _, p := range all {
		linearity := "-" // too few levels
		if p.LinearityError != nil {
			linearity = cli.Percent(p.GetLinearityError())
		}
		t.Row(p.GetChip(), p.GetView(), cli.Significant(p.GetCodesPerElectron()),
			cli.Significant(p.GetDarkNoiseElectrons())+" e", cli.Significant(p.GetSaturationElectrons())+" e",
			cli.Significant(p.GetDsnuElectrons())+" e", cli.Percent(p.GetPrnu()), cli.Significant(p.GetMaxSnr()),
			cli.Significant(p.GetDynamicRange()), linearity)
	}
	_ = t.Write(w) // the rest of the output fails alike
}
