package main

import (
	"fmt"

	"github.com/spf13/cobra"

	"facetd.example/api/cli"
	"facetd.example/api/fileio"
	"facetd.example/daemon/record"
)

func recoverCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "recover FILE...",
		Short: "Close recordings that a crash left open",
		Long: `recover closes recordings that were not closed, NAME.mcap.partial: everything up to the
last whole chunk is kept, and the file becomes NAME.mcap. What cannot be read is put
beside it as .rest. A file that is being written is left alone. A daemon does this for
its own folder when it starts.`,
		Example: `  facetd recover recordings/bend-001.mcap.partial`,
		Args:    cobra.ArbitraryArgs,
		RunE: func(cmd *cobra.Command, args []string) error {
			if len(args) == 0 {
				return cli.Usagef("give at least one file")
			}
			failed := false
			for _, name := range args {
				r, err := record.Recover(name)
				if err != nil {
					failed = true
					fmt.Fprintf(cmd.ErrOrStderr(), "facetd: %s\n", fileio.Plain(err)) // it names the file
					continue
				}
				if err := writeRecovered(cmd, name, r); err != nil {
					return err
				}
			}
			if failed {
				return cli.ErrReported
			}
			return nil
		},
	}
}

// recovered is what recover prints of one file.
type recovered struct {
	File     string `json:"file"`
	Now      string `json:"now"`
	Chunks   int    `json:"chunks"`
	Messages uint64 `json:"messages"`
	CutBytes int64  `json:"cut_bytes"`
	Rest     string `json:"rest,omitempty"`
	Whole    bool   `json:"was_whole"`
}

func writeRecovered(cmd *cobra.Command, name string, r record.Recovered) error {
	if cli.WantsJSON(cmd) {
		return cli.WriteJSONLine(cmd.OutOrStdout(),
			recovered{name, r.Path, r.Chunks, r.Messages, r.CutBytes, r.Rest, r.Whole})
	}
	what := fmt.Sprintf("closed, %s in %s kept", cli.Count(int(r.Messages), "message"), cli.Count(r.Chunks, "chunk"))
	switch {
	case r.Whole:
		what = "was complete already"
	case r.CutBytes > 0:
		what += fmt.Sprintf(", %s cut off", cli.Count(int(r.CutBytes), "byte"))
	}
	if r.Rest != "" {
		what += ", what could not be read is in " + r.Rest
	}
	_, err := fmt.Fprintf(cmd.OutOrStdout(), "%s: %s\n", r.Path, what)
	return err
}
