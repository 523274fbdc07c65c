// Command mutants asks how much the tests of a package notice. It changes the package in small ways, one at a time
// (mutants), runs the package's own tests on each, and tells which changes they caught.
//
//	go -C .ci/tools run ./mutants -n 100 chipmodel/analog daemon/probe+daemon/probe/diagnosis
//
// Packages joined by + are one room and share one sample. The sample is fixed: a mutant is named by its function and
// by what it changes, the seed orders the names, and the first n of that order are taken; an edit elsewhere moves
// nothing. All mutants of a package are compiled into one test binary, in which the environment chooses among them:
// every function with a mutant has a copy of its body for each.
package main

import (
	"context"
	"flag"
	"fmt"
	"os"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"
)

type settings struct {
	ctx                     context.Context
	root, equivalents, only string
	n, seed                 int
	least                   float64
	timeout                 time.Duration
	verbose, list           bool
}

func main() {
	var s settings
	flag.StringVar(&s.root, "root", "../..", "the module whose packages are named")
	flag.StringVar(&s.equivalents, "equivalents", "../equivalents.txt",
		"mutants that change nothing, each with its reason")
	flag.IntVar(&s.n, "n", 100, "mutants of each room")
	flag.IntVar(&s.seed, "seed", 1, "orders the mutants")
	flag.Float64Var(&s.least, "least", 0, "fail where fewer percent of a room's mutants are noticed")
	flag.DurationVar(&s.timeout, "timeout", time.Minute, "the longest that the tests of one mutant may take")
	flag.StringVar(&s.only, "only", "", "run the mutants with these names alone (separated by commas)")
	flag.BoolVar(&s.verbose, "v", false, "tell the outcome of every mutant as it is known")
	flag.BoolVar(&s.list, "list", false, "list the sample and run nothing")
	flag.Parse()
	// What runs is ended with the tool, and what it wrote is taken away.
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	s.ctx = ctx
	if err := s.all(flag.Args()); err != nil {
		fmt.Fprintln(os.Stderr, "mutants:", err)
		os.Exit(1)
	}
}

func (s settings) all(rooms []string) error {
	root, err := filepath.Abs(s.root)
	if err != nil {
		return err
	}
	s.root = root
	known, err := readEquivalents(s.equivalents)
	if err != nil {
		return err
	}
	var lines, below []string
	for _, room := range rooms {
		outcome, err := s.room(strings.Split(room, "+"), known)
		if err != nil {
			return fmt.Errorf("%s: %w", room, err)
		}
		if !s.list {
			line := fmt.Sprintf("%s: %s", room, outcome)
			fmt.Println(line)
			lines = append(lines, line)
			if outcome.share() < s.least {
				below = append(below, room)
			}
		}
	}
	if len(lines) > 1 {
		fmt.Printf("\n%s\n", strings.Join(lines, "\n"))
	}
	if len(below) > 0 {
		return fmt.Errorf("below %g %%: %s", s.least, strings.Join(below, ", "))
	}
	return nil
}

// room tries the sample of the packages of one room.
func (s settings) room(dirs []string, known equivalents) (tally, error) {
	var every []*mutant
	packages := map[string]*source{}
	for _, dir := range dirs {
		from, err := load(s.root, dir)
		if err != nil {
			return tally{}, err
		}
		packages[dir] = from
		every = append(every, from.mutants()...)
	}
	for _, stale := range known.stale(dirs, every) {
		fmt.Printf("%s: the equivalent %s is no mutant any more\n", strings.Join(dirs, "+"), stale)
	}
	sample, err := s.sample(every, packages)
	if err != nil {
		return tally{}, err
	}
	if s.list {
		for _, m := range sample {
			fmt.Println(m)
		}
		return tally{}, nil
	}
	var sum tally
	for _, dir := range dirs {
		of := slices.DeleteFunc(slices.Clone(sample), func(m *mutant) bool { return m.dir != dir })
		t, err := s.run(packages[dir], of, known)
		if err != nil {
			return tally{}, err
		}
		sum.add(t)
	}
	return sum, nil
}

// sample is the first n mutants in the order of the seed that compile.
func (s settings) sample(every []*mutant, packages map[string]*source) ([]*mutant, error) {
	if s.only != "" {
		names := strings.Split(s.only, ",")
		every = slices.DeleteFunc(every, func(m *mutant) bool { return !slices.Contains(names, m.id()) })
	}
	slices.SortFunc(every, func(a, b *mutant) int { return strings.Compare(a.order(s.seed), b.order(s.seed)) })
	var good []*mutant
	for len(good) < s.n && len(every) > 0 {
		next := every[:min(len(every), s.n)]
		every = every[len(next):]
		for _, from := range packages {
			if err := from.check(next); err != nil {
				return nil, err
			}
		}
		for _, m := range next {
			if !m.broken && len(good) < s.n {
				good = append(good, m)
			}
		}
	}
	return good, nil
}
