package main

import (
	"bytes"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/wiring"
)

func mapCommand() *cobra.Command {
	var svg, probe string
	cmd := &cobra.Command{
		Use:   "map ARRAY --svg FILE",
		Short: "Draw the wiring of an array, to solder from",
		Long: `map draws which select input of which chip is wired to which select line, with lanes
and groups, as an SVG, and below it the pins of the board that drives them, where the file
has a section device. A group's mark is filled where one select word reaches it and hollow
where it takes several. A file with select_lines and chips alone is enough.
With --probe the places are marked that a probe of the array suspects: FILE holds what
facetctl probe --output json printed, - is standard input.
ARRAY is ` + fileForm + `.`,
		Example: `  facetd map array.yaml --svg wiring.svg
  facetd map demo --svg - > wiring.svg
  facetctl probe --output json | facetd map array.yaml --probe - --svg suspects.svg`,
		Args: cli.Args("ARRAY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if svg == "" {
				return cli.Usagef("give the file to draw into: --svg FILE (- is standard output)")
			}
			if svg == "-" && cli.WantsJSON(cmd) {
				return cli.Usagef("--svg - and --output json both print to standard output")
			}
			a, err := readArray(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			in := mapInput(a)
			if probe != "" {
				if in.Marks, err = readMarks(cmd.InOrStdin(), probe, a); err != nil {
					return err
				}
			}
			var drawing bytes.Buffer
			if err := wiring.Map(&drawing, in); err != nil {
				return err
			}
			if err := writeFile(cmd, svg, drawing.Bytes()); err != nil || !cli.WantsJSON(cmd) {
				return err
			}
			return cli.WriteJSONLine(cmd.OutOrStdout(), map[string]string{"svg": svg})
		},
	}
	cmd.Flags().StringVar(&svg, "svg", "", "file to draw into (- is standard output)")
	cmd.Flags().StringVar(&probe, "probe", "", "mark what a probe suspects: a file of its JSON (- is standard input)")
	return cmd
}

// mapInput names the parts of an array for drawing. A group that no words reach has
// no number of words.
func mapInput(a *chipmodel.Array) wiring.MapInput {
	in := wiring.MapInput{Title: a.Name, Lines: a.Lines}
	for i := range a.Chips {
		c := wiring.MapChip{Name: a.Chips[i].Name, Inputs: a.Chips[i].Selects}
		if lane := a.Chips[i].Lane; lane >= 0 {
			c.Lane = a.Lanes[lane].Name
		}
		in.Chips = append(in.Chips, c)
	}
	in.Device = mapPins(a)
	for _, g := range a.Groups {
		mark := wiring.MapGroup{Name: g.Name, Chips: g.Chips}
		if words, _, _, err := program.Cover(a, g.Chips, false); err == nil {
			mark.Words = len(words)
		}
		in.Groups = append(in.Groups, mark)
	}
	return in
}
