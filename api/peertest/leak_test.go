package peertest

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strings"
	"testing"
)

// TestGoroutinesAreLookedAfter: where a package or its tests start goroutines, its tests
// fail when one is left behind.
func TestGoroutinesAreLookedAfter(t *testing.T) {
	starts, looks := map[string]bool{}, map[string]bool{}
	err := filepath.WalkDir("../..", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, ".pb.go") {
			return err
		}
		f, err := parser.ParseFile(token.NewFileSet(), path, nil, parser.SkipObjectResolution)
		if err != nil {
			return err
		}
		dir := filepath.Dir(path)
		for _, i := range f.Imports {
			looks[dir] = looks[dir] || i.Path.Value == `"go.uber.org/goleak"`
		}
		ast.Inspect(f, func(n ast.Node) bool {
			_, is := n.(*ast.GoStmt)
			starts[dir] = starts[dir] || is
			if call, is := n.(*ast.CallExpr); is { // of a sync.WaitGroup or an errgroup.Group
				s, is := call.Fun.(*ast.SelectorExpr)
				if is && s.Sel.Name == "Go" && len(call.Args) == 1 {
					_, is := call.Args[0].(*ast.FuncLit)
					starts[dir] = starts[dir] || is
				}
			}
			return true
		})
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if !starts["../../daemon/dispatch"] {
		t.Error("package dispatch does not start its goroutine: this test looks in the wrong place")
	}
	for dir := range starts {
		owner, _, _ := strings.Cut(dir, "/internal/") // whose tests may run what is internal to it
		if starts[dir] && !looks[dir] && !looks[owner] {
			t.Errorf("%s starts goroutines, and its tests do not use goleak", strings.TrimPrefix(dir, "../../"))
		}
	}
}
