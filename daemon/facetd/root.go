package main

import (
	"github.com/spf13/cobra"

	"facetd.example/api/cli"
)

func newRoot() *cobra.Command {
	root := serveCommand()
	root.Use = "facetd"
	root.Short = "Operate an array of image-sensor chips on one bus"
	root.Long = `facetd operates an array of small image-sensor chips that share one bus: it works out
which select lines reach which chips, proves a timetable of readouts, runs it, and
hands out synchronised frames over gRPC. Without a command it runs the daemon, as
'facetd serve' does; the other commands work on files alone.
Exit status: 0 done, 1 failed, 2 usage error.

` + serveHelp
	root.Example = `  facetd
  facetd --array array.yaml --tasks tasks.yaml
  facetd check array.yaml
  facetd plan demo demo`
	root.Args = cli.UnknownCommand
	cli.AddOutputFlag(root)
	root.AddCommand(serveCommand(), checkCommand(), reachCommand(), coverCommand(), planCommand(), exploreCommand(),
		compareCommand(), reportCommand(),
		admitCommand(), mapCommand(), wireCommand(),
		previewCommand(), budgetCommand(), lensCommand(), coverageCommand(), hardwareCommand(), recoverCommand(),
		chipsCommand(), tokenCommand(), motionCommand(),
		healthcheckCommand(),
		cli.VersionCommand("facetd", version))
	complete(root)
	return root
}
