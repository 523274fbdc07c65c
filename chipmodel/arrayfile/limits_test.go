package arrayfile

import (
	"fmt"
	"runtime"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/api/invalid"
	"facetd.example/chipmodel"
)

// items is a file with n items in a list, after a beginning.
func items(beginning string, n int, format string) []byte {
	var b strings.Builder
	b.WriteString(beginning)
	for i := range n {
		fmt.Fprintf(&b, format, i)
	}
	return []byte(b.String())
}

// TestHugeFiles: a file that lists too much is refused with one error, before it takes much memory or time.
func TestHugeFiles(t *testing.T) {
	const wiring = "select_lines: [a]\nchips:\n"
	tasks := func(data []byte) invalid.Errors {
		_, m := ParseTasks("f.yaml", data, func([]*facetdv1.Task) invalid.Errors {
			t.Error("too many tasks were checked")
			return nil
		})
		return m
	}
	array := func(data []byte) invalid.Errors {
		_, m := ParseArray("f.yaml", data)
		return m
	}
	for _, c := range []struct {
		name  string
		parse func([]byte) invalid.Errors
		data  []byte
		want  string
		most  uint64 // bytes
	}{
		{"100,000 chips", array, items(wiring, 100_000, "- {name: c%d}\n"), "of the marks", 1 << 20},
		{"100,000 wired chips", array, items(wiring, 100_000, "- {name: c%d, selects: [a]}\n"), "of the marks",
			1 << 20},
		{"100,000 tasks", tasks, items("tasks:\n", 100_000, "- {name: c%d}\n"), "of the marks", 1 << 20},
		{"100,000 lines", array, items("select_lines: [", 200_001, "l%d,"), "of the marks", 1 << 20},
		{"a long text", array, []byte("name: " + strings.Repeat("x", 5<<20)), "bytes", 1 << 20},
		{"chips", array, items(wiring, chipmodel.MaxChips+1, "- {name: c%d, selects: [a]}\n"),
			"4097 chips are too many (at most 4096)", 64 << 20},
		{"lanes", array, items("lanes:\n", chipmodel.MaxLanes+1, "- {name: c%d}\n"), "257 lanes are too many", 8 << 20},
		{"classes", array, items("classes:\n", chipmodel.MaxClasses+1, "- {name: c%d}\n"), "257 classes are too many",
			8 << 20},
		{"groups", array, items("groups:\n", chipmodel.MaxGroups+1, "- {name: c%d}\n"), "4097 groups are too many",
			64 << 20},
		{"tasks", tasks, items("tasks:\n", MaxTasks+1, "- {name: c%d}\n"), "1025 tasks are too many", 16 << 20},
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		m := c.parse(c.data)
		runtime.ReadMemStats(&after)
		if len(m) != 1 || !strings.Contains(m.Error(), c.want) {
			t.Errorf("%s: %d errors, the first %.200v", c.name, len(m), m)
		}
		if took := after.TotalAlloc - before.TotalAlloc; took > c.most {
			t.Errorf("%s: %d KB were allocated", c.name, took>>10)
		}
	}
	// A wiring of as many chips as there may be is fine.
	lines := items("select_lines: [", 13, "l%d, ")
	var b strings.Builder
	b.Write(lines)
	b.WriteString("]\nchips:\n")
	for i := range chipmodel.MaxChips {
		fmt.Fprintf(&b, "- {name: c%d, selects: [l12", i)
		for bit := range 12 {
			if i>>bit&1 == 1 {
				fmt.Fprintf(&b, ", l%d", bit)
			}
		}
		b.WriteString("]}\n")
	}
	if a, m := ParseArray("f.yaml", []byte(b.String())); len(m) > 0 || len(a.Chips) != chipmodel.MaxChips {
		t.Errorf("%d chips: %.200v", chipmodel.MaxChips, m)
	}
}

// TestNamesThatDeceive: names of everything that a file describes, and its texts, have no characters that control a
// terminal, turn the direction of writing, or cannot be seen.
func TestNamesThatDeceive(t *testing.T) {
	for _, bad := range []string{"\u202eevil", "a\u2066b", "a\u200bb", "a\u009bb", "a\u00adb"} {
		// A YAML file may write any character as an escape.
		quoted := fmt.Sprintf("%+q", bad)
		for _, file := range []string{
			"select_lines: [%s]\nchips:\n- {name: p, selects: [%[1]s]}\n",
			"select_lines: [a]\nchips:\n- {name: %s, selects: [a]}\n",
			"select_lines: [a]\nchips:\n- {name: p, selects: [a]}\ngroups:\n- {name: %s, chips: [p]}\n",
			"name: %s\nselect_lines: [a]\nchips:\n- {name: p, selects: [a]}\n",
		} {
			if _, m := ParseArray("f.yaml", fmt.Appendf(nil, file, quoted)); len(m) < 1 ||
				!strings.Contains(m[0].Message, "the name ") || strings.Contains(m.Error(), bad) {
				t.Errorf("%q in %q: %v", bad, file, m)
			}
		}
	}
	for text, want := range map[string]int{`"two\nlines\tof it"`: 0, `"\e[2J"`: 1, `"\u202e"`: 1} {
		_, m := ParseArray("f.yaml", []byte("description: "+text+
			"\nselect_lines: [a]\nchips:\n- {name: p, selects: [a]}\n"))
		if len(m) != want || want > 0 && m[0].Path != "description" {
			t.Errorf("a description of %s: %v", text, m)
		}
	}
}
