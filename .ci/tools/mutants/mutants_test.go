package main

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"
)

// pkg has a function that is tested, one whose test sees nothing, and one that no test calls. The label makes sure
// that copies of a body do not disturb each other.
const pkg = `package pkg

func Largest(of []int) int {
	best := of[0]
each:
	for _, v := range of {
		if v <= best {
			continue each
		}
		best = v
	}
	return best
}

func Unseen(a, b string) string {
	return a + b
}

func Untried(a int) bool {
	return a < 7
}

func Blind(a int) int {
	for a > 100 {
		a--
	}
	return a
}
`

const pkgTest = `package pkg

import "testing"

func TestLargest(t *testing.T) {
	if got := Largest([]int{3, 9, 4}); got != 9 {
		t.Error(got)
	}
	Unseen("a", "b")
	Blind(102)
}
`

func write(t *testing.T, root string, files map[string]string) {
	t.Helper()
	for name, text := range files {
		to := filepath.Join(root, name)
		if err := os.MkdirAll(filepath.Dir(to), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(to, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
}

// sampled lists the changes of a sample as "was -> is".
func sampled(t *testing.T, root string, n int) []*mutant {
	t.Helper()
	from, err := load(root, "pkg")
	if err != nil {
		t.Fatal(err)
	}
	sample, err := settings{n: n, seed: 1}.sample(from.mutants(), map[string]*source{"pkg": from})
	if err != nil {
		t.Fatal(err)
	}
	return sample
}

func names(of []*mutant) []string {
	var all []string
	for _, m := range of {
		all = append(all, m.was+" -> "+m.is)
	}
	slices.Sort(all)
	return all
}

func TestMutantsOfAPackage(t *testing.T) {
	root := t.TempDir()
	write(t, root, map[string]string{"go.mod": "module example\n\ngo 1.26\n", "pkg/pkg.go": pkg,
		"pkg/pkg_test.go": pkgTest})
	sample := sampled(t, root, 100)
	want := []string{
		"a-- -> a++", "best := of[0] -> best := of[1]", "best = v -> (nothing)",
		"continue each -> break each", "for a > 100 { -> for a <= 100 {", "for a > 100 { -> for a > 101 {",
		"for a > 100 { -> for a >= 100 {", "if v <= best { -> if v < best {", "if v <= best { -> if v > best {",
		"return a < 7 -> return a < 8", "return a < 7 -> return a <= 7", "return a < 7 -> return a >= 7",
	}
	slices.Sort(want)
	if got := names(sample); !slices.Equal(got, want) {
		t.Fatalf("the mutants are\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}

	list := filepath.Join(root, "equivalents.txt")
	for _, m := range sample {
		if m.is == "if v < best {" {
			write(t, root, map[string]string{"equivalents.txt": "# read\n" + m.String() +
				"\n    an equal value changes\n    nothing\n" +
				"0123456789 pkg gone\n    of code that was changed\n"})
		}
	}
	known, err := readEquivalents(list)
	if err != nil {
		t.Fatal(err)
	}
	if got := known.stale([]string{"pkg"}, sample); !slices.Equal(got, []string{"0123456789"}) {
		t.Errorf("stale: %v", got)
	}
	outcome, err := settings{ctx: t.Context(), root: root, n: 100, seed: 1,
		timeout: 20 * time.Second}.room([]string{"pkg"}, known)
	if err != nil {
		t.Fatal(err)
	}
	// Blind of 102 is seen by nobody, but for the loop without an end; beginning at the second number of three finds
	// the
	// largest too.
	if want := (tally{caught: 3, timedOut: 1, survived: 4, notReached: 3, equivalent: 1}); outcome != want {
		t.Errorf("outcome %+v, want %+v", outcome, want)
	}
}

// TestASampleStaysWhatItIs: an edit of another function moves nothing.
func TestASampleStaysWhatItIs(t *testing.T) {
	root := t.TempDir()
	write(t, root, map[string]string{"go.mod": "module example\n\ngo 1.26\n", "pkg/pkg.go": pkg})
	before := names(sampled(t, root, 5))
	moved := regexp.MustCompile(`(?s)func Unseen.*?\n}\n`).ReplaceAllString(pkg, "")
	write(t, root, map[string]string{"pkg/pkg.go": strings.Replace(moved, "package pkg\n",
		"package pkg\n\nvar a, b, c = 1, 2, 3\n", 1)})
	if after := names(sampled(t, root, 5)); !slices.Equal(before, after) {
		t.Errorf("the sample was\n%v\nand is\n%v", before, after)
	}
}

// TestErrorsBehindAMutant: a change for which a function ends without a result is no mutant, and the others stay.
func TestErrorsBehindAMutant(t *testing.T) {
	root := t.TempDir()
	write(t, root, map[string]string{"go.mod": "module example\n\ngo 1.26\n", "pkg/pkg.go": `package pkg

func First(of func() int) int {
	for {
		v := of()
		if v < 1 {
			continue
		}
		return v
	}
}
`})
	want := []string{"if v < 1 { -> if v < 2 {", "if v < 1 { -> if v <= 1 {", "if v < 1 { -> if v >= 1 {"}
	if got := names(sampled(t, root, 100)); !slices.Equal(got, want) {
		t.Errorf("the mutants are %q, want %q", got, want)
	}
}

func TestAReasonIsGiven(t *testing.T) {
	for text, want := range map[string]string{
		"0123456789 pkg x\n": "no reason", "  why\n": "without a mutant", "0123456789\n": "without its package",
		"0123456789 pkg x\n  a\n0123456789 pkg x\n  a\n": "twice",
	} {
		root := t.TempDir()
		write(t, root, map[string]string{"e": text})
		if _, err := readEquivalents(filepath.Join(root, "e")); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: %v, want %q", text, err, want)
		}
	}
}
