package layout

import (
	"encoding/json"
	"go/scanner"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// A citation is known by the year of its publication or by the body that published it, and says what of it was seen.
// 1970 and 2000 are left out: they are nearly always a clock's beginning and a round number.
var (
	citation = regexp.MustCompile(`(?:[(, ])(19[3-689]\d|197[1-9]|200[1-9]|201\d|202[0-5])(?:[),;.]|$| [^a-z0-9])|` +
		`\b(IEEE|EMVA|Analog Devices|Texas Instruments|textbooks?)\b`)
	cited = regexp.MustCompile(`from memory|\b(seen|derived|confirmed|generated|quoted)\b|\bread in\b|as printed|no source|` +
		`\.json\b`)
)

// comments calls f with every run of comment lines of a Go file as one text, and the line on which it begins.
func comments(t *testing.T, name string, f func(line int, text string)) {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	var s scanner.Scanner
	file := token.NewFileSet().AddFile(name, -1, len(text))
	s.Init(file, text, nil, scanner.ScanComments)
	var run []string
	begin, last := 0, -2
	flush := func() {
		if len(run) > 0 {
			f(begin, strings.Join(run, " "))
		}
		run = nil
	}
	for {
		pos, tok, literal := s.Scan()
		if tok == token.EOF {
			flush()
			return
		}
		if tok != token.COMMENT {
			continue
		}
		line := file.Line(pos)
		if line != last+1 {
			flush()
			begin = line
		}
		last = line + strings.Count(literal, "\n")
		run = append(run, strings.TrimSpace(strings.TrimPrefix(literal, "//")))
	}
}

// TestCitationsSayWhatWasSeen: whoever names a source in a comment says whether it was seen, and where if not at first
// hand, or that it is from memory.
func TestCitationsSayWhatWasSeen(t *testing.T) {
	found := 0
	for _, name := range sources(t, ".go") {
		if strings.HasPrefix(name, "api/facetd/v1/") || strings.HasPrefix(name, "api/layout/") {
			continue
		}
		comments(t, name, func(line int, text string) {
			at := citation.FindString(text)
			if at == "" {
				return
			}
			found++
			if !cited.MatchString(text) {
				t.Errorf("%s:%d: %q is cited without its status (seen in ..., from memory, derived; common "+
					"practice, no "+
					"source)", name, line, strings.TrimSpace(at))
			}
		})
	}
	if found < 40 {
		t.Errorf("%d citations: are they looked for where they stand?", found)
	}
}

// TestCheckValuesHaveSources: every file of check values says where they are from and how sure that is, for all of them
// or for each of its parts.
func TestCheckValuesHaveSources(t *testing.T) {
	found := 0
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if d.IsDir() {
			if slices.Contains(skipped, d.Name()) || d.Name() == "fuzz" {
				return fs.SkipDir
			}
			return nil
		}
		if filepath.Base(filepath.Dir(name)) != "testdata" || filepath.Ext(name) != ".json" {
			return nil
		}
		found++
		text, err := os.ReadFile(name)
		if err != nil {
			return err
		}
		var parts map[string]json.RawMessage
		if err := json.Unmarshal(text, &parts); err != nil {
			t.Errorf("%s: %v", name, err)
			return nil
		}
		if parts["source"] != nil { // one for all, or each its own
			parts = map[string]json.RawMessage{"the file": text}
		}
		for part, text := range parts {
			var of struct{ Source, Status string }
			if err := json.Unmarshal(text, &of); err != nil || len(of.Source) < 10 || !cited.MatchString(of.Status) {
				t.Errorf("%s: of %s the source is %q, the status %q: say where the values are from, and what of it "+
					"was seen, derived or is from memory", name, part, of.Source, of.Status)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if found < 25 {
		t.Errorf("%d files of check values", found)
	}
}
