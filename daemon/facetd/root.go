package main

import (
	"github.com/spf13/cobra"

	"facetd.example/api/cli"
)

func newRoot() *cobra.Command {
	root := &cobra.Command{
		Use:   "facetd",
		Short: "Operate an array of image-sensor chips on one bus",
		Example: `  facetd check array.yaml
  facetd plan demo demo`,
		Args: cli.UnknownCommand,
		RunE: cli.MissingCommand,
	}
	cli.AddOutputFlag(root)
	root.AddCommand(checkCommand(), reachCommand(), coverCommand(), planCommand(), versionCommand())
	return root
}
