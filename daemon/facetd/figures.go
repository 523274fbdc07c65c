package main

import (
	"bytes"
	"io"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
)

// figures are the files that a command writes beside its table: a drawing, and every figure as CSV.
type figures struct{ svg, csv string }

func (f *figures) register(cmd *cobra.Command, drawing, records string) {
	cmd.Flags().StringVar(&f.svg, "svg", "", drawing+" into this file (- is standard output, in place of the table)")
	cmd.Flags().StringVar(&f.csv, "csv", "", records+" as CSV, with every digit, into this file (- likewise)")
}

// check refuses to print two things on standard output.
func (f *figures) check(cmd *cobra.Command) error {
	for _, one := range []struct{ flag, file string }{{"svg", f.svg}, {"csv", f.csv}} {
		if form := cmd.Flag("output").Value.String(); one.file == "-" && form != "human" {
			return cli.Usagef("--%s - and --output %s both print to standard output", one.flag, form)
		}
	}
	if f.svg == "-" && f.csv == "-" {
		return cli.Usagef("--svg - and --csv - both print to standard output")
	}
	return nil
}

// printed reports whether standard output has a figure in place of the table.
func (f *figures) printed() bool { return f.svg == "-" || f.csv == "-" }

// write writes what was asked for.
func (f *figures) write(cmd *cobra.Command, draw func(io.Writer) error, records any) error {
	if f.svg != "" {
		var drawing bytes.Buffer
		if err := draw(&drawing); err != nil {
			return err
		}
		if err := writeFile(cmd, f.svg, drawing.Bytes()); err != nil {
			return err
		}
	}
	if f.csv == "" {
		return nil
	}
	data, err := cli.RecordsCSV(records)
	if err != nil {
		return err
	}
	return writeFile(cmd, f.csv, data)
}
