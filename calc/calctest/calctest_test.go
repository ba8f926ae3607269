package calctest_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"math"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"pinchrod/calc/calctest"
)

func TestNear(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	tests := []struct {
		got, want, tol float64
		near           bool
	}{
		{1, 1, 0, true}, {1.25, 1, 0.25, true}, {0.75, 1, 0.25, true}, {1.26, 1, 0.25, false}, {0.74, 1, 0.25, false},
		{1, 1, -1, false},
		{nan, 1, 1, false}, {1, nan, 1, false}, {nan, nan, 1, false}, {1, 1, nan, false},
		{inf, 1, 1, false}, {1, -inf, 1, false}, {inf, inf, 1, false}, {1, 1, inf, false}, {inf, 1, inf, false},
	}
	for _, tt := range tests {
		if near := calctest.Near(tt.got, tt.want, tt.tol); near != tt.near {
			t.Errorf("Near(%g, %g, %g) = %t, want %t", tt.got, tt.want, tt.tol, near, tt.near)
		}
	}
}

// TestNoNaNPasses reads the tests of calc and survey: none fails on
// math.Abs(…) > tol, which is false of NaN.
func TestNoNaNPasses(t *testing.T) {
	files := 0
	for _, top := range []string{"calc", "survey"} {
		root := filepath.Join("..", "..")
		err := filepath.WalkDir(filepath.Join(root, top), func(path string, e fs.DirEntry, err error) error {
			if err != nil || !strings.HasSuffix(path, "_test.go") {
				return err
			}
			files++
			set := token.NewFileSet()
			f, err := parser.ParseFile(set, path, nil, parser.SkipObjectResolution)
			if err != nil {
				return err
			}
			for _, at := range passing(f) {
				t.Errorf("%s: NaN passes: write !calctest.Near(got, want, tol)", set.Position(at))
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	if files < 30 {
		t.Errorf("read %d files of tests, want all of them", files)
	}
}

// passing returns where a test fails on math.Abs(…) > tol.
func passing(f *ast.File) (at []token.Pos) {
	ast.Inspect(f, func(n ast.Node) bool {
		i, ok := n.(*ast.IfStmt)
		if !ok || !fails(i.Body) {
			return true
		}
		ast.Inspect(i.Cond, func(n ast.Node) bool {
			b, ok := n.(*ast.BinaryExpr)
			if ok && (b.Op == token.GTR || b.Op == token.GEQ) && calls(b.X, "math", "Abs") {
				at = append(at, b.Pos())
			}
			return true
		})
		return true
	})
	return at
}

// fails tells whether a block itself fails the test.
func fails(b *ast.BlockStmt) bool {
	return slices.ContainsFunc(b.List, func(s ast.Stmt) bool {
		x, ok := s.(*ast.ExprStmt)
		return ok && slices.ContainsFunc([]string{"Error", "Errorf", "Fatal", "Fatalf", "Fail", "FailNow"}, func(name string) bool { return calls(x.X, "t", name) })
	})
}

func calls(x ast.Expr, of, name string) bool {
	c, ok := x.(*ast.CallExpr)
	if !ok {
		return false
	}
	s, ok := c.Fun.(*ast.SelectorExpr)
	if !ok || s.Sel.Name != name {
		return false
	}
	id, ok := s.X.(*ast.Ident)
	return ok && id.Name == of
}

// TestPassing holds the reader of tests itself.
func TestPassing(t *testing.T) {
	tests := []struct {
		body string
		want int
	}{
		{"if math.Abs(got-want) > tol {\nt.Error()\n}", 1},
		{"if a := 1; b || math.Abs(a) >= tol && c {\nx()\nt.Fatalf()\n}", 1},
		{"if !(math.Abs(got-want) <= tol) {\nt.Error()\n}", 0},
		{"if math.Abs(lean) > most {\nsteep++\n}", 0},
	}
	for _, tt := range tests {
		f, err := parser.ParseFile(token.NewFileSet(), "a.go", "package a\nfunc f() {\n"+tt.body+"\n}", 0)
		if err != nil {
			t.Fatal(err)
		}
		if got := len(passing(f)); got != tt.want {
			t.Errorf("%s\nfound %d, want %d", tt.body, got, tt.want)
		}
	}
}
