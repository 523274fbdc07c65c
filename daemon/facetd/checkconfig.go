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

// checkConfig checks a configuration file with all files that it names.
func checkConfig(cmd *cobra.Command, name string) error {
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
		return cli.WriteJSON(cmd.OutOrStdout(), found)
	}
	out := cmd.OutOrStdout()
	fmt.Fprintf(out, "%s is in order: %s runs with %s and %s\n", s.name, found.Array, cli.Count(found.Chips, "chip"),
		cli.Count(found.Tasks, "task"))
	t := cli.NewTable("ADDRESS", "WHO")
	for _, a := range found.Addresses {
		t.Row(a.Address, a.Who)
	}
	return t.Write(out)
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
