package main

import (
	"bytes"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/scheduler/wiring"
)

func wireCommand() *cobra.Command {
	var svg string
	var fewest, hideNone bool
	cmd := &cobra.Command{
		Use:   "wire SPEC",
		Short: "Design which select lines the chips are wired to, for the groups to be commanded",
		Long: `wire proposes the wiring under which the groups of a specification need the fewest
select words a cycle, each weighted by how often it is commanded, while every chip
stays readable alone on its lane. SPEC is a file or - for standard input, YAML or JSON:

  select_lines: [y0, y1, y2, y3, y4]   # or lines: 5
  inputs: 2                            # of every chip; 3 where it is left out
  chips:
    - {name: left, lane: a}
    - {name: right, lane: b, selects: [y0]}   # a wire that exists already
  groups:
    - {name: pair, chips: [left, right], weight: 30, once: true}
    - {name: everything, chips: [all]}
  aim: traffic   # or single: the least weight of groups that need several words

once says that the commands are strobes, which may reach no chip twice. The lower bound
is a cost that no wiring undercuts; proved says that there is nothing better. With
--fewest-lines the answer is instead the fewest lines on which every group is one word.

At the end stands what the wiring hides from a probe: swaps of two lines after which every
lane shows the same, and shorts that can be excluded only by enabling two chips of a lane
together. --hide-none asks for a wiring that hides none, and says beside it what one costs
that may. Every chip of a proposed wiring can be read singly.`,
		Example: `  facetd wire board.yaml
  facetd wire board.yaml --svg wiring.svg --output json
  facetd wire board.yaml --fewest-lines
  facetd wire board.yaml --hide-none`,
		Args: cli.Args("SPEC"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return wire(cmd, args[0], svg, fewest, hideNone)
		},
	}
	cmd.Flags().StringVar(&svg, "svg", "", "draw the wiring into a file, to solder from (- is standard output)")
	cmd.Flags().BoolVar(&fewest, "fewest-lines", false, "find the fewest lines on which every group is one word")
	cmd.Flags().BoolVar(&hideNone, "hide-none", false,
		"propose a wiring that hides no swap and no short from a probe, and say what it costs more")
	return cmd
}

// wire designs a wiring and prints it.
func wire(cmd *cobra.Command, name, svg string, fewest, hideNone bool) error {
	if svg == "-" && cli.WantsJSON(cmd) {
		return cli.Usagef("--svg - and --output json both print to standard output")
	}
	src, err := open(cmd.InOrStdin(), name, nil, "")
	if err != nil {
		return err
	}
	file, spec, m := wiring.ParseFile(src.name, src.data)
	if len(m) > 0 {
		return &invalidError{src.name, m}
	}
	spec.HideNone = hideNone
	design := wiring.Design
	if fewest {
		design = wiring.FewestLines
	}
	r, err := design(spec)
	if err != nil {
		return err
	}
	if svg != "" {
		var drawing bytes.Buffer
		if err := wiring.Map(&drawing, file.Map(src.name, spec, r)); err != nil {
			return err
		}
		if err := writeFile(cmd, svg, drawing.Bytes()); err != nil {
			return err
		}
	}
	rep := wireReport{Report: file.Report(r), Hidden: hiddenInDesign(&file, spec, r)}
	if hideNone {
		spec.HideNone = false
		free, err := design(spec)
		if err != nil {
			return err
		}
		rep.Otherwise = &otherwise{free.Cost, free.Lines}
	}
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(), rep)
	}
	if svg == "-" {
		return nil
	}
	return writeWiring(cmd.OutOrStdout(), &file, r, rep, fewest)
}

// wireReport is a design with what it hides.
type wireReport struct {
	wiring.Report
	Hidden hiddenSummary `json:"hidden"`
	// Otherwise is what a wiring costs that may hide something; only with --hide-none.
	Otherwise *otherwise `json:"otherwise,omitempty"`
}

type otherwise struct {
	Cost  int64 `json:"cost"`
	Lines int   `json:"lines"`
}

func hiddenInDesign(f *wiring.File, spec wiring.Spec, r wiring.Result) hiddenSummary {
	lanes, names := make([]int, len(spec.Chips)), make([]string, len(spec.Chips))
	for c := range spec.Chips {
		lanes[c], names[c] = spec.Chips[c].Lane, f.Chips[c].Name
	}
	return nameHidden(wiring.HiddenBy(r.Wires, lanes, r.Lines), f.SelectLines, names)
}

// writeWiring prints a design for people.
func writeWiring(w io.Writer, f *wiring.File, r wiring.Result, rep wireReport, fewest bool) error {
	chips := cli.NewTable("CHIP", "SELECTS")
	for _, c := range rep.Chips {
		chips.Row(c.Name, strings.Join(c.Selects, ","))
	}
	groups := cli.NewTable("GROUP", ">WEIGHT", ">WORDS")
	for i, g := range rep.Groups {
		groups.Row(g.Name, fmt.Sprint(max(f.Groups[i].Weight, 1)), fmt.Sprint(g.Words))
	}
	what := fmt.Sprintf("cost %d (weighted select words a cycle) on %s", r.Cost, cli.Count(r.Lines, "line"))
	if fewest {
		what = cli.Count(r.Lines, "line")
	}
	how := "nothing better exists"
	if !r.Proved {
		how = fmt.Sprintf("no wiring goes below %d; whether there is a better one is not known", r.LowerBound)
	}
	if err := chips.Write(w); err != nil {
		return err
	}
	fmt.Fprintln(w)
	if err := groups.Write(w); err != nil {
		return err
	}
	if _, err := fmt.Fprintf(w, "\n%s: %s.\nfound by %s\n", what, how, r.Found); err != nil {
		return err
	}
	rep.Hidden.write(w)
	if o := rep.Otherwise; o != nil {
		fmt.Fprintf(w, "a wiring that may hide swaps and shorts costs %d on %s\n", o.Cost, cli.Count(o.Lines, "line"))
	}
	return nil
}
