package layout

import (
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
)

const (
	root   = "../.."
	module = "facetd.example"
)

// goPackage is one folder with Go files of the product.
type goPackage struct {
	dir   string // relative to the repository, with slashes
	files []*ast.File
	names []string // of the files, relative to the repository
	fset  *token.FileSet
}

// imports returns the folders of this module that the package's own files import.
func (p *goPackage) imports() []string {
	var dirs []string
	for _, f := range p.files {
		for _, spec := range f.Imports {
			full, err := strconv.Unquote(spec.Path.Value)
			if err != nil {
				continue
			}
			if dir, ours := strings.CutPrefix(full, module+"/"); ours && !slices.Contains(dirs, dir) {
				dirs = append(dirs, dir)
			}
		}
	}
	slices.Sort(dirs)
	return dirs
}

// sources returns the files with an extension, relative to the repository.
func sources(t *testing.T, extension string) []string {
	t.Helper()
	var names []string
	err := filepath.WalkDir(root, func(name string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		base := d.Name()
		if d.IsDir() {
			if name != root && (strings.HasPrefix(base, ".") || base == "node_modules" || base == "testdata") {
				return fs.SkipDir
			}
			return nil
		}
		if strings.HasSuffix(base, extension) && !strings.HasSuffix(base, ".pb.go") {
			rel, err := filepath.Rel(root, name)
			if err != nil {
				return err
			}
			names = append(names, filepath.ToSlash(rel))
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(names) == 0 {
		t.Fatalf("found no %s files under %s", extension, root)
	}
	return names
}

// packages are the Go packages of the product, without tests, parsed once for all tests.
func packages(t *testing.T) []*goPackage {
	t.Helper()
	if parsed == nil {
		parsed = parsePackages(t)
	}
	return parsed
}

var parsed []*goPackage

func parsePackages(t *testing.T) []*goPackage {
	t.Helper()
	byDir := map[string]*goPackage{}
	fset := token.NewFileSet()
	for _, name := range sources(t, ".go") {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(fset, filepath.Join(root, name), nil, parser.SkipObjectResolution)
		if err != nil {
			t.Fatal(err)
		}
		dir := path.Dir(name)
		if byDir[dir] == nil {
			byDir[dir] = &goPackage{dir: dir, fset: fset}
		}
		byDir[dir].files = append(byDir[dir].files, f)
		byDir[dir].names = append(byDir[dir].names, name)
	}
	all := make([]*goPackage, 0, len(byDir))
	for _, p := range byDir {
		all = append(all, p)
	}
	slices.SortFunc(all, func(a, b *goPackage) int { return strings.Compare(a.dir, b.dir) })
	return all
}

// layers are the top folders in the order in which imports run: each may import those before it. The clients
// stand beside the daemon: what they may import is below.
var layers = []string{"api", "chipmodel", "bus", "scheduler", "deploy", "daemon"}

// upward says why a package must not import another, or nothing when it may.
func upward(from, to string) string {
	top := func(dir string) string { return strings.SplitN(dir, "/", 2)[0] }
	switch {
	case top(from) == "clients" && within(from, "clients/go/facettest"):
		return "" // runs the daemon in other people's tests
	case top(from) == "clients":
		if top(to) == "api" || within(to, "clients/go/facet") || within(to, from) || within(to, ownCommand(from)) {
			return ""
		}
		return "clients import api and clients/go/facet alone"
	case top(from) == "deploy":
		return "deploy imports nothing of ours"
	case top(to) == "deploy" && top(from) != "daemon":
		return "deploy is under daemon only"
	}
	a, b := slices.Index(layers, top(from)), slices.Index(layers, top(to))
	if a < 0 || b < 0 {
		return fmt.Sprintf("layers are %s", strings.Join(layers, ", "))
	}
	if b > a {
		return "imports run api <- chipmodel <- bus <- scheduler <- daemon"
	}
	return ""
}

// ownCommand is the folder of the command that a package of clients belongs to.
func ownCommand(dir string) string {
	parts := strings.Split(dir, "/")
	return path.Join(parts[:min(2, len(parts))]...)
}

// within reports whether a folder is another or inside of it.
func within(dir, outer string) bool { return dir == outer || strings.HasPrefix(dir, outer+"/") }

func TestNoImportRunsUp(t *testing.T) {
	checked := 0
	for _, p := range packages(t) {
		for _, to := range p.imports() {
			checked++
			if why := upward(p.dir, to); why != "" {
				t.Errorf("%s imports %s: %s", p.dir, to, why)
			}
		}
	}
	if checked < 100 {
		t.Fatalf("only %d imports were seen", checked)
	}
}

// The check itself must refuse what it is for.
func TestUpwardArrowsAreRefused(t *testing.T) {
	for _, arrow := range [][2]string{
		{"chipmodel", "bus"}, {"bus", "scheduler"}, {"scheduler/program", "daemon/dispatch"}, {"api/cli", "chipmodel"},
		{"clients/facetctl", "chipmodel"}, {"clients/facetctl", "daemon/api"}, {"deploy", "api/cli"},
		{"scheduler", "deploy"}, {"clients/go/facet", "clients/facetctl"}, {"bus", "elsewhere"},
	} {
		if upward(arrow[0], arrow[1]) == "" {
			t.Errorf("%s may import %s", arrow[0], arrow[1])
		}
	}
	for _, arrow := range [][2]string{
		{"bus", "chipmodel"}, {"daemon/demo", "deploy"}, {"clients/go/facettest", "daemon/server"},
		{"clients/facetctl", "clients/go/facet"}, {"clients/facetctl", "clients/facetctl/internal/parse"},
	} {
		if why := upward(arrow[0], arrow[1]); why != "" {
			t.Errorf("%s may not import %s: %s", arrow[0], arrow[1], why)
		}
	}
}

// room is one row of the table in DEVELOPERS.md.
type room struct {
	dir     string
	imports []string // folders, or folders with /... for all inside
	has     string
}

var quoted = regexp.MustCompile("`([^`]+)`")

// rooms reads the table under "## The rooms": room, what it is for, what it may import, what it may have.
func rooms(t *testing.T) map[string]room {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(root, "DEVELOPERS.md"))
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(data), "\n## The rooms\n")
	if !found {
		t.Fatal(`DEVELOPERS.md has no section "The rooms"`)
	}
	section, _, _ := strings.Cut(rest, "\n## ")
	table := map[string]room{}
	for line := range strings.Lines(section) {
		cells := strings.Split(strings.Trim(strings.TrimSpace(line), "|"), "|")
		if len(cells) != 4 || !quoted.MatchString(cells[0]) {
			continue
		}
		r := room{dir: quoted.FindStringSubmatch(cells[0])[1], has: strings.TrimSpace(cells[3])}
		for _, m := range quoted.FindAllStringSubmatch(cells[2], -1) {
			r.imports = append(r.imports, m[1])
		}
		if _, twice := table[r.dir]; twice {
			t.Errorf("DEVELOPERS.md: %s stands twice in the table of rooms", r.dir)
		}
		table[r.dir] = r
	}
	if len(table) < 20 {
		t.Fatalf("DEVELOPERS.md: only %d rooms in the table", len(table))
	}
	return table
}

func (r room) mayImport(dir string) bool {
	return slices.ContainsFunc(r.imports, func(allowed string) bool {
		outer, all := strings.CutSuffix(allowed, "/...")
		return dir == allowed || all && within(dir, outer)
	})
}

func TestTableOfRoomsIsSo(t *testing.T) {
	table := rooms(t)
	found := packages(t)
	for _, p := range found {
		r, known := table[p.dir]
		if !known {
			t.Errorf("DEVELOPERS.md: the table of rooms lacks %s", p.dir)
			continue
		}
		for _, to := range p.imports() {
			if !r.mayImport(to) {
				t.Errorf("%s imports %s, which its row in DEVELOPERS.md does not allow", p.dir, to)
			}
		}
	}
	for dir := range table {
		if !slices.ContainsFunc(found, func(p *goPackage) bool { return p.dir == dir }) {
			if _, err := os.Stat(filepath.Join(root, dir)); err != nil {
				t.Errorf("DEVELOPERS.md: the table of rooms has %s, which does not exist", dir)
			}
		}
	}
}

// impure are the packages and functions that a pure room does without.
var (
	impureImports = []string{"os", "net", "net/http", "log", "log/slog", "os/exec", "go.uber.org/zap"}
	impureCalls   = map[string][]string{
		"time": {"Now", "Since", "Until", "Sleep", "After", "AfterFunc", "Tick", "NewTimer", "NewTicker"},
		"rand": {"Int", "IntN", "Float64", "Perm", "Shuffle", "Uint64", "NormFloat64", "N"},
	}
)

func TestPureRoomsArePure(t *testing.T) {
	table := rooms(t)
	pure := 0
	for _, p := range packages(t) {
		if table[p.dir].has != "pure" {
			continue
		}
		pure++
		for _, f := range p.files {
			for _, why := range impurities(f) {
				t.Errorf("%s: %s is pure by DEVELOPERS.md, and %s", p.fset.Position(why.at), p.dir, why.text)
			}
		}
	}
	if pure < 10 {
		t.Fatalf("DEVELOPERS.md names only %d pure rooms", pure)
	}
}

type impurity struct {
	at   token.Pos
	text string
}

func impurities(f *ast.File) []impurity {
	var found []impurity
	for _, spec := range f.Imports {
		if name, err := strconv.Unquote(spec.Path.Value); err == nil && slices.Contains(impureImports, name) {
			found = append(found, impurity{spec.Pos(), "imports " + name})
		}
	}
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.GoStmt:
			found = append(found, impurity{n.Pos(), "starts a goroutine"})
		case *ast.SelectorExpr:
			if x, ok := n.X.(*ast.Ident); ok && slices.Contains(impureCalls[x.Name], n.Sel.Name) {
				found = append(found, impurity{n.Pos(), "uses " + x.Name + "." + n.Sel.Name})
			}
		}
		return true
	})
	return found
}

func TestImpuritiesAreSeen(t *testing.T) {
	const source = `package p
import ("os"; "time")
func f() { go f(); _ = time.Now(); _ = os.Args }`
	f, err := parser.ParseFile(token.NewFileSet(), "p.go", source, 0)
	if err != nil {
		t.Fatal(err)
	}
	if got := impurities(f); len(got) != 3 {
		t.Errorf("saw %d of 3 impurities: %v", len(got), got)
	}
}
