package main

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"time"
)

// environment is the variable that chooses the mutant.
const environment = "FACETD_MUTANT"

// tally counts outcomes. Equivalents are left out of all but their own number.
type tally struct{ caught, timedOut, survived, notCovered, equivalent int }

func (t *tally) add(o tally) {
	t.caught += o.caught
	t.timedOut += o.timedOut
	t.survived += o.survived
	t.notCovered += o.notCovered
	t.equivalent += o.equivalent
}

func (t tally) of() int { return t.caught + t.timedOut + t.survived + t.notCovered }

// share is how many percent were noticed.
func (t tally) share() float64 {
	if t.of() == 0 {
		return 100
	}
	return 100 * float64(t.caught+t.timedOut) / float64(t.of())
}

func (t tally) String() string {
	return fmt.Sprintf("%.0f %% of %d noticed (%d caught, %d timed out, %d survived, %d not covered), %d equivalent",
		t.share(), t.of(), t.caught, t.timedOut, t.survived, t.notCovered, t.equivalent)
}

// run tries the mutants of one package.
func (s settings) run(from *source, mutants []*mutant, known equivalents) (tally, error) {
	var t tally
	if len(mutants) == 0 {
		return t, nil
	}
	work, err := os.MkdirTemp("", "mutants")
	if err != nil {
		return t, err
	}
	defer os.RemoveAll(work)
	binary, err := from.build(work, mutants)
	if err != nil {
		return t, err
	}
	tests := tests{binary, filepath.Join(from.root, from.dir), nil}
	// Property tests keep no record of what makes a mutant fail.
	if quiet := "-rapid.nofailfile"; exec.Command(binary, "-test.list=^$", quiet).Run() == nil {
		tests.flags = append(tests.flags, quiet)
	}
	covered, err := from.coverage(work)
	if err != nil {
		return t, err
	}
	started := time.Now()
	if outcome, output := tests.run("", s.timeout); outcome != passed {
		return t, fmt.Errorf("the tests fail without a mutant (%s):\n%s", outcome, output)
	}
	// An endless loop is known for one long before the timeout where tests are quick.
	limit := min(s.timeout, 5*time.Second+6*time.Since(started))
	for _, m := range mutants {
		outcome := notCovered
		read, equivalent := known[m.id()]
		switch {
		case equivalent && s.only == "":
			outcome = "equivalent (" + read.reason + ")"
			t.equivalent++
		case !covered(m):
			t.notCovered++
		default:
			outcome, _ = tests.run(m.id(), limit)
			switch outcome {
			case passed:
				outcome = survived
				t.survived++
			case timedOut:
				t.timedOut++
			default:
				t.caught++
			}
		}
		if s.verbose || outcome == survived || outcome == notCovered {
			fmt.Printf("%s: %v\n", outcome, m)
		}
	}
	return t, nil
}

const (
	passed     = "passed"
	caught     = "caught"
	timedOut   = "timed out"
	survived   = "SURVIVED"
	notCovered = "NOT COVERED"
)

// build compiles the tests of the package with all the mutants in it. Nothing is copied: the changed files stand in
// the place of the real ones in an overlay.
func (s *source) build(work string, mutants []*mutant) (string, error) {
	replace := map[string]string{}
	put := func(name, text string) error {
		to := filepath.Join(work, name)
		replace[filepath.Join(s.root, s.dir, name)] = to
		return os.WriteFile(to, []byte(text), 0o600)
	}
	for name := range s.text {
		text, where := s.schema(name, mutants)
		if len(where) == 0 {
			continue
		}
		if err := put(name, text); err != nil {
			return "", err
		}
	}
	if err := put("facetd_mutant.go", s.chooser()); err != nil {
		return "", err
	}
	overlay, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	list := filepath.Join(work, "overlay.json")
	if err := os.WriteFile(list, overlay, 0o600); err != nil {
		return "", err
	}
	binary := filepath.Join(work, "tests")
	if out, err := s.command("test", "-c", "-vet=off", "-overlay", list, "-o", binary, "./"+
		s.dir).CombinedOutput(); err != nil {
		return "", fmt.Errorf("the tests with all mutants do not compile: %w\n%s", err, out)
	}
	return binary, nil
}

// tests are the compiled tests of a package.
type tests struct {
	binary, dir string
	flags       []string
}

// run runs them on one mutant. They end at the first failure, and with all that they started.
func (t tests) run(id string, limit time.Duration) (outcome, output string) {
	ctx, cancel := context.WithTimeout(context.Background(), limit)
	defer cancel()
	// A mutant that allocates without end takes no more than 8 GiB of addresses.
	arguments := append([]string{"-c", `ulimit -v 8388608; exec "$0" "$@"`, t.binary, "-test.failfast",
		"-test.timeout=0"},
		t.flags...)
	cmd := exec.CommandContext(ctx, "sh", arguments...)
	cmd.Dir = t.dir
	cmd.Env = append(os.Environ(), environment+"="+id)
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) }
	cmd.WaitDelay = time.Second
	var out bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &out
	err := cmd.Run()
	switch {
	case ctx.Err() != nil:
		return timedOut, out.String()
	case err != nil && !errors.Is(err, exec.ErrWaitDelay):
		return caught, out.String()
	}
	return passed, out.String()
}

// coverage runs the tests once and tells which mutants they reach at all.
func (s *source) coverage(work string) (func(*mutant) bool, error) {
	profile := filepath.Join(work, "coverage")
	out, err := s.command("test", "-count=1", "-vet=off", "-coverprofile", profile, "./"+s.dir).CombinedOutput()
	if err != nil {
		return nil, fmt.Errorf("the tests fail: %w\n%s", err, out)
	}
	file, err := os.Open(profile)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	type block struct{ fromLine, fromColumn, toLine, toColumn, statements, count int }
	blocks := map[string][]block{}
	for lines := bufio.NewScanner(file); lines.Scan(); {
		name, rest, ok := strings.Cut(lines.Text(), ":")
		var b block
		if _, err := fmt.Sscanf(rest, "%d.%d,%d.%d %d %d", &b.fromLine, &b.fromColumn, &b.toLine, &b.toColumn,
			&b.statements, &b.count); ok && err == nil {
			name = filepath.Base(name)
			blocks[name] = append(blocks[name], b)
		}
	}
	// A place in no block (a condition of a case, say) is taken for reached: the tests then decide.
	return func(m *mutant) bool {
		at := s.files.Position(s.files.File(s.parsed[m.file].Pos()).Pos(m.from))
		for _, b := range blocks[m.file] {
			after := at.Line > b.fromLine || at.Line == b.fromLine && at.Column >= b.fromColumn
			before := at.Line < b.toLine || at.Line == b.toLine && at.Column < b.toColumn
			if after && before && b.count == 0 {
				return false
			}
		}
		return true
	}, nil
}
