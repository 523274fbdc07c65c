package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/geometry"
	"facetd.example/chipmodel/geometry/coverage"
)

func coverageCommand() *cobra.Command {
	var svg string
	var surface geometry.Surface
	directions := 100_000
	cmd := &cobra.Command{
		Use:   "coverage ARRAY",
		Short: "Tell what an array sees of the sphere around it: how often, how finely, gaps and overlaps",
		Long: `coverage looks in evenly spread directions and tells what is seen, how often and with how
many degrees a pixel; what each chip sees, and what it sees alone; which fields overlap,
and where there are gaps. Far away the places of the mounts do not matter; at a
--distance from the middle of the body, or on the wall of a --pipe around its x axis, they
do: fields that overlap far away need not do so near by. --svg draws the sphere.
ARRAY is ` + fileForm + `.`,
		Example: `  facetd coverage array.yaml
  facetd coverage demo --pipe 0.3 --svg sphere.svg
  facetd coverage demo --distance 0.5 --output json`,
		Args: cli.Args("ARRAY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case svg == "-" && cli.WantsJSON(cmd):
				return cli.Usagef("--svg - and --output json both print to standard output")
			case !(surface.SphereM >= 0 && surface.SphereM <= 1e6), !(surface.PipeM >= 0 && surface.PipeM <= 1e6):
				return cli.Usagef("--distance and --pipe are metres, above 0 and at most 1e+06")
			case surface.SphereM > 0 && surface.PipeM > 0:
				return cli.Usagef("--distance and --pipe: give one of the two")
			case directions < coverage.LeastDirections || directions > coverage.MostDirections:
				return cli.Usagef("--directions %d: use %d to %d", directions, coverage.LeastDirections,
					coverage.MostDirections)
			}
			a, err := readArray(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			chips := camerasOf(a)
			if len(chips) == 0 {
				return errors.New("the array says of no chip what class it is, so it is not known what they see")
			}
			report := coverage.Survey(chips, surface, directions)
			if svg != "" {
				var drawing bytes.Buffer
				if err := report.Draw(&drawing, "What "+a.Name+" sees"); err != nil {
					return err
				}
				if err := writeFile(cmd, svg, drawing.Bytes()); err != nil {
					return err
				}
			}
			switch {
			case cli.WantsJSON(cmd):
				return cli.WriteJSON(cmd.OutOrStdout(), report)
			case svg == "-":
				return nil
			}
			return writeCoverage(cmd.OutOrStdout(), report)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&svg, "svg", "", "file to draw the sphere into (- is standard output, in place of the table)")
	fl.Float64Var(&surface.SphereM, "distance", 0, "look at what is so many m from the middle (default far away)")
	fl.Float64Var(&surface.PipeM, "pipe", 0, "look at the wall of a pipe of a radius in m around the body's x axis")
	fl.IntVar(&directions, "directions", directions, "how many directions, about")
	return cmd
}

// camerasOf are the chips whose class is known.
func camerasOf(a *chipmodel.Array) (out []coverage.Chip) {
	for i := range a.Chips {
		if a.Chips[i].Class != nil {
			out = append(out, coverage.Chip{Name: a.Chips[i].Name, Camera: a.Chips[i].Camera()})
		}
	}
	return out
}

// writeCoverage writes a report for people.
func writeCoverage(w io.Writer, r *coverage.Report) error {
	fmt.Fprintf(w, "%.4g sr are seen, %.2f %% of the sphere; %.2f %% twice or more\n", r.SeenSr, 100*r.SeenFraction,
		100*r.TwiceFraction)
	if s := r.DegreesPerPixel; s != nil {
		fmt.Fprintf(w, "degrees a pixel, of the finest chip: %.3g to %.3g, half within %.3g\n", s.Least, s.Most,
			s.Median)
	}
	fmt.Fprintln(w)
	table := cli.NewTable("CHIP", ">AZIMUTH", ">ELEVATION", ">SR", ">ALONE", ">DEG/PIXEL", "NEAREST", ">ANGLE",
		">OVERLAP", ">GAP")
	for i, c := range r.Chips {
		row := []string{c.Chip, tenths(c.AzimuthDeg), tenths(c.ElevationDeg),
			fmt.Sprintf("%.4f", c.Sr), fmt.Sprintf("%.0f %%", 100*part(c.AloneSr, c.Sr)),
			fmt.Sprintf("%.3g", c.DegreesPerPixel)}
		if i < len(r.Neighbours) {
			n := r.Neighbours[i]
			row = append(row, n.Chips[1], fmt.Sprintf("%.1f", n.AngleDeg), fmt.Sprintf("%.1f", n.OverlapDeg),
				fmt.Sprintf("%.1f", n.GapDeg))
		}
		table.Row(row...)
	}
	if err := table.Write(w); err != nil {
		return err
	}
	if len(r.Overlaps) > 0 {
		fmt.Fprintln(w)
		table := cli.NewTable("OVERLAP", "", ">SR", ">OF THE SMALLER", ">PARALLAX")
		for _, o := range r.Overlaps {
			table.Row(o.Chips[0], o.Chips[1], fmt.Sprintf("%.4f", o.Sr), fmt.Sprintf("%.1f %%", 100*o.Fraction),
				fmt.Sprintf("%.2f deg", o.ParallaxDeg))
		}
		if err := table.Write(w); err != nil {
			return err
		}
	}
	fmt.Fprintln(w)
	gaps := cli.NewTable(">GAP SR", ">AZIMUTH", ">ELEVATION")
	for _, g := range r.Gaps {
		gaps.Row(fmt.Sprintf("%.4f", g.Sr), tenths(g.AzimuthDeg), tenths(g.ElevationDeg))
	}
	return gaps.Write(w)
}

// tenths writes an angle, and 0 for -0.
func tenths(v float64) string { return fmt.Sprintf("%.1f", math.Round(10*v)/10+0) }

// part is what a is of b.
func part(a, b float64) float64 {
	if b == 0 {
		return 0
	}
	return a / b
}
