package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel"
	"facetd.example/scheduler/program"
	"facetd.example/scheduler/selectword"
)

// maxReachRows limits the table of useful words.
const maxReachRows = 100_000

// reachTable is what reach prints of all words.
type reachTable struct {
	Words []reachWord `json:"words"`
	// Truncated says that there are more useful words than are listed.
	Truncated bool `json:"truncated"`
	// Counted says that the three counts are filled in.
	Counted   bool        `json:"counted"`
	Useful    int         `json:"useful"`
	Ambiguous int         `json:"ambiguous"`
	Useless   int         `json:"useless"`
	Apart     [][2]string `json:"never_apart"`
}

type reachWord struct {
	cli.Word
	// Same is how many other words reach the same chips; -1 where not counted.
	Same int `json:"same"`
}

func newReachTable(a *chipmodel.Array, rows int) reachTable {
	wires := make([]chipmodel.LineSet, len(a.Chips))
	lanes := make([]int, len(a.Chips))
	for i := range a.Chips {
		wires[i] = a.Chips[i].Wires
		lanes[i] = max(a.Chips[i].Lane, 0)
	}
	w := selectword.New(wires)
	t := w.Table(len(a.Lines), rows)
	out := reachTable{Words: []reachWord{}, Apart: [][2]string{}, Truncated: t.Truncated, Counted: t.Counted,
		Useful: t.Useful, Ambiguous: t.Ambiguous, Useless: t.Useless}
	for _, r := range t.Rows {
		out.Words = append(out.Words, reachWord{cli.NewWord(program.SelectWord(a, r.Word)), r.Same})
	}
	for _, pair := range w.Inseparable(lanes) {
		out.Apart = append(out.Apart, [2]string{a.Chips[pair[0]].Name, a.Chips[pair[1]].Name})
	}
	return out
}

func writeReachTable(cmd *cobra.Command, a *chipmodel.Array, rows int) error {
	t := newReachTable(a, rows)
	out := cmd.OutOrStdout()
	if cli.WantsJSON(cmd) {
		return cli.WriteJSON(out, t)
	}
	table := cli.NewTable("LINES", ">REACHES", ">SAME", "CHIPS")
	for _, w := range t.Words {
		same := "-"
		if w.Same >= 0 {
			same = fmt.Sprint(w.Same)
		}
		table.Row(strings.Join(w.Lines, ","), fmt.Sprint(len(w.Reaches)), same, strings.Join(w.Reaches, ","))
	}
	if err := table.Write(out); err != nil {
		return err
	}
	fmt.Fprintln(out)
	if t.Truncated {
		fmt.Fprintf(out, "and more useful words; --rows lists more\n")
	}
	if t.Counted {
		fmt.Fprintf(out, "%d words are useful, %d ambiguous (more lines, the same chips), %d useless (no chip)\n",
			t.Useful, t.Ambiguous, t.Useless)
	}
	for _, pair := range t.Apart {
		fmt.Fprintf(out, "%s and %s can never be read apart on one lane\n", pair[0], pair[1])
	}
	return nil
}
