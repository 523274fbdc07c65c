package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
)

const calibrateCautions = `The illumination must be uniform over every chip, and the array at its working
temperature: use an integrating sphere, or a diffuser close to the chips, and let lamp
and array warm up. Anything that is not the chip's own, such as a lamp to one side, goes
into the correction map and comes back as a false pattern. Logarithmic pixels have no
exposure time that averages flicker: use a lamp on direct current, or enough frames to
span whole periods of the mains. Measure the light at the chips. Pixels lag in dim light:
a level is read once frames no longer drift. A defective pixel that is filled shows what
its neighbours saw.`

func (a *app) calibrateCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "calibrate",
		Short: "Make, show and refresh the correction maps that take fixed patterns out of frames",
		Long: `calibrate gathers frames under uniform illumination, level by level, and makes correction
maps from them, one for each chip under the settings of each view. 'calibrate run' does
all of it; start, collect and finish do it step by step. From then on whoever asks gets
corrected frames: 'facetctl capture --corrected', 'facetctl frames watch --corrected'.

` + calibrateCautions,
		Example: `  facetctl calibrate run all --levels 0,1,10,100,1000
  facetctl calibrate run --task wall --levels 0,1,10,100,1000 --virtual-light
  facetctl calibrate list
  facetctl calibrate mounts wall
  facetctl calibrate show wall-00-1f2e3d4c5b6a --picture map.svg`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(
		a.calibrateRunCommand(), a.calibrateStartCommand(), a.calibrateCollectCommand(), a.calibrateFinishCommand(),
		a.calibrateAbortCommand(), a.calibrateSessionsCommand(), a.calibrateListCommand(), a.calibrateShowCommand(),
		a.calibrateDeleteCommand(), a.calibrateUpdateOffsetsCommand(), a.calibrateMountsCommand(),
	)
	return cmd
}

// calibrationMethods are the words for methods.
var calibrationMethods = map[string]facetdv1.CalibrationMethod{
	"auto":        facetdv1.CalibrationMethod_CALIBRATION_METHOD_UNSPECIFIED,
	"offset":      facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET,
	"offset-gain": facetdv1.CalibrationMethod_CALIBRATION_METHOD_OFFSET_GAIN,
	"log":         facetdv1.CalibrationMethod_CALIBRATION_METHOD_LOG_RESPONSE,
}

const methodForm = "auto, offset (one level), offset-gain (two or more), or log (three or more of known light)"

func methodOf(word string) (facetdv1.CalibrationMethod, error) {
	m, known := calibrationMethods[word]
	if !known {
		return 0, cli.Usagef("--method %q: use %s", word, methodForm)
	}
	return m, nil
}

// startFlags describe a session.
type startFlags struct {
	task, method, note string
	kelvin             *float64
	view               viewFlags
}

func (f *startFlags) register(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.task, "task", "", "calibrate the chips and views of this running task")
	cmd.Flags().StringVar(&f.method, "method", "auto", "how correction maps correct: "+methodForm)
	cmd.Flags().StringVar(&f.note, "note", "",
		"what is kept with the correction maps: the lamp, the diffuser, who did it")
	cli.OptionalFloat64(cmd.Flags(), &f.kelvin, "die-kelvin",
		"temperature of the dies in kelvin as measured (default what the daemon knows)")
	f.view.register(cmd)
}

// check finds what is invalid before the daemon is asked.
func (f *startFlags) check(args []string) error {
	views, err := f.view.views()
	switch {
	case err != nil:
		return err
	case (f.task == "") == (len(args) == 0):
		return cli.Usagef("give either TARGET or --task NAME")
	case f.task != "" && views != nil:
		return cli.Usagef("flags of a view, such as --binning and --gain-index, go with TARGET; a task has its own " +
			"views")
	}
	_, err = methodOf(f.method)
	return err
}

func (f *startFlags) start(ctx context.Context, c *client, args []string) (*facetdv1.CalibrationSession, error) {
	r := &facetdv1.StartCalibrationRequest{Task: f.task, Note: f.note, DieKelvin: f.kelvin,
		Method: calibrationMethods[f.method]}
	if len(args) > 0 {
		var err error
		if r.Target, err = target(ctx, c, args[0]); err != nil {
			return nil, err
		}
		if r.Views, err = f.view.views(); err != nil {
			return nil, err
		}
	}
	got, err := c.calibration.StartCalibration(ctx, r)
	return got.GetSession(), err
}

func (a *app) calibrateStartCommand() *cobra.Command {
	f := &startFlags{}
	cmd := &cobra.Command{
		Use:   "start [TARGET]",
		Short: "Open a calibration of chips, or of a running task's chips and views",
		Long: `start opens a calibration; its first word is what collect, finish and abort take. A correction map
serves exactly the settings of the view that it was made for: --task takes those of a
running task. A calibration that nothing is done with for 30 minutes ends.
TARGET is ` + targetForm + `.`,
		Example: `  facetctl calibrate start all
  facetctl calibrate start --task wall --note "sphere, LED on DC, lux meter 3"`,
		Args: cli.Args("[TARGET]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := f.check(args); err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				s, err := f.start(ctx, c, args)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), s)
				}
				fmt.Fprintf(cmd.OutOrStdout(),
					"%s  %s\n\nNow illuminate the chips uniformly and run\n  facetctl calibrate collect %s --lux LUX\n",
					s.GetId(), describeSession(s), s.GetId())
				return nil
			})
		},
	}
	f.register(cmd)
	return cmd
}

func describeSession(s *facetdv1.CalibrationSession) string {
	var lux []string
	for _, l := range s.GetLevels() {
		lux = append(lux, luxText(l.GetLux()))
	}
	levels := "no level yet"
	if len(lux) > 0 {
		levels = "levels " + strings.Join(lux, ", ")
	}
	return fmt.Sprintf("%s, %s, %s", cli.Count(len(s.GetChips()), "chip"), cli.Count(max(len(s.GetViews()), 1), "view"),
		levels)
}

func luxText(lux float64) string {
	if lux == 0 {
		return "dark"
	}
	return cli.Significant(lux) + " lux"
}

// luxOf reads a level: a number of lux, 0 or dark.
func luxOf(s string) (float64, error) {
	s = strings.TrimSpace(s)
	if s == "dark" {
		return 0, nil
	}
	lux, err := strconv.ParseFloat(s, 64)
	if err != nil || !(lux >= 0) || math.IsInf(lux, 0) {
		return 0, cli.Usagef("%q is not an illumination level: give lux, 0 or dark", s)
	}
	return lux, nil
}

func (a *app) calibrateCollectCommand() *cobra.Command {
	var lux string
	var frames uint32
	cmd := &cobra.Command{
		Use:   "collect SESSION",
		Short: "Gather frames under the light that is there now",
		Long: `collect waits until frames no longer drift, reads them in the idle gaps of the timetable,
and tells what each chip showed. A level of the same light takes the place of the earlier.

` + calibrateCautions,
		Example: `  facetctl calibrate collect k3x9 --lux 100
  facetctl calibrate collect k3x9 --lux dark --frames 64`,
		Args: cli.Args("SESSION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if lux == "" {
				return cli.Usagef("say what light there is: --lux LUX, or --lux dark")
			}
			level, err := luxOf(lux)
			if err != nil {
				return err
			}
			return a.stream(cmd, func(ctx context.Context, c *client) error {
				got, err := a.collect(ctx, cmd, c, args[0], level, frames)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), got)
				}
				return writeLevel(cmd.OutOrStdout(), got)
			})
		},
	}
	cmd.Flags().StringVar(&lux, "lux", "", "the light at the chips in lux; 0 or dark when they are covered")
	cmd.Flags().Uint32Var(&frames, "frames", 16, "frames to average, 2 to 4096")
	return cmd
}

// collect gathers one level and shows its progress on standard error.
func (a *app) collect(ctx context.Context, cmd *cobra.Command, c *client, session string, lux float64,
	frames uint32) (*facetdv1.CollectedLevel, error) {
	r := &facetdv1.CollectLevelRequest{Session: session, Frames: frames,
		Light: &facetdv1.CollectLevelRequest_Lux{Lux: lux}}
	if lux == 0 {
		r.Light = &facetdv1.CollectLevelRequest_Dark{Dark: &facetdv1.Darkness{}}
	}
	stream, err := c.calibration.CollectLevel(ctx, r)
	if err != nil {
		return nil, err
	}
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the daemon ended the level without a result")
		case err != nil:
			return nil, err
		case m.GetState() == facetdv1.IlluminationState_ILLUMINATION_STATE_DONE:
			a.progress(cmd, "", true)
			return m.GetLevel(), nil
		case m.GetState() == facetdv1.IlluminationState_ILLUMINATION_STATE_SETTLING:
			a.progress(cmd, luxText(lux)+": waiting until frames no longer drift", false)
		default:
			a.progress(cmd, fmt.Sprintf("%s: %d of %d frames", luxText(lux), m.GetFramesDone(), m.GetFramesTotal()),
				false)
		}
	}
}

// progress shows a line that the next one replaces, where somebody watches.
func (a *app) progress(cmd *cobra.Command, text string, last bool) {
	if a.terminal == nil {
		return
	}
	fmt.Fprint(cmd.ErrOrStderr(), "\r\x1b[K"+text)
	if last && text != "" {
		fmt.Fprintln(cmd.ErrOrStderr())
	}
}

func writeLevel(w io.Writer, l *facetdv1.CollectedLevel) error {
	fmt.Fprintf(w, "%s, %d frames of each\n\n", luxText(l.GetLux()), l.GetFrames())
	t := cli.NewTable("CHIP", "VIEW", ">MEAN", ">NOISE", ">PATTERN", ">WANDER", ">LOW", ">HIGH")
	for _, c := range l.GetChips() {
		t.Row(c.GetChip(), c.GetView(), codesText(c.GetMeanCodes()), codesText(c.GetNoiseCodes()),
			codesText(c.GetPatternCodes()), codesText(c.GetWanderCodes()),
			cli.Percent(c.GetClippedLow()), cli.Percent(c.GetClippedHigh()))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	fmt.Fprintln(w, "in codes; LOW and HIGH are samples at the ends of the range")
	writeCautions(w, luxText(l.GetLux()), l)
	return nil
}

// mostCautions is how many cautions of a level are shown to people.
const mostCautions = 4

// writeCautions lists what an operator should know of a level.
func writeCautions(w io.Writer, light string, l *facetdv1.CollectedLevel) {
	n := 0
	for _, c := range l.GetChips() {
		for _, text := range c.GetCautions() {
			if n++; n <= mostCautions {
				fmt.Fprintf(w, "caution: %s, %s, %s: %s\n", light, c.GetChip(), c.GetView(), text)
			}
		}
	}
	if n > mostCautions {
		fmt.Fprintf(w, "and %d more cautions at this level; --output json has all\n",
			n-mostCautions)
	}
}

func codesText(v float64) string { return strconv.FormatFloat(v, 'f', 2, 64) }

func (a *app) calibrateFinishCommand() *cobra.Command {
	var method string
	cmd := &cobra.Command{
		Use:   "finish SESSION",
		Short: "Make the correction maps and activate them",
		Example: `  facetctl calibrate finish k3x9
  facetctl calibrate finish k3x9 --method offset-gain`,
		Args: cli.Args("SESSION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			m, err := methodOf(method)
			if err != nil {
				return err
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.calibration.FinishCalibration(ctx,
					&facetdv1.FinishCalibrationRequest{Session: args[0], Method: m})
				if err != nil {
					return err
				}
				return showFinished(cmd, r)
			})
		},
	}
	cmd.Flags().StringVar(&method, "method", "auto", "how correction maps correct (default as start said): "+methodForm)
	return cmd
}

func (a *app) calibrateAbortCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "abort SESSION",
		Short:   "End a calibration without correction maps",
		Example: "  facetctl calibrate abort k3x9",
		Args:    cli.Args("SESSION"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.calibration.AbortCalibration(ctx, &facetdv1.AbortCalibrationRequest{Session: args[0]})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "calibration %s ended without correction maps\n", args[0])
				return nil
			})
		},
	}
}

func (a *app) calibrateSessionsCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "sessions",
		Short:   "List the calibrations that are open",
		Example: "  facetctl calibrate sessions",
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := allSessions(ctx, c)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				t := cli.NewTable("SESSION", "STARTED", "EXPIRES", "WHAT", "NOTE")
				for _, s := range r.GetSessions() {
					t.Row(s.GetId(), clock(s.GetCreateTime()), clock(s.GetExpireTime()), describeSession(s),
						s.GetNote())
				}
				return t.Write(cmd.OutOrStdout())
			})
		},
	}
}
