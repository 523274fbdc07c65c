package cli

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"github.com/spf13/cobra"

	facetdv1 "facetd.example/api/facetd/v1"
)

func TestQuantities(t *testing.T) {
	for ns, want := range map[int64]string{
		0: "0 ns", 999: "999 ns", 1000: "1 us", 1500: "1.5 us", 999_949: "999.9 us", 999_950: "1 ms",
		12_345_678:    "12.35 ms",
		1_000_000_000: "1 s", 3_600_000_000_000: "3600 s", -1500: "-1.5 us", math.MaxInt64: "9.223e+09 s",
	} {
		if got := NS(ns); got != want {
			t.Errorf("NS(%d) = %q, want %q", ns, got, want)
		}
	}
	for v, want := range map[float64]string{0: "0", 29.296875: "29.3", 12345.6: "12346", 0.001: "0.001"} {
		if got := Significant(v); got != want {
			t.Errorf("Significant(%g) = %q, want %q", v, got, want)
		}
	}
	for v, want := range map[float64]string{0: "0 V", 0.00035: "350 uV", -0.25: "-250 mV", 1.8: "1.8 V"} {
		if got := Volts(v); got != want {
			t.Errorf("Volts(%g) = %q, want %q", v, got, want)
		}
	}
}

func TestTableAligns(t *testing.T) {
	table := NewTable("NAME", ">N", "REST")
	table.Row("a", "1", "x")
	table.Row("long-näme", "1000")
	var b bytes.Buffer
	if err := table.Write(&b); err != nil {
		t.Fatal(err)
	}
	want := "NAME          N  REST\na             1  x\nlong-näme  1000\n"
	if b.String() != want {
		t.Errorf("got\n%swant\n%s", b.String(), want)
	}
}

// The protobuf library varies its white space from build to build; ours must not.
func TestJSONIsStable(t *testing.T) {
	var line, indented bytes.Buffer
	word := &facetdv1.SelectWord{Lines: []string{"a", "b"}}
	if err := errors.Join(WriteJSONLine(&line, word), WriteJSON(&indented, word)); err != nil {
		t.Fatal(err)
	}
	if want := `{"lines":["a","b"],"reaches":[]}` + "\n"; line.String() != want {
		t.Errorf("line %q", line.String())
	}
	if want := "{\n  \"lines\": [\n    \"a\",\n    \"b\"\n  ],\n  \"reaches\": []\n}\n"; indented.String() != want {
		t.Errorf("indented %q", indented.String())
	}
}

func TestStatuses(t *testing.T) {
	tree := func() *cobra.Command {
		root := &cobra.Command{Use: "tool", Args: UnknownCommand, RunE: MissingCommand}
		AddOutputFlag(root)
		add := func(use string, err error) {
			root.AddCommand(&cobra.Command{Use: use, Args: Args("[A]"),
				RunE: func(*cobra.Command, []string) error { return err }})
		}
		add("fine", nil)
		add("fails", errors.New("broken\nin two places"))
		add("said", ErrReported)
		add("misused", Usagef("no"))
		return root
	}
	for _, c := range []struct {
		args           string
		status         int
		stdout, stderr string
	}{
		{"fine", 0, "", ""},
		{"fine x", 0, "", ""},
		{"fine x y", 2, "", "tool: 'tool fine' takes [A], but \"y\" was given as well\nTry 'tool fine --help'.\n"},
		{"fails", 1, "", "tool: broken\n  in two places\n"},
		{"fails -o json", 1, "{\"error\":\"broken\\nin two places\"}\n", "tool: broken\n  in two places\n"},
		{"said -o json", 1, "", ""},
		{"misused", 2, "", "tool: no\nTry 'tool misused --help'.\n"},
		{"finn", 2, "", "tool: \"finn\" is not a command of 'tool'; did you mean fine?\nTry 'tool --help'.\n"},
		{"fine --nope", 2, "", "tool: unknown flag: --nope\nTry 'tool fine --help'.\n"},
		{"fine --nope --output json", 2, "{\"error\":\"unknown flag: --nope\"}\n",
			"tool: unknown flag: --nope\nTry 'tool fine --help'.\n"},
		{"fine --nope -- -ojson", 2, "", "tool: unknown flag: --nope\nTry 'tool fine --help'.\n"},
		{"fine -o yaml", 2, "", "tool: --output \"yaml\": use human, json or csv\nTry 'tool fine --help'.\n"},
	} {
		var stdout, stderr bytes.Buffer
		status := Execute(t.Context(), tree(), strings.Fields(c.args), nil, &stdout, &stderr)
		if status != c.status || stdout.String() != c.stdout || stderr.String() != c.stderr {
			t.Errorf("tool %s: status %d, stdout %q, stderr %q", c.args, status, stdout.String(), stderr.String())
		}
	}
}

// TestErrorsCannotDriveATerminal: what an error quotes of a server or a robot is seen and not obeyed.
func TestErrorsCannotDriveATerminal(t *testing.T) {
	root := &cobra.Command{Use: "x", RunE: func(*cobra.Command, []string) error {
		return errors.New("it says \x1b[2J\r\u202ehello\nand more")
	}}
	var out, errs bytes.Buffer
	if status := Execute(t.Context(), root, nil, strings.NewReader(""), &out, &errs); status != StatusFailed ||
		errs.String() != "x: it says \\x1b[2J\\r\\u202ehello\n  and more\n" {
		t.Errorf("status %d, %q", status, errs.String())
	}
}
