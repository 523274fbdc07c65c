package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

// environment is the variable that chooses the mutant, traceEnvironment names the file that gets the names of those
// whose statements are reached.
const (
	environment      = "FACETD_MUTANT"
	traceEnvironment = "FACETD_MUTANT_TRACE"
)

// tally counts outcomes. Equivalents are left out of all but their own number.
type tally struct{ caught, timedOut, survived, notReached, equivalent int }

func (t *tally) add(o tally) {
	t.caught += o.caught
	t.timedOut += o.timedOut
	t.survived += o.survived
	t.notReached += o.notReached
	t.equivalent += o.equivalent
}

func (t tally) of() int { return t.caught + t.timedOut + t.survived + t.notReached }

// share is how many percent were noticed.
func (t tally) share() float64 {
	if t.of() == 0 {
		return 100
	}
	return 100 * float64(t.caught+t.timedOut) / float64(t.of())
}

func (t tally) String() string {
	return fmt.Sprintf("%.0f %% of %d noticed (%d caught, %d timed out, %d survived, %d not reached), %d equivalent",
		t.share(), t.of(), t.caught, t.timedOut, t.survived, t.notReached, t.equivalent)
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
	tests := tests{ctx: s.ctx, binary: binary, dir: filepath.Join(from.root, from.dir), reach: map[string][]string{},
		took: map[string]time.Duration{}}
	// Property tests keep no record of what makes a mutant fail.
	if quiet := "-rapid.nofailfile"; exec.Command(binary, "-test.list=^$", quiet).Run() == nil {
		tests.flags = append(tests.flags, quiet)
	}
	if err := tests.trace(filepath.Join(work, "trace"), s.timeout); err != nil {
		return t, err
	}
	for _, m := range mutants {
		if err := s.ctx.Err(); err != nil {
			return t, err
		}
		outcome := notReached
		read, equivalent := known[m.id()]
		switch {
		case equivalent && s.only == "":
			outcome = "equivalent (" + read.reason + ")"
			t.equivalent++
		case len(tests.reach[m.id()]) == 0:
			t.notReached++
		default:
			outcome = tests.try(m.id(), s.timeout)
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
		if s.verbose || outcome == survived || outcome == notReached {
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
	notReached = "NOT REACHED"
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
	if err := put("facetd_mutant.go", s.chooser(mutants)); err != nil {
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
	ctx         context.Context
	binary, dir string
	flags       []string
	reach       map[string][]string // tests that come to a mutant's statement
	took        map[string]time.Duration
}

// trace runs each test alone, and notes which statements with mutants it comes to.
func (t *tests) trace(file string, limit time.Duration) error {
	list := exec.Command(t.binary, "-test.list=.")
	list.Dir = t.dir
	out, err := list.Output()
	if err != nil {
		return fmt.Errorf("the list of the tests: %w", explain(err))
	}
	for _, name := range strings.Fields(string(out)) {
		if strings.HasPrefix(name, "Benchmark") {
			continue
		}
		started := time.Now()
		os.Remove(file)
		outcome, output := t.run([]string{name}, limit, traceEnvironment+"="+file)
		if err := t.ctx.Err(); err != nil {
			return err
		}
		if outcome == timedOut {
			fmt.Printf("%s takes longer than %v and is left out\n", name, limit)
			continue
		}
		if outcome != passed {
			return fmt.Errorf("%s fails without a mutant (%s):\n%s", name, outcome, output)
		}
		t.took[name] = time.Since(started)
		seen, err := os.ReadFile(file)
		if err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
		for _, id := range strings.Fields(string(seen)) {
			t.reach[id] = append(t.reach[id], name)
		}
	}
	return nil
}

// try runs the tests that come to a mutant's statement, the quickest first.
func (t *tests) try(id string, limit time.Duration) string {
	names := slices.Clone(t.reach[id])
	slices.SortFunc(names, func(a, b string) int { return int(t.took[a] - t.took[b]) })
	// The quick half first, in one process: most mutants need no more.
	for _, part := range [][]string{names[:len(names)/2], names[len(names)/2:]} {
		if len(part) == 0 {
			continue
		}
		var usual time.Duration
		for _, name := range part {
			usual += t.took[name]
		}
		// An endless loop is known for one long before the limit where tests are quick.
		outcome, _ := t.run(part, min(limit, 5*time.Second+6*usual), environment+"="+id)
		if outcome != passed {
			return outcome
		}
	}
	return passed
}

// run runs some tests in one process. They end at the first failure, and with all that they started.
func (t *tests) run(names []string, limit time.Duration, variable string) (outcome, output string) {
	ctx, cancel := context.WithTimeout(t.ctx, limit)
	defer cancel()
	// A mutant that allocates without end takes no more than 8 GiB of addresses.
	arguments := append([]string{"-c", `ulimit -v 8388608; exec "$0" "$@"`, t.binary, "-test.failfast",
		"-test.timeout=0",
		"-test.run=^(" + strings.Join(names, "|") + ")$"}, t.flags...)
	cmd := exec.CommandContext(ctx, "sh", arguments...)
	cmd.Dir = t.dir
	cmd.Env = append(os.Environ(), variable)
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
