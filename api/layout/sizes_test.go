package layout

import (
	"bufio"
	"go/ast"
	"go/scanner"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"unicode/utf8"
)

// The sizes of DEVELOPERS.md. They are a smell when one nears them; beyond them somebody splits.
const (
	maxFileLines     = 600
	maxFunctionLines = 70
	maxColumns       = 120
)

// lines calls f with every line of a file, counted from 1.
func lines(t *testing.T, name string, f func(number int, line string)) int {
	t.Helper()
	file, err := os.Open(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	read := bufio.NewScanner(file)
	read.Buffer(nil, 1<<20)
	n := 0
	for read.Scan() {
		n++
		f(n, read.Text())
	}
	if err := read.Err(); err != nil {
		t.Fatal(err)
	}
	return n
}

func TestLinesKeepToTheColumns(t *testing.T) {
	for _, name := range append(sources(t, ".go"), sources(t, ".md")...) {
		markdown, code := strings.HasSuffix(name, ".md"), false
		quoted := map[int]bool{}
		if strings.HasSuffix(name, "_test.go") {
			quoted = rawLines(t, name)
		}
		lines(t, name, func(number int, line string) {
			if quoted[number] {
				return
			}
			if markdown && strings.HasPrefix(line, "```") {
				code = !code
			}
			// Tables have no line breaks; a link or a command line cannot be broken.
			if markdown && (code || strings.HasPrefix(strings.TrimSpace(line), "|")) {
				return
			}
			// A tab is as wide as gofmt's readers show it, four columns.
			if width := utf8.RuneCountInString(line) + 3*strings.Count(line, "\t"); width > maxColumns &&
				!unbreakable(line) {
				t.Errorf("%s:%d: %d columns", name, number, width)
			}
		})
	}
}

// rawLines are the lines of a test that hold text of something else in raw strings: output that is wanted whole,
// JavaScript, JSON, queries.
func rawLines(t *testing.T, name string) map[int]bool {
	t.Helper()
	src, err := os.ReadFile(filepath.Join(root, name))
	if err != nil {
		t.Fatal(err)
	}
	fset := token.NewFileSet()
	file := fset.AddFile(name, fset.Base(), len(src))
	var s scanner.Scanner
	s.Init(file, src, nil, 0)
	raw := map[int]bool{}
	for {
		pos, tok, text := s.Scan()
		if tok == token.EOF {
			return raw
		}
		if tok == token.STRING && text[0] == '`' {
			first := file.Line(pos)
			for line := range 1 + strings.Count(text, "\n") {
				raw[first+line] = true
			}
		}
	}
}

// unbreakable reports whether a line is one word, such as an address.
func unbreakable(line string) bool {
	return !strings.Contains(strings.TrimSpace(strings.TrimLeft(line, "\t /-*#")), " ")
}

func TestFilesAndFunctionsAreShort(t *testing.T) {
	for _, p := range packages(t) {
		for i, f := range p.files {
			if n := lines(t, p.names[i], func(int, string) {}); n > maxFileLines {
				t.Errorf("%s: %d lines", p.names[i], n)
			}
			for _, d := range f.Decls {
				fn, ok := d.(*ast.FuncDecl)
				if !ok {
					continue
				}
				from, to := p.fset.Position(fn.Pos()), p.fset.Position(fn.End())
				if n := to.Line - from.Line + 1; n > maxFunctionLines {
					t.Errorf("%s:%d: func %s has %d lines", p.names[i], from.Line, fn.Name.Name, n)
				}
			}
		}
	}
}
