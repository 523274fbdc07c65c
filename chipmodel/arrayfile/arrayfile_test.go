package arrayfile

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode/utf16"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/golden"
	"facetd.example/api/invalid"
	"facetd.example/deploy"
)

// TestErrors holds every testdata/*.yaml against the errors beside it: all of
// them, each with its line, field and hint.
func TestErrors(t *testing.T) {
	files, err := filepath.Glob("testdata/*.yaml")
	if err != nil || len(files) < 5 {
		t.Fatalf("testdata: %d files, %v", len(files), err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			data, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			a, m := ParseArray(filepath.Base(file), data)
			if a != nil || len(m) == 0 {
				t.Fatal("a bad file was taken")
			}
			got := m.Error() + "\n"
			golden.Check(t, strings.TrimSuffix(file, ".yaml")+".want", got)
		})
	}
}

func TestDemoArray(t *testing.T) {
	a, m := ParseArray("array.yaml", deploy.CrawlerArray)
	if len(m) > 0 {
		t.Fatal(m)
	}
	if len(a.Chips) != 19 || len(a.Lanes) != 2 || len(a.Lines) != 10 {
		t.Errorf("%d chips, %d lanes, %d lines; want 19, 2, 10", len(a.Chips), len(a.Lanes), len(a.Lines))
	}
	for i := range a.Chips {
		c := &a.Chips[i]
		if len(c.Selects) != 3 {
			t.Errorf("%s has %d select inputs, want 3", c.Name, len(c.Selects))
		}
		if reached := a.Reach(c.Wires); len(reached) != 1 || reached[0] != i {
			t.Errorf("the word of %s alone reaches %v", c.Name, a.ChipNames(reached))
		}
	}
	if a.Digest == "" || len(a.Digest) != 64 {
		t.Errorf("digest %q", a.Digest)
	}
}

func TestDemoTasks(t *testing.T) {
	tasks, m := ParseTasks("tasks.yaml", deploy.CrawlerTasks, nil)
	if len(m) > 0 {
		t.Fatal(m)
	}
	rates := map[float64]bool{}
	for _, task := range tasks {
		rates[task.GetRateHz()] = true
	}
	if len(tasks) != 4 || len(rates) != 4 {
		t.Errorf("%d tasks of %d rates, want 4 of 4", len(tasks), len(rates))
	}
}

// TestWiringOnly reads a file with select lines and chips alone.
func TestWiringOnly(t *testing.T) {
	a, m := ParseArray("w.yaml", []byte("select_lines: [a, b]\nchips:\n- {name: p, selects: [a]}\n- {name: q, "+
		"selects: [a, b]}\n"))
	if len(m) > 0 {
		t.Fatal(m)
	}
	if !a.WiringOnly || a.Chips[1].Wires != 3 {
		t.Errorf("wiring only %v, wires %b", a.WiringOnly, a.Chips[1].Wires)
	}
}

func TestLocateTasks(t *testing.T) {
	data := []byte("tasks:\n- name: a\n  rateHz: 5\n- name: b\n  rate_hz: 0\n  views:\n  - window: {rows: 9}\n")
	_, got := ParseTasks("t.yaml", data, func(tasks []*facetdv1.Task) invalid.Errors {
		if len(tasks) != 2 || tasks[1].GetName() != "b" {
			t.Errorf("checked: %v", tasks)
		}
		return invalid.Errors{
			{Path: "tasks[1].rate_hz"}, {Path: "tasks[1].views[0].window.rows"}, {Path: "tasks[0].rate_hz"},
			{Path: "tasks[0].target"},
		}
	})
	if len(got) != 4 {
		t.Fatal(got)
	}
	want := map[string]int{"tasks[1].rate_hz": 5, "tasks[1].views[0].window.rows": 7, "tasks[0].rate_hz": 3,
		"tasks[0].target": 2}
	for _, one := range got {
		if one.Line != want[one.Path] || one.File != "t.yaml" {
			t.Errorf("%s is placed at %s:%d, want line %d", one.Path, one.File, one.Line, want[one.Path])
		}
	}
}

// TestLineBreaks: a file means the same, and its errors are on the same lines,
// whatever ends its lines and however it is encoded.
func TestLineBreaks(t *testing.T) {
	good := string(deploy.CrawlerArray)
	bad := "name: x\nselect_lines: [a]\n\nchips:\n  - {name: p, selects: [b]}\n  - {nam: q}\n"
	want, m := ParseArray("a.yaml", []byte(good))
	if len(m) > 0 {
		t.Fatal(m)
	}
	_, wrong := ParseArray("a.yaml", []byte(bad))
	wide := func(s string, order binary.AppendByteOrder) string {
		out := order.AppendUint16(nil, 0xfeff)
		for _, unit := range utf16.Encode([]rune(s)) {
			out = order.AppendUint16(out, unit)
		}
		return string(out)
	}
	for name, as := range map[string]func(string) string{
		"CR LF":     func(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") },
		"CR":        func(s string) string { return strings.ReplaceAll(s, "\n", "\r") },
		"next line": func(s string) string { return strings.ReplaceAll(s, "\n", "\u0085") },
		"separator": func(s string) string { return strings.ReplaceAll(s, "\n", "\u2028") },
		"UTF-8 BOM": func(s string) string { return "\ufeff" + s },
		"UTF-16 LE": func(s string) string { return wide(s, binary.LittleEndian) },
		"UTF-16 BE, CR LF": func(s string) string {
			return wide(strings.ReplaceAll(s, "\n", "\r\n"), binary.BigEndian)
		},
	} {
		a, m := ParseArray("a.yaml", []byte(as(good)))
		if len(m) > 0 || a.Digest != want.Digest {
			t.Errorf("%s: the array differs: %v", name, m)
		}
		if _, m := ParseArray("a.yaml", []byte(as(bad))); !slices.Equal(m, wrong) {
			t.Errorf("%s: errors\n%v\nwant\n%v", name, m, wrong)
		}
	}
}

// FuzzParseArray: whatever the file, there is an array or errors that can be
// shown, never both, never neither.
func FuzzParseArray(f *testing.F) {
	f.Add(deploy.CrawlerArray)
	f.Add([]byte("select_lines: [a]\nchips:\n- {name: p, selects: [a]}\n"))
	for _, file := range []string{"errors", "apart", "unknown", "broken", "twice", "types", "documents", "anchor"} {
		if data, err := os.ReadFile("testdata/" + file + ".yaml"); err == nil {
			f.Add(data)
		}
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		a, m := ParseArray("f.yaml", data)
		if (a == nil) == (len(m) == 0) {
			t.Fatalf("array %v, errors %v", a != nil, m)
		}
		for _, one := range m {
			if one.File == "" || one.Message == "" {
				t.Fatalf("an error without file or message: %+v", one)
			}
		}
	})
}
