package main

import (
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/chipmodel"
	"facetd.example/daemon/server"
	"facetd.example/scheduler/wiring"
)

// hiddenSummary is what a wiring hides from a probe, by names.
type hiddenSummary struct {
	// Swaps of two lines that no readout shows.
	Swaps [][2]string `json:"swaps"`
	// Shorts that can be excluded only by enabling two chips of a lane together.
	Shorts []shortSummary `json:"shorts"`
}

// shortSummary is a pair of chips, and the line that each has and the other has not.
type shortSummary struct {
	Chips [2]string `json:"chips"`
	Lines [2]string `json:"lines"`
}

func nameHidden(h wiring.Hidden, lines, chips []string) hiddenSummary {
	out := hiddenSummary{Swaps: [][2]string{}, Shorts: []shortSummary{}}
	for _, s := range h.Swaps {
		out.Swaps = append(out.Swaps, [2]string{lines[s[0]], lines[s[1]]})
	}
	for _, s := range h.Shorts {
		out.Shorts = append(out.Shorts, shortSummary{
			Chips: [2]string{chips[s.Chips[0]], chips[s.Chips[1]]},
			Lines: [2]string{lines[s.Lines[0]], lines[s.Lines[1]]}})
	}
	return out
}

// hiddenIn is what the wiring of an array hides.
func hiddenIn(a *chipmodel.Array) hiddenSummary {
	wires, lanes := make([]chipmodel.LineSet, len(a.Chips)), make([]int, len(a.Chips))
	for c := range a.Chips {
		wires[c], lanes[c] = a.Chips[c].Wires, a.Chips[c].Lane
	}
	return nameHidden(wiring.HiddenBy(wires, lanes, len(a.Lines)), a.Lines, a.ChipNames(a.All()))
}

// mostHidden limits the swaps that are listed for a person.
const mostHidden = 8

// write says what is hidden, in a line or two.
func (h hiddenSummary) write(w io.Writer) {
	if len(h.Swaps) == 0 && len(h.Shorts) == 0 {
		fmt.Fprintln(w, "a probe sees every swap of two lines and every short, and needs no two chips of a lane "+
			"together for it")
		return
	}
	if len(h.Swaps) > 0 {
		var list []string
		for _, s := range h.Swaps[:min(len(h.Swaps), mostHidden)] {
			list = append(list, s[0]+" with "+s[1])
		}
		more := ""
		if n := len(h.Swaps) - len(list); n > 0 {
			more = fmt.Sprintf(" and %d more", n)
		}
		fmt.Fprintf(w, "a probe cannot see %s of lines: %s%s\n", cli.Count(len(h.Swaps), "swap"),
			strings.Join(list, ", "),
			more)
	}
	if len(h.Shorts) > 0 {
		s := h.Shorts[0]
		fmt.Fprintf(w, "a probe excludes shorts between %s of chips of one lane only by enabling two together for one "+
			"write, such as %s and %s (%s, %s)\n", cli.Count(len(h.Shorts), "pair"), s.Chips[0], s.Chips[1], s.Lines[0],
			s.Lines[1])
	}
}

// writeUnreadable names the chips that cannot be read, and returns what a file with them may be called.
func writeUnreadable(w io.Writer, list []server.Unreadable) (verdict string) {
	for _, u := range list {
		fmt.Fprintf(w, "chip %s cannot be read: every word that selects it selects %s, of which several drive one "+
			"lane\n", u.Chip, strings.Join(u.Selects, ", "))
	}
	if len(list) > 0 {
		return "is free of errors in its form"
	}
	return "is in order"
}

// refuseUnreadable is the error of a check that found chips that cannot be read, unless they are accepted.
func refuseUnreadable(cmd *cobra.Command, list []server.Unreadable, accept bool) error {
	if len(list) == 0 || accept {
		return nil
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "facetd: %s cannot be read; give a line of its own to one of those that "+
		"share a lane, or accept it with --accept-unreadable\n", cli.Count(len(list), "chip"))
	return cli.ErrReported
}
