// Package cli is what the project's command lines share: exit statuses, errors of
// usage, tables, JSON output, and plans and quantities as text for people.
//
// It stands in the api room because the clients and the daemon both use it, and
// that is the only room which both may import.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"

	"facetd.example/api/invalid"
)

// Exit statuses of every command.
const (
	StatusOK     = 0
	StatusFailed = 1
	StatusUsage  = 2
)

// UsageError is the error of a command line that is wrong; nothing was
// done. The user should read the command's help.
type UsageError struct{ Message string }

func (e *UsageError) Error() string { return e.Message }

// Usagef returns a UsageError.
func Usagef(format string, args ...any) error {
	return &UsageError{Message: fmt.Sprintf(format, args...)}
}

// ErrReported ends a command with status 1 whose output already says why.
var ErrReported = errors.New("the command's output says what failed")

// JSONError is an error with more to say under --output json than its message.
type JSONError interface {
	error
	// ErrorJSON returns what to encode; by convention an object with "error".
	ErrorJSON() any
}

// AddOutputFlag gives a command tree the flag --output.
func AddOutputFlag(root *cobra.Command) {
	root.PersistentFlags().StringP("output", "o", "human", "how to print: human, json or csv (tables alone)")
}

// WantsJSON reports whether --output json was given to cmd.
func WantsJSON(cmd *cobra.Command) bool {
	f := cmd.Flag("output")
	return f != nil && f.Value.String() == "json"
}

// asksForJSON reports whether the arguments ask for JSON, also where a flag that is
// not known kept them from being read to their end.
func asksForJSON(args []string) bool {
	for i, arg := range args {
		switch arg {
		case "--":
			return false
		case "--output=json", "-o=json", "-ojson":
			return true
		case "--output", "-o":
			if i+1 < len(args) && args[i+1] == "json" {
				return true
			}
		}
	}
	return false
}

// Execute runs a command tree and returns the exit status. Errors go to stderr,
// and under --output json to stdout as well, as {"error": ...}.
func Execute(ctx context.Context, root *cobra.Command, args []string, stdin io.Reader, stdout, stderr io.Writer) int {
	root.SetArgs(args)
	root.SetIn(stdin)
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SilenceErrors, root.SilenceUsage = true, true
	root.SetHelpFunc(help)
	root.SetHelpCommand(helpCommand(root))
	strictCompletion(root)
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return flagError(err) })
	var tables *csvOutput
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		f := cmd.Flag("output")
		if f == nil {
			return nil
		}
		if f.Value.String() == "csv" {
			tables = &csvOutput{to: stdout, beside: stderr}
			root.SetOut(tables)
		}
		return checkOutput(f.Value.String())
	}
	cmd, err := root.ExecuteContextC(ctx)
	if err == nil && tables != nil && tables.tables == 0 {
		err = errNoTable
	}
	switch {
	case err == nil:
		return StatusOK
	case errors.Is(err, ErrReported):
		return StatusFailed
	}
	if WantsJSON(cmd) || asksForJSON(args) {
		var je JSONError
		if errors.As(err, &je) {
			_ = WriteJSONLine(stdout, je.ErrorJSON())
		} else {
			_ = WriteJSONLine(stdout, map[string]string{"error": err.Error()})
		}
	}
	fmt.Fprintf(stderr, "%s: %s\n", root.Name(), strings.ReplaceAll(invalid.Visible(err.Error()), "\n", "\n  "))
	var usage *UsageError
	if errors.As(err, &usage) {
		fmt.Fprintf(stderr, "Try '%s --help'.\n", cmd.CommandPath())
		return StatusUsage
	}
	return StatusFailed
}

// Group returns a command that only holds others; by itself, or with the name of
// a command that it does not hold, it is an error of usage.
func Group(use, short, example string, commands ...*cobra.Command) *cobra.Command {
	g := &cobra.Command{Use: use, Short: short, Example: example, Args: UnknownCommand, RunE: MissingCommand}
	g.AddCommand(commands...)
	return g
}

// UnknownCommand is the Args of a command that holds others and takes none itself.
func UnknownCommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	cmd.SuggestionsMinimumDistance = 2
	message := fmt.Sprintf("%q is not a command of '%s'", args[0], cmd.CommandPath())
	if near := cmd.SuggestionsFor(args[0]); len(near) > 0 {
		message += "; did you mean " + strings.Join(near, " or ") + "?"
	}
	return Usagef("%s", message)
}

// MissingCommand is the RunE of a command that does nothing by itself.
func MissingCommand(cmd *cobra.Command, _ []string) error {
	var names []string
	for _, c := range cmd.Commands() {
		if c.IsAvailableCommand() && c.Name() != "help" && c.Name() != "completion" {
			names = append(names, c.Name())
		}
	}
	return Usagef("'%s' needs a command: %s", cmd.CommandPath(), strings.Join(names, ", "))
}

// Args returns a check of positional arguments with these names, in order; those
// in brackets, such as "[TASKS]", may be left out.
func Args(names ...string) cobra.PositionalArgs {
	need := 0
	for _, n := range names {
		if !strings.HasPrefix(n, "[") {
			need++
		}
	}
	return func(cmd *cobra.Command, args []string) error {
		switch {
		case len(names) == 0 && len(args) > 0:
			return Usagef("'%s' takes no argument, but %q was given", cmd.CommandPath(), args[0])
		case len(args) < need:
			return Usagef("'%s' needs %s", cmd.CommandPath(), strings.Join(names[len(args):], " "))
		case len(args) > len(names):
			return Usagef("'%s' takes %s, but %q was given as well", cmd.CommandPath(), strings.Join(names, " "),
				args[len(names)])
		}
		return nil
	}
}
