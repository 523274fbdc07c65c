package acceptance

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"facetd.example/api/peertest"
	"facetd.example/daemon/config"
	"facetd.example/deploy"
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

// TestGuide runs the commands of the guide: those of "sh" blocks against the demo, or against the daemon that the page
// itself has started; those of "console" blocks, which start daemons or need other programs, in a shell. Blocks marked
// "fails" end with status 1, all others succeed. Links lead somewhere.
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
	commands, consoles := 0, 0
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
		all := blocks(string(text))
		runs := slices.ContainsFunc(all, func(b block) bool { return b.runs("sh") || b.runs("console") })
		for _, b := range all {
			if b.runs("sh") {
				commands += len(b.lines)
			}
			if b.runs("console") {
				consoles += len(b.lines)
			}
		}
		if !runs {
			continue
		}
		t.Run(filepath.Base(page), func(t *testing.T) {
			t.Parallel()
			runPage(t, root, all)
		})
	}
	if commands < 25 || consoles < 10 {
		t.Errorf("the guide has %d commands, and %d in consoles", commands, consoles)
	}
}

// runs reports whether a block is of a kind whose commands are run, failing or not.
func (b block) runs(kind string) bool { return b.info == kind || b.info == kind+" fails" }

// pageRun is one page whose commands are run.
type pageRun struct {
	t         *testing.T
	root, out string // the folders of the repository, and of what the page writes
	daemon    *daemon
	yaml      []string // the last yaml block
}

// runPage runs the commands of one page in order, beside the daemon that it starts or the demo.
func runPage(t *testing.T, root string, all []block) {
	p := &pageRun{t: t, root: root, out: t.TempDir()}
	for _, b := range all {
		for i, line := range b.lines {
			if i > 0 && strings.HasSuffix(b.lines[i-1], "\\") {
				continue // is part of the line before
			}
			for next := i + 1; strings.HasSuffix(line, "\\") && next < len(b.lines); next++ {
				line = strings.TrimSuffix(line, "\\") + strings.TrimSpace(b.lines[next])
			}
			line = strings.TrimPrefix(strings.ReplaceAll(line, "/tmp/facetd-tour", p.out), "$ ")
			where := fmt.Sprintf("line %d: %s", b.line+1+i, line)
			fields := strings.Fields(line)
			switch {
			case b.runs("console") && (line == "facetd" || strings.HasPrefix(line, "facetd -")):
				p.serve(fields[1:])
			case b.runs("console"):
				p.console(where, line, strings.HasSuffix(b.info, " fails"))
			case b.runs("sh"):
				if len(fields) == 0 || fields[0] != "facetd" && fields[0] != "facetctl" {
					t.Errorf("%s: no command of ours", where)
					continue
				}
				cmd := exec.Command(binary(t, fields[0]), strings.Fields(shorter(line))[1:]...)
				cmd.Dir = root
				p.check(where, cmd, strings.HasSuffix(b.info, " fails"))
			}
		}
		if b.info == "yaml" {
			p.yaml = b.lines
		}
	}
	p.end()
}

// serve starts a daemon of the page's own, in place of the one before. Its files are those that the page speaks of.
func (p *pageRun) serve(args []string) {
	p.end()
	made := map[string]func() ([]byte, error){
		"array.yaml":        func() ([]byte, error) { return deploy.CrawlerArray, nil },
		"tasks.yaml":        func() ([]byte, error) { return deploy.CrawlerTasks, nil },
		"ground-truth.yaml": func() ([]byte, error) { return []byte(strings.Join(p.yaml, "\n")), nil },
		"picture.png": func() ([]byte, error) {
			return os.ReadFile(filepath.Join(p.root,
				"deploy/images/page.png"))
		},
	}
	args = slices.Clone(args)
	for i, arg := range args {
		if write := made[arg]; write != nil {
			text, err := write()
			if err != nil {
				p.t.Fatal(err)
			}
			args[i] = filepath.Join(p.out, arg)
			if err := os.WriteFile(args[i], text, 0o600); err != nil {
				p.t.Fatal(err)
			}
		}
	}
	if !slices.Contains(args, "--bus") && !slices.Contains(args, "--scene") {
		args = append(args, "--scene", config.DefaultScene)
	}
	p.daemon = start(p.t, args...)
	p.check("status of "+strings.Join(args, " "), exec.Command(binary(p.t, "facetctl"), "status"), false)
}

// end stops the daemon of the page, if there is one.
func (p *pageRun) end() {
	if p.daemon == nil {
		return
	}
	if err := p.daemon.stop(p.t); err != nil {
		p.t.Error(err)
	}
	p.daemon = nil
}

// demo starts the demo where the page has no daemon: in plain light, since only what a page starts itself is to be
// looked at.
func (p *pageRun) demo() {
	if p.daemon == nil {
		p.daemon = start(p.t, "--data", p.t.TempDir())
	}
}

// shorter is a command as an ordinary run gives it, where all that it says takes too long for every run.
func shorter(line string) string {
	if peertest.All() {
		return line
	}
	// Steps that name one of the five faults; noise that is averaged less.
	line = strings.Replace(line, "bringup --yes --virtual-light", "bringup --yes --steps supplies,settling "+
		"--virtual-light", 1)
	return strings.Replace(line, "--frames 8", "--frames 2", 1)
}

// check runs a command beside the daemon of the page, by default the demo.
func (p *pageRun) check(where string, cmd *exec.Cmd, fails bool) string {
	if cmd.Env == nil {
		cmd.Env = os.Environ()
	}
	if filepath.Base(cmd.Path) != "facetd" { // whose commands answer offline
		p.demo()
		cmd.Env = append(cmd.Env, "FACETD_ADDRESS="+p.daemon.grpc)
	}
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	err := cmd.Run()
	if fails && cmd.ProcessState.ExitCode() != 1 || !fails && err != nil {
		p.t.Errorf("%s: %v\n%s", where, err, said.String())
	}
	return said.String()
}

// console runs a line of a shell in the page's folder, in which the repository's folders stand too. The line is left
// out
// where a program of it is not installed. A stream goes on for ever: it is ended with what it has said by then.
func (p *pageRun) console(where, line string, fails bool) {
	p.demo()
	for _, name := range []string{"deploy", "clients"} {
		link := filepath.Join(p.out, name)
		if _, err := os.Lstat(link); err != nil {
			if err := os.Symlink(filepath.Join(p.root, name), link); err != nil {
				p.t.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(filepath.Join(p.out, "array.yaml"), deploy.CrawlerArray, 0o600); err != nil {
		p.t.Fatal(err)
	}
	endless := strings.Contains(line, "/Stream")
	p.t.Run(where, func(t *testing.T) {
		for _, part := range strings.Split(line, "|") {
			if name := strings.Fields(part)[0]; name != "facetd" && name != "facetctl" {
				peertest.Program(t, name)
			}
		}
		line = strings.ReplaceAll(line, "127.0.0.1:7660", p.daemon.grpc)
		line = strings.ReplaceAll(line, "http://127.0.0.1:7661", p.daemon.http)
		line = shorter(line)
		if endless {
			line = strings.Replace(line, "grpcurl ", "grpcurl -max-time 3 ", 1) + ` | grep -m1 '"frames"'`
		}
		cmd := exec.Command("sh", "-c", line)
		cmd.Dir = p.out
		cmd.Env = append(os.Environ(), "PATH="+filepath.Dir(binary(t, "facetd"))+":"+os.Getenv("PATH"))
		if said := p.check(where, cmd, fails); said == "" && !strings.Contains(line, ">") &&
			!strings.Contains(line, "--svg") {
			t.Errorf("%s says nothing", where)
		}
	})
}
