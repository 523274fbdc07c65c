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

func (a *app) benchOrientationCommand() *cobra.Command {
	o := &orientationAid{flows: map[string]map[string]*bench.Flow{}}
	var svg string
	cmd := &cobra.Command{
		Use:   "orientation TASK",
		Short: "Tell chips that are turned, mirrored or swapped, by a target that is moved before them",
		Long: `orientation asks you to move a target before the chips of a task, to the left and then upwards as
seen from the body, which holds still; or turn the body to the right, and then down. Press Enter
when it moves; --count frame sets are taken then. By how the picture of each chip moves it tells
whether the chip is turned as the array file has it, and else how, with the line to write there.
A mirrored picture no mount explains. Two chips that both move as the other should are swapped. A
target needs texture, and must move slowly: less than a pixel or two from frame to frame.
A move along the line of sight of a chip, such as to the left above it, tells nothing of it.`,
		Example: `  facetctl bench orientation bow
  facetctl bench orientation wall --moves up --chips wall-00 --svg moves.svg
  facetctl bench orientation bow --output json`,
		Args: cli.Args("TASK"),
		RunE: func(cmd *cobra.Command, args []string) error {
			for _, m := range o.moves {
				if !slices.Contains([]string{bench.MoveLeft, bench.MoveRight, bench.MoveUp, bench.MoveDown}, m) {
					return cli.Usagef("--moves %s: use left, right, up or down", m)
				}
			}
			if o.count < 2 {
				return cli.Usagef("--count %d: give 2 or more", o.count)
			}
			o.in, o.ask = bufio.NewReader(cmd.InOrStdin()), cmd.ErrOrStderr()
			if err := a.follow(cmd, func(ctx context.Context,
				c *client) error {
				return o.run(ctx, c, args[0])
			}); err != nil {
				return err
			}
			verdicts, swapped, arrows := o.judge()
			var drawing bytes.Buffer
			if err := bench.DrawMoves(&drawing, "How pictures of "+args[0]+" moved", arrows); err != nil {
				return err
			}
			if err := writeDrawing(cmd, svg, drawing.Bytes()); err != nil {
				return err
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSON(cmd.OutOrStdout(), map[string]any{"chips": verdicts, "swapped": swapped})
			}
			return writeVerdicts(cmd.OutOrStdout(), verdicts, swapped)
		},
	}
	cmd.Flags().StringSliceVar(&o.moves, "moves", []string{bench.MoveLeft, bench.MoveUp}, "left, right, up, down")
	cmd.Flags().StringSliceVar(&o.chips, "chips", nil, "chips to look at (default all of the task)")
	cmd.Flags().Uint64Var(&o.count, "count", 20, "frame sets of each move")
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw the moves into")
	return cmd
}

// orientationAid gathers how pictures move, by move and chip.
type orientationAid struct {
	in           *bufio.Reader
	ask          io.Writer
	moves, chips []string
	count        uint64
	mounts       map[string]bench.Mount
	order        []string // of the chips that were seen
	flows        map[string]map[string]*bench.Flow
}

func (o *orientationAid) run(ctx context.Context, c *client, task string) error {
	if err := knownTask(ctx, c, task); err != nil {
		return err
	}
	r, err := c.array.GetArray(ctx, &facetdv1.GetArrayRequest{})
	if err != nil {
		return err
	}
	o.mounts = map[string]bench.Mount{}
	for _, chip := range r.GetArray().GetChips() {
		m := chip.GetMount()
		o.mounts[chip.GetName()] = bench.Mount{YawDeg: m.GetYawDeg(), PitchDeg: m.GetPitchDeg(),
			RollDeg: m.GetRollDeg()}
	}
	for _, move := range o.moves {
		fmt.Fprintf(o.ask, "Move the target %s, as seen from the body, and press Enter: ", move)
		if _, err := readLine(ctx, o.in); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		fmt.Fprintln(o.ask)
		sets := uint64(0)
		start := &facetdv1.FollowStart{Overflow: facetdv1.Overflow_OVERFLOW_QUEUE,
			Selection: &facetdv1.FrameSelection{Tasks: []string{task}, Chips: o.chips,
				Codes: facetdv1.Codes_CODES_CORRECTED}}
		err := receive(ctx, c, start, func(d *facetdv1.FrameSetDelivery) (bool, error) {
			sets++
			return sets == o.count, o.add(move, d.GetFrameSet())
		})
		if err := ended(ctx, err); err != nil {
			return err
		}
	}
	return nil
}

// add takes the first view of every chip of a frame set.
func (o *orientationAid) add(move string, fs *facetdv1.FrameSet) error {
	seen := map[string]bool{}
	for _, frame := range fs.GetFrames() {
		chip := frame.GetChip()
		if fs.GetFailure() != "" || seen[chip] {
			continue
		}
		seen[chip] = true
		p, err := picture.New(frame)
		if err != nil {
			return err
		}
		if o.flows[chip] == nil {
			o.flows[chip] = map[string]*bench.Flow{}
			o.order = append(o.order, chip)
		}
		if o.flows[chip][move] == nil {
			o.flows[chip][move] = &bench.Flow{}
		}
		values := make([]float64, len(p.Codes))
		for i, code := range p.Codes {
			values[i] = float64(code)
		}
		o.flows[chip][move].Add(int(frame.GetRows()), int(frame.GetColumns()), values)
	}
	return nil
}

// judge tells of every chip how it is turned, and which are swapped.
func (o *orientationAid) judge() (verdicts []bench.Verdict, swapped [][2]string, arrows []bench.Arrow) {
	seen := map[string][]bench.Seen{}
	for _, chip := range o.order {
		for _, move := range o.moves {
			if f := o.flows[chip][move]; f != nil {
				if x, y, ok := f.Shift(); ok {
					seen[chip] = append(seen[chip], bench.Seen{Move: move, X: x, Y: y})
				}
			}
		}
		v := bench.Judge(chip, o.mounts[chip], seen[chip])
		verdicts = append(verdicts, v)
		arrows = append(arrows, bench.Arrow{Chip: chip, Mount: o.mounts[chip], Seen: seen[chip], Finding: v.Finding})
	}
	swapped = bench.Swapped(o.mounts, seen)
	if swapped == nil {
		swapped = [][2]string{}
	}
	return verdicts, swapped, arrows
}

func writeVerdicts(w io.Writer, verdicts []bench.Verdict, swapped [][2]string) error {
	t := cli.NewTable("CHIP", ">MOVES", ">OFF DEG", "FINDING", "WRITE", "NOTE")
	for _, v := range verdicts {
		t.Row(v.Chip, fmt.Sprint(v.Moves), fmt.Sprintf("%.0f", v.OffDeg), v.Finding, v.Line, v.Note)
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, pair := range swapped {
		fmt.Fprintf(w, "%s and %s see what the other should: swap their mounts, or their select lines\n", pair[0],
			pair[1])
	}
	return nil
}
