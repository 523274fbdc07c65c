package main

import (
	"bufio"
	"fmt"
	"os"
	"slices"
	"strings"
)

// equivalents are mutants that somebody has read and found to change nothing that a test could or should see, by
// their names.
type equivalents map[string]equivalent

type equivalent struct{ dir, reason string }

// readEquivalents reads a file in which each mutant's line, as -list prints it, is followed by the reason in indented
// lines. Empty lines and those with # are for readers.
func readEquivalents(name string) (equivalents, error) {
	file, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	known := equivalents{}
	id := ""
	number := 0
	lines := bufio.NewScanner(file)
	for lines.Scan() {
		line := lines.Text()
		number++
		words := strings.Fields(line)
		switch {
		case len(words) == 0 || line[0] == '#':
		case line[0] == ' ' || line[0] == '\t':
			if id == "" {
				return nil, fmt.Errorf("%s:%d: a reason without a mutant", name, number)
			}
			e := known[id]
			e.reason = strings.TrimSpace(e.reason + " " + strings.Join(words, " "))
			known[id] = e
		case len(words) == 1:
			return nil, fmt.Errorf("%s:%d: a mutant without its package", name, number)
		default:
			id = words[0]
			if _, twice := known[id]; twice {
				return nil, fmt.Errorf("%s:%d: %s stands here twice", name, number, id)
			}
			known[id] = equivalent{dir: words[1]}
		}
	}
	for id, e := range known {
		if e.reason == "" {
			return nil, fmt.Errorf("%s: %s has no reason", name, id)
		}
	}
	return known, lines.Err()
}

// stale are those of the file's mutants in the packages that exist no more: their code was changed.
func (e equivalents) stale(dirs []string, every []*mutant) []string {
	found := map[string]bool{}
	for _, m := range every {
		found[m.id()] = true
	}
	var gone []string
	for id, of := range e {
		if slices.Contains(dirs, of.dir) && !found[id] {
			gone = append(gone, id)
		}
	}
	slices.Sort(gone)
	return gone
}
