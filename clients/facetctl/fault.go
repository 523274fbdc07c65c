package main

import (
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/clients/facetctl/internal/parse"
)

const faultForm = `line-stuck-active:LINE       line-stuck-inactive:LINE    lines-swapped:LINE,LINE
  input-open-active:CHIP/N     input-open-inactive:CHIP/N  input-shorted:CHIP/N,LINE
  chip-dead:CHIP               lane-open:LANE              lane-saturated:LANE`

func (a *app) faultCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "fault",
		Short: "Put faults into a virtual bus, to see whether they are found",
		Long: `fault replaces, lists or clears the faults of a virtual bus; on any other bus the daemon
refuses. Several faults may be there together. What the timetable then reads may be
wrong, as on a real board. N is the number of a chip's select input, from 0.`,
		Example: `  facetctl fault set chip-dead:wall-03
  facetctl fault list
  facetctl fault clear`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cmd.AddCommand(a.faultSetCommand(), a.faultListCommand(), a.faultClearCommand())
	return cmd
}

func (a *app) faultSetCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "set FAULT...",
		Short: "Replace the faults of the virtual bus",
		Long:  "set replaces all faults of the virtual bus by those given. A FAULT is one of\n  " + faultForm,
		Example: `  facetctl fault set line-stuck-active:x1
  facetctl fault set lines-swapped:x0,x1 input-shorted:wall-03/2,fb`,
		Args: cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cli.Usagef("give at least one fault, or use 'facetctl fault clear'")
			}
			r := &facetdv1.SetFaultsRequest{}
			for _, arg := range args {
				f, err := parse.Fault(arg)
				if err != nil {
					return cli.Usagef("%s", err)
				}
				r.Faults = append(r.Faults, f)
			}
			return a.call(cmd, func(ctx context.Context, c *client) error {
				got, err := c.fault.SetFaults(ctx, r)
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), got)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "%s from bus time %s on\n", cli.Count(len(r.Faults), "fault"),
					cli.NS(got.GetEffectiveBusNs()))
				return nil
			})
		},
	}
}

func (a *app) faultListCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "list",
		Short: "List the faults of the virtual bus, and how often chips drove one lane together",
		Example: `  facetctl fault list
  facetctl fault list --output json`,
		Args: cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.fault.ListFaults(ctx, &facetdv1.ListFaultsRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSONLine(cmd.OutOrStdout(), struct {
						Faults      []faultJSON `json:"faults"`
						Contentions uint64      `json:"contentions"`
					}{faultsJSON(r.GetFaults()), r.GetContentions()})
				}
				return writeFaults(cmd.OutOrStdout(), r)
			})
		},
	}
}

func writeFaults(w io.Writer, r *facetdv1.ListFaultsResponse) error {
	if len(r.GetFaults()) == 0 {
		fmt.Fprintln(w, "no faults")
	} else {
		t := cli.NewTable("FAULT", "LINE", "OTHER", "CHIP", "INPUT", "LANE")
		for _, f := range faultsJSON(r.GetFaults()) {
			input := ""
			if f.Input != nil {
				input = fmt.Sprint(*f.Input)
			}
			t.Row(strings.ReplaceAll(f.Kind, "_", " "), f.Line, f.OtherLine, f.Chip, input, f.Lane)
		}
		if err := t.Write(w); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintf(w, "\nchips drove one lane together %d times since the bus started\n", r.GetContentions())
	return err
}

func (a *app) faultClearCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "clear",
		Short:   "Remove all faults of the virtual bus",
		Example: "  facetctl fault clear",
		Args:    cli.Args(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			return a.call(cmd, func(ctx context.Context, c *client) error {
				r, err := c.fault.ClearFaults(ctx, &facetdv1.ClearFaultsRequest{})
				if err != nil {
					return err
				}
				if cli.WantsJSON(cmd) {
					return cli.WriteJSON(cmd.OutOrStdout(), r)
				}
				fmt.Fprintf(cmd.OutOrStdout(), "no faults from bus time %s on\n", cli.NS(r.GetEffectiveBusNs()))
				return nil
			})
		},
	}
}
