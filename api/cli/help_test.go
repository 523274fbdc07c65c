package cli

import (
	"bytes"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// Flags are listed by their names, aligned, each list by itself; the rest of the text stays.
func TestHelpNamesFlagsAlone(t *testing.T) {
	root := &cobra.Command{Use: "x", Short: "Do x"}
	AddOutputFlag(root)
	sub := &cobra.Command{Use: "y", Long: "y does y.", Example: "  x y --all", Run: func(*cobra.Command, []string) {}}
	sub.Flags().BoolP("all", "a", false, "all of  it")
	sub.Flags().String("a-name-that-is-long", "", "a name")
	root.AddCommand(sub)
	var out bytes.Buffer
	if status := Execute(t.Context(), root, []string{"y", "--help"}, strings.NewReader(""), &out,
		&out); status != StatusOK {
		t.Fatalf("status %d: %s", status, &out)
	}
	want := `y does y.

Usage:
  x y [flags]

Examples:
  x y --all

Flags:
      --a-name-that-is-long string   a name
  -a, --all                          all of  it
  -h, --help                         help for y

Global Flags:
  -o, --output string   how to print: human, json or csv (tables alone) (default "human")
`
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", &out, want)
	}
}
