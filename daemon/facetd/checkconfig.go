package main

import (
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/invalid"
	"facetd.example/daemon/config"
	"facetd.example/daemon/server"
)

// checkConfig checks a configuration file with all files that it names. Chips that cannot be read are an error unless
// accept is set.
func checkConfig(cmd *cobra.Command, name string, accept bool) error {
	s, err := open(cmd.InOrStdin(), name, nil, "built-in configuration")
	if err != nil {
		return err
	}
	read, doc := config.Read(s.name, s.data)
	c := server.Setup{Config: read}
	found, err := c.Check()
	var m invalid.Errors
	if !errors.As(err, &m) && err != nil {
		return startError(err)
	}
	if m = doc.Errors(m); len(m) > 0 {
		return reportErrors(cmd, s.name, m)
	}
	if cli.WantsJSON(cmd) {
		if err := cli.WriteJSON(cmd.OutOrStdout(), found); err != nil {
			return err
		}
		return refuseUnreadable(cmd, found.Unreadable, accept)
	}
	out := cmd.OutOrStdout()
	verdict := writeUnreadable(out, found.Unreadable)
	fmt.Fprintf(out, "%s %s: %s runs with %s and %s\n", s.name, verdict, found.Array, cli.Count(found.Chips, "chip"),
		cli.Count(found.Tasks, "task"))
	for _, note := range found.Notes {
		fmt.Fprintln(out, "note: "+note)
	}
	t := cli.NewTable("ADDRESS", "WHO")
	for _, a := range found.Addresses {
		t.Row(a.Address, a.Who)
	}
	if err := t.Write(out); err != nil {
		return err
	}
	return refuseUnreadable(cmd, found.Unreadable, accept)
}

// reportErrors prints errors as the output of a check, unless JSON is wanted, where
// they are its error.
func reportErrors(cmd *cobra.Command, file string, m invalid.Errors) error {
	if cli.WantsJSON(cmd) {
		return &invalidError{file, m}
	}
	fmt.Fprintln(cmd.OutOrStdout(), m.Error())
	fmt.Fprintf(cmd.ErrOrStderr(), "facetd: %s in %s\n", cli.Count(len(m), "error"), file)
	return cli.ErrReported
}
