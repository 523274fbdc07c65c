package cli

import (
	"bytes"
	"context"
	"encoding/csv"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"pgregory.net/rapid"
)

// screen is a terminal of some columns.
type screen struct {
	bytes.Buffer
	columns int
}

func (s *screen) Columns() int { return s.columns }

// Every table fits its terminal or asks for more, and has every cell at least once.
func TestTablesFitOrAskForMore(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		columns := rapid.IntRange(1, 14).Draw(t, "columns")
		word := rapid.StringMatching(`[A-Z]{1,12}`)
		var head []string
		for i := range columns {
			head = append(head, []string{"", ">"}[i%2]+word.Draw(t, "heading"))
		}
		table := NewTable(head...)
		var cells []string
		for r := range rapid.IntRange(0, 4).Draw(t, "rows") {
			var row []string
			for i := range columns {
				row = append(row, rapid.StringMatching(`[a-zé]{0,30}`).Draw(t, "cell")+strconv.Itoa(100*r+i))
			}
			table.Row(row...)
			cells = append(cells, row...)
		}
		out := &screen{columns: rapid.IntRange(40, 120).Draw(t, "terminal")}
		if err := table.Write(out); err != nil {
			t.Fatal(err)
		}
		text := out.String()
		asks := strings.Contains(text, "columns wide: make the terminal wider")
		fits := true
		for line := range strings.SplitSeq(text, "\n") {
			fits = fits && (utf8.RuneCountInString(line) <= out.columns || strings.HasPrefix(line, "this table is"))
		}
		if fits == asks {
			t.Fatalf("fits %d columns: %t, asks for more: %t\n%s", out.columns, fits, asks, text)
		}
		for _, cell := range cells {
			if !strings.Contains(text, cell) {
				t.Fatalf("%s is missing in\n%s", cell, text)
			}
		}
		var plain bytes.Buffer
		if err := table.Write(&plain); err != nil {
			t.Fatal(err)
		}
		if n := strings.Count(plain.String(), "\n"); n != 1+len(cells)/columns {
			t.Fatalf("a pipe gets %d lines:\n%s", n, plain.String())
		}
	})
}

func TestFold(t *testing.T) {
	table := NewTable("TASK", ">JOB", ">RESPONSE", "WHY")
	table.Row("wall", "1", "2", "late")
	out := &screen{columns: 20}
	if err := table.Write(out); err != nil {
		t.Fatal(err)
	}
	want := "TASK  JOB  RESPONSE\nwall    1         2\n\nTASK  WHY\nwall  late\n"
	if out.String() != want {
		t.Errorf("got\n%s\nwant\n%s", out.String(), want)
	}
}

func TestCSV(t *testing.T) {
	run := func(args ...string) (int, string, string) {
		root := &cobra.Command{Use: "x"}
		AddOutputFlag(root)
		root.AddCommand(&cobra.Command{Use: "two", RunE: func(cmd *cobra.Command, _ []string) error {
			table := NewTable("TASK Hz", ">JOB", ">HOLD", "WHY", ">BIAS", ">MIXED")
			table.Row("wall", "5.288 ms", "-", `a "b", c`, "-20 mV", "3 ms")
			table.Row("bed", "20 us", "1.5 s", "", "1 V", "3 V")
			if err := table.Write(cmd.OutOrStdout()); err != nil {
				return err
			}
			cmd.Println("beside")
			return NewTable("EMPTY").Write(cmd.OutOrStdout())
		}}, &cobra.Command{Use: "none", RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := cmd.OutOrStdout().Write([]byte("text"))
			return err
		}})
		var out, errs bytes.Buffer
		code := Execute(context.Background(), root, args, strings.NewReader(""), &out, &errs)
		return code, out.String(), errs.String()
	}
	code, out, errs := run("two", "--output", "csv")
	want := "task Hz,job (s),hold (s),why,bias (V),mixed\nwall,0.005288,,\"a \"\"b\"\", c\",-0.02,3 ms\n" +
		"bed,2e-05,1.5,,1,3 V\n\nempty\n"
	if code != StatusOK || out != want || !strings.Contains(errs, "beside") {
		t.Errorf("status %d, errors %q, got\n%s\nwant\n%s", code, errs, out, want)
	}
	r := csv.NewReader(strings.NewReader(out))
	r.FieldsPerRecord = -1
	if rows, err := r.ReadAll(); err != nil || len(rows) != 4 || rows[1][3] != `a "b", c` {
		t.Errorf("%q, %v", rows, err)
	}
	if code, out, errs := run("none", "-o", "csv"); code != StatusFailed || out != "" ||
		!strings.Contains(errs, "printed no table") {
		t.Errorf("%d, %q, %q", code, out, errs)
	}
	if code, _, errs := run("none", "-o", "xml"); code != StatusUsage || !strings.Contains(errs, "human, json or csv") {
		t.Errorf("%d, %q", code, errs)
	}
}
