package status

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// readers are what other packages may use of the packages that know statuses: they look at
// one, and make none.
var readers = map[string][]string{
	"google.golang.org/grpc/status":                    {"Code", "Convert", "FromError", "Status"},
	"connectrpc.com/connect":                           {},
	"google.golang.org/genproto/googleapis/rpc/status": {},
	"google.golang.org/grpc/internal/status":           {},
}

// makers are the places in a file that make a gRPC status, or could.
func makers(file string, src any) ([]string, error) {
	fset := token.NewFileSet()
	f, err := parser.ParseFile(fset, file, src, parser.SkipObjectResolution)
	if err != nil {
		return nil, err
	}
	var found []string
	add := func(n ast.Node, what string) {
		at := fset.Position(n.Pos())
		found = append(found, fmt.Sprintf("%s:%d: %s", at.Filename, at.Line, what))
	}
	names := map[string][]string{} // what a package's name may be followed by
	for _, i := range f.Imports {
		path, err := strconv.Unquote(i.Path.Value)
		if err != nil {
			return nil, err
		}
		may, known := readers[path]
		switch {
		case !known:
		case i.Name == nil:
			names[path[strings.LastIndex(path, "/")+1:]] = may
		case i.Name.Name == ".":
			add(i, "import of "+path+" without a name")
		default:
			names[i.Name.Name] = may
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.SelectorExpr:
			if x, is := n.X.(*ast.Ident); is {
				if may, known := names[x.Name]; known && !slices.Contains(may, n.Sel.Name) {
					add(n, x.Name+"."+n.Sel.Name)
				}
			}
		case *ast.CompositeLit:
			if s, is := n.Type.(*ast.SelectorExpr); is {
				if x, is := s.X.(*ast.Ident); is && s.Sel.Name == "Status" && slices.Contains(names[x.Name], "Status") {
					add(n, x.Name+".Status{}")
				}
			}
		}
		return true
	})
	return found, nil
}

// TestOnlyThisPackageMakesStatuses looks at all Go files of the module that are no tests and
// not generated.
func TestOnlyThisPackageMakesStatuses(t *testing.T) {
	const root = "../.."
	looked := 0
	err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		rel, err := filepath.Rel(root, path)
		if err != nil {
			return err
		}
		if d.IsDir() {
			if rel == ".git" || rel == ".ci" || rel == filepath.FromSlash("daemon/status") {
				return filepath.SkipDir
			}
			return nil
		}
		if !strings.HasSuffix(path, ".go") || strings.HasSuffix(path, "_test.go") || strings.HasSuffix(path, ".pb.go") {
			return nil
		}
		looked++
		found, err := makers(path, nil)
		for _, one := range found {
			t.Errorf("%s makes a gRPC status; return an error that package status knows", one)
		}
		return err
	})
	if err != nil || looked < 100 {
		t.Errorf("%d files: %v", looked, err)
	}
}

// TestMakersAreFound: the search finds what it is for, and lets readers pass.
func TestMakersAreFound(t *testing.T) {
	for body, want := range map[string]int{
		`import "google.golang.org/grpc/status"; var e = status.Error(5, "x")`:                   1,
		`import "google.golang.org/grpc/status"; var e, f = status.New(5, "x"), status.Errorf`:   2,
		`import st "google.golang.org/grpc/status"; var e = st.FromContextError(nil)`:            1,
		`import . "google.golang.org/grpc/status"; var e = Error(5, "x")`:                        1,
		`import "google.golang.org/grpc/status"; var e = &status.Status{}`:                       1,
		`import "connectrpc.com/connect"; var e = connect.NewError(3, nil)`:                      1,
		`import spb "google.golang.org/genproto/googleapis/rpc/status"; var e = &spb.Status{}`:   1,
		`import "google.golang.org/grpc/status"; var e = status.Code(nil); var s *status.Status`: 0,
		`import "facetd.example/daemon/status"; var e = status.Of(nil, nil)`:                     0,
	} {
		if found, err := makers("x.go", "package x; "+body); err != nil || len(found) != want {
			t.Errorf("%s: %v %v, want %d", body, found, err, want)
		}
	}
}
