package cli

import (
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Completer proposes what may stand at a place, for a shell; toComplete is what is
// written there already.
type Completer = func(cmd *cobra.Command, args []string, toComplete string) ([]string, cobra.ShellCompDirective)

// Choices proposes these words and no files. A word may have a description behind a
// tab.
func Choices(words ...string) Completer {
	return func(_ *cobra.Command, _ []string, toComplete string) (fit []string, _ cobra.ShellCompDirective) {
		for _, w := range words {
			if strings.HasPrefix(w, toComplete) {
				fit = append(fit, w)
			}
		}
		return fit, cobra.ShellCompDirectiveNoFileComp
	}
}

// Folders proposes folders.
func Folders(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
	return nil, cobra.ShellCompDirectiveFilterDirs
}

// FilesEnding proposes files with these endings, without the dot, and folders.
func FilesEnding(endings ...string) Completer {
	return func(*cobra.Command, []string, string) ([]string, cobra.ShellCompDirective) {
		return endings, cobra.ShellCompDirectiveFilterFileExt
	}
}

// First proposes for the first argument alone.
func First(c Completer) Completer {
	return func(cmd *cobra.Command, args []string, toComplete string) ([]string, cobra.ShellCompDirective) {
		if len(args) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		return c(cmd, args, toComplete)
	}
}

// Listed proposes words for a list with commas: for its last item, after those that
// stand there already, which are not proposed again.
func Listed(words []string, toComplete string) []string {
	before, last := "", toComplete
	if i := strings.LastIndexByte(toComplete, ','); i >= 0 {
		before, last = toComplete[:i+1], toComplete[i+1:]
	}
	var out []string
	for _, w := range words {
		name, _, _ := strings.Cut(w, "\t")
		if strings.HasPrefix(name, last) && !strings.Contains(","+before, ","+name+",") {
			out = append(out, before+w)
		}
	}
	return out
}

// Complete gives the commands under root completion for shells. flags are by name, the
// same in every command, or by "COMMAND PATH --name", which goes first; arguments are
// by the command's path without root's name. Flags of other types than text, and
// commands without arguments, propose no files.
func Complete(root *cobra.Command, flags, arguments map[string]Completer) {
	none := Choices()
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		path := strings.TrimPrefix(strings.TrimPrefix(c.CommandPath(), root.Name()), " ")
		set := func(f *pflag.Flag) {
			complete := flags[f.Name]
			if own := flags[path+" --"+f.Name]; own != nil {
				complete = own
			}
			if complete == nil && !strings.HasPrefix(f.Value.Type(), "string") {
				complete = none
			}
			if complete != nil {
				_ = c.RegisterFlagCompletionFunc(f.Name, complete) // the flag is there; a second time changes nothing
			}
		}
		c.LocalFlags().VisitAll(set)
		switch complete := arguments[path]; {
		case complete != nil:
			c.ValidArgsFunction = complete
		case !strings.Contains(c.Use, " ") && !c.HasSubCommands():
			c.ValidArgsFunction = none
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}
