package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/importer"
	"go/parser"
	"go/token"
	"go/types"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
)

// source is one package as it is written.
type source struct {
	root, dir, path string
	files           *token.FileSet
	text            map[string]string // by the name of the file
	parsed          map[string]*ast.File
	exports         map[string]string // compiled packages by import path
}

// load reads a package's files, but neither its tests nor what is generated.
func load(root, dir string) (*source, error) {
	s := &source{
		root: root, dir: dir, files: token.NewFileSet(),
		text: map[string]string{}, parsed: map[string]*ast.File{}, exports: map[string]string{},
	}
	// The last two are for the chooser.
	out, err := s.command("list", "-export", "-deps", "-json=ImportPath,Export,Dir,GoFiles", "./"+dir, "os",
		"sync/atomic").Output()
	if err != nil {
		return nil, fmt.Errorf("go list: %w", explain(err))
	}
	for from := json.NewDecoder(bytes.NewReader(out)); ; {
		var one struct {
			ImportPath, Export, Dir string
			GoFiles                 []string
		}
		if err := from.Decode(&one); errors.Is(err, io.EOF) {
			return s, nil
		} else if err != nil {
			return nil, err
		}
		s.exports[one.ImportPath] = one.Export
		if one.Dir != filepath.Join(root, dir) {
			continue
		}
		s.path = one.ImportPath
		for _, name := range one.GoFiles {
			if err := s.read(name); err != nil {
				return nil, err
			}
		}
	}
}

func (s *source) read(name string) error {
	content, err := os.ReadFile(filepath.Join(s.root, s.dir, name))
	if err != nil {
		return err
	}
	s.text[name] = string(content)
	s.parsed[name], err = parser.ParseFile(s.files, name, content, parser.ParseComments|parser.SkipObjectResolution)
	return err
}

func (s *source) command(arguments ...string) *exec.Cmd {
	cmd := exec.Command("go", arguments...)
	cmd.Dir = s.root
	return cmd
}

// mutants are all the changes that could be made.
func (s *source) mutants() []*mutant {
	var all []*mutant
	for _, name := range slices.Sorted(maps.Keys(s.parsed)) {
		if ast.IsGenerated(s.parsed[name]) {
			continue
		}
		for _, d := range s.parsed[name].Decls {
			if fn, ok := d.(*ast.FuncDecl); ok && fn.Body != nil && fn.Name.Name != "init" {
				f := finder{from: s, file: name, fn: fn, seen: map[string]int{}}
				ast.Inspect(fn.Body, f.visit)
				all = append(all, f.found...)
			}
		}
	}
	return all
}

// variable is what chooses a mutant in the compiled package, reached tells of a statement with mutants.
const (
	variable = "facetdMutant"
	reached  = "facetdReached"
)

// chooser declares them. A mutant is chosen before anything of the package runs. Telling allocates nothing but for the
// first time, as there are tests that count allocations.
func (s *source) chooser(mutants []*mutant) string {
	var out strings.Builder
	for _, file := range s.parsed {
		fmt.Fprintf(&out, `package %[1]s

import (
	"os"
	"sync/atomic"
)

var (
	%[2]s = os.Getenv(%[4]q)
	%[2]sTrace = os.Getenv(%[5]q)
)

func %[3]s(seen *atomic.Bool, id string) {
	if %[2]sTrace != "" && seen.CompareAndSwap(false, true) {
		%[3]sFirst(id)
	}
}

func %[3]sFirst(id string) {
	if f, err := os.OpenFile(%[2]sTrace, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600); err == nil {
		f.WriteString(id + "\n")
		f.Close()
	}
}
`, file.Name.Name, variable, reached, environment, traceEnvironment)
		break
	}
	for _, m := range mutants {
		if m.dir == s.dir && !m.broken {
			fmt.Fprintf(&out, "\nvar %s_%s atomic.Bool\n", reached, m.id())
		}
	}
	return out.String()
}

// schema is a file in which each function has, beside its body, a copy for each of its mutants. It also tells where
// in the new file each copy stands.
func (s *source) schema(name string, mutants []*mutant) (string, map[*mutant][2]int) {
	content := s.text[name]
	of := map[*ast.FuncDecl][]*mutant{}
	for _, m := range mutants {
		if m.dir == s.dir && m.file == name && !m.broken {
			of[m.fn] = append(of[m.fn], m)
		}
	}
	var out strings.Builder
	where := map[*mutant][2]int{}
	done := 0
	functions := slices.SortedFunc(maps.Keys(of), func(a, b *ast.FuncDecl) int { return int(a.Pos() - b.Pos()) })
	for _, fn := range functions {
		a, b := s.files.Position(fn.Body.Lbrace).Offset, s.files.Position(fn.Body.Rbrace).Offset+1
		out.WriteString(content[done:a])
		fmt.Fprintf(&out, "{ switch %s {\n", variable)
		for _, m := range of[fn] {
			fmt.Fprintf(&out, "case %q: ", m.id())
			start := out.Len()
			out.WriteString(s.body(m, a, b))
			where[m] = [2]int{start, out.Len()}
			out.WriteString("\n")
		}
		fmt.Fprintf(&out, "default: %s\n}\n}", s.traced(of[fn], a, b))
		done = b
	}
	out.WriteString(content[done:])
	return out.String(), where
}

type edit struct {
	at, end int
	text    string
}

// edited is a part of a file with edits, none of which overlaps another but those within what is taken away.
func (s *source) edited(file string, from, to int, edits []edit) string {
	slices.SortStableFunc(edits, func(a, b edit) int { return a.at - b.at })
	var out strings.Builder
	for _, e := range edits {
		if e.at < from {
			continue
		}
		out.WriteString(s.text[file][from:e.at])
		out.WriteString(e.text)
		from = e.end
	}
	out.WriteString(s.text[file][from:to])
	return out.String()
}

// traced is a function's body that tells which statements with mutants it comes to.
func (s *source) traced(mutants []*mutant, from, to int) string {
	var edits []edit
	for _, m := range mutants {
		if m.statement < to-1 { // not the closing brace
			edits = append(edits, edit{m.statement, m.statement,
				fmt.Sprintf("%[1]s(&%[1]s_%[2]s, %[2]q); ", reached, m.id())})
		}
	}
	return s.edited(mutants[0].file, from, to, edits)
}

// body is the function's body with the change. Labels have the whole function as their scope, and so get names of
// their own.
func (s *source) body(m *mutant, from, to int) string {
	edits := []edit{{m.from, m.to, m.text}}
	label := func(id *ast.Ident) {
		if id != nil {
			end := s.files.Position(id.End()).Offset
			edits = append(edits, edit{end, end, "_" + m.id()})
		}
	}
	ast.Inspect(m.fn.Body, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.LabeledStmt:
			label(n.Label)
		case *ast.BranchStmt:
			label(n.Label)
		}
		return true
	})
	return s.edited(m.file, from, to, edits)
}

// check marks those mutants that do not compile. An error may lie behind a mutant's own text: a function whose last loop
// can be left lacks a return. Then each half of them is checked, down to the one that it comes from.
func (s *source) check(mutants []*mutant) error {
	err := s.compiles(mutants)
	if err == nil {
		return nil
	}
	own := slices.DeleteFunc(slices.Clone(mutants), func(m *mutant) bool { return m.dir != s.dir || m.broken })
	switch len(own) {
	case 0:
		return err
	case 1:
		own[0].broken = true
		return s.compiles(nil)
	}
	half := len(own) / 2
	return errors.Join(s.check(own[:half]), s.check(own[half:]))
}

// compiles marks those mutants that have an error of their own. Any other is returned.
func (s *source) compiles(mutants []*mutant) error {
	files := token.NewFileSet()
	var parsed []*ast.File
	places := map[string]map[*mutant][2]int{}
	for _, name := range slices.Sorted(maps.Keys(s.text)) {
		text, where := s.schema(name, mutants)
		file, err := parser.ParseFile(files, name, text, parser.SkipObjectResolution)
		if err != nil {
			return fmt.Errorf("%s with its mutants: %w", name, err)
		}
		parsed, places[name] = append(parsed, file), where
	}
	chooser, err := parser.ParseFile(files, "chooser", s.chooser(mutants), parser.SkipObjectResolution)
	if err != nil {
		return err
	}
	var elsewhere error
	config := types.Config{
		Importer: importer.ForCompiler(files, "gc", s.compiled),
		Error: func(err error) {
			var of types.Error
			if !errors.As(err, &of) {
				elsewhere = err
				return
			}
			at := files.Position(of.Pos)
			for m, span := range places[at.Filename] {
				if at.Offset >= span[0] && at.Offset < span[1] {
					m.broken = true
					return
				}
			}
			elsewhere = fmt.Errorf("%v: %w", at, err)
		},
	}
	_, _ = config.Check(s.path, files, append(parsed, chooser), nil) // every error went to the function above
	return elsewhere
}

func (s *source) compiled(path string) (io.ReadCloser, error) {
	if s.exports[path] == "" {
		return nil, fmt.Errorf("%s was not compiled", path)
	}
	return os.Open(s.exports[path])
}

func explain(err error) error {
	var exit *exec.ExitError
	if errors.As(err, &exit) && len(exit.Stderr) > 0 {
		return fmt.Errorf("%w: %s", err, exit.Stderr)
	}
	return err
}
