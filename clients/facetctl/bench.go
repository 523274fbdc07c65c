package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/fileio"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/facetctl/internal/picture"
)

func (a *app) benchCommand() *cobra.Command {
	return cli.Group("bench", "Set lenses right by hand, and measure what the light does",
		`  facetctl bench focus wall --chips wall-00
  facetctl bench flicker quick --svg spectrum.svg
  facetctl bench orientation bow
  facetctl bench leak twice
  facetctl bench drift wall
  facetctl bench axis wall --turns yaw:15,pitch:15`, a.benchFocusCommand(), a.benchFlickerCommand(),
		a.benchOrientationCommand(), a.benchAxisCommand(), a.benchDriftCommand(), a.benchLeakCommand())
}

func (a *app) benchFocusCommand() *cobra.Command {
	var chips []string
	var count uint64
	var svg string
	cmd := &cobra.Command{
		Use:   "focus TASK",
		Short: "Show how sharp the chips of a task are, with the best held, against what lens and pixel allow",
		Long: `focus follows a task while you turn a lens. For each picture it tells the blur that explains
its steepest edges, as the standard deviation of a Gaussian in pixels, and the least so far; beside
it the blur that the array file's lens has in focus. Hold a target with straight edges, near upright
and level, before the chip: dark squares on a bright ground, each some eight pixels wide. A picture
with fewer than eight edges has no number. It ends after --count frame sets, or when interrupted;
then it sums up, and --svg draws the sum. A blur is at its best within a tenth, and what the lens
allows within a fifth; both with a little for the noise of the measure.`,
		Example: `  facetctl bench focus wall --chips wall-00
  facetctl bench focus wall --count 200 --svg focus.svg
  facetctl bench focus wall --count 20 --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f := &focusAid{live: !cli.WantsJSON(cmd), out: cmd.OutOrStdout(), count: count,
				before: map[string][]uint16{}}
			err := a.follow(cmd, func(ctx context.Context, c *client) error {
				return f.follow(ctx, c, args[0], chips)
			})
			if err != nil {
				return err
			}
			if len(f.chips) == 0 {
				return errors.New("no frame came")
			}
			var drawing bytes.Buffer
			if err := bench.DrawFocus(&drawing, "Focus of "+args[0], f.chips); err != nil {
				return err
			}
			if err := writeDrawing(cmd, svg, drawing.Bytes()); err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(),
					map[string]any{"task": args[0], "sets": f.sets, "chips": f.chips})
			}
			return f.sum()
		},
	}
	cmd.Flags().StringSliceVar(&chips, "chips", nil, "chips to look at (default all of the task)")
	cmd.Flags().Uint64Var(&count, "count", 0, "end after this many frame sets (default until interrupted)")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw the sum into")
	return cmd
}

// focusAid gathers the sharpness of chips.
type focusAid struct {
	live   bool
	out    io.Writer
	count  uint64
	sets   uint64
	lens   map[string]float64 // what each allows, in pixels
	chips  []*bench.Focus
	before map[string][]uint16
}

func (f *focusAid) follow(ctx context.Context, c *client, task string, chips []string) error {
	if err := knownTask(ctx, c, task); err != nil {
		return err
	}
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return err
	}
	f.lens = lensBlurs(r.GetArray())
	for _, chip := range chips {
		if _, known := f.lens[chip]; !known {
			return fmt.Errorf("no chip is called %q; 'facetctl chips' lists them", chip)
		}
	}
	start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_LATEST,
		Selection: &facetdv1.FrameSelection{Tasks: []string{task}, Chips: chips,
			Codes: facetdv1.Codes_CODES_CORRECTED}}
	err = receive(ctx, c, start, func(d *facetdv1.FrameSetDelivery) (bool, error) {
		f.sets++
		if err := f.add(d.GetFrameSet()); err != nil {
			return true, err
		}
		return f.sets == f.count, nil
	})
	return ended(ctx, err)
}

// lensBlurs is the blur of each chip's lens in focus, in pixels, as the array file describes it.
func lensBlurs(a *facetdv1.Array) map[string]float64 {
	pitch := map[string]float64{}
	for _, c := range a.GetClasses() {
		pitch[c.GetName()] = c.GetLattice().GetPitchXUm()
	}
	out := map[string]float64{}
	for _, c := range a.GetChips() {
		l := c.GetLens()
		out[c.GetName()] = bench.LensBlurPixels(l.GetBlurPixels(), l.GetFNumber(), pitch[c.GetClass()])
	}
	return out
}

// add takes in a frame set.
func (f *focusAid) add(fs *facetdv1.FrameSet) error {
	seen := map[string]bool{}
	for _, frame := range fs.GetFrames() {
		if fs.GetFailure() != "" || seen[frame.GetChip()] {
			continue // the first view is the one that is looked at
		}
		seen[frame.GetChip()] = true
		p, err := picture.New(frame)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(f.chips, func(o *bench.Focus) bool { return o.Chip == frame.GetChip() })
		if i < 0 {
			i = len(f.chips)
			f.chips = append(f.chips, &bench.Focus{Chip: frame.GetChip(), LensPixels: f.lens[frame.GetChip()]})
		}
		values := make([]float64, len(p.Codes))
		for k, code := range p.Codes {
			values[k] = float64(code)
		}
		f.chips[i].Add(bench.SharpnessOf(int(frame.GetRows()), int(frame.GetColumns()), values,
			bench.NoiseOf(f.before[frame.GetChip()], p.Codes)))
		f.before[frame.GetChip()] = p.Codes
		if f.live {
			fmt.Fprintf(f.out, "%s %s\n", frame.GetChip(), blurText(f.chips[i]))
		}
	}
	return nil
}

func blurText(f *bench.Focus) string {
	now, best := "too few edges", "-"
	if f.NowPixels != nil {
		now = fmt.Sprintf("blur %.2f px", *f.NowPixels)
	}
	if f.BestPixels != nil {
		best = fmt.Sprintf("%.2f px", *f.BestPixels)
	}
	return fmt.Sprintf("%s, best %s, lens %.2f px", now, best, f.LensPixels)
}

// sum says how the chips ended.
func (f *focusAid) sum() error {
	fmt.Fprintln(f.out)
	t := cli.NewTable("CHIP", ">NOW PX", ">BEST PX", ">LENS PX", "VERDICT")
	for _, c := range f.chips {
		number := func(v *float64) string {
			if v == nil {
				return "-"
			}
			return fmt.Sprintf("%.2f", *v)
		}
		verdict := "no edges: hold a target before it"
		switch {
		case c.BestPixels == nil:
		case !c.AtBest():
			verdict = "was sharper: turn back"
		case c.Allowed():
			verdict = "as sharp as the lens allows"
		default:
			verdict = "at its best, and less sharp than the lens allows"
		}
		t.Row(c.Chip, number(c.NowPixels), number(c.BestPixels), fmt.Sprintf("%.2f", c.LensPixels), verdict)
	}
	return t.Write(f.out)
}

func (a *app) benchFlickerCommand() *cobra.Command {
	var chip, svg string
	var count uint64
	cmd := &cobra.Command{
		Use:   "flicker TASK",
		Short: "Measure how the light flickers, and say at which rates it stands still",
		Long: `flicker follows a task and takes the spectrum of the mean code of one chip by the times of
light of its frames. It tells the strongest period that noise does not explain, whether that is
from mains, and the rates at which every frame sees the same phase, or two frames that follow
each other cancel it. Give it a quick task: a small window of one chip at several hundred hertz.
Light that flickers faster than half the rate is seen at another frequency; it is taken for
mains where that fits within 1 %. For each running task it tells at which frequency its frames beat,
and the nearest rates that do better. --svg draws the spectrum.`,
		Example: `  facetctl tasks add --name quick --target wall-00 --rate 500 --window 4x4+20+20
  facetctl bench flicker quick
  facetctl bench flicker quick --count 1000 --svg spectrum.svg --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if count < bench.FewestSamples {
				return cli.Usagef("--count %d: give %d or more", count, bench.FewestSamples)
			}
			var samples []bench.Sample
			var tasks *facetdv1.ListTasksResponse
			err := a.follow(cmd, func(ctx context.Context, c *client) (err error) {
				if samples, err = lightSamples(ctx, c, args[0], &chip, count); err == nil {
					tasks, err = allTasks(ctx, c)
				}
				return err
			})
			if err != nil {
				return err
			}
			f, err := bench.FlickerOf(samples)
			if err != nil {
				return err
			}
			var drawing bytes.Buffer
			if err := f.Draw(&drawing, "Light on "+chip); err != nil {
				return err
			}
			if err := writeDrawing(cmd, svg, drawing.Bytes()); err != nil {
				return err
			}
			proposals := []bench.Proposal{}
			for _, t := range tasks.GetTasks() {
				if p, ok := f.Propose(t.GetTask().GetName(), t.GetTask().GetRateHz()); ok {
					proposals = append(proposals, p)
				}
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), struct {
					*bench.Flicker
					Tasks []bench.Proposal `json:"tasks"`
				}{f, proposals})
			}
			if err := writeFlicker(cmd.OutOrStdout(), chip, f); err != nil || len(proposals) == 0 {
				return err
			}
			return writeProposals(cmd.OutOrStdout(), proposals)
		},
	}
	cmd.Flags().StringVar(&chip, "chip", "", "chip to look at (default the first of the task)")
	cmd.Flags().Uint64Var(&count, "count", 500, "how many frames to take")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw the spectrum into")
	return cmd
}

// lightSamples are mean codes of the frames of one chip; the first that comes is taken where none is named.
func lightSamples(ctx context.Context, c *client, task string, chip *string, count uint64) ([]bench.Sample, error) {
	if err := knownTask(ctx, c, task); err != nil {
		return nil, err
	}
	selection := &facetdv1.FrameSelection{Tasks: []string{task}}
	if *chip != "" {
		selection.Chips = []string{*chip}
	}
	var out []bench.Sample
	start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE, Selection: selection}
	err := receive(ctx, c, start, func(d *facetdv1.FrameSetDelivery) (bool, error) {
		for _, frame := range d.GetFrameSet().GetFrames() {
			if d.GetFrameSet().GetFailure() != "" || *chip != "" && frame.GetChip() != *chip {
				continue
			}
			*chip = frame.GetChip()
			p, err := picture.New(frame)
			if err != nil {
				return true, err
			}
			sum := 0.0
			for _, code := range p.Codes {
				sum += float64(code)
			}
			out = append(out, bench.Sample{At: float64(frame.GetLightBusNs()) * 1e-9,
				Code: sum / float64(max(len(p.Codes), 1))})
			break // one view
		}
		return uint64(len(out)) >= count, nil
	})
	if errors.Is(err, io.EOF) {
		err = nil // what came is what there is
	}
	return out, ended(ctx, err)
}

func writeFlicker(w io.Writer, chip string, f *bench.Flicker) error {
	fmt.Fprintf(w, "%s: %d frames at %.4g Hz\n", chip, f.Samples, f.RateHz)
	if !f.Found {
		_, err := fmt.Fprintf(w, "no flicker stands out of the noise; the strongest period explains %.1f %% of it\n",
			100*f.Fraction)
		return err
	}
	fmt.Fprintf(w, "flicker at %.2f Hz, seen at %.2f Hz: %.3g codes either way, %.0f %% of all that varies\n",
		f.LightHz,
		f.SeenHz, f.Amplitude, 100*f.Fraction)
	if f.MainsHz > 0 {
		fmt.Fprintf(w, "lamps on mains of %g Hz (%.2f Hz now)\n", f.MainsHz, f.LightHz/2)
	} else if f.LightHz > 0.4*f.RateHz {
		fmt.Fprintln(w, "near half the rate: it may be faster than it looks; try another rate")
	}
	fmt.Fprintf(w, "it stands still at rates of %s Hz\n", numbers(f.StillHz))
	fmt.Fprintf(w, "the mean of two frames in turn is without it at %s Hz\n", numbers(f.PairHz))
	_, err := fmt.Fprintf(w, "an exposure of %.3f ms, or a multiple, averages it\n", f.AverageMs)
	return err
}

// writeProposals tells what the flicker does to each running task.
func writeProposals(w io.Writer, list []bench.Proposal) error {
	fmt.Fprintln(w)
	t := cli.NewTable("TASK", ">RATE Hz", ">BEATS AT Hz", ">STILL AT Hz", ">PAIRS CANCEL AT Hz")
	for _, p := range list {
		t.Row(p.Task, fmt.Sprintf("%.4g", p.RateHz), fmt.Sprintf("%.3f", p.BeatHz), fmt.Sprintf("%.4f", p.StillHz),
			fmt.Sprintf("%.4f", p.PairHz))
	}
	if err := t.Write(w); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w, "mains wander by some tenths of a per mille: what stands still drifts slowly through "+
		"all phases")
	return err
}

func numbers(list []float64) string {
	s := ""
	for i, v := range list {
		if i > 0 {
			s += ", "
		}
		s += fmt.Sprintf("%.4g", math.Round(1000*v)/1000)
	}
	return s
}

// writeDrawing writes a drawing where a file is named, and says so.
func writeDrawing(cmd *cobra.Command, name string, data []byte) error {
	if name == "" {
		return nil
	}
	if err := fileio.Write(name, data); err != nil {
		return err
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "wrote %s\n", name)
	return nil
}
