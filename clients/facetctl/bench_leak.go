package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/bench"
	"facetd.example/clients/facetctl/internal/picture"
)

func (a *app) benchLeakCommand() *cobra.Command {
	l := &leakAid{step: map[string]float64{}}
	var svg string
	cmd := &cobra.Command{
		Use:   "leak TASK",
		Short: "Measure light that leaks onto the memory: droop while covered against droop while lit",
		Long: `leak follows a task that reads the same load twice, with two views that are alike, first with the chips
covered and then lit. From how the codes of one load change between its two readings it tells how fast
what is held changes, and by how much light makes that faster: light reaches the memory too. Half a
step of the converter after a hold of so many milliseconds is what that costs a frame. The light must
be steady and bright, and the same on all of a chip; more frame sets make it surer.`,
		Example: `  facetctl tasks apply twice.yaml   # with views: [{name: first}, {name: again}]
  facetctl bench leak twice --svg leak.svg
  facetctl bench leak twice --chips wall-00 --count 200 --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if l.count < 2 {
				return cli.Usagef("--count %d: give 2 or more", l.count)
			}
			l.in, l.ask = bufio.NewReader(cmd.InOrStdin()), cmd.ErrOrStderr()
			if err := a.follow(cmd, func(ctx context.Context, c *client) error {
				return l.run(ctx, c, args[0])
			}); err != nil {
				return err
			}
			if len(l.leaks) == 0 {
				return fmt.Errorf("no chip of %s was read twice from one load: give the task two views that are "+
					"alike, "+
					"of chips with memory", args[0])
			}
			var drawing bytes.Buffer
			if err := bench.DrawLeaks(&drawing, "Droop of "+args[0], l.leaks); err != nil {
				return err
			}
			if err := writeDrawing(cmd, svg, drawing.Bytes()); err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"task": args[0], "chips": l.leaks})
			}
			return showLeaks(cmd.OutOrStdout(), l.leaks)
		},
	}
	cmd.Flags().StringSliceVar(&l.chips, "chips", nil, "chips to look at (default all of the task)")
	cmd.Flags().Uint64Var(&l.count, "count", 100, "frame sets of each light")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw the droops into")
	return cmd
}

// leakAid gathers droops.
type leakAid struct {
	in    *bufio.Reader
	ask   io.Writer
	chips []string
	count uint64
	leaks []*bench.Leak
	step  map[string]float64 // of the converter, by chip, in volts
}

func (l *leakAid) run(ctx context.Context, c *client, task string) error {
	if err := knownTask(ctx, c, task); err != nil {
		return err
	}
	for i, what := range []string{"Cover the chips", "Light the chips, steadily and brightly"} {
		fmt.Fprintf(l.ask, "%s, and press Enter: ", what)
		if _, err := readLine(ctx, l.in); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		fmt.Fprintln(l.ask)
		sets := uint64(0)
		// Raw codes: a map corrects what both readings have in common, and rounds.
		start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE,
			Selection: &facetdv1.FrameSelection{Tasks: []string{task}, Chips: l.chips}}
		err := receive(ctx, c, start, func(d *facetdv1.FrameSetDelivery) (bool, error) {
			sets++
			return sets == l.count, l.add(i == 1, d.GetFrameSet())
		})
		if err := ended(ctx, err); err != nil {
			return err
		}
	}
	for _, x := range l.leaks {
		x.Finish(l.step[x.Chip])
	}
	return nil
}

// add takes what each chip shows of one load at two times.
func (l *leakAid) add(lit bool, fs *facetdv1.FrameSet) error {
	first := map[string]*facetdv1.Frame{}
	for _, f := range fs.GetFrames() {
		was := first[f.GetChip()]
		switch {
		case fs.GetFailure() != "" || f.GetHoldNs() == 0:
			continue
		case was == nil:
			first[f.GetChip()] = f
			continue
		case was.GetLightBusNs() != f.GetLightBusNs() || was.GetRows() != f.GetRows() ||
			was.GetColumns() != f.GetColumns():
			continue
		}
		seconds := float64(f.GetFirstSampleBusNs()-was.GetFirstSampleBusNs()) * 1e-9
		before, err := meanCode(was)
		if err != nil {
			return err
		}
		after, err := meanCode(f)
		if err != nil {
			return err
		}
		i := slices.IndexFunc(l.leaks, func(x *bench.Leak) bool { return x.Chip == f.GetChip() })
		if i < 0 {
			i = len(l.leaks)
			l.leaks = append(l.leaks, &bench.Leak{Chip: f.GetChip()})
		}
		l.step[f.GetChip()] = f.GetVoltsPerCode()
		droop := &l.leaks[i].Covered
		if lit {
			droop = &l.leaks[i].Lit
		}
		droop.Add(before, after, seconds, f.GetVoltsPerCode())
		delete(first, f.GetChip())
	}
	return nil
}

func meanCode(f *facetdv1.Frame) (float64, error) {
	p, err := picture.New(f)
	if err != nil {
		return 0, err
	}
	sum := 0.0
	for _, code := range p.Codes {
		sum += float64(code)
	}
	return sum / float64(max(len(p.Codes), 1)), nil
}

func showLeaks(w io.Writer, leaks []*bench.Leak) error {
	t := cli.NewTable("CHIP", ">COVERED mV/s", ">LIT mV/s", ">BY LIGHT mV/s", ">HALF A STEP AFTER", "VERDICT")
	for _, l := range leaks {
		after, verdict := "-", "no leak by light is sure"
		if l.StepAfterMs != nil {
			after, verdict = fmt.Sprintf("%.4g ms", *l.StepAfterMs), "light reaches the memory"
		}
		lit, by := plusMinus(1e3*l.Lit.VoltsPerS, 1e3*l.Lit.Sd), plusMinus(1e3*l.LightVoltsPerS, 1e3*l.Sd)
		if !l.InBoth() {
			lit, by, verdict = "-", "-", "not measured in both lights"
		}
		t.Row(l.Chip, plusMinus(1e3*l.Covered.VoltsPerS, 1e3*l.Covered.Sd), lit, by, after, verdict)
	}
	return t.Write(w)
}
