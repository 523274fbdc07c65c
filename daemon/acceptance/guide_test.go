package acceptance

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"facetd.example/daemon/config"
)

// block is one fenced block of a page.
type block struct {
	line  int
	info  string
	lines []string
}

// blocks reads the fenced blocks of a Markdown page.
func blocks(text string) []block {
	var all []block
	var open *block
	for i, line := range strings.Split(text, "\n") {
		switch fence, is := strings.CutPrefix(line, "```"); {
		case is && open == nil:
			open = &block{line: i + 1, info: strings.TrimSpace(fence)}
		case is:
			all = append(all, *open)
			open = nil
		case open != nil:
			open.lines = append(open.lines, line)
		}
	}
	return all
}

var link = regexp.MustCompile(`\]\(([^)#]+)\)|src="([^"]+)"`)

// TestGuide runs the commands of the guide against the demo: those of "sh" blocks must
// succeed, those of "sh fails" blocks end with status 1. Links lead somewhere.
func TestGuide(t *testing.T) {
	t.Parallel()
	root, err := filepath.Abs("../..")
	if err != nil {
		t.Fatal(err)
	}
	pages, err := filepath.Glob(filepath.Join(root, "deploy/guide/*.md"))
	if err != nil || len(pages) < 7 {
		t.Fatalf("pages %v, %v", pages, err)
	}
	commands := 0
	for _, page := range pages {
		text, err := os.ReadFile(page)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range link.FindAllStringSubmatch(string(text), -1) {
			target := m[1] + m[2]
			if strings.Contains(target, "://") {
				continue
			}
			if _, err := os.Stat(filepath.Join(filepath.Dir(page), target)); err != nil {
				t.Errorf("%s: the link to %s leads nowhere", filepath.Base(page), target)
			}
		}
		runs := runnable(string(text))
		for _, b := range runs {
			commands += len(b.lines)
		}
		if len(runs) == 0 {
			continue
		}
		t.Run(filepath.Base(page), func(t *testing.T) {
			t.Parallel()
			runPage(t, root, runs)
		})
	}
	if commands < 25 {
		t.Errorf("the guide has %d commands", commands)
	}
}

// runnable are the blocks of a page whose commands are run.
func runnable(text string) []block {
	return slices.DeleteFunc(blocks(text), func(b block) bool { return b.info != "sh" && b.info != "sh fails" })
}

// runPage runs the commands of one page beside a daemon of its own, in the folder root.
func runPage(t *testing.T, root string, runs []block) {
	out := t.TempDir()
	d := start(t, "--data", t.TempDir(), "--scene", config.DefaultScene)
	for _, b := range runs {
		fails := b.info == "sh fails"
		for i, line := range b.lines {
			line = strings.ReplaceAll(line, "/tmp/facetd-tour", out)
			fields := strings.Fields(line)
			if len(fields) == 0 || fields[0] != "facetd" && fields[0] != "facetctl" {
				t.Errorf("line %d is no command of ours: %q", b.line+1+i, line)
				continue
			}
			cmd := exec.Command(binary(t, fields[0]), fields[1:]...)
			cmd.Dir = root
			cmd.Env = append(os.Environ(), "FACETD_ADDRESS="+d.grpc)
			var said bytes.Buffer
			cmd.Stdout, cmd.Stderr = &said, &said
			err := cmd.Run()
			if fails && cmd.ProcessState.ExitCode() != 1 || !fails && err != nil {
				t.Errorf("line %d: %s: %v\n%s", b.line+1+i, line, err, said.String())
			}
		}
	}
	if err := d.stop(t); err != nil {
		t.Error(err)
	}
}
