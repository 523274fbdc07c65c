package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/motion"
	"facetd.example/scheduler"
	"facetd.example/scheduler/hardware"
	"facetd.example/scheduler/program"
)

func hardwareCommand() *cobra.Command {
	var grain time.Duration
	var markdown, measure bool
	cmd := &cobra.Command{
		Use:   "hardware ARRAY TASKS",
		Short: "Tell what board and computer an array needs for its tasks",
		Long: `hardware plans tasks and tells what the board that drives the array needs: pins, converters
with the samples that they take, bytes a second over the link, memory for programs and codes,
and what a computer spends on correction and motion. What follows from array and plan is
counted; processor time is an estimate, with the factor by which it may be off, or measured
on this machine with --measure, for motion. --markdown writes a table for documents.
Tasks that do not fit are refused, with exit status 1; 'facetd plan' says what would fit.
ARRAY and TASKS are each ` + fileForm + `.`,
		Example: `  facetd hardware array.yaml tasks.yaml
  facetd hardware demo demo --measure
  facetd hardware demo demo --grain 40ns --output json`,
		Args: cli.Args("ARRAY", "TASKS"),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case args[0] == "-" && args[1] == "-":
				return cli.Usagef("only one of the two files can be standard input")
			case markdown && cli.WantsJSON(cmd):
				return cli.Usagef("--markdown and --output json: give one of the two")
			}
			needs, err := needsOf(cmd, args[0], args[1], grain)
			if err != nil {
				return err
			}
			var measured map[string]float64
			if measure {
				measured = measureMotion(needs)
			}
			needs.Reckon(measured)
			switch out := cmd.OutOrStdout(); {
			case cli.WantsJSON(cmd):
				return cli.WriteJSON(out, needs)
			case markdown:
				return writeNeedsTable(out, needs)
			default:
				return writeNeeds(out, needs)
			}
		},
	}
	cmd.Flags().DurationVar(&grain, "grain", 1, grainHelp)
	cmd.Flags().BoolVar(&markdown, "markdown", false, "write a table in Markdown")
	cmd.Flags().BoolVar(&measure, "measure", false, "measure the time that motion takes on this machine")
	return cmd
}

// needsOf plans the tasks and reads their needs.
func needsOf(cmd *cobra.Command, array, file string, grain time.Duration) (*hardware.Needs, error) {
	var tasks []*program.Task
	a, _, err := readBoth(cmd.InOrStdin(), array, file, grain,
		func(a *chipmodel.Array, specs []*facetdv1.Task) (m invalid.Errors) {
			tasks, m = program.NewTasks(a, specs)
			return m
		})
	if err != nil {
		return nil, err
	}
	plan, err := scheduler.Build(a, tasks, scheduler.Options{})
	var refusal *scheduler.RefusalError
	switch {
	case errors.As(err, &refusal):
		return nil, fmt.Errorf("the tasks do not fit: %w", refusal)
	case err != nil:
		return nil, err
	}
	return hardware.Of(plan), nil
}

// measureMotion is how many nanoseconds a pixel motion takes here, over the frames that are read, each as often as it
// is: the estimates of their pairs, what these tell of turn and way, and the part of each in the body's. Pairs follow
// on each other: a search after a gap takes more. It has nothing where no frame is large enough to tell motion of.
func measureMotion(n *hardware.Needs) map[string]float64 {
	var ns, pixels float64
	for _, f := range n.Frames {
		shape := motion.Shape{Rows: f.Rows, Columns: f.Columns, Hexagonal: f.Hexagonal}
		pixels += f.PerS * float64(f.Rows*f.Columns)
		if len(shape.Check()) > 0 || shape.TooSmall() {
			continue // motion is told of none of its pixels
		}
		ns += f.PerS * float64(measureShape(shape))
	}
	if ns == 0 {
		return nil
	}
	return map[string]float64{hardware.Motion: ns / pixels}
}

// measureShape is how long a frame of a shape takes, as one of a ring of them; the scene is invented.
func measureShape(shape motion.Shape) time.Duration {
	const ring = 8
	first, second := make([]float64, shape.Rows*shape.Columns), make([]float64, shape.Rows*shape.Columns)
	for i := range first {
		x, y := float64(i%shape.Columns), float64(i/shape.Columns)
		first[i] = 500 + 100*math.Sin(0.7*x)*math.Cos(0.5*y)
		second[i] = 500 + 100*math.Sin(0.7*(x-0.3))*math.Cos(0.5*(y-0.2))
	}
	l := geometry.Lattice{Rows: shape.Rows, Columns: shape.Columns, Hexagonal: shape.Hexagonal, PitchXUm: 1}
	if !l.Hexagonal {
		l.PitchYUm = 1
	}
	lens := geometry.Lens{HorizontalFOVDeg: 40}
	lens.VerticalFOVDeg = lens.Projection.VerticalFOVDeg(40, l)
	e := motion.NewEstimator(shape, motion.Options{Noise: 1})
	var rays [ring]*motion.Rays
	var flows [ring]motion.Flows
	var parts []motion.Part
	for k := range ring {
		camera := geometry.New(l, geometry.Mount{YawDeg: 360 / ring * float64(k)}, lens)
		rays[k] = motion.NewRays(camera, shape, motion.Grid{Column: 1, Row: l.RowPitch(), At: l.Centre})
		parts = append(parts, motion.Part{Flows: &flows[k], Seconds: 0.1})
	}
	const long, rounds = 20 * time.Millisecond, 20
	var solver motion.Solver
	pair, body := time.Duration(math.MaxInt64), time.Duration(math.MaxInt64)
	began := time.Now()
	for n := 0; n < rounds || time.Since(began) < long; n++ { // other programs lengthen all but the least
		for k := range ring {
			at := time.Now()
			got := e.Estimate(first, second, &motion.Hint{X: 0.3, Y: 0.2})
			e.Flow(rays[k], &got, &flows[k])
			pair = min(pair, time.Since(at))
		}
		at := time.Now()
		solver.Solve(parts)
		body = min(body, time.Since(at))
	}
	return pair + body/ring
}

// needsRows are what is told of needs, a quantity and its value each.
func needsRows(n *hardware.Needs) (out [][2]string) {
	row := func(what, format string, args ...any) {
		out = append(out, [2]string{what, fmt.Sprintf(format, args...)})
	}
	for _, p := range n.Pins {
		row("pins, "+p.Use, "%d", p.Count)
	}
	row("pins together, without converters", "%d", n.PinCount)
	for _, c := range n.Converters {
		read := "not read"
		if c.SamplesPerS > 0 {
			read = fmt.Sprintf("%.3g thousand samples a second", c.SamplesPerS/1000)
			if c.ShortestIntervalNs > 0 {
				read += fmt.Sprintf(", the nearest %v apart", time.Duration(c.ShortestIntervalNs))
			}
		}
		row("converter of lane "+c.Lane, "%d bits in %v; %s", c.Bits, time.Duration(c.ConversionNs), read)
	}
	row("samples together", "%.3g thousand a second, on the average", n.SamplesPerS/1000)
	row("over the link", "%.3g kB/s: %.3g of codes, the rest times and results", n.LinkBytesPerS/1000, n.BytesPerS/1000)
	row("operations", "%.3g thousand a second, the shortest %v", n.OperationsPerS/1000,
		time.Duration(n.ShortestOperationNs))
	row("bus time planned", "%.1f %%", 100*n.Utilization)
	row("release", "every line inactive within %v of a stop", time.Duration(n.ReleaseNs))
	row("memory for programs", "%.3g kB", float64(n.Memory.Programs)/1000)
	row("memory for codes", "%.3g kB: two of the largest run", float64(n.Memory.Buffers)/1000)
	row("frames", "%.4g a second, %.4g thousand pixels a second", n.FramesPerS, n.PixelsPerS/1000)
	for _, w := range n.Work {
		row("computer, "+w.Use, "%.2g %% of a core at %.3g ns a pixel (%s, within a factor of %g)", w.CorePercent,
			w.NsPerPixel, w.Basis, w.Uncertainty)
	}
	return out
}

func writeNeeds(w io.Writer, n *hardware.Needs) error {
	table := cli.NewTable("OF "+strings.ToUpper(n.Array), "NEEDED")
	for _, r := range needsRows(n) {
		table.Row(r[0], r[1])
	}
	return table.Write(w)
}

func writeNeedsTable(w io.Writer, n *hardware.Needs) error {
	fmt.Fprintf(w, "| | %s |\n|---|---|\n", n.Array)
	for _, r := range needsRows(n) {
		if _, err := fmt.Fprintf(w, "| %s | %s |\n", r[0], r[1]); err != nil {
			return err
		}
	}
	return nil
}
