package layout

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// replaced are words that an engineer of the field would stumble over, with the standard term. Only
// those are here that have no other use: "law", "mask" and "share" for instance have one.
var replaced = []struct{ word, instead string }{
	{`mistakes?`, "validation error"},
	{`bus laws?`, "bus rule"},
	{`laws? (was|were|is|are) broken`, "rule violated"},
	{`law_violations`, "rule_violations"},
	{`calibration masks?`, "correction map"},
	{`re-?zero(ed|ing|es)?`, "offset update"},
	{`even light`, "uniform illumination"},
	{`lit frames?`, "flat frame"},
	{`nobody drives`, "undriven"},
	{`in force`, "active"},
	{`foret(ell|ells|old|elling)`, "predict"},
	{`mend(s|ed|ing)?`, "fix, clear or repair"},
	{`surroundings`, "environment"},
	{`warmer_k`, "temperature_offset_k"},
	{`room_bytes`, "free_bytes"},
	{`thinned`, "decimated"},
	{`hang-?ups?`, "SIGHUP"},
	{`one-?shots?`, "on-demand job"},
	{`bus_share`, "bus_utilization"},
	{`saved_share`, "saved_utilization"},
	{`counts? for nothing`, "is ignored"},
	{`makes no sense`, "is invalid, usage error"},
	{`ended whole`, "completed, incomplete"},
	{`read whole`, "completed, incomplete"},
	{`chips a lane`, "chips per lane"},
	{`cells a pixel`, "cells per pixel"},
}

// skipped are folders that hold nothing of ours, or nothing written by hand.
var skipped = []string{".git", "node_modules", "__pycache__"}

// offences are the places of a text where a replaced word stands, "line: word (say: instead)" each.
func offences(text string) (out []string) {
	lower := strings.Map(func(r rune) rune { // in ASCII alone, so that places stay what they are
		if 'A' <= r && r <= 'Z' {
			return r + 'a' - 'A'
		}
		return r
	}, text)
	for i, word := range replacedWords {
		for from := 0; ; {
			at := word.FindStringIndex(lower[from:])
			if at == nil {
				break
			}
			begin, end := from+at[0], from+at[1]
			if from = begin + 1; begin > 0 && inWord(lower[begin-1]) {
				continue
			}
			from = end
			line := 1 + strings.Count(text[:begin], "\n")
			out = append(out, fmt.Sprintf("%d: %q (say: %s)", line, text[begin:end], replaced[i].instead))
		}
	}
	return out
}

func inWord(c byte) bool { return c == '_' || '0' <= c && c <= '9' || 'a' <= c && c <= 'z' }

// replacedWords match the replaced words in lower case, also where a line of a comment ends within one. Each begins
// with letters that can be searched for at once, and so without a boundary: offences looks whether a word begins there.
var replacedWords = func() []*regexp.Regexp {
	const gap = `(?:[ ]|[ ]*\r?\n[\t ]*(?://+|#+)?[ ]*)`
	words := make([]*regexp.Regexp, len(replaced))
	for i, r := range replaced {
		words[i] = regexp.MustCompile(`(?:` + strings.ReplaceAll(r.word, " ", gap) + `)\b`)
	}
	return words
}()

// TestOffences: words are found whole, in any case, and across the lines of a comment.
func TestOffences(t *testing.T) {
	for text, want := range map[string]int{
		"a Mistake\nof ours":                   1,
		"// the plan in\n\t// force, foretold": 2,
		"recommended enforcement":              0,
		"unmistakable amendments":              0,
		"# nobody\n# drives it; one-shots":     2,
		"Menders amend; MEND\u0130 mended":     2,
		"SURROUNDINGS \u0130 Rezeroing":        2,
		"rebus_share, a bus_share of_thinned":  1,
	} {
		if got := offences(text); len(got) != want {
			t.Errorf("%q: %q, want %d", text, got, want)
		}
	}
}

// TestReplacedWords reads every text of the project but what is generated or quoted from others.
func TestReplacedWords(t *testing.T) {
	texts := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if slices.Contains(skipped, d.Name()) {
				return fs.SkipDir
			}
			return nil
		}
		if strings.HasSuffix(name, ".pb.go") || strings.HasSuffix(name, "words_test.go") || !d.Type().IsRegular() {
			return nil
		}
		data, err := os.ReadFile(name)
		if err != nil || !utf8.Valid(data) || strings.ContainsRune(string(data), 0) {
			return err
		}
		texts++
		for _, o := range offences(string(data)) {
			t.Errorf("%s:%s", strings.TrimPrefix(name, root+"/"), o)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if texts < 500 {
		t.Errorf("only %d texts were read", texts)
	}
}
