package main

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/daemon/server"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/selectword"
)

func checkCommand() *cobra.Command {
	var config, accept bool
	var board string
	cmd := &cobra.Command{
		Use:   "check ARRAY",
		Short: "Check an array file, or a configuration: list every error, or sum up what it describes",
		Long: `check lists every error of an array file with its place, field and a hint, and
exits with status 1. A file without errors is summed up: its chips, classes, lanes
and select lines, and of each group how many select words it needs, and how many
where no chip may be reached twice. Chips that cannot be read at all, because every word
that selects one selects two chips of one lane, are named first, and the status is 1, or
0 with --accept-unreadable. At the end stands what the wiring hides: swaps of lines that
no probe can see, and shorts that it can exclude only by enabling two chips of a lane
together.
ARRAY is ` + fileForm + `.
With --board the pins of its section device are held against a board: those that it has
not, its converters, its clock, and how fast it is.
With --config ARRAY is a configuration file of the daemon; all files that it names are
read, and its tasks are planned, as at a start, but nothing is run or listened on. Chips
of its array that cannot be read are named and give status 1 in the same way.`,
		Example: `  facetd check array.yaml
  facetd check --config facetd.yaml
  facetd check demo
  facetd check array.yaml --board board.yaml
  facetd check array.yaml --output json`,
		Args: cli.Args("ARRAY"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if config && board != "" {
				return cli.Usagef("--board is about an array file, and --config about a configuration")
			}
			if config {
				return checkConfig(cmd, args[0], accept)
			}
			a, err := readArrayOf(cmd, args[0], board)
			if err != nil {
				return told(cmd, err)
			}
			s := summarize(a)
			if cli.WantsJSON(cmd) {
				err = cli.WriteJSON(cmd.OutOrStdout(), s)
			} else {
				err = s.write(cmd)
			}
			if err != nil {
				return err
			}
			return refuseUnreadable(cmd, s.Unreadable, accept)
		},
	}
	cmd.Flags().BoolVar(&accept, "accept-unreadable", false, "chips that cannot be read are no failure")
	cmd.Flags().StringVar(&board, "board", "", "description of a board that is to drive the array")
	cmd.Flags().BoolVar(&config, "config", false, "the file is a configuration of the daemon")
	return cmd
}

// summary is what check says of a good array.
type summary struct {
	Name       string         `json:"name"`
	Digest     string         `json:"digest"`
	Lines      int            `json:"select_lines"`
	Chips      int            `json:"chips"`
	WiringOnly bool           `json:"wiring_only"`
	Classes    []classSummary `json:"classes"`
	Lanes      []laneSummary  `json:"lanes"`
	Groups     []groupSummary `json:"groups"`
	// Unreadable are the chips that no frame can be had of.
	Unreadable []server.Unreadable `json:"unreadable"`
	// Hidden is left out where only the wiring is described: what shows depends on the lanes.
	Hidden *hiddenSummary `json:"hidden,omitempty"`
}

type classSummary struct {
	Name    string `json:"name"`
	Parts   string `json:"parts"`
	Rows    int    `json:"rows"`
	Columns int    `json:"columns"`
	Chips   int    `json:"chips"`
}

type laneSummary struct {
	Name          string  `json:"name"`
	Chips         int     `json:"chips"`
	CapacitancePF float64 `json:"capacitance_pf"`
	Bits          int     `json:"bits"`
	SlowestNS     int64   `json:"slowest_settle_ns"`
}

type groupSummary struct {
	Name  string   `json:"name"`
	Chips int      `json:"chips"`
	Cover coverSum `json:"cover"`
	Once  coverSum `json:"once"`
}

// coverSum is how many words a target needs, or why there are none.
type coverSum struct {
	Words   int    `json:"words"`
	Optimal bool   `json:"optimal"`
	Error   string `json:"error,omitempty"`
}

func (c coverSum) String() string {
	switch {
	case c.Error != "":
		return "none"
	case !c.Optimal:
		return fmt.Sprintf("%d or fewer", c.Words)
	}
	return fmt.Sprint(c.Words)
}

func summarize(a *chipmodel.Array) *summary {
	s := &summary{Name: a.Name, Digest: a.Digest, Lines: len(a.Lines), Chips: len(a.Chips), WiringOnly: a.WiringOnly,
		Classes: []classSummary{}, Lanes: []laneSummary{}, Unreadable: server.UnreadableIn(a)}
	if !a.WiringOnly {
		h := hiddenIn(a)
		s.Hidden = &h
	}
	for _, c := range a.Classes {
		n := 0
		for i := range a.Chips {
			if a.Chips[i].Class == c {
				n++
			}
		}
		s.Classes = append(s.Classes, classSummary{c.Name, c.Parts(), c.Rows, c.Columns, n})
	}
	for _, l := range a.Lanes {
		sum := laneSummary{Name: l.Name, Chips: len(l.Chips), CapacitancePF: math.Round(l.CapacitanceFarads*1e18) / 1e6,
			Bits: l.Bits}
		for _, c := range l.Chips {
			sum.SlowestNS = max(sum.SlowestNS, a.LaneSettle(c).Nanoseconds())
		}
		s.Lanes = append(s.Lanes, sum)
	}
	for _, g := range append([]chipmodel.Group{{Name: "all", Chips: a.All()}}, a.Groups...) {
		s.Groups = append(s.Groups, groupSummary{g.Name, len(g.Chips), coverSummary(a, g.Chips, false),
			coverSummary(a, g.Chips, true)})
	}
	return s
}

func coverSummary(a *chipmodel.Array, chips []int, once bool) coverSum {
	words, optimal, _, err := program.Cover(a, chips, once)
	if err != nil {
		return coverSum{Error: coverError(a, err).Error()}
	}
	return coverSum{Words: len(words), Optimal: optimal}
}

func (s *summary) write(cmd *cobra.Command) error {
	w := cmd.OutOrStdout()
	name := s.Name
	if name == "" {
		name = "the array"
	}
	verdict := writeUnreadable(w, s.Unreadable)
	fmt.Fprintf(w, "%s %s: %s, %s, %s\n", name, verdict, cli.Count(s.Chips, "chip"), cli.Count(s.Lines, "select line"),
		cli.Count(len(s.Lanes), "lane"))
	fmt.Fprintf(w, "digest %s\n\n", s.Digest)
	if s.WiringOnly {
		fmt.Fprint(w, "The file describes only the wiring: no classes, lanes or timing.\n\n")
	} else {
		t := cli.NewTable("CLASS", "PARTS", ">LATTICE", ">CHIPS")
		for _, c := range s.Classes {
			t.Row(c.Name, c.Parts, fmt.Sprintf("%dx%d", c.Rows, c.Columns), fmt.Sprint(c.Chips))
		}
		if err := t.Write(w); err != nil {
			return err
		}
		t = cli.NewTable("LANE", ">CHIPS", ">CAPACITANCE", ">BITS", ">SLOWEST SETTLING")
		for _, l := range s.Lanes {
			t.Row(l.Name, fmt.Sprint(l.Chips), cli.Significant(l.CapacitancePF)+" pF", fmt.Sprint(l.Bits),
				cli.NS(l.SlowestNS))
		}
		fmt.Fprintln(w)
		if err := t.Write(w); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	t := cli.NewTable("TARGET", ">CHIPS", ">WORDS", ">WORDS, EACH CHIP ONCE")
	for _, g := range s.Groups {
		t.Row(g.Name, fmt.Sprint(g.Chips), g.Cover.String(), g.Once.String())
	}
	if err := t.Write(w); err != nil {
		return err
	}
	for _, g := range s.Groups {
		switch {
		case g.Cover.Error != "":
			fmt.Fprintf(w, "%s: %s\n", g.Name, g.Cover.Error)
		case g.Once.Error != "":
			fmt.Fprintf(w, "%s, each chip once: %s\n", g.Name, g.Once.Error)
		}
	}
	if s.Hidden != nil {
		fmt.Fprintln(w)
		s.Hidden.write(w)
	}
	return nil
}

func reachCommand() *cobra.Command {
	var rows int
	cmd := &cobra.Command{
		Use:   "reach ARRAY [LINES]",
		Short: "Show which chips listen under a set of select lines, or what all words do",
		Long: `reach shows the chips that listen while exactly these lines are active: those whose
every select input is wired to one of them. Without LINES, which are comma separated, it
lists the useful words, fewest lines first, counts the ambiguous ones (more lines, the
same chips) and the useless ones (no chip), and names the chips of one lane that can never
be read apart. A file with select_lines and chips alone is enough; its chips then count as
of one lane. ARRAY is ` + fileForm + `.`,
		Example: `  facetd reach array.yaml fw,x0,y0
  facetd reach demo fw,x0,x1,y0 --output json
  facetd reach array.yaml --rows 100`,
		Args: cli.Args("ARRAY", "[LINES]"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if rows < 0 || rows > maxReachRows {
				return cli.Usagef("--rows %d: use 0 to %d", rows, maxReachRows)
			}
			a, err := readArray(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			if len(args) < 2 {
				return writeReachTable(cmd, a, rows)
			}
			word, err := wordOf(a, strings.FieldsFunc(args[1], func(r rune) bool { return r == ',' }))
			if err != nil {
				return err
			}
			w := program.SelectWord(a, word)
			if cli.WantsJSON(cmd) {
				return cli.WriteJSONLine(cmd.OutOrStdout(), cli.NewWord(w))
			}
			return cli.WriteWords(cmd.OutOrStdout(), []*facetdv1.SelectWord{w})
		},
	}
	cmd.Flags().IntVar(&rows, "rows", 40, "how many useful words to list at the most")
	return cmd
}

func wordOf(a *chipmodel.Array, lines []string) (chipmodel.LineSet, error) {
	var word chipmodel.LineSet
	var unknown []string
	for _, name := range lines {
		if i := a.Line(strings.TrimSpace(name)); i >= 0 {
			word |= 1 << uint(i)
		} else {
			unknown = append(unknown, fmt.Sprintf("no select line is called %q", name))
		}
	}
	if len(unknown) > 0 {
		return 0, fmt.Errorf("%s; the array has: %s", strings.Join(unknown, ", "), strings.Join(a.Lines, ", "))
	}
	return word, nil
}

func coverCommand() *cobra.Command {
	var once bool
	cmd := &cobra.Command{
		Use:   "cover ARRAY TARGET",
		Short: "Find the fewest select words that reach exactly a target",
		Long: `cover finds the fewest select words that together reach every chip of TARGET and no
other. With --once no chip is reached twice, as strobes need it. Where there are
none it names the chips in the way and exits with status 1. A file with select_lines
and chips alone is enough.
ARRAY is ` + fileForm + `.
TARGET is a comma list of chips, groups and "all".`,
		Example: `  facetd cover array.yaml wall
  facetd cover demo bow,bed-0 --once --output json`,
		Args: cli.Args("ARRAY", "TARGET"),
		RunE: func(cmd *cobra.Command, args []string) error {
			a, err := readArray(cmd.InOrStdin(), args[0])
			if err != nil {
				return err
			}
			chips, err := targetOf(a, args[1])
			if err != nil {
				return err
			}
			words, optimal, bound, err := program.Cover(a, chips, once)
			if err != nil {
				return coverError(a, err)
			}
			if cli.WantsJSON(cmd) {
				return cli.WriteJSONLine(cmd.OutOrStdout(), cli.NewWords(words, optimal, int64(bound)))
			}
			return cli.WriteCover(cmd.OutOrStdout(), words, optimal, int64(bound))
		},
	}
	cmd.Flags().BoolVar(&once, "once", false, "reach no chip twice")
	return cmd
}

// targetOf returns the chips of a comma list of chips, groups and "all", each
// once and by ascending index.
func targetOf(a *chipmodel.Array, list string) ([]int, error) {
	member := make([]bool, len(a.Chips))
	var wrong []string
	for name := range strings.SplitSeq(list, ",") {
		name = strings.TrimSpace(name)
		var chips []int
		switch {
		case name == "":
			wrong = append(wrong, fmt.Sprintf("%q has an empty name between its commas", list))
		case name == "all":
			chips = a.All()
		case a.Group(name) != nil:
			chips = a.Group(name)
		case a.Chip(name) >= 0:
			chips = []int{a.Chip(name)}
		default:
			one := &facetdv1.ChipList{Names: []string{name}}
			_, m := a.Resolve(&facetdv1.Target{Chips: &facetdv1.Target_List{List: one}})
			wrong = append(wrong, fmt.Sprintf("no chip or group is called %q (%s)", name, m[0].Hint))
		}
		for _, c := range chips {
			member[c] = true
		}
	}
	if len(wrong) > 0 {
		return nil, fmt.Errorf("target: %s", strings.Join(wrong, "; "))
	}
	var chips []int
	for i, in := range member {
		if in {
			chips = append(chips, i)
		}
	}
	return chips, nil
}

// coverError puts names into the errors of a cover.
func coverError(a *chipmodel.Array, err error) error {
	names := func(chips []int) string {
		list := a.ChipNames(slices.Clone(chips))
		for i := range list {
			list[i] = fmt.Sprintf("%q", list[i])
		}
		return strings.Join(list, ", ")
	}
	var unreachable *selectword.UnreachableError
	var clash *selectword.ClashError
	switch {
	case errors.As(err, &unreachable):
		return fmt.Errorf("no select words reach exactly this target: every word that reaches chip %q also reaches "+
			"%s, outside the target",
			a.Chips[unreachable.Chip].Name, names(unreachable.Blocking))
	case errors.As(err, &clash):
		return fmt.Errorf("no select words reach each chip of this target exactly once: chips %s can only be told "+
			"apart by words that reach chips outside the target, or one of them twice",
			names(clash.Chips))
	}
	return err
}
