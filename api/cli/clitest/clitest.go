// Package clitest runs command lines written in script files and compares what
// they print with what the files say.
//
// A script is lines of text:
//
//	# a comment
//	$ facetctl tasks add -          a command line; quotes are 'single'
//	< {name: look}                  a line of its standard input
//	~ CreateTask {...}              a call that the command made
//	| added look                    a line of its standard output
//	! facetctl: ...                 a line of its standard error
//	= 1                             its exit status, where it is not 0
//
// $TMP stands for a directory that is empty when the script begins. With -update
// the files are rewritten with what the commands did; read the difference.
package clitest

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	"facetd.example/api/golden"
)

// Screen is the output of a command in a terminal of 80 columns, to which tables must fit.
type Screen struct{ bytes.Buffer }

// Columns is how wide the terminal is.
func (*Screen) Columns() int { return 80 }

// Result is what a command did.
type Result struct {
	Stdout, Stderr string
	Status         int
	// Calls are the calls that it made to something outside, a line each.
	Calls []string
}

// Run runs one command: args without the program's name.
type Run func(t *testing.T, args []string, stdin string) Result

// Scripts runs every script that matches a pattern, each as a test of its own.
func Scripts(t *testing.T, pattern string, run Run) {
	t.Helper()
	files, err := filepath.Glob(pattern)
	if err != nil || len(files) == 0 {
		t.Fatalf("no scripts match %s (%v)", pattern, err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), filepath.Ext(file)), func(t *testing.T) { script(t, file, run) })
	}
}

func script(t *testing.T, file string, run Run) {
	raw, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	tmp := t.TempDir()
	var out strings.Builder
	commands := 0
	lines := strings.Split(strings.TrimRight(string(raw), "\n"), "\n")
	for i := 0; i < len(lines); i++ {
		line := lines[i]
		if !strings.HasPrefix(line, "$ ") {
			if !isOutput(line) {
				out.WriteString(line + "\n")
			}
			continue
		}
		commands++
		out.WriteString(line + "\n")
		var stdin strings.Builder
		for ; i+1 < len(lines) && (lines[i+1] == "<" || strings.HasPrefix(lines[i+1], "< ")); i++ {
			out.WriteString(lines[i+1] + "\n")
			stdin.WriteString(strings.TrimPrefix(lines[i+1][1:], " ") + "\n")
		}
		args, err := split(strings.ReplaceAll(line[2:], "$TMP", tmp))
		if err != nil {
			t.Fatalf("%s:%d: %v", file, i+1, err)
		}
		out.WriteString(strings.ReplaceAll(text(run(t, args[1:], stdin.String())), tmp, "$TMP"))
	}
	if commands == 0 {
		t.Fatalf("%s has no command", file)
	}
	golden.Check(t, file, out.String())
}

func isOutput(line string) bool {
	return line != "" && strings.ContainsAny(line[:1], "~|!=") && (len(line) == 1 || line[1] == ' ')
}

func text(r Result) string {
	var b strings.Builder
	add := func(mark, s string) {
		if s == "" {
			return
		}
		for l := range strings.SplitSeq(strings.TrimSuffix(s, "\n"), "\n") {
			b.WriteString(strings.TrimRight(mark+" "+l, " ") + "\n")
		}
	}
	add("~", strings.Join(r.Calls, "\n"))
	add("|", r.Stdout)
	add("!", r.Stderr)
	if r.Status != 0 {
		fmt.Fprintf(&b, "= %d\n", r.Status)
	}
	return b.String()
}

// split cuts a command line at spaces outside 'single quotes'.
func split(line string) ([]string, error) {
	var args []string
	var word strings.Builder
	inWord, quoted := false, false
	for _, r := range line {
		switch {
		case r == '\'':
			quoted, inWord = !quoted, true
		case r == ' ' && !quoted:
			if inWord {
				args = append(args, word.String())
				word.Reset()
				inWord = false
			}
		default:
			word.WriteRune(r)
			inWord = true
		}
	}
	if quoted {
		return nil, errors.New("a quote is not closed")
	}
	if inWord {
		args = append(args, word.String())
	}
	return args, nil
}

// Help checks that every command of a tree has a short description and an example
// that begins with the program's name, and that its help can be asked for.
func Help(t *testing.T, root *cobra.Command) {
	t.Helper()
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		if c.Name() == "help" || c.Name() == "completion" {
			return
		}
		if c.Short == "" {
			t.Errorf("%s has no short description", c.CommandPath())
		}
		example := strings.TrimSpace(c.Example)
		if !strings.Contains(example, root.Name()+" ") && example != root.Name() {
			t.Errorf("%s has no example that runs %s", c.CommandPath(), root.Name())
		}
		if c.HasParent() && !c.HasSubCommands() && !strings.Contains(example, c.CommandPath()) {
			t.Errorf("the example of %s does not run it", c.CommandPath())
		}
		for _, sub := range c.Commands() {
			walk(sub)
		}
	}
	walk(root)
}
