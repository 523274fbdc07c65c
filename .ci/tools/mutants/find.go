package main

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"go/ast"
	"go/token"
	"strconv"
	"strings"
)

// mutant is one change: bytes of one file, within one function, replaced by others.
type mutant struct {
	dir, file  string
	fn         *ast.FuncDecl
	name       string // of the function, with its receiver
	from, to   int    // offsets in the file
	text       string
	line       int
	was, is    string // the line before and after
	statement  int    // offset of the statement that is changed
	occurrence int    // among equal changes of one function
	broken     bool   // does not compile
}

func (m *mutant) key() string {
	return fmt.Sprintf("%s %s: %s -> %s #%d", m.dir, m.name, m.was, m.is, m.occurrence)
}

func digest(text string) string {
	sum := sha256.Sum256([]byte(text))
	return hex.EncodeToString(sum[:])
}

func (m *mutant) id() string            { return digest(m.key())[:10] }
func (m *mutant) order(seed int) string { return digest(fmt.Sprintf("%d %s", seed, m.key())) }

func (m *mutant) String() string {
	return fmt.Sprintf("%s %s %s:%d %s: %s -> %s", m.id(), m.dir, m.file, m.line, m.name, m.was, m.is)
}

// swaps are the operators that are put for others. A comparison is moved by its boundary and turned round.
var swaps = map[token.Token][]string{
	token.LSS: {"<=", ">="}, token.LEQ: {"<", ">"}, token.GTR: {">=", "<="}, token.GEQ: {">", "<"},
	token.EQL: {"!="}, token.NEQ: {"=="}, token.LAND: {"||"}, token.LOR: {"&&"},
	token.ADD: {"-"}, token.SUB: {"+"}, token.MUL: {"/"}, token.QUO: {"*"}, token.REM: {"*"},
	token.SHL: {">>"}, token.SHR: {"<<"}, token.AND: {"|"}, token.OR: {"&"}, token.XOR: {"&"}, token.AND_NOT: {"&"},
	token.ADD_ASSIGN: {"-="}, token.SUB_ASSIGN: {"+="}, token.MUL_ASSIGN: {"/="}, token.QUO_ASSIGN: {"*="},
	token.OR_ASSIGN: {"&="}, token.AND_ASSIGN: {"|="}, token.XOR_ASSIGN: {"&="},
	token.INC: {"--"}, token.DEC: {"++"}, token.BREAK: {"continue"}, token.CONTINUE: {"break"},
}

// finder collects the mutants of one function.
type finder struct {
	from  *source
	file  string
	fn    *ast.FuncDecl
	seen  map[string]int
	found []*mutant
	lists [][2]token.Pos // statements of blocks, the outer ones first
}

// statement is the innermost statement of a block in which a place lies.
func (f *finder) statement(at token.Pos) int {
	inner := f.fn.Body.Rbrace
	for _, s := range f.lists {
		if s[0] <= at && at < s[1] {
			inner = s[0]
		}
	}
	return f.offset(inner)
}

func (f *finder) list(of []ast.Stmt) {
	for _, s := range of {
		switch s.(type) {
		case *ast.CaseClause, *ast.CommClause: // nothing stands before them
			continue
		}
		f.lists = append(f.lists, [2]token.Pos{s.Pos(), s.End()})
	}
}

func (f *finder) offset(p token.Pos) int { return f.from.files.Position(p).Offset }

// put says that the bytes between two places become a text.
func (f *finder) put(at, end token.Pos, text string) {
	content := f.from.text[f.file]
	a, b := f.offset(at), f.offset(end)
	first := strings.LastIndexByte(content[:a], '\n') + 1
	last := len(content)
	if i := strings.IndexByte(content[b:], '\n'); i >= 0 {
		last = b + i
	}
	plain := func(s string) string { return strings.Join(strings.Fields(s), " ") }
	m := &mutant{
		dir: f.from.dir, file: f.file, fn: f.fn, name: functionName(f.fn), from: a, to: b, text: text,
		line: f.from.files.Position(at).Line, statement: f.statement(at),
		was: plain(content[first:last]), is: plain(content[first:a] + text + content[b:last]),
	}
	if m.is == "" {
		m.is = "(nothing)"
	}
	change := m.was + "\n" + m.is
	m.occurrence = f.seen[change]
	f.seen[change]++
	f.found = append(f.found, m)
}

func (f *finder) swap(at token.Pos, op token.Token) {
	for _, other := range swaps[op] {
		f.put(at, at+token.Pos(len(op.String())), other)
	}
}

func (f *finder) visit(n ast.Node) bool {
	switch n := n.(type) {
	case *ast.GenDecl:
		return n.Tok != token.CONST && n.Tok != token.TYPE
	case *ast.BlockStmt:
		f.list(n.List)
	case *ast.CaseClause:
		f.list(n.Body)
	case *ast.CommClause:
		f.list(n.Body)
		// What a select waits for must stay; what follows is like anything else.
		for _, statement := range n.Body {
			ast.Inspect(statement, f.visit)
		}
		return false
	case *ast.BinaryExpr:
		f.swap(n.OpPos, n.Op)
	case *ast.UnaryExpr:
		if n.Op == token.NOT || n.Op == token.SUB {
			f.put(n.OpPos, n.OpPos+1, "")
		}
	case *ast.IncDecStmt:
		f.swap(n.TokPos, n.Tok)
	case *ast.BranchStmt:
		f.swap(n.TokPos, n.Tok)
	case *ast.AssignStmt:
		f.swap(n.TokPos, n.Tok)
		if n.Tok == token.ASSIGN && !blank(n.Lhs) {
			f.put(n.Pos(), n.End(), "")
		}
	case *ast.BasicLit:
		f.literal(n)
	case *ast.ExprStmt:
		if call, ok := n.X.(*ast.CallExpr); !ok || !named(call.Fun, "panic") {
			f.put(n.Pos(), n.End(), "")
		}
	case *ast.DeferStmt:
		f.put(n.Pos(), n.End(), "")
	case *ast.IfStmt:
		f.condition(n.Cond)
	case *ast.ReturnStmt:
		for _, result := range n.Results {
			if named(result, "err") || makesError(result) {
				f.put(result.Pos(), result.End(), "nil")
			}
			if named(result, "true") {
				f.put(result.Pos(), result.End(), "false")
			}
			if named(result, "false") {
				f.put(result.Pos(), result.End(), "true")
			}
		}
	case *ast.CallExpr:
		// What a slice or map has room for in advance changes nothing that can be seen.
		if named(n.Fun, "make") {
			return len(n.Args) == 2 && f.isSlice(n.Args[0])
		}
	}
	return true
}

func (f *finder) isSlice(e ast.Expr) bool { _, is := e.(*ast.ArrayType); return is }

// condition turns round what has no operator of its own to be changed.
func (f *finder) condition(e ast.Expr) {
	switch e.(type) {
	case *ast.Ident, *ast.CallExpr, *ast.SelectorExpr, *ast.IndexExpr:
		f.put(e.Pos(), e.Pos(), "!")
	}
}

func (f *finder) literal(n *ast.BasicLit) {
	switch n.Kind {
	case token.INT:
		if v, err := strconv.ParseUint(n.Value, 0, 63); err == nil {
			f.put(n.Pos(), n.End(), strconv.FormatUint(v+1, 10))
		}
	case token.FLOAT:
		f.put(n.Pos(), n.End(), "(1+"+n.Value+")")
	}
}

func named(e ast.Expr, name string) bool {
	id, ok := e.(*ast.Ident)
	return ok && id.Name == name
}

// makesError is about calls whose result is an error: returning none instead drops it.
func makesError(e ast.Expr) bool {
	call, ok := e.(*ast.CallExpr)
	if !ok {
		return false
	}
	fn, ok := call.Fun.(*ast.SelectorExpr)
	return ok && (named(fn.X, "fmt") && fn.Sel.Name == "Errorf" || named(fn.X, "errors"))
}

func blank(of []ast.Expr) bool {
	for _, e := range of {
		if !named(e, "_") {
			return false
		}
	}
	return true
}

func functionName(fn *ast.FuncDecl) string {
	if fn.Recv == nil || len(fn.Recv.List) == 0 {
		return fn.Name.Name
	}
	of := fn.Recv.List[0].Type
	for {
		switch t := of.(type) {
		case *ast.StarExpr:
			of = t.X
			continue
		case *ast.IndexExpr:
			of = t.X
			continue
		case *ast.Ident:
			return t.Name + "." + fn.Name.Name
		}
		return fn.Name.Name
	}
}
