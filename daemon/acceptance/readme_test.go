package acceptance

import (
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	facetdv1 "facetd.example/api/facetd/v1"
	"facetd.example/chipmodel"
	"facetd.example/chipmodel/arrayfile"
	"facetd.example/deploy"
)

// TestReadme runs the commands of README.md in a shell, as the guide's consoles are run; "go run" is left to go. The
// two that start the daemon and run all tests are what every other test does.
func TestReadme(t *testing.T) {
	t.Parallel()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(filepath.Join(root, "README.md"))
	if err != nil {
		t.Fatal(err)
	}
	p := &pageRun{t: t, root: root, out: t.TempDir(), daemon: start(t)}
	commands := 0
	for _, b := range blocks(string(text)) {
		if b.info != "sh" {
			continue
		}
		for _, line := range b.lines {
			line, _, _ = strings.Cut(line, " #")
			line = strings.NewReplacer("go run ./daemon/facetd", "facetd", "go run ./clients/facetctl", "facetctl").
				Replace(strings.TrimSpace(line))
			switch {
			case line == "facetd" || line == "go test ./...":
				continue
			case strings.Contains(line, "frames watch"): // which goes on for ever
				line += " --count 1"
			}
			commands++
			p.console(line, line, false)
		}
	}
	p.end()
	if commands < 7 {
		t.Errorf("README.md has %d commands", commands)
	}
}

// TestReadmeCounts compares what README.md counts with what there is.
func TestReadmeCounts(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	readme := strings.Join(strings.Fields(string(text)), " ")
	array, m := arrayfile.ParseArray("array.yaml", deploy.CrawlerArray)
	if m.Err() != nil {
		t.Fatal(m)
	}
	tasks, m := arrayfile.ParseTasks("tasks.yaml", deploy.CrawlerTasks, nil)
	if m.Err() != nil {
		t.Fatal(m)
	}
	count := func(is func(c *chipmodel.Class) bool) (n int) {
		for _, c := range array.Chips {
			if is(c.Class) {
				n++
			}
		}
		return n
	}
	for _, c := range array.Message.GetChips() {
		if len(c.GetSelects()) != 3 {
			t.Errorf("chip %s has %d select inputs", c.GetName(), len(c.GetSelects()))
		}
	}
	script, err := os.ReadFile("../../clients/python/tests/check_plan.py")
	if err != nil {
		t.Fatal(err)
	}
	checking, err := os.ReadFile("../../deploy/guide/checking.md")
	if err != nil {
		t.Fatal(err)
	}
	words := []string{"no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten", "eleven",
		"twelve",
		"thirteen", "fourteen", "fifteen", "sixteen", "seventeen", "eighteen", "nineteen"}
	steps := len(facetdv1.BringupStep_name) - 1
	for format, n := range map[string]int{
		"N chips, three select inputs each": len(array.Chips),
		"each, N lanes":                     len(array.Lanes),
		"N tasks of different rates":        len(tasks),
		"a ring of N memory chips":          count((*chipmodel.Class).HasMemory),
		"N counter chips look down":         count(func(c *chipmodel.Class) bool { return c.Spec.GetCounter() != nil }),
		"N pair of chips with pixel":        count((*chipmodel.Class).HasSwitches) / 2,
		"N hexagonal chip":                  count((*chipmodel.Class).Hexagonal),
		"trusted array file in N steps":     steps,
		"N bus rules are checked":           rulesIn(string(checking)),
		"by N bus rules before":             rulesIn(string(checking)),
	} {
		want := words[n]
		if n == 1 && strings.HasPrefix(format, "N ") {
			want = "a"
		}
		if say := strings.Replace(format, "N", want, 1); !strings.Contains(strings.ToLower(readme),
			strings.ToLower(say)) {
			t.Errorf("README.md does not say %q", say)
		}
	}
	if n := strings.Count(string(script), "\n"); n < 360 || n > 440 ||
		!strings.Contains(readme, "400 lines of plain Python") {
		t.Errorf("the script has %d lines", n)
	}
	mod, err := os.ReadFile("../../go.mod")
	if err != nil {
		t.Fatal(err)
	}
	version := regexp.MustCompile(`(?m)^go (\S+)$`).FindStringSubmatch(string(mod))
	if version == nil || !strings.Contains(readme, "With Go "+version[1]+" or newer") {
		t.Errorf("README.md does not ask for Go %v", version)
	}
}

// rulesIn is the number of the last rule of the page that has them all.
func rulesIn(page string) int {
	last := 0
	for _, m := range regexp.MustCompile(`(?m)^(\d+)\. `).FindAllStringSubmatch(page, -1) {
		if n, err := strconv.Atoi(m[1]); err == nil {
			last = max(last, n)
		}
	}
	return last
}
