package main

import (
	"cmp"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
)

// A change puts other text in one place of a file.
type change struct {
	path, file string // as the system and as the module name it
	line, col  int
	in         string // the function, or what else is declared there
	old, new   string // the smallest expression or statement that shows it
	text       string // the line
	again      int    // how many of the same name stand before it

	source     []byte
	start, end int
	put        string
}

// name says which change it is, in words that last while other lines come and go.
func (c change) name() string {
	s := fmt.Sprintf("%s: %s: %s → %s", c.file, c.in, c.old, c.new)
	if c.old != c.text {
		s += " in " + c.text
	}
	if c.again > 0 {
		s += fmt.Sprintf(" (%d)", c.again+1)
	}
	return s
}

func (c change) String() string {
	return fmt.Sprintf("%s:%d:%d%s", c.file, c.line, c.col, strings.TrimPrefix(c.name(), c.file))
}

// apply returns the file with the change.
func (c change) apply() []byte {
	return slices.Concat(c.source[:c.start], []byte(c.put), c.source[c.end:])
}

// changes returns every change of the package's code, in the order of the text.
func (p *pkg) changes() ([]change, error) {
	var all []change
	for _, name := range p.GoFiles {
		f := file{set: token.NewFileSet(), path: filepath.Join(p.Dir, name)}
		rel, err := filepath.Rel(p.Module.Dir, f.path)
		if err != nil {
			return nil, err
		}
		f.name = filepath.ToSlash(rel)
		if f.source, err = os.ReadFile(f.path); err != nil {
			return nil, err
		}
		tree, err := parser.ParseFile(f.set, f.path, f.source, parser.SkipObjectResolution)
		if err != nil {
			return nil, err
		}
		for _, d := range tree.Decls {
			f.declaration(d)
		}
		slices.SortStableFunc(f.found, func(a, b change) int { return cmp.Compare(a.start, b.start) })
		all = append(all, f.found...)
	}
	seen := map[string]int{}
	for i, c := range all {
		all[i].again = seen[c.name()]
		seen[c.name()]++
	}
	return all, nil
}

// file is one file while its changes are looked for.
type file struct {
	set        *token.FileSet
	path, name string
	source     []byte
	in         string
	found      []change
}

func (f *file) offset(p token.Pos) int { return f.set.Position(p).Offset }

func (f *file) text(n ast.Node) string {
	return string(f.source[f.offset(n.Pos()):f.offset(n.End())])
}

// add notes a change of the text of n to put; shown as old and new, or as the
// texts themselves where those are "".
func (f *file) add(n ast.Node, put, old, new string) {
	at := f.set.Position(n.Pos())
	line := strings.SplitN(string(f.source[at.Offset-at.Column+1:]), "\n", 2)[0]
	if old == "" {
		old = f.text(n)
	}
	f.found = append(f.found, change{
		path: f.path, file: f.name, line: at.Line, col: at.Column, in: f.in,
		old: flat(old), new: cmp.Or(new, put), text: flat(line),
		source: f.source, start: at.Offset, end: f.offset(n.End()), put: put,
	})
}

// flat is text in one line, cut where it is long.
func flat(s string) string {
	s = strings.Join(strings.Fields(s), " ")
	if r := []rune(s); len(r) > 100 {
		s = string(r[:100]) + "…"
	}
	return s
}

// declaration finds the changes in one declaration.
func (f *file) declaration(d ast.Decl) {
	switch d := d.(type) {
	case *ast.FuncDecl:
		f.in = d.Name.Name
		if d.Recv != nil {
			f.in = strings.TrimLeft(f.text(d.Recv.List[0].Type), "*") + "." + f.in
		}
	case *ast.GenDecl:
		if d.Tok == token.IMPORT {
			return
		}
		f.in = d.Tok.String()
		if v, ok := d.Specs[0].(*ast.ValueSpec); ok {
			f.in += " " + v.Names[0].Name
		}
	}
	ast.PreorderStack(d, nil, f.node)
}

// node adds the changes of one node of the tree. It returns false where nothing
// below it is worth changing.
func (f *file) node(n ast.Node, stack []ast.Node) bool {
	switch n := n.(type) {
	case *ast.Field:
		return false // types and tags
	case *ast.CallExpr:
		return !saysOnly(n)
	case *ast.IfStmt:
		f.force(n.Cond, true)
		f.force(n.Cond, false)
	case *ast.ForStmt:
		// Forced true, a loop hangs: nothing is learnt.
		if n.Cond != nil {
			f.force(n.Cond, false)
		}
	case *ast.SwitchStmt:
		for _, c := range n.Body.List {
			if c := c.(*ast.CaseClause); n.Tag == nil && len(c.List) > 0 {
				f.force(c.List[0], true)
			}
		}
	case *ast.BlockStmt:
		f.drop(n.List)
	case *ast.CaseClause:
		f.add(n, "", "", "no case")
		f.drop(n.Body)
	case *ast.CommClause:
		f.add(n, "", "", "no case")
		f.drop(n.Body)
	case *ast.AssignStmt:
		if op, ok := flipped[n.Tok]; ok {
			f.operator(n, n.TokPos, n.Tok, op)
		}
	case *ast.BinaryExpr:
		f.binary(n)
	case *ast.UnaryExpr:
		if n.Op == token.SUB || n.Op == token.NOT {
			f.add(n, f.text(n.X), "", "")
		}
	case *ast.ReturnStmt:
		f.swallow(n, stack)
	case *ast.BasicLit:
		f.constant(n, stack)
	case *ast.Ident:
		if other, ok := map[string]string{"true": "false", "false": "true"}[n.Name]; ok {
			f.add(n, other, "", "")
		}
	}
	return true
}

// saysOnly tells whether a call makes words for a person out of an error or a
// panic: tests hold the error, its words are read by people.
func saysOnly(c *ast.CallExpr) bool {
	switch fun := c.Fun.(type) {
	case *ast.Ident:
		return fun.Name == "panic"
	case *ast.SelectorExpr:
		x, ok := fun.X.(*ast.Ident)
		return ok && (x.Name == "errors" && fun.Sel.Name == "New" || x.Name == "fmt" && fun.Sel.Name == "Errorf")
	}
	return false
}

// force makes a condition true or false. The condition stays in the text, so that
// what it names is still used and the change compiles.
func (f *file) force(cond ast.Expr, to bool) {
	put := "(true || (" + f.text(cond) + "))"
	if !to {
		put = "(false && (" + f.text(cond) + "))"
	}
	f.add(cond, put, "", strconv.FormatBool(to))
}

// drop leaves out each statement in turn that does something and declares
// nothing. It stays in the text, in an if that is never entered.
func (f *file) drop(list []ast.Stmt) {
	for _, s := range list {
		switch s := s.(type) {
		case *ast.AssignStmt:
			if s.Tok == token.DEFINE || len(s.Lhs) == 1 && f.text(s.Lhs[0]) == "_" {
				continue
			}
		case *ast.ExprStmt, *ast.IncDecStmt, *ast.DeferStmt, *ast.GoStmt, *ast.SendStmt:
		default:
			continue
		}
		f.add(s, "if false { "+f.text(s)+" }", "", "dropped")
	}
}

// boundaries and flipped say what becomes of an operator.
var boundaries = map[token.Token]token.Token{
	token.LSS: token.LEQ, token.LEQ: token.LSS, token.GTR: token.GEQ, token.GEQ: token.GTR,
	token.EQL: token.NEQ, token.NEQ: token.EQL,
}

var flipped = map[token.Token]token.Token{
	token.ADD: token.SUB, token.SUB: token.ADD, token.MUL: token.QUO, token.QUO: token.MUL,
	token.ADD_ASSIGN: token.SUB_ASSIGN, token.SUB_ASSIGN: token.ADD_ASSIGN,
	token.MUL_ASSIGN: token.QUO_ASSIGN, token.QUO_ASSIGN: token.MUL_ASSIGN,
}

func (f *file) binary(n *ast.BinaryExpr) {
	switch op, ok := flipped[n.Op]; {
	case n.Op == token.LAND || n.Op == token.LOR:
		// The other value of an operand decides for the whole, which is the
		// condition forced.
		f.force(n.X, n.Op == token.LAND)
		f.force(n.Y, n.Op == token.LAND)
	case ok:
		if !isString(n.X) && !isString(n.Y) {
			f.operator(n, n.OpPos, n.Op, op)
		}
	default:
		if op, ok := boundaries[n.Op]; ok {
			f.operator(n, n.OpPos, n.Op, op)
		}
	}
}

func isString(x ast.Expr) bool {
	l, ok := x.(*ast.BasicLit)
	return ok && l.Kind == token.STRING
}

// operator writes another operator into n.
func (f *file) operator(n ast.Node, pos token.Pos, from, to token.Token) {
	text, at := f.text(n), f.offset(pos)-f.offset(n.Pos())
	put := text[:at] + to.String() + text[at+len(from.String()):]
	f.add(n, put, "", flat(put))
}

// swallow returns nil where an error was returned.
func (f *file) swallow(n *ast.ReturnStmt, stack []ast.Node) {
	if err := f.failure(n, stack); err != nil {
		f.add(err, "func() error { if false { return "+f.text(err)+" }; return nil }()", "", "nil")
	}
}

// failure is the error that a return gives, or nil.
func (f *file) failure(n *ast.ReturnStmt, stack []ast.Node) ast.Expr {
	var results *ast.FieldList
	for _, up := range slices.Backward(stack) {
		if l, ok := up.(*ast.FuncLit); ok {
			results = l.Type.Results
			break
		}
		if d, ok := up.(*ast.FuncDecl); ok {
			results = d.Type.Results
			break
		}
	}
	if results.NumFields() == 0 || results.NumFields() != len(n.Results) || f.text(results.List[len(results.List)-1].Type) != "error" {
		return nil
	}
	if last := n.Results[len(n.Results)-1]; f.text(last) != "nil" {
		return last
	}
	return nil
}

// constant changes a number or a string.
func (f *file) constant(n *ast.BasicLit, stack []ast.Node) {
	switch up := stack[len(stack)-1].(type) {
	case *ast.ReturnStmt:
		if f.failure(up, stack) != nil {
			return // nobody looks at what comes with an error
		}
	case *ast.CallExpr:
		if fun := f.text(up.Fun); (fun == "math.Inf" || fun == "math.IsInf") && n.Value != "0" {
			f.add(n, "(-"+n.Value+")", "", "") // of which only the sign counts
			return
		}
	case *ast.UnaryExpr:
		if call, ok := stack[max(0, len(stack)-2)].(*ast.CallExpr); ok && (f.text(call.Fun) == "math.Inf" || f.text(call.Fun) == "math.IsInf") {
			return // the minus is dropped already
		}
	}
	switch n.Kind {
	case token.INT:
		v, err := strconv.ParseInt(n.Value, 0, 64)
		if err != nil {
			return
		}
		f.add(n, "("+n.Value+" + 1)", "", "")
		if v != 0 {
			f.add(n, "0", "", "")
			f.add(n, "("+n.Value+" * 10)", "", "")
		}
	case token.FLOAT:
		if v, err := strconv.ParseFloat(n.Value, 64); err == nil && v == 0 {
			f.add(n, "1.0", "", "")
		} else {
			f.add(n, "0.0", "", "")
			f.add(n, "("+n.Value+" * 10)", "", "")
		}
	case token.STRING:
		if n.Value == `""` {
			f.add(n, `"other"`, "", "")
		} else {
			f.add(n, `""`, "", "")
		}
	}
}
