package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/scheduler/wiring"
)

// readBoard reads the description of a board.
func readBoard(name string) (*chipmodel.Board, error) {
	data, err := fileio.Read(name, maxFile)
	if err != nil {
		return nil, err
	}
	board, m := arrayfile.ParseBoard(name, data)
	if len(m) > 0 {
		return nil, &invalidError{name, m}
	}
	return board, nil
}

// readArrayOf reads an array file, and holds it against the description of a board where one is named.
func readArrayOf(cmd *cobra.Command, name, board string) (*chipmodel.Array, error) {
	if board == "" {
		return readArray(cmd.InOrStdin(), name)
	}
	described, err := readBoard(board)
	if err != nil {
		return nil, err
	}
	a, err := readArrayFor(cmd.InOrStdin(), name, described.Fits)
	if err == nil && !cli.WantsJSON(cmd) {
		fmt.Fprintf(cmd.OutOrStdout(), "board %s can drive it, with a grain of %v\n", described.Name, described.Tick)
	}
	return a, err
}

// told prints the errors of a file as the output of a check, unless JSON is wanted, where they are its error.
func told(cmd *cobra.Command, err error) error {
	var wrong *invalidError
	if !errors.As(err, &wrong) || cli.WantsJSON(cmd) {
		return err
	}
	fmt.Fprintln(cmd.OutOrStdout(), wrong.errs.Error())
	fmt.Fprintf(cmd.ErrOrStderr(), "facetd: %s in %s\n", cli.Count(len(wrong.errs), "error"), wrong.file)
	return cli.ErrReported
}

// mapPins names the pins of the array's device for drawing; nil where the file says nothing of them.
func mapPins(a *chipmodel.Array) *wiring.MapDevice {
	d := a.Device
	if d == nil {
		return nil
	}
	out := &wiring.MapDevice{Board: d.Board, Converters: map[string]string{}}
	for _, p := range d.Selects {
		out.Lines = append(out.Lines, p.String())
	}
	for i, c := range d.Converters {
		out.Converters[a.Lanes[i].Name] = fmt.Sprint(c)
	}
	for _, u := range d.Outputs(a.Lines) {
		pin := wiring.MapPin{Pin: u.Pin.String(), Serves: u.Serves}
		if in, looped := d.Loopback[u.Pin]; looped {
			pin.Input = in.String()
		}
		out.Pins = append(out.Pins, pin)
	}
	for i := range d.Inputs {
		in := &d.Inputs[i]
		pin := wiring.MapPin{Pin: in.Pin.String(), Serves: "input " + in.Name}
		if in.Triggers != "" {
			pin.Serves += ", triggers " + in.Triggers
		}
		out.Pins = append(out.Pins, pin)
	}
	return out
}
