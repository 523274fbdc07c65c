package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/analog"
	"facetd.example/chipmodel/budget"
)

func budgetCommand() *cobra.Command {
	var array, chip, columns, rows string
	var c budget.Conditions
	var out figures
	cmd := &cobra.Command{
		Use:   "budget CLASS",
		Short: "Add up the noise and error of a class of chip, in volts, codes and decades of light",
		Long: `budget adds up what stands between the light on a pixel of a class and its code: shot
noise, thermal noise of pixel and memory, droop, shares and lines that have not settled,
quantisation and converter errors, fixed pattern. It names the largest and what would
reduce it. It ends with what the chip's lens shows: blur, depth of field, and the light
that is left in the corners. --columns and --rows are the patterns of the shares between load and readout
(eight characters, bit 0 first, comma separated), or of pixel switches.
ARRAY is ` + fileForm + `.`,
		Example: `  facetd budget wall-eye
  facetd budget wall-eye --array array.yaml --lux 5 --hold 20ms --columns 10101010 --rows 10101010
  facetd budget wall-eye --svg noise.svg --csv noise.csv
  facetd budget bed-eye --calibrated --output json`,
		Args: cli.Args("CLASS"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if err := out.check(cmd); err != nil {
				return err
			}
			a, err := readArray(cmd.InOrStdin(), array)
			if err != nil {
				return err
			}
			i, err := chipOf(a, args[0], chip)
			if err != nil {
				return err
			}
			if err := setPatterns(&c, a.Chips[i].Class, columns, rows); err != nil {
				return err
			}
			if !cmd.Flags().Changed("hold") && !a.Chips[i].Class.HasMemory() {
				c.Hold = 0
			}
			if !cmd.Flags().Changed("lux") {
				c.Lux = a.LightLux()
			}
			b, m := budget.New(a, i, c)
			if len(m) > 0 {
				return &invalidError{"the conditions", m}
			}
			if err := out.write(cmd, b.Draw, append(slices.Clone(b.Terms), b.Random, b.Total)); err != nil {
				return err
			}
			switch {
			case cli.WantsJSON(cmd):
				return cli.WriteJSON(cmd.OutOrStdout(), b)
			case out.printed():
				return nil
			}
			_, err = io.WriteString(cmd.OutOrStdout(), b.Table())
			return err
		},
	}
	out.register(cmd, "draw the terms", "the terms and their sums")
	cmd.Flags().StringVar(&array, "array", "demo", "array file that the class is of")
	cmd.Flags().StringVar(&chip, "chip", "", "chip of the class, for its lane (default the first)")
	cmd.Flags().StringVar(&columns, "columns", "", "column patterns")
	cmd.Flags().StringVar(&rows, "rows", "", "row patterns")
	conditionFlags(cmd, &c)
	return cmd
}

// conditionFlags are the flags of the conditions.
func conditionFlags(cmd *cobra.Command, c *budget.Conditions) {
	fl := cmd.Flags()
	fl.Float64Var(&c.Lux, "lux", 0, "light on the pixel (default what the array states, or 100)")
	fl.DurationVar(&c.Hold, "hold", 10*time.Millisecond, "time from load to conversion, of memory chips")
	fl.Float64Var(&c.DifferenceVolts, "difference", 0,
		"volts between neighbours, for what has not settled (default one decade of light)")
	fl.DurationVar(&c.Settle, "settle", 0, "time given to the lane (default what the array's timing gives)")
	fl.DurationVar(&c.Exposure, "exposure", 0, "exposure of linear pixels with a shutter (default that of their class)")
	fl.IntVar(&c.GainIndex, "gain-index", 0, "gain of the amplifier")
	fl.BoolVar(&c.Calibrated, "calibrated", false, "without what a calibration takes away")
}

// chipOf finds a chip of a class.
func chipOf(a *chipmodel.Array, class, chip string) (int, error) {
	var classes []string
	for _, c := range a.Classes {
		classes = append(classes, c.Name)
	}
	if !slices.Contains(classes, class) {
		return 0, fmt.Errorf("no class is called %q; the array has: %s", class, strings.Join(classes, ", "))
	}
	for i := range a.Chips {
		if a.Chips[i].Class.Name == class && (chip == "" || a.Chips[i].Name == chip) {
			return i, nil
		}
	}
	if chip == "" {
		return 0, fmt.Errorf("the array has no chip of class %q, so its lane is not known", class)
	}
	return 0, fmt.Errorf("no chip of class %q is called %q", class, chip)
}

// setPatterns reads the patterns; of a memory chip the k-th of both lists are one
// share.
func setPatterns(c *budget.Conditions, class *chipmodel.Class, columns, rows string) error {
	cols, err := patterns("--columns", columns)
	if err != nil {
		return err
	}
	rws, err := patterns("--rows", rows)
	if err != nil {
		return err
	}
	n := max(len(cols), len(rws))
	if (len(cols) != n && len(cols) != 0) || (len(rws) != n && len(rws) != 0) {
		return cli.Usagef("--columns has %d patterns, --rows %d; the k-th of both are one share", len(cols), len(rws))
	}
	at := func(list []uint8, i int) uint8 {
		if i < len(list) {
			return list[i]
		}
		return 0
	}
	if class.HasSwitches() {
		if n > 1 {
			return cli.Usagef("a chip with pixel switches has one pattern per axis, set before sensing")
		}
		c.Columns, c.Rows = at(cols, 0), at(rws, 0)
		return nil
	}
	for i := range n {
		c.Shares = append(c.Shares, budget.Share{Columns: at(cols, i), Rows: at(rws, i)})
	}
	return nil
}

func patterns(flag, text string) ([]uint8, error) {
	var out []uint8
	for _, s := range list(text) {
		if s == "-" {
			out = append(out, 0)
			continue
		}
		p, err := analog.ParsePattern(s)
		if err != nil {
			return nil, cli.Usagef("%s: %s", flag, err)
		}
		out = append(out, p)
	}
	return out, nil
}
