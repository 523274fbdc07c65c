package cli

import (
	"fmt"

	"github.com/spf13/cobra"
)

// helpCommand is the library's, but that a command which is not known is an error of usage.
func helpCommand(root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use:     "help [COMMAND...]",
		Short:   "Show how a command is used",
		Example: fmt.Sprintf("  %[1]s help\n  %[1]s help version", root.Name()),
		RunE: func(cmd *cobra.Command, args []string) error {
			of, rest, err := cmd.Root().Find(args)
			if err != nil {
				return Usagef("%s", err)
			}
			if len(rest) > 0 {
				return UnknownCommand(of, rest)
			}
			of.InitDefaultHelpFlag() // the library adds it only to commands that it runs
			return of.Help()
		},
		ValidArgsFunction: func(cmd *cobra.Command, args []string, toComplete string) (fit []string,
			_ cobra.ShellCompDirective) {
			of, rest, err := cmd.Root().Find(args)
			if err != nil || len(rest) > 0 {
				return nil, cobra.ShellCompDirectiveNoFileComp
			}
			var words []string
			for _, c := range of.Commands() {
				if c.IsAvailableCommand() {
					words = append(words, c.Name()+"\t"+c.Short)
				}
			}
			return Choices(words...)(cmd, args, toComplete)
		},
	}
}

// strictCompletion has the library's command of completion refuse what it does not know, as every other does.
func strictCompletion(root *cobra.Command) {
	root.InitDefaultCompletionCmd()
	for _, c := range root.Commands() {
		if c.Name() != "completion" {
			continue
		}
		c.Args, c.RunE = UnknownCommand, MissingCommand
		for _, shell := range c.Commands() {
			shell.Args = Args()
		}
	}
}
