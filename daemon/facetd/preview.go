package main

import (
	"bytes"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/api/yamlfile"
	"facetd.example/chipmodel/preview"
)

// previewFlags are the flags of preview.
type previewFlags struct {
	array, class, input string
	volts, lux, ideal   bool
	low, high           float64
	columns, rows       string
	view, picture       string
	seed                uint64
	hold                time.Duration
}

func previewCommand() *cobra.Command {
	f := &previewFlags{}
	cmd := &cobra.Command{
		Use:   "preview --input FILE",
		Short: "Show what a chip would make of a picture or a matrix of volts or lux",
		Long: `preview passes a matrix through the pixels and switches of one chip, and prints the
result, in the unit of the input, or draws it beside the input.

The input is a JSON matrix (a list of rows), a PGM or a PNG; black is --low and white
--high there. It has the size of the class's lattice; without --class an ideal memory
chip of the input's size is taken. --columns and --rows are switch patterns of eight
characters, bit 0 first, comma separated: the k-th of both lists are one share step,
"-" closes none. --view is a view as in a task file (YAML or JSON): its shares, smoothing
and binning follow, and its window is shown. --ideal leaves out noise, spread, leakage
and injection, and lets shares settle fully.
ARRAY is ` + fileForm + `.`,
		Example: `  facetd preview --input m.json --volts --ideal --columns 10101010,01010101 --output json
  facetd preview --array demo --class wall-eye --input scene.png --high 500 \
      --view '{smoothing_steps: 4}' --png out.png`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error { return f.run(cmd) },
	}
	fl := cmd.Flags()
	fl.StringVar(&f.array, "array", "demo", "array file that --class is of")
	fl.StringVar(&f.class, "class", "", "class of chip (default an ideal memory chip of the input's size)")
	fl.StringVar(&f.input, "input", "", "JSON matrix, PGM or PNG; - is standard input")
	fl.BoolVar(&f.volts, "volts", false, "the input is in volts")
	fl.BoolVar(&f.lux, "lux", false, "the input is in lux (the default)")
	fl.Float64Var(&f.low, "low", 0, "what black of a picture means, in the unit")
	fl.Float64Var(&f.high, "high", 1000, "what white of a picture means, in the unit")
	fl.BoolVar(&f.ideal, "ideal", false, "without noise, spread, leakage and injection, fully settled")
	fl.StringVar(&f.columns, "columns", "", "column patterns of the share steps")
	fl.StringVar(&f.rows, "rows", "", "row patterns of the share steps")
	fl.StringVar(&f.view, "view", "", "view, as in a task file")
	fl.StringVar(&f.picture, "png", "", "draw input and result side by side into a file (- is standard output)")
	fl.Uint64Var(&f.seed, "seed", 1, "seed of noise and spread")
	fl.DurationVar(&f.hold, "hold", 0, "how long after its load each row is read")
	return cmd
}

func (f *previewFlags) run(cmd *cobra.Command) error {
	switch {
	case f.input == "":
		return cli.Usagef("give the input: --input FILE")
	case f.volts && f.lux:
		return cli.Usagef("--volts and --lux: give one of the two")
	case !(f.high > f.low):
		return cli.Usagef("--high %g is not above --low %g", f.high, f.low)
	case f.picture == "-" && cli.WantsJSON(cmd):
		return cli.Usagef("--png - and --output json both print to standard output")
	}
	r := preview.Request{Ideal: f.ideal, Seed: f.seed, Hold: f.hold, Unit: preview.Lux, Columns: list(f.columns),
		Rows: list(f.rows)}
	if f.volts {
		r.Unit = preview.Volts
	}
	if err := f.chip(cmd.InOrStdin(), &r); err != nil {
		return err
	}
	if f.view != "" {
		r.View = &facetdv1.View{}
		doc := yamlfile.Parse("--view", []byte(f.view))
		doc.Message(r.View)
		if err := doc.Errors(nil).Err(); err != nil {
			return cli.Usagef("%v", err)
		}
	}
	src, err := open(cmd.InOrStdin(), f.input, nil, "")
	if err != nil {
		return err
	}
	var m invalid.Errors
	if r.Input, m = readMatrix(src.data, preview.Scale{Low: f.low, High: f.high}); len(m) > 0 {
		return &invalidError{src.name, m}
	}
	result, m := preview.Run(r)
	if len(m) > 0 {
		return &invalidError{"the request", m}
	}
	return f.show(cmd, r, result)
}

// chip finds the class that is asked for.
func (f *previewFlags) chip(stdin io.Reader, r *preview.Request) error {
	if f.class == "" {
		r.Ideal = true // the built-in chip is
		return nil
	}
	a, err := readArray(stdin, f.array)
	if err != nil {
		return err
	}
	var known []string
	for _, c := range a.Classes {
		if c.Name == f.class {
			r.Array, r.Class = a, c
			return nil
		}
		known = append(known, c.Name)
	}
	return fmt.Errorf("no class is called %q; the array has: %s", f.class, strings.Join(known, ", "))
}

func (f *previewFlags) show(cmd *cobra.Command, r preview.Request, result preview.Matrix) error {
	out := cmd.OutOrStdout()
	if f.picture != "" {
		drawn, err := preview.Picture(r.Input, result)
		if err != nil {
			return err
		}
		if err := writeFile(cmd, f.picture, drawn); err != nil {
			return err
		}
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(out, result)
	}
	if f.picture == "-" {
		return nil
	}
	fmt.Fprintf(out, "input, %d x %d, in %s\n", r.Input.Rows, r.Input.Columns, r.Unit)
	if err := writeMatrix(out, r.Input); err != nil {
		return err
	}
	fmt.Fprintf(out, "\nresult, %d x %d\n", result.Rows, result.Columns)
	return writeMatrix(out, result)
}

// widestMatrix is the most columns that are printed as numbers.
const widestMatrix = 16

// writeMatrix prints small matrices whole, and of large ones what they range over.
func writeMatrix(w io.Writer, m preview.Matrix) error {
	if m.Columns > widestMatrix || m.Rows > 2*widestMatrix {
		var sum float64
		for _, v := range m.Pixels {
			sum += v
		}
		_, err := fmt.Fprintf(w, "from %.6g to %.6g, mean %.6g (--output json has every value, --png draws it)\n",
			slices.Min(m.Pixels), slices.Max(m.Pixels), sum/float64(len(m.Pixels)))
		return err
	}
	for r := range m.Rows {
		line := make([]string, m.Columns)
		for c := range line {
			line[c] = fmt.Sprintf("%10.5g", m.At(r, c))
		}
		if _, err := fmt.Fprintln(w, strings.Join(line, " ")); err != nil {
			return err
		}
	}
	return nil
}

// readMatrix reads what the first bytes say it is.
func readMatrix(data []byte, s preview.Scale) (preview.Matrix, invalid.Errors) {
	switch {
	case bytes.HasPrefix(data, []byte("\x89PNG")):
		return preview.ParsePNG(data, s)
	case bytes.HasPrefix(data, []byte("P2")), bytes.HasPrefix(data, []byte("P5")):
		return preview.ParsePGM(data, s)
	}
	return preview.ParseJSON(data)
}

// list splits a comma separated flag; an empty one is no list.
func list(s string) []string {
	if s == "" {
		return nil
	}
	parts := strings.Split(s, ",")
	for i := range parts {
		parts[i] = strings.TrimSpace(parts[i])
	}
	return parts
}
